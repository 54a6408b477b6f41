//! One tape: made, recovered, and its claims counted against the truth.

use quorate::capture::write::write_wav16;
use quorate::channel::recipe::TrueProgram;
use quorate::confidence::Level;
use quorate::confidence::statistics::Outcome as Claim;
use quorate::recovery::{self, Outcome, RecoveredProgram};
use quorate::tape::TwinCopy;
use std::path::Path;

use super::codec::Codec;
use super::draw;

/// Claims of this chance of error and below are only counted: there are too many to keep.
pub const SURE: f64 = 1e-3;
/// Powers of ten that sure claims are counted by: 1e-3 to 1e-4, and so on.
pub const DECADES: usize = 7;
/// A wrong bit claimed so surely is worth a look.
const SURPRISING: f64 = 1e-5;

#[derive(Default)]
pub struct Tally {
    pub tapes: u64,
    pub programs: u64,
    /// Programs of the truth that were found under their name.
    pub found: u64,
    pub established: u64,
    pub established_wrong: u64,
    pub wrong_seeds: Vec<u64>,
    /// Claimed chance that a program is wrong, and whether it was.
    pub supported: Vec<Claim>,
    pub all_programs: Vec<Claim>,
    pub open: u64,
    /// Programs that were given out and are not on the tape under that name, by verdict: supported, open.
    pub strange: [u64; 2],
    /// Where wrong bits were claimed with a chance of error of at most [`SURPRISING`]: seed, program, how many.
    pub surprises: Vec<(u64, String, u64)>,
    pub bits: Vec<Claim>,
    pub bytes: Vec<Claim>,
    /// Bits that nothing is known of, given out as zeros, and bits of which no take tells the place: how many, how many wrong.
    pub guessed_bits: (u64, u64),
    /// Sure claims by decade: how many, how many wrong.
    pub sure_bits: [(u64, u64); DECADES],
    pub sure_bytes: [(u64, u64); DECADES],
}

impl Tally {
    pub fn add(&mut self, other: Tally) {
        self.tapes += other.tapes;
        self.programs += other.programs;
        self.found += other.found;
        self.established += other.established;
        self.established_wrong += other.established_wrong;
        self.wrong_seeds.extend(other.wrong_seeds);
        self.supported.extend(other.supported);
        self.all_programs.extend(other.all_programs);
        self.open += other.open;
        self.strange = [0, 1].map(|i| self.strange[i] + other.strange[i]);
        self.surprises.extend(other.surprises);
        self.bits.extend(other.bits);
        self.bytes.extend(other.bytes);
        self.guessed_bits.0 += other.guessed_bits.0;
        self.guessed_bits.1 += other.guessed_bits.1;
        let sum = |a: &mut [(u64, u64); DECADES], b: [(u64, u64); DECADES]| {
            a.iter_mut().zip(b).for_each(|(x, y)| *x = (x.0 + y.0, x.1 + y.1));
        };
        sum(&mut self.sure_bits, other.sure_bits);
        sum(&mut self.sure_bytes, other.sure_bytes);
    }
}

fn claim(p_wrong: f64, wrong: bool, kept: &mut Vec<Claim>, sure: &mut [(u64, u64); DECADES]) {
    if p_wrong > SURE {
        kept.push(Claim { forecast: p_wrong.min(1.0), happened: wrong });
        return;
    }
    let decade = ((-p_wrong.max(1e-300).log10() - 3.0).floor() as usize).min(DECADES - 1);
    sure[decade].0 += 1;
    sure[decade].1 += u64::from(wrong);
}

