//! Recipes: programs, a tape and takes in one JSON file, and the takes and the truth made from it.
//!
//! ```json
//! { "seed": 7,
//!   "files": [ { "name": "TIDE TABLE", "kind": "basic", "path": "tides.prg" },
//!              { "name": "RINGS", "kind": "code", "load_address": 49152, "hex": "a9 00 60" } ],
//!   "deck": { "wow_rms": 0.002, "shared_dropouts_per_s": 0.3 },
//!   "takes": [ { "name": "take-1" }, { "name": "take-2", "file": "take-2.wav", "knobs": { "snr_db": 8 } } ] }
//! ```

use super::{Knobs, play, play_tone};
use crate::Error;
use crate::tape::twin_copy::{self, TapeFile};
use crate::tape::{Kind, Program, Pulse};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use sha2::{Digest, Sha256};
use std::path::Path;

/// What to make. Knobs of a take stand above those of the deck, and these above the defaults of [`Knobs`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recipe {
    /// All randomness comes from this number …
    pub seed: u64,
    /// … unless the tape's own seed is given: then another `seed` makes other takes of the same damaged tape.
    #[serde(default)]
    pub tape_seed: Option<u64>,
    /// In the order of the tape.
    #[serde(default)]
    pub files: Vec<FileRecipe>,
    /// Instead of files: a pure tone, for measuring the deck (flutter by AES6, say).
    #[serde(default)]
    pub tone: Option<Tone>,
    /// True: a block after the last file says that no more follow.
    #[serde(default)]
    pub end_of_tape: bool,
    /// Knobs of every take.
    #[serde(default)]
    pub deck: Map<String, Value>,
    pub takes: Vec<TakeRecipe>,
}

/// A test tape.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tone {
    pub hz: f64,
    pub seconds: f64,
}

/// One file on the tape. The bytes come from `path` or from `hex`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileRecipe {
    /// At most 16 ASCII characters.
    pub name: String,
    /// `unknown` writes the data block without a header.
    pub kind: Kind,
    /// Needed for a program from `hex`; otherwise it stands above the one in the program file.
    #[serde(default)]
    pub load_address: Option<u16>,
    /// A program file (two bytes of load address, then the bytes), or a data file as it is. Relative to the recipe.
    #[serde(default)]
    pub path: Option<String>,
    /// Bytes in hexadecimal; white space does not matter.
    #[serde(default)]
    pub hex: Option<String>,
    /// Seconds of leader before the header (10) and before each data block (2), and of silence after the file (2).
    #[serde(default = "ten")]
    pub header_leader_s: f64,
    #[serde(default = "two")]
    pub data_leader_s: f64,
    #[serde(default = "two")]
    pub gap_s: f64,
    /// Bytes of the header after the name, in hexadecimal.
    #[serde(default)]
    pub header_rest_hex: String,
    /// XORed into the check byte of the data blocks: not 0 writes a wrong one.
    #[serde(default)]
    pub checksum_fault: u8,
}

fn ten() -> f64 {
    10.0
}

fn two() -> f64 {
    2.0
}

/// One take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TakeRecipe {
    pub name: String,
    /// File name, ending in `.flac` or `.wav`; the name with `.flac` if not given.
    #[serde(default)]
    pub file: Option<String>,
    /// Instead of the seed made from the recipe's seed and the take's name.
    #[serde(default)]
    pub seed: Option<u64>,
    #[serde(default)]
    pub knobs: Map<String, Value>,
}

/// What is on the tape, and how each take was made.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Truth {
    pub schema: &'static str,
    pub version: &'static str,
    pub seed: u64,
    pub tape_seed: u64,
    /// Length of the tape as written, in seconds.
    pub seconds: f64,
    pub programs: Vec<TrueProgram>,
    pub takes: Vec<TrueTake>,
}

/// A program as it was given.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrueProgram {
    pub name: String,
    pub kind: Kind,
    pub load_address: Option<u16>,
    pub size: usize,
    /// Of the bytes alone, as they sit in memory.
    pub sha256: String,
    /// In the folder `truth`: a program file, or the bytes alone for what has no load address.
    pub file: String,
    /// Where its blocks stand, header first: from the leader's start to the last pulse, in seconds as written.
    pub blocks_s: Vec<(f64, f64)>,
    pub checksum_fault: u8,
    #[serde(skip)]
    pub bytes: Vec<u8>,
}

/// A take as it was made.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrueTake {
    pub name: String,
    pub file: String,
    pub seed: u64,
    /// Every knob, defaults included.
    pub knobs: Knobs,
}

