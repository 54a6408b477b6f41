//! The whole line from captures to programs with verdicts: receive every take, find the common blocks, correct, judge.

mod advice;
mod apart;
pub mod belongs;
pub mod explanation;
mod intake;
mod outcome;
mod programs;
mod rival;
mod strangers;
mod wave;

use rayon::prelude::*;
use std::collections::BTreeSet;
use std::path::PathBuf;

use crate::Error;
use crate::confidence::{Decided, Shared, decide, decide_as_one, temper};
use crate::consensus::{self, Block, Piece, Rejected, TakeReadings, Times};
use crate::tape::{BlockBytes, Format};

pub use advice::Outlook;
pub use apart::{Beside, Why};
pub use intake::{About, Intake, Received, Skipped};
pub use outcome::{DecidedTape, Outcome, RecoveredProgram};
pub use rival::Rival;
pub use wave::{Wave, WavePiece};

/// Told how far the work is: share done, 0..1, and what is being done.
pub type Progress<'a> = &'a (dyn Fn(f64, &str) + Sync);

/// A block of one tape, decided.
#[derive(Clone)]
pub struct DecidedBlock {
    pub block: Block,
    pub decided: Decided,
    /// What each vote of the block counted: 1 in full.
    pub weights: Vec<f32>,
    /// Set if other blocks lie in the same place of the tape.
    pub beside: Option<Beside>,
}

/// Receives all takes and decides all programs.
///
/// The result is the same for any order of `paths` and any number of threads: takes are numbered by file name, then by
/// content. Errors: [`Error::NoData`] when no take holds data, the first take's own error when none can be read.
pub fn recover(paths: &[PathBuf], format: &dyn Format, progress: Progress) -> Result<Outcome, Error> {
    let intake = Intake::receive(paths, format, progress)?;
    decide_all(intake, format, progress)
}

/// Decides from what was received: the soft bits and places of the readings, and nothing else, steer the result. Beside it stands
/// what speaks against a take as a whole.
pub fn decide_all(intake: Intake, format: &dyn Format, progress: Progress) -> Result<Outcome, Error> {
    let mut outcome = weigh_all(intake, format, progress)?;
    strangers::mark(&mut outcome, format)?;
    Ok(outcome)
}

/// As [`decide_all`], with nothing said of the takes.
pub fn weigh_all(mut intake: Intake, format: &dyn Format, progress: Progress) -> Result<Outcome, Error> {
    progress(0.9, "comparing the takes");
    let width = format.grammar().bits_per_byte;
    let times = Times::of(format.grammar(), format.layout());
    let (takes, mut rejected) = intake.readings(format);
    // kept once is enough
    intake.received.iter_mut().flat_map(|r| &mut r.reception.readings).for_each(|r| r.bits = Vec::new());
    let mut tapes = Vec::new();
    for members in consensus::tapes(&takes, width, &times) {
        progress(0.93, "weighing the evidence");
        let within = format.checks_within_bytes(1);
        let sound = |byte: &[bool]| crate::correction::obeys(within.as_ref(), byte);
        let blocks = consensus::blocks(&takes, &members, width, &times, &sound);
        let (blocks, shared) = decide_tape(&takes, &blocks, format)?;
        tapes.push(DecidedTape { takes: members.keys().copied().collect(), times: members, blocks, shared });
    }
    reject_unused(&takes, &tapes, &mut rejected);
    rejected.sort_by_key(|r| (r.take, r.reading));
    progress(0.99, "putting programs together");
    outcome::build(intake, takes, tapes, rejected, format)
}

