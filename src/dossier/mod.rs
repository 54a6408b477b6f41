//! The dossier: everything needed to decide again without the audio, and what happened to it.
//!
//! It lies in the result folder that `recover` writes, beside the programs:
//!
//! | file | holds |
//! | --- | --- |
//! | `dossier.json` | format, which takes there are, which files could not be read ([`DossierRecord`]) |
//! | `takes/HASH/take.json` | provenance, leaders and the table of readings ([`take::TakeRecord`]); HASH is of the samples |
//! | `takes/HASH/bits.npy` | soft bits, one row a byte, f32 ln P(1)/P(0) |
//! | `takes/HASH/starts.npy` | where every byte begins, and every reading ends, f64 seconds of the take |
//! | `takes/HASH/learned.npy` | gain and noise of every byte against the learned waveform, f32 |
//! | `takes/HASH/wave.npy` | the waveform of every reading, i8 |
//! | `verdict.json`, `programs/` | the present verdict and what comes of it |
//! | `history/` | verdicts that were superseded |
//! | `log.jsonl` | what happened, chained by hashes ([`log`]) |
//! | `run.json` | when and how the folder was last written, and a hash of every file |
//!
//! The order in which takes came in, and how many at a time, does not matter: all but `log.jsonl`, `run.json` and
//! `history/` end in the same bytes. Two things only can make a difference: a file that could not be read is remembered
//! if it was given beside one that could, and a take that contradicts what was established *before* it came leaves a
//! conflict, which stands in the verdict until the evidence establishes the same bytes again.
//!
//! Reading begins at [`Dossier::open`]; [`Update`] writes. A folder is exchanged as a whole, so that readers and
//! whoever comes after a crash find the old or the new one.

pub mod change;
mod conflict;
pub mod explain;
mod files;
pub mod forecast;
pub mod foreign;
mod lock;
pub mod log;
pub mod next;
mod npy;
pub mod overlay;
pub mod store;
pub mod take;
pub mod verify;

use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::Error;
use crate::confidence::Level;
use crate::export::disk;
use crate::export::folder::{Holds, RECORD, holds};
use crate::export::record::{hash, inner};
use crate::recovery::{self, Intake, Outcome, Skipped};
use crate::report::verdict::{PersonsDecision, Place};
use crate::tape::{self, Format, Kind};

pub use files::{Sealed, sha256};
pub use lock::Lock;
pub use log::Log;
pub use overlay::{SetAside, lay};
pub use store::{CapturePlace, Update};
pub use take::TakeRecord;

pub const SCHEMA: &str = "quorate/dossier/1";
pub const FILE: &str = "dossier.json";
pub const VERDICT: &str = "verdict.json";

/// JSON Schemas (2020-12) of the dossier's records, by name.
pub const SCHEMAS: [(&str, &str); 5] = [
    ("dossier", include_str!("schemas/dossier.json")),
    ("take", include_str!("schemas/take.json")),
    ("log", include_str!("schemas/log.json")),
    ("run", include_str!("schemas/run.json")),
    ("change", include_str!("schemas/change.json")),
];

/// `dossier.json`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DossierRecord {
    pub schema: String,
    /// Id of the tape format.
    pub format: String,
    /// By hash.
    pub takes: Vec<TakeEntry>,
    /// Files that could not be read.
    pub skipped: Vec<SkippedRecord>,
}

#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TakeEntry {
    #[serde(deserialize_with = "inner")]
    pub folder: String,
    #[serde(deserialize_with = "hash")]
    pub samples_blake3: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SkippedRecord {
    pub file: String,
    pub reason: String,
}

/// A program as the present verdict has it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Present {
    pub id: String,
    pub name: String,
    pub kind: Kind,
    pub load_address: Option<u16>,
    pub size: usize,
    pub verdict: Level,
    /// Where it lies in the takes that heard it.
    pub places: Vec<Place>,
    pub decisions: Vec<PersonsDecision>,
    #[serde(default)]
    pub blocks: Vec<PresentBlock>,
    data: String,
    files: Vec<String>,
    /// What the evidence had, without the values that persons decided: these are evidence for nothing.
    #[serde(skip)]
    pub bytes: Vec<u8>,
}