/// A recipe that is checked and ready: the tape is written, the takes are not yet played.
pub struct Simulation {
    /// Empty if a tone is on the tape.
    pub tape: Vec<Pulse>,
    pub tone: Option<Tone>,
    pub truth: Truth,
}

impl Recipe {
    /// Reads a recipe.
    ///
    /// # Errors
    /// [`Error::Read`], or [`Error::Input`] with the line for what is no recipe, unknown fields included.
    pub fn read(path: &Path) -> Result<Recipe, Error> {
        let text = std::fs::read(path).map_err(|e| Error::read(path, e))?;
        serde_json::from_slice(&text).map_err(|e| Error::input(path, format!("not a recipe: {e}")))
    }

    /// Checks everything, reads the programs (paths relative to `folder`) and writes the tape.
    ///
    /// # Errors
    /// [`Error::Usage`] names the file, take or knob and what it may be; [`Error::Read`] and [`Error::Input`] are about
    /// program files.
    pub fn prepare(&self, folder: &Path) -> Result<Simulation, Error> {
        if self.files.is_empty() == self.tone.is_none() || self.takes.is_empty() {
            let what = "a recipe needs at least one entry in `takes`, and either entries in `files` or a `tone`";
            return Err(Error::Usage(what.into()));
        }
        if self.tone.is_some_and(|t| !(1.0..=20_000.0).contains(&t.hz) || !(0.1..=3_600.0).contains(&t.seconds)) {
            return Err(Error::Usage("`tone` must have 1 to 20000 hz and last 0.1 to 3600 seconds".into()));
        }
        let files = self.files.iter().map(|f| f.tape_file(folder)).collect::<Result<Vec<_>, _>>()?;
        let mut tape = twin_copy::write(&files);
        if self.end_of_tape && self.tone.is_none() {
            tape.extend(twin_copy::write_end_of_tape(10.0));
        }
        let tape_seed = self.tape_seed.unwrap_or_else(|| derive(self.seed, "tape"));
        let takes = self.takes.iter().map(|t| self.true_take(t)).collect::<Result<Vec<_>, _>>()?;
        for (i, take) in takes.iter().enumerate() {
            let same = |t: &TrueTake| t.name == take.name || t.file.eq_ignore_ascii_case(&take.file);
            if takes[..i].iter().any(same) {
                return Err(Error::Usage(format!("two takes share the name or file of `{}`", take.name)));
            }
        }
        let truth = Truth {
            schema: "quorate/truth/1",
            version: env!("CARGO_PKG_VERSION"),
            seed: self.seed,
            tape_seed,
            seconds: self.tone.map_or_else(|| tape.iter().map(|p| p.seconds()).sum(), |t| t.seconds),
            programs: true_programs(&files),
            takes,
        };
        Ok(Simulation { tape, tone: self.tone, truth })
    }

    fn true_take(&self, take: &TakeRecipe) -> Result<TrueTake, Error> {
        let wrong = |what: String| Error::Usage(format!("take `{}`: {what}", take.name));
        let mut knobs = self.deck.clone();
        knobs.extend(take.knobs.clone());
        let knobs: Knobs = serde_json::from_value(Value::Object(knobs)).map_err(|e| wrong(format!("knobs: {e}")))?;
        knobs.check().map_err(wrong)?;
        let file = take.file.clone().unwrap_or_else(|| format!("{}.flac", take.name));
        let stem = file.strip_suffix(".flac").or(file.strip_suffix(".wav"));
        let plain = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
        if !stem.is_some_and(|s| !s.is_empty() && !s.starts_with('.') && s.chars().all(plain)) {
            return Err(wrong(format!(
                "`{file}` cannot be its file; use letters, digits, `-`, `_` and `.`, ending in .flac or .wav"
            )));
        }
        let seed = take.seed.unwrap_or_else(|| derive(self.seed, &format!("take/{}", take.name)));
        Ok(TrueTake { name: take.name.clone(), file, seed, knobs })
    }
}

