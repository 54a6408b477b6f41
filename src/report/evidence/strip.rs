//! Where things lie on the tape: the time of every take turned into the time of the tape side.

use std::ops::Range;

use super::Evidence;
use super::bytes::{SAYS_NOTHING, seconds};
use crate::Llr;
use crate::consensus::Vote;
use crate::recovery::DecidedBlock;

/// One tape side in its own time, seconds at the nominal speed from the first thing that any take recorded.
#[derive(Clone, Debug)]
pub struct Strip {
    pub length_s: f64,
    pub programs: Vec<ProgramPlace>,
    pub lanes: Vec<Lane>,
}

#[derive(Clone, Debug)]
pub struct ProgramPlace {
    /// Number in the verdict.
    pub index: usize,
    pub at: Range<f64>,
}

/// One take.
#[derive(Clone, Debug)]
pub struct Lane {
    pub take: usize,
    /// What the take covers.
    pub at: Range<f64>,
    pub readings: Vec<(Range<f64>, usize)>,
    /// Bits on which readings say nothing, and those on which they were overruled; neighbours drawn together.
    pub lost: Vec<Range<f64>>,
    pub overruled: Vec<Range<f64>>,
}

/// The strip of tape number `tape`.
pub fn strip(evidence: &Evidence, tape: usize) -> Strip {
    let side = &evidence.outcome.tapes[tape];
    let offsets = offsets(evidence, &side.takes, &side.blocks);
    let mut lanes: Vec<Lane> = side.takes.iter().zip(&offsets).map(|(&t, &o)| lane(evidence, side, t, o)).collect();
    let begin = lanes.iter().map(|l| l.at.start).fold(f64::INFINITY, f64::min);
    let end = lanes.iter().map(|l| l.at.end).fold(0.0, f64::max);
    let place = |block: &DecidedBlock| {
        let seconds = |vote: &Vote| {
            let t = side.takes.iter().position(|&t| t == vote.take)?;
            let speed = evidence.outcome.takes[vote.take].speed;
            let (first, last) = (spans(evidence, vote).next()?, spans(evidence, vote).last()?);
            Some(first.start * speed + offsets[t]..last.end * speed + offsets[t])
        };
        let all: Vec<Range<f64>> = block.block.votes.iter().filter_map(seconds).collect();
        let from = all.iter().map(|r| r.start).fold(f64::INFINITY, f64::min);
        from..all.iter().map(|r| r.end).fold(from, f64::max)
    };
    let mut programs = Vec::new();
    for (index, program) in evidence.outcome.programs.iter().enumerate().filter(|(_, p)| p.tape == tape) {
        let blocks = program.header.iter().chain(program.data.iter().map(|(block, _)| block));
        let places: Vec<Range<f64>> = blocks.map(|&b| place(&side.blocks[b])).collect();
        let from = places.iter().map(|r| r.start).fold(f64::INFINITY, f64::min);
        let to = places.iter().map(|r| r.end).fold(0.0, f64::max);
        programs.push(ProgramPlace { index, at: from - begin..to - begin });
    }
    let shift = |r: &mut Range<f64>| *r = r.start - begin..r.end - begin;
    for lane in &mut lanes {
        shift(&mut lane.at);
        lane.readings.iter_mut().for_each(|(r, _)| shift(r));
        lane.lost.iter_mut().for_each(shift);
        lane.overruled.iter_mut().for_each(shift);
    }
    Strip { length_s: (end - begin).max(1.0), programs, lanes }
}