/// A block of a program, as far as it matters for what comes.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct PresentBlock {
    /// `header` or `data`.
    pub role: String,
    pub p_wrong: f64,
}

#[derive(Deserialize)]
struct PresentVerdict {
    takes: Vec<PresentTake>,
    programs: Vec<Present>,
}

/// A take as the present verdict has it.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct PresentTake {
    pub id: String,
    pub file: String,
    pub sha256: String,
}

/// A dossier, read. What is read was compared with the hashes in the run record.
pub struct Dossier {
    files: Sealed,
    pub record: DossierRecord,
    pub takes: Vec<TakeRecord>,
    pub log: Log,
    /// The text of verdict.json, its takes and its programs.
    pub verdict: String,
    pub present_takes: Vec<PresentTake>,
    pub programs: Vec<Present>,
}

impl Dossier {
    /// Opens a result folder that holds a dossier.
    ///
    /// Errors: [`Error::Input`] if it holds none or a file of it was changed, with the file's name; [`Error::Limit`] if a
    /// newer quorate wrote it; [`Error::Read`].
    pub fn open(folder: &Path) -> Result<Dossier, Error> {
        // exchanged for its successor while we read, it would be a mixture: then once more
        let record = || disk::inside(folder, RECORD).ok().and_then(|path| fs::read(path).ok());
        for _ in 0..3 {
            let before = record();
            let dossier = Dossier::open_once(folder);
            if dossier.is_ok() || record() == before {
                return dossier;
            }
        }
        Dossier::open_once(folder)
    }

    fn open_once(folder: &Path) -> Result<Dossier, Error> {
        if holds(folder) != Some(Holds::Dossier) && !folder.join(FILE).exists() {
            let what = "holds no dossier: name a folder that `quorate recover` wrote";
            return Err(Error::input(folder, what));
        }
        let path = disk::inside(folder, FILE)?;
        // before anything else: a newer version may differ in all the rest
        files::check_schema(&path, &fs::read(&path).map_err(|e| Error::read(&path, e))?, SCHEMA)?;
        let files = Sealed::open(folder)?;
        let record: DossierRecord = files.json(FILE, SCHEMA)?;
        let mut takes = Vec::with_capacity(record.takes.len());
        for entry in &record.takes {
            let take = take::read_record(&files, &entry.folder)?;
            if take.samples_blake3 != entry.samples_blake3 {
                let what = "is of other samples than dossier.json says; restore the folder from a copy";
                return Err(Error::input(&files.path(&entry.folder), what));
            }
            takes.push(take);
        }
        let log = Log::parse(&files.path(log::FILE), &files.read(log::FILE)?)?;
        let text = files.read(VERDICT)?;
        files::check_schema(&files.path(VERDICT), &text, crate::report::verdict::SCHEMA)?;
        let bad = |e: &dyn std::fmt::Display| Error::input(&files.path(VERDICT), format!("can't be understood: {e}"));
        let PresentVerdict { takes: present_takes, mut programs } =
            serde_json::from_slice(&text).map_err(|e| bad(&e))?;
        let verdict = String::from_utf8(text).map_err(|e| bad(&e))?;
        if log.decided() != Some(sha256(verdict.as_bytes()).as_str()) {
            let what = "is not the verdict that log.jsonl speaks of; restore the folder from a copy";
            return Err(Error::input(&files.path(VERDICT), what));
        }
        for program in &mut programs {
            if let Some(file) = program.files.iter().find(|file| files.listed(file).is_none()) {
                return Err(bad(&format!("it names {file:?}, which is not listed in run.json")));
            }
            program.bytes = files.read(&program.data)?;
            overlay::undo(&mut program.bytes, &program.decisions);
        }
        Ok(Dossier { files, record, takes, log, verdict, present_takes, programs })
    }