impl FileRecipe {
    fn tape_file(&self, folder: &Path) -> Result<TapeFile, Error> {
        let wrong = |what: String| Error::Usage(format!("file `{}`: {what}", self.name));
        if !self.name.bytes().all(|b| (0x20..0x7f).contains(&b)) {
            return Err(wrong("the name must be plain ASCII".into()));
        }
        let (found, bytes) = match (&self.path, &self.hex) {
            (Some(path), None) => {
                let path = folder.join(path);
                let bytes = std::fs::read(&path).map_err(|e| Error::read(&path, e))?;
                match self.kind {
                    Kind::Data => (None, bytes),
                    _ if bytes.len() < 3 => {
                        return Err(Error::input(&path, "no program file: it needs a load address and a byte"));
                    }
                    _ => (Some(u16::from_le_bytes([bytes[0], bytes[1]])), bytes[2..].to_vec()),
                }
            }
            (None, Some(hex)) => (None, from_hex(hex).map_err(wrong)?),
            _ => return Err(wrong("give either `path` or `hex`".into())),
        };
        let load_address = if self.kind == Kind::Data { None } else { self.load_address.or(found) };
        let program = Program { kind: self.kind, name: self.name.clone().into_bytes(), load_address, bytes };
        let file = TapeFile {
            program,
            header_leader_s: self.header_leader_s,
            data_leader_s: self.data_leader_s,
            gap_s: self.gap_s,
            header_rest: from_hex(&self.header_rest_hex).map_err(wrong)?,
            checksum_fault: self.checksum_fault,
        };
        file.check().map_err(wrong)?;
        Ok(file)
    }
}

impl Simulation {
    /// Plays one take: 16-bit samples (8-bit ones stand in the upper half). `None` past the last take.
    pub fn samples(&self, take: usize) -> Option<Vec<i16>> {
        let TrueTake { knobs, seed, .. } = self.truth.takes.get(take)?;
        let wave = match self.tone {
            Some(tone) => play_tone(tone.hz, tone.seconds, knobs, self.truth.tape_seed, *seed),
            None => play(&self.tape, knobs, self.truth.tape_seed, *seed),
        };
        // Full scale is 2^(bits − 1) steps; its positive end cannot be reached.
        let (scale, shift) = if knobs.bits == 8 { (128.0, 8) } else { (32_768.0, 0) };
        Some(wave.iter().map(|x| ((x * scale).round().clamp(-scale, scale - 1.0) as i16) << shift).collect())
    }
}

/// All takes of a recipe at once: name, samples and sample rate of each, and the truth.
///
/// # Errors
/// Those of [`Recipe::prepare`].
pub fn simulate(recipe: &Recipe, folder: &Path) -> Result<(Vec<SimulatedTake>, Truth), Error> {
    let simulation = recipe.prepare(folder)?;
    let play = |(i, take): (usize, &TrueTake)| {
        let samples = simulation.samples(i)?;
        Some((take.name.clone(), samples, take.knobs.sample_rate))
    };
    let takes = simulation.truth.takes.iter().enumerate().filter_map(play).collect();
    Ok((takes, simulation.truth))
}

/// Name, samples, samples a second.
pub type SimulatedTake = (String, Vec<i16>, u32);

fn true_programs(files: &[TapeFile]) -> Vec<TrueProgram> {
    let mut at = 0.0;
    let mut programs = Vec::new();
    for (i, file) in files.iter().enumerate() {
        let program = &file.program;
        let mut blocks_s = Vec::new();
        for block in file.blocks() {
            let seconds: f64 = block.iter().map(|p| p.seconds()).sum();
            blocks_s.push((at, at + seconds));
            at += seconds;
        }
        at += file.gap_s;
        let end = if program.load_address.is_some() { "prg" } else { "bin" };
        programs.push(TrueProgram {
            name: String::from_utf8_lossy(&program.name).into_owned(),
            kind: program.kind,
            load_address: program.load_address,
            size: program.bytes.len(),
            sha256: hex(&Sha256::digest(&program.bytes)),
            file: format!("p{:02}.{end}", i + 1),
            blocks_s,
            checksum_fault: file.checksum_fault,
            bytes: program.bytes.clone(),
        });
    }
    programs
}

/// A seed for a purpose: the first eight bytes of SHA-256 over the recipe's seed and the purpose.
fn derive(seed: u64, purpose: &str) -> u64 {
    let digest = Sha256::new().chain_update(seed.to_le_bytes()).chain_update(purpose).finalize();
    digest.iter().take(8).rev().fold(0, |n, b| n << 8 | u64::from(*b))
}

/// Lower-case hexadecimal.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn from_hex(text: &str) -> Result<Vec<u8>, String> {
    let digits = text.chars().filter(|c| !c.is_whitespace());
    let digits = digits.map(|c| c.to_digit(16).ok_or(format!("`{c}` is no hexadecimal digit")));
    let digits = digits.collect::<Result<Vec<u32>, String>>()?;
    if digits.len() % 2 != 0 {
        return Err("an odd number of hexadecimal digits".into());
    }
    Ok(digits.chunks(2).map(|d| (d[0] << 4 | d[1]) as u8).collect())
}