/// Decides the blocks of one tape in order. A header tells the length of the block behind it, so first all blocks are
/// decided as they stand, then those whose length a header announces otherwise.
fn decide_tape(
    takes: &[TakeReadings],
    blocks: &[Vec<Piece>],
    format: &dyn Format,
) -> Result<(Vec<DecidedBlock>, Shared), Error> {
    let width = format.grammar().bits_per_byte;
    let lay = |pieces: &Vec<Piece>, announced: Option<usize>| {
        let within = format.checks_within_bytes(1);
        let mut block = consensus::align(takes, pieces, width, announced);
        let sound = |byte: &[bool]| crate::correction::obeys(within.as_ref(), byte);
        block.votes.iter_mut().for_each(|vote| temper(&mut vote.bits, width, sound));
        block
    };
    let blocks: Vec<(Block, &Vec<Piece>)> = blocks.par_iter().map(|pieces| (lay(pieces, None), pieces)).collect();
    let shared = Shared::estimate(blocks.iter().map(|b| &b.0));
    let judged = |block: Block, may_be: apart::MayBe| {
        let members: Vec<usize> = block.takes();
        let weight = |vote: &consensus::Vote| shared.weight(vote.take, &members);
        let weights: Vec<f32> = block.votes.iter().map(weight).collect();
        let judge = if may_be == apart::MayBe::One { decide_as_one } else { decide };
        judge(format, &block, &weights).map(|decided| DecidedBlock { block, decided, weights, beside: None })
    };
    let one = |block: Block| judged(block, apart::MayBe::Two);
    let (blocks, pieces): (Vec<Block>, Vec<&Vec<Piece>>) = blocks.into_iter().unzip();
    let mut out: Vec<DecidedBlock> = blocks.into_par_iter().map(one).collect::<Result<_, Error>>()?;
    for (block, pieces) in out.iter_mut().zip(&pieces) {
        let own = format.own_bytes(&block.decided.bytes).filter(|&n| n != block.block.bytes);
        if let Some(n) = own {
            *block = one(lay(pieces, Some(n)))?;
        }
    }
    let mut scraps = vec![false; out.len()];
    for i in 1..out.len() {
        let before = &out[i - 1];
        let announced = format.announced_bytes(&block_bytes(before));
        let follows = |b: &DecidedBlock| (-0.5..15.0).contains(&(b.block.from_s - before.block.to_s));
        // another header is no data, whatever was lost before it
        let header = format.own_bytes(&out[i].decided.bytes).is_some();
        if let Some(n) = announced
            && n != out[i].block.bytes
            && follows(&out[i])
            && !header
        {
            // noise after a header, or a reading that begins too early, can pass for some bytes: what was announced is the
            // block behind them
            let whole = |b: &DecidedBlock| b.block.bytes == n && follows(b) && b.decided.p_wrong < 0.01;
            let doubtful = out[i].block.bytes < n && out[i].decided.p_wrong > 0.5;
            if doubtful && out.get(i + 1).is_some_and(whole) {
                scraps[i] = true;
                continue;
            }
            let told = one(lay(pieces[i], Some(n)))?;
            // a header may be wrong too: a block that obeys its checks as it was heard is not cut to fit
            if out[i].decided.wrong_checksum || out[i].decided.p_wrong > 0.5 || !told.decided.wrong_checksum {
                out[i] = told;
            }
        }
    }
    let mut scraps = scraps.into_iter();
    out.retain(|_| !scraps.next().unwrap_or(false));
    // only a check byte, or nothing at all
    out.retain(|b| b.block.bytes >= 2 && !b.block.votes.is_empty());
    Ok((apart::part(out, &judged)?, shared))
}

/// Whatever has no vote in any block is rejected by name: used + rejected readings = all readings.
fn reject_unused(takes: &[TakeReadings], tapes: &[DecidedTape], rejected: &mut Vec<Rejected>) {
    let votes = tapes.iter().flat_map(|t| &t.blocks).flat_map(|b| &b.block.votes);
    let mut known: BTreeSet<(usize, usize)> = votes.map(|v| (v.take, v.reading)).collect();
    known.extend(rejected.iter().map(|r| (r.take, r.reading)));
    for (take, t) in takes.iter().enumerate() {
        for (reading, r) in t.readings.iter().enumerate().filter(|(i, _)| !known.contains(&(take, *i))) {
            let (code, reason) = if r.bytes() < 2 {
                ("too-short", "Only a check byte was heard.")
            } else {
                ("outside-block", "Nothing of this reading could be laid on a block.")
            };
            rejected.push(Rejected { take, reading, code, reason: reason.into() });
        }
    }
}

/// What putting programs together needs of a block.
fn block_bytes(block: &DecidedBlock) -> BlockBytes {
    let payload = block.decided.bytes.len().saturating_sub(1);
    BlockBytes {
        payload: block.decided.bytes[..payload].to_vec(),
        p_wrong: block.decided.byte_p_wrong[..payload].to_vec(),
        from_s: block.block.from_s,
        to_s: block.block.to_s,
    }
}