/// Makes and recovers the tape of one seed.
pub fn tape(seed: u64) -> Result<Tally, String> {
    let say = |what: &dyn std::fmt::Display| format!("seed {seed}: {what}");
    let simulation = draw::recipe(seed)?.prepare(Path::new(".")).map_err(|e| say(&e))?;
    let folder = tempfile::tempdir().map_err(|e| say(&e))?;
    let mut paths = Vec::new();
    for (i, take) in simulation.truth.takes.iter().enumerate() {
        let samples = simulation.samples(i).ok_or_else(|| say(&"a take is missing"))?;
        let (samples, rate) = match draw::codec(seed, i) {
            Some(codec) => lossy(&samples, take.knobs.sample_rate, codec).map_err(|e| say(&e))?,
            None => (samples, take.knobs.sample_rate),
        };
        let path = folder.path().join(format!("{}.wav", take.name));
        write_wav16(&path, rate, 1, &samples).map_err(|e| say(&e))?;
        paths.push(path);
    }
    let truth = &simulation.truth.programs;
    let mut out = Tally { tapes: 1, programs: truth.len() as u64, ..Tally::default() };
    let outcome = match recovery::recover(&paths, &TwinCopy::default(), &|_, _| ()) {
        Ok(outcome) => outcome,
        Err(quorate::Error::NoData(_)) => return Ok(out),
        Err(e) => return Err(say(&e)),
    };
    let mut seen = vec![false; truth.len()];
    for (verdict, recovered) in outcome.verdict.programs.iter().zip(&outcome.programs) {
        let name = recovered.program.name.trim_ascii_end();
        let at = truth
            .iter()
            .position(|t| t.name.as_bytes() == name && Some(t.load_address) == Some(recovered.program.load_address));
        let right = at.is_some_and(|i| truth[i].bytes == recovered.program.bytes);
        // bytes without a header have no name to be wrong about
        let right = right || name.is_empty() && truth.iter().any(|t| t.bytes == recovered.program.bytes);
        match verdict.verdict {
            Level::Established => {
                out.established += 1;
                if !right {
                    out.established_wrong += 1;
                    out.wrong_seeds.push(seed);
                }
            }
            Level::Supported => out.supported.push(Claim { forecast: verdict.p_wrong, happened: !right }),
            Level::Open => out.open += 1,
        }
        if at.is_none() && !right && verdict.verdict != Level::Established {
            out.strange[usize::from(verdict.verdict == Level::Open)] += 1;
        }
        if let Some(i) = at {
            if !seen[i] && right {
                out.found += 1;
            }
            seen[i] = true;
            out.all_programs.push(Claim { forecast: verdict.p_wrong, happened: !right });
            let wrong = inside(&outcome, recovered, &truth[i], &mut out);
            if wrong > 0 {
                out.surprises.push((seed, truth[i].name.clone(), wrong));
            }
        }
    }
    Ok(out)
}

/// A take as someone kept it: through a codec and back.
fn lossy(samples: &[i16], rate: u32, codec: Codec) -> anyhow::Result<(Vec<i16>, u32)> {
    let wave: Vec<f32> = samples.iter().map(|&s| f32::from(s) / 32_768.0).collect();
    let (wave, rate) = codec.pass(&wave, rate)?;
    Ok((wave.iter().map(|x| (x * 32_768.0).round() as i16).collect(), rate))
}

/// Bits and bytes of a program whose length is right: only then is there a truth for each. Returns how many bits are
/// surprisingly wrong.
fn inside(outcome: &Outcome, recovered: &RecoveredProgram, truth: &TrueProgram, out: &mut Tally) -> u64 {
    let mut surprises = 0;
    if recovered.program.bytes.len() != truth.bytes.len() {
        return surprises;
    }
    for (offset, (&byte, &right)) in recovered.program.bytes.iter().zip(&truth.bytes).enumerate() {
        if !recovered.placed {
            // which byte of the program it is nobody knows: no claim either
            out.guessed_bits.0 += 8;
            out.guessed_bits.1 += u64::from((byte ^ right).count_ones());
            continue;
        }
        claim(recovered.byte_p_wrong[offset], byte != right, &mut out.bytes, &mut out.sure_bytes);
        let Some((block, at)) = recovered.place(offset) else { continue };
        let decided = &outcome.tapes[recovered.tape].blocks[block].decided;
        for k in 0..8 {
            let llr = f64::from(decided.posterior[at * 9 + k].0);
            let bit = right >> k & 1 == 1;
            if llr == 0.0 {
                // nothing was heard and no check says anything: a guess, no claim
                out.guessed_bits.0 += 1;
                out.guessed_bits.1 += u64::from(bit);
                continue;
            }
            let (p_wrong, wrong) = (1.0 / (1.0 + llr.abs().exp()), (llr > 0.0) != bit);
            claim(p_wrong, wrong, &mut out.bits, &mut out.sure_bits);
            surprises += u64::from(wrong && p_wrong <= SURPRISING);
        }
    }
    surprises
}