    pub fn files(&self) -> &Sealed {
        &self.files
    }

    pub fn folder(&self) -> &Path {
        self.files.folder()
    }

    /// Errors: [`Error::Refused`] if a capture with this hash is a file of the dossier itself, such as the clean audio of a
    /// program, wherever it lies now: it would confirm what it was made of.
    pub fn not_ours(&self, take: &Path, sha256: &str) -> Result<(), Error> {
        let Some(own) = self.files.with_hash(sha256) else { return Ok(()) };
        let what = format!("is {} of the dossier itself: it was made from the evidence and is none", own.file);
        Err(Error::Refused { path: take.to_path_buf(), what })
    }

    /// The tape format.
    pub fn format(&self) -> Result<Box<dyn Format>, Error> {
        let known = tape::formats().into_iter().find(|f| f.id() == self.record.format);
        known.ok_or_else(|| {
            let what =
                format!("is of the format {}, which this quorate does not know", files::shown(&self.record.format));
            Error::limit(&self.files.path(FILE), what)
        })
    }

    /// All takes as they were received.
    pub fn intake(&self) -> Result<Intake, Error> {
        let format = self.format()?;
        let (width, copies) = (format.grammar().bits_per_byte, format.layout().sync.len());
        let mut received = Vec::new();
        for record in &self.takes {
            if record.bits_per_byte != width {
                let path = self.files.path(&take::folder(&record.samples_blake3));
                let what = format!("has {} bits a byte where the format has {width}", record.bits_per_byte);
                return Err(Error::input(&path, what));
            }
            if record.readings.iter().any(|r| r.copy.is_some_and(|copy| copy >= copies)) {
                let path = self.files.path(&take::folder(&record.samples_blake3));
                return Err(Error::input(&path, "has a reading of a copy that the format does not write"));
            }
            received.extend(take::read(&self.files, record)?);
        }
        let skipped = |s: &SkippedRecord| Skipped { path: s.file.clone().into(), reason: s.reason.clone() };
        Ok(Intake::of(received, self.record.skipped.iter().map(skipped).collect()))
    }

    /// Decides again from what is kept, persons' decisions and conflicts included: what `verdict.json` was made of, with
    /// the evidence at hand.
    pub fn decide(&self, progress: recovery::Progress) -> Result<Outcome, Error> {
        let mut outcome = recovery::decide_all(self.intake()?, self.format()?.as_ref(), progress)?;
        overlay::lay(&mut outcome, &self.log);
        Ok(outcome)
    }

    /// Where every capture was when it was last heard. A run record of before these were kept knows the last command's
    /// only, as they were named.
    pub fn captures(&self) -> Result<Vec<CapturePlace>, Error> {
        #[derive(Deserialize)]
        struct Run {
            #[serde(default)]
            inputs: Vec<CapturePlace>,
            captures: Option<Vec<CapturePlace>>,
        }
        let path = self.files.path(RECORD);
        let text = fs::read(&path).map_err(|e| Error::read(&path, e))?;
        let run: Run = serde_json::from_slice(&text)
            .map_err(|e| Error::input(&path, format!("can't be understood: {e}; restore it from a copy")))?;
        Ok(run.captures.unwrap_or(run.inputs))
    }

    /// The record of the take that `take` of an outcome (from 0) is a file of.
    pub fn record_of(&self, outcome: &Outcome, take: usize) -> Option<&TakeRecord> {
        let hash = &outcome.intake.received.get(take)?.samples_blake3;
        self.takes.iter().find(|t| t.samples_blake3 == *hash)
    }

    /// The waveform of a take.
    pub fn waves(&self, record: &TakeRecord) -> Result<take::Waves, Error> {
        take::Waves::read(&self.files, record)
    }
}
