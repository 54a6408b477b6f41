//! The program's own way, from samples to verdict.

use super::scene::{BYTES, COPIES, DATA, Scene, WIDTH};
use quorate::confidence::{ESTABLISHED_BELOW, Level, decide};
use quorate::consensus::{self, Block, Piece, TakeReadings, Times};
use quorate::correction::{ParityXor, most_probable};
use quorate::receiver::signal::Memory;
use quorate::receiver::{self, Reception, leader};
use quorate::recovery::{Intake, Received, decide_all};
use quorate::tape::{Format, TwinCopy};
use quorate::{Error, Llr};

/// What one take gave, ready for the rest of the line.
pub fn receive(samples: Vec<f32>, rate: f64, take: usize) -> Result<Received, Error> {
    let format = TwinCopy::default();
    let memory = Memory { samples, rate };
    let survey = leader::survey(&memory)?;
    let reception: Reception = receiver::receive(&memory, format.grammar(), format.layout(), survey, &|_| ())?;
    Ok(Received {
        path: format!("take-{}.wav", take + 1).into(),
        sha256: take.to_string(),
        samples_blake3: take.to_string(),
        duration_s: memory.samples.len() as f64 / rate,
        sample_rate: rate as u32,
        channel: 0,
        channels: 1,
        reception,
        ..Received::default()
    })
}

/// The same take once more: judging uses it up.
pub fn again(take: &Received) -> Received {
    Received {
        path: take.path.clone(),
        sha256: take.sha256.clone(),
        samples_blake3: take.samples_blake3.clone(),
        duration_s: take.duration_s,
        sample_rate: take.sample_rate,
        channel: take.channel,
        channels: take.channels,
        reception: take.reception.clone(),
        ..Received::default()
    }
}

/// The data block as the program sees it.
#[derive(Clone, Debug, Default)]
pub struct Judged {
    /// Wrong bytes of 501 by the sum of soft bits alone, and after the checks.
    pub soft_wrong: usize,
    pub exact_wrong: usize,
    /// The data block by itself: every byte of the most probable word is right.
    pub recovered: bool,
    /// What is claimed of the data block.
    pub block: Option<Claimed>,
    /// The program, header and all.
    pub program_recovered: bool,
    pub program_established: bool,
    pub established_wrong: bool,
    /// Soft bits of every copy and take expected; empty where there was no reading. Then their sum.
    pub votes: Vec<Vec<Llr>>,
    pub total: Vec<Llr>,
}

#[derive(Clone, Debug)]
pub struct Claimed {
    pub p_wrong: f64,
    /// True if any byte of the payload is wrong.
    pub wrong: bool,
    /// Soft bits after the checks.
    pub posterior: Vec<Llr>,
}

impl Claimed {
    /// Said to be wrong in less than one case in a million.
    pub fn is_established(&self) -> bool {
        self.p_wrong < ESTABLISHED_BELOW
    }
}

/// Judges some takes of a tape. `from_s` is where the data block begins in the first of them.
pub fn judge(scene: &Scene, takes: Vec<Received>, from_s: f64) -> Result<Judged, Error> {
    let format = TwinCopy::default();
    let count = takes.len();
    let intake = Intake { received: takes, ..Intake::default() };
    let (readings, _) = intake.readings(&format);
    let mut out =
        Judged { soft_wrong: BYTES, exact_wrong: BYTES, votes: vec![Vec::new(); COPIES * count], ..Judged::default() };
    if let Some(block) = data_block(&readings, from_s) {
        let total = block.total(|_| 1.0);
        out.soft_wrong = wrong_bytes(scene, total.iter().map(|l| (!l.is_lost()).then(|| l.bit())));
        if let Some(word) = most_probable(&ParityXor { bytes: block.bytes }, &total) {
            out.exact_wrong = wrong_bytes(scene, word.bits.iter().map(|&b| Some(b)));
        }
        out.recovered = out.exact_wrong == 0;
        let decided = decide(&format, &block, &vec![1.0; block.votes.len()])?;
        let wrong = decided.bytes.len() != BYTES || decided.bytes[..BYTES - 1] != scene.program.bytes[..];
        out.block = Some(Claimed { p_wrong: decided.p_wrong, wrong, posterior: decided.posterior });
        for vote in &block.votes {
            if let Some(slot) = out.votes.get_mut(vote.take * COPIES + vote.copy) {
                *slot = vote.bits.clone();
            }
        }
        out.total = total;
    }
    match decide_all(intake, &format, &|_, _| ()) {
        Ok(outcome) => {
            for (verdict, recovered) in outcome.verdict.programs.iter().zip(&outcome.programs) {
                let program = &recovered.program;
                let named = program.load_address == scene.program.load_address
                    && program.name.trim_ascii_end() == scene.program.name;
                // A program without a header has no name or address to be wrong about.
                let right = program.bytes == scene.program.bytes && (named || program.name.is_empty());
                out.program_recovered |= right && named;
                if verdict.verdict == Level::Established {
                    out.program_established |= right && named;
                    out.established_wrong |= !right;
                }
            }
        }
        Err(Error::NoData(_)) => {}
        Err(other) => return Err(other),
    }
    Ok(out)
}

/// The block nearest to where the data block lies; its length is told, as its header tells it.
fn data_block(readings: &[TakeReadings], from_s: f64) -> Option<Block> {
    let format = TwinCopy::default();
    let times = Times::of(format.grammar(), format.layout());
    let speed = readings.first()?.speed;
    let far = |s: &Vec<Piece>| s.iter().map(|p| (p.from_s - from_s * speed).abs()).fold(f64::INFINITY, f64::min);
    let within = format.checks_within_bytes(1);
    let sound = |byte: &[bool]| quorate::correction::obeys(within.as_ref(), byte);
    let tapes = consensus::tapes(readings, WIDTH, &times);
    let blocks: Vec<Vec<Piece>> =
        tapes.iter().flat_map(|t| consensus::blocks(readings, t, WIDTH, &times, &sound)).collect();
    let nearest = blocks.iter().min_by(|a, b| far(a).total_cmp(&far(b))).filter(|b| far(b) < 3.0)?;
    let block = consensus::align(readings, nearest, WIDTH, Some(BYTES));
    (block.bytes > 1 && !block.votes.is_empty()).then_some(block)
}

/// Bytes of the data block that differ in a bit of their value or are missing.
pub fn wrong_bytes(scene: &Scene, bits: impl Iterator<Item = Option<bool>>) -> usize {
    let truth = &scene.blocks[DATA].bits;
    let mut bits: Vec<Option<bool>> = bits.collect();
    bits.resize(truth.len(), None);
    let differs = |(a, b): (&[Option<bool>], &[bool])| a[..8].iter().zip(&b[..8]).any(|(a, b)| *a != Some(*b));
    bits.chunks(WIDTH).zip(truth.chunks(WIDTH)).filter(|&(a, b)| differs((a, b))).count()
}