/// Seconds to add to `seconds of the take × its speed` so that takes agree on where blocks lie. The first take stands at
/// 0; each of the others is laid on those already placed by the median over the readings of the same copy of the same
/// block that they share. Of a reading without a sync sequence nobody knows which copy it is of: it has a say only where
/// there is no other. A take that shares none stays at 0.
fn offsets(evidence: &Evidence, takes: &[usize], blocks: &[DecidedBlock]) -> Vec<f64> {
    let mut placed: Vec<Option<f64>> = vec![None; takes.len()];
    let begins = |vote: &Vote| {
        // byte 0 of the block, from wherever the reading begins
        let take = &evidence.outcome.takes[vote.take];
        let &(from, _, place) = vote.stretches.first()?;
        let starts = &take.readings[vote.reading].starts_s;
        let byte = (starts.last()? - starts.first()?) / (starts.len().max(2) - 1) as f64;
        Some((starts.get(from)? - place as f64 * byte) * take.speed)
    };
    if let Some(first) = placed.first_mut() {
        *first = Some(0.0);
    }
    let framed = |vote: &Vote| evidence.outcome.takes[vote.take].readings[vote.reading].copy.is_some();
    loop {
        let mut best: Option<(usize, Vec<f64>)> = None;
        for (i, &take) in takes.iter().enumerate().filter(|&(i, _)| placed[i].is_none()) {
            let (mut sure, mut unsure) = (Vec::new(), Vec::new());
            for block in blocks {
                for mine in block.block.votes.iter().filter(|v| v.take == take) {
                    for other in block.block.votes.iter().filter(|v| v.copy == mine.copy) {
                        let known = takes.iter().position(|&t| t == other.take).and_then(|o| placed[o]);
                        if let (Some(known), Some(a), Some(b)) = (known, begins(other), begins(mine)) {
                            let list = if framed(mine) && framed(other) { &mut sure } else { &mut unsure };
                            list.push(a + known - b);
                        }
                    }
                }
            }
            let differences = if sure.is_empty() { unsure } else { sure };
            if best.as_ref().is_none_or(|(_, b)| differences.len() > b.len()) {
                best = Some((i, differences));
            }
        }
        let Some((i, mut differences)) = best else { break };
        differences.sort_by(f64::total_cmp);
        placed[i] = Some(differences.get(differences.len() / 2).copied().unwrap_or(0.0));
    }
    placed.into_iter().map(|p| p.unwrap_or(0.0)).collect()
}

/// The stretches of a vote, in seconds of its take.
fn spans<'a>(evidence: &'a Evidence, vote: &'a Vote) -> impl Iterator<Item = Range<f64>> + 'a {
    let starts = &evidence.outcome.takes[vote.take].readings[vote.reading].starts_s;
    vote.stretches.iter().filter_map(|&(from, to, _)| Some(*starts.get(from)?..*starts.get(to)?))
}

fn lane(evidence: &Evidence, side: &crate::recovery::DecidedTape, take: usize, offset: f64) -> Lane {
    let heard = &evidence.outcome.takes[take];
    let tape = |s: f64| s * heard.speed + offset;
    let length = evidence.outcome.intake.received[take].duration_s;
    let mut lane =
        Lane { take, at: tape(0.0)..tape(length), readings: Vec::new(), lost: Vec::new(), overruled: Vec::new() };
    let width = evidence.width();
    for block in &side.blocks {
        for vote in block.block.votes.iter().filter(|v| v.take == take) {
            lane.readings.extend(spans(evidence, vote).map(|s| (tape(s.start)..tape(s.end), vote.copy)));
            for byte in 0..block.block.bytes {
                let Some(at) = seconds(evidence, vote, byte) else { continue };
                let bits = &vote.bits[byte * width..(byte + 1) * width];
                let word = (evidence.format.grammar().byte_bits)(block.decided.bytes[byte]);
                mark(&mut lane, tape(at.start)..tape(at.end), bits, &word);
            }
        }
    }
    lane
}

/// Marks those bits of a byte on which the vote has no say, or another one than was decided. A bit takes an even share of the
/// byte's time: the marks are drawn far coarser than that.
fn mark(lane: &mut Lane, at: Range<f64>, bits: &[Llr], word: &[bool]) {
    let bit = (at.end - at.start) / bits.len().max(1) as f64;
    for (k, (llr, &decided)) in bits.iter().zip(word).enumerate() {
        let list = match llr.0.abs() < SAYS_NOTHING {
            true => &mut lane.lost,
            false if llr.bit() != decided => &mut lane.overruled,
            false => continue,
        };
        let (from, to) = (at.start + k as f64 * bit, at.start + (k + 1) as f64 * bit);
        match list.last_mut() {
            Some(last) if (from - last.end).abs() < 0.1 * bit => last.end = to,
            _ => list.push(from..to),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: a byte of 8 bits, a second each, of which two say nothing and one is against the decision.
    #[test]
    fn one_weak_bit_is_no_silent_byte() {
        let lane = || Lane { take: 0, at: 0.0..9.0, readings: Vec::new(), lost: Vec::new(), overruled: Vec::new() };
        let bits = [9.0, 0.2, -1.4, -5.0, 9.0, 9.0, 2.0, 9.0].map(Llr);
        let mut marked = lane();
        mark(&mut marked, 10.0..18.0, &bits, &[true; 8]);
        assert_eq!((marked.lost, marked.overruled), (vec![11.0..13.0], vec![13.0..14.0]));
        let mut clean = lane();
        mark(&mut clean, 10.0..18.0, &[Llr(-7.0); 8], &[false; 8]);
        assert!(clean.lost.is_empty() && clean.overruled.is_empty());
    }
}
