//! The same block in several takes: found by content, order and tape time together.

use super::similarity::{Similarity, best_lag};
use super::{Sighting, TakeReadings};
use crate::receiver::Reading;

/// One tape: the takes of it and its blocks in tape order, each with its sightings.
#[derive(Clone, Debug, PartialEq)]
pub struct Tape {
    pub takes: Vec<usize>,
    pub blocks: Vec<Vec<Sighting>>,
}

/// All takes sorted by the tape they are of: the tape with most sightings first.
#[derive(Clone, Debug, PartialEq)]
pub struct Grouping {
    pub tapes: Vec<Tape>,
}

/// Tape seconds by which the same block may lie elsewhere in another take, beside a constant: at the start and for
/// every second of tape since a block that matched (speed drifts).
const SLACK_S: f64 = 1.5;
const SLACK_RATE: f64 = 0.03;

/// Groups the sightings of all takes. `bits` is the number of bits per byte on tape.
pub fn group(takes: &[TakeReadings], sightings: &[Vec<Sighting>], bits: usize) -> Grouping {
    let mut tapes: Vec<Tape> = Vec::new();
    // the take that saw most leads; ties go to the earlier one, so the order of work is fixed
    let mut order: Vec<usize> = (0..takes.len()).filter(|&t| !sightings[t].is_empty()).collect();
    let weight = |t: usize| takes[t].readings.iter().map(|r| r.bytes()).sum::<usize>();
    order.sort_by_key(|&t| (std::cmp::Reverse(weight(t)), t));
    let mut waiting = order;
    while let Some(&lead) = waiting.first() {
        let mut tape = Tape { takes: vec![lead], blocks: sightings[lead].iter().map(|s| vec![s.clone()]).collect() };
        waiting.remove(0);
        // takes that match now may let others match later
        loop {
            let mut joined = None;
            for (place, &take) in waiting.iter().enumerate() {
                let pairs = match_take(takes, &tape, &sightings[take], bits);
                if belongs(&pairs, &tape, &sightings[take]) {
                    joined = Some((place, pairs));
                    break;
                }
            }
            let Some((place, pairs)) = joined else { break };
            let take = waiting.remove(place);
            insert(&mut tape, &sightings[take], &pairs);
            tape.takes.push(take);
        }
        tape.takes.sort_unstable();
        rejoin(takes, &mut tape, bits);
        tapes.push(tape);
    }
    tapes.sort_by_key(|t| (std::cmp::Reverse(t.takes.len()), t.takes[0]));
    Grouping { tapes }
}

/// What a lost stretch cut in pieces is put together again. A block that nobody framed joins one near it with which all
/// its readings agree; a framed one joins the block beside it that the same takes heard another piece of.
fn rejoin(takes: &[TakeReadings], tape: &mut Tape, bits: usize) {
    let readings = |block: &[Sighting]| -> Vec<(usize, &Reading)> {
        block.iter().flat_map(|s| s.readings.iter().map(|r| (s.take, &takes[s.take].readings[r.0]))).collect()
    };
    for i in 0..tape.blocks.len() {
        let pieces = readings(&tape.blocks[i]);
        let framed = pieces.iter().any(|p| p.1.copy.is_some());
        let near = [i.checked_sub(1), Some(i + 1), i.checked_sub(2).filter(|_| !framed), (!framed).then_some(i + 2)];
        let home = near.into_iter().flatten().filter(|&j| j < tape.blocks.len()).find(|&j| {
            let known = readings(&tape.blocks[j]);
            if framed {
                let alike = |p: &Reading, k: &Reading| {
                    // a reading that never came to the end of its block is a piece
                    p.end.is_none() && p.copy.is_some() && k.copy.is_some() && same(k, p, bits).is_some()
                };
                let shared = pieces.iter().all(|p| known.iter().any(|k| k.0 == p.0));
                shared && pieces.iter().any(|p| known.iter().any(|k| alike(p.1, k.1)))
            } else {
                let fits = |k: &Reading| {
                    k.copy.is_some() && pieces.iter().all(|p| lag_of(k, p.1, bits).is_some_and(|(_, s)| s.is_same()))
                };
                !pieces.is_empty() && known.iter().any(|k| fits(k.1))
            }
        });
        if let Some(j) = home {
            let moved = std::mem::take(&mut tape.blocks[i]);
            tape.blocks[j].extend(moved);
        }
    }
    tape.blocks.retain(|b| !b.is_empty());
}

/// A pair that matches: block of the tape, sighting of the take, evidence.
#[derive(Clone, Copy, Debug)]
struct Pair {
    block: usize,
    sighting: usize,
    evidence: f64,
    /// Tape seconds from the block as the tape's lead saw it to the sighting.
    offset: f64,
}

/// A take belongs to the tape when a fair part of what both must have seen is the same.
fn belongs(pairs: &[Pair], tape: &Tape, sightings: &[Sighting]) -> bool {
    let fewer = tape.blocks.len().min(sightings.len());
    !pairs.is_empty() && pairs.len() * 4 >= fewer
}

fn match_take(takes: &[TakeReadings], tape: &Tape, sightings: &[Sighting], bits: usize) -> Vec<Pair> {
    let mut all: Vec<Pair> = Vec::new();
    for (b, block) in tape.blocks.iter().enumerate() {
        for (s, sighting) in sightings.iter().enumerate() {
            let best = block
                .iter()
                .filter_map(|known| compare(takes, known, sighting, bits))
                .max_by(|x, y| x.0.total_cmp(&y.0));
            if let Some((evidence, shift)) = best {
                all.push(Pair { block: b, sighting: s, evidence, offset: sighting.from_s - block[0].from_s + shift });
            }
        }
    }
    // the capture may have been stopped and started: several offsets, the best supported first, order kept
    let mut chosen: Vec<Pair> = Vec::new();
    for _ in 0..6 {
        let free: Vec<Pair> = all.iter().copied().filter(|p| fits(p, &chosen)).collect();
        let Some(next) = best_offset(&free, sightings) else { break };
        chosen.extend(next);
        chosen.sort_by_key(|p| p.block);
    }
    chosen
}

/// Neither side taken yet, and in the order of those chosen.
fn fits(p: &Pair, chosen: &[Pair]) -> bool {
    chosen
        .iter()
        .all(|c| (p.block < c.block && p.sighting < c.sighting) || (p.block > c.block && p.sighting > c.sighting))
}

/// The chain of pairs with most evidence that share one offset, give or take the slack.
fn best_offset(pairs: &[Pair], sightings: &[Sighting]) -> Option<Vec<Pair>> {
    let mut best: Option<(f64, Vec<Pair>)> = None;
    let mut anchors: Vec<&Pair> = pairs.iter().collect();
    anchors.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    for anchor in anchors.into_iter().take(64) {
        let near: Vec<Pair> = pairs
            .iter()
            .copied()
            .filter(|p| {
                let apart = (sightings[p.sighting].from_s - sightings[anchor.sighting].from_s).abs();
                (p.offset - anchor.offset).abs() < SLACK_S + SLACK_RATE * apart
            })
            .collect();
        let chain = best_chain(&near);
        let total: f64 = chain.iter().map(|p| p.evidence).sum();
        if best.as_ref().is_none_or(|(t, _)| total > *t) {
            best = Some((total, chain));
        }
    }
    best.map(|b| b.1)
}

/// Longest common subsequence by evidence.
fn best_chain(pairs: &[Pair]) -> Vec<Pair> {
    let mut sorted = pairs.to_vec();
    sorted.sort_by_key(|p| (p.block, p.sighting));
    let mut best: Vec<(f64, Option<usize>)> = Vec::with_capacity(sorted.len());
    for (i, p) in sorted.iter().enumerate() {
        let before = (0..i)
            .filter(|&j| sorted[j].block < p.block && sorted[j].sighting < p.sighting)
            .max_by(|&a, &b| best[a].0.total_cmp(&best[b].0));
        best.push((p.evidence + before.map_or(0.0, |j| best[j].0), before));
    }
    let mut at = (0..sorted.len()).max_by(|&a, &b| best[a].0.total_cmp(&best[b].0));
    let mut chain = Vec::new();
    while let Some(i) = at {
        chain.push(sorted[i]);
        at = best[i].1;
    }
    chain.reverse();
    chain
}

/// Evidence that two sightings are of one block, over the copies both have; and how much later (tape seconds) the
/// second began than its own start tells, when one of them starts in the middle.
fn compare(takes: &[TakeReadings], a: &Sighting, b: &Sighting, bits: usize) -> Option<(f64, f64)> {
    let mut best: Option<(f64, f64)> = None;
    for &(i, copy_a) in &a.readings {
        for &(j, copy_b) in &b.readings {
            let (x, y) = (&takes[a.take].readings[i], &takes[b.take].readings[j]);
            let Some((evidence, lag_s)) = same(x, y, bits) else { continue };
            // both copies carry the same bytes: any pair of copies tells
            let own = (x.from_s() * takes[a.take].speed - a.from_s, y.from_s() * takes[b.take].speed - b.from_s);
            let shift = if copy_a == copy_b { own.0 - own.1 - lag_s } else { 0.0 };
            if best.is_none_or(|(e, _)| evidence > e) {
                best = Some((evidence, if copy_a == copy_b { shift } else { 0.0 }));
            }
        }
    }
    best
}

/// Evidence that two readings are of the same bytes, and the tape seconds by which `y` begins after `x`.
fn same(x: &Reading, y: &Reading, bits: usize) -> Option<(f64, f64)> {
    if x.copy.is_none() || y.copy.is_none() {
        let (lag, s) = lag_of(x, y, bits)?;
        return s.is_same().then(|| (s.against_random, lag as f64 * seconds_per_byte(x)));
    }
    // counts are sure up to the first leap; past it a slip would look like another block
    let until = |r: &Reading| r.leaps.first().copied().unwrap_or(r.bytes()) * bits;
    let n = until(x).min(until(y));
    let head = n.min(HEAD * bits);
    if Similarity::of(&x.bits[..head], &y.bits[..head]).against_random < -40.0 {
        return None;
    }
    let whole = Similarity::of(&x.bits, &y.bits);
    if whole.is_same() {
        return Some((whole.against_random, 0.0));
    }
    let sure = Similarity::of(&x.bits[..n], &y.bits[..n]);
    if sure.is_same() {
        return Some((sure.against_random, 0.0));
    }
    if sure.is_other() || (x.leaps.is_empty() && y.leaps.is_empty()) {
        return None;
    }
    // both begin at the block's first byte: a slip has moved what lies behind a leap by a few bytes at most
    let mut cuts = y.leaps.clone();
    cuts.push(y.bytes());
    let slipped = cuts.windows(2).filter_map(|w| {
        let from = w[0].saturating_sub(SLIP);
        let part = &y.bits[w[0] * bits..w[1].min(w[0] + HEAD) * bits];
        best_lag(part, x.bits.get(from * bits..)?, bits, 0..=2 * SLIP as i64)
    });
    let best = slipped.map(|b| b.1).max_by(|a, b| a.against_random.total_cmp(&b.against_random))?;
    best.is_same().then_some((best.against_random, 0.0))
}

/// Bytes that are compared first: two blocks that differ mostly show it there.
const HEAD: usize = 64;
/// Bytes by which a leap may have moved the count.
const SLIP: usize = 4;

fn seconds_per_byte(r: &Reading) -> f64 {
    (r.to_s() - r.from_s()) / r.bytes().max(1) as f64
}

/// How many bytes into `x` the first byte of `y` lies: by their ends where both heard the block end (a tail of
/// nothing but spaces fits in many places), else by content.
pub fn lag_of(x: &Reading, y: &Reading, bits: usize) -> Option<(i64, Similarity)> {
    if x.end.is_some() && y.end.is_some() {
        let lag = x.bytes() as i64 - y.bytes() as i64;
        let (a, b) = if lag >= 0 {
            (&x.bits[lag as usize * bits..], &y.bits[..])
        } else {
            (&x.bits[..], &y.bits[-lag as usize * bits..])
        };
        let s = Similarity::of(a, b);
        if s.is_same() {
            return Some((lag, s));
        }
    }
    find_lag(&x.bits, &y.bits, bits)
}

/// How many bytes into `x` the first byte of `y` lies (negative: before it), tried with the surest stretch of each.
pub fn find_lag(x: &[crate::Llr], y: &[crate::Llr], bits: usize) -> Option<(i64, Similarity)> {
    const PROBE: usize = 64;
    let size = |run: &[crate::Llr]| run.iter().map(|l| l.0.abs()).sum::<f32>();
    let mut best: Option<(i64, Similarity)> = None;
    let bytes = y.len() / bits;
    let width = PROBE.min(bytes);
    if width < 6 || x.len() / bits < 6 {
        return None;
    }
    // the surest stretches of y, one from each third
    for third in 0..3 {
        let (from, to) = (bytes * third / 3, (bytes * (third + 1) / 3).max(bytes * third / 3 + 1));
        let start = (from..to)
            .filter(|&s| s + width <= bytes)
            .step_by(8)
            .map(|s| (s, size(&y[s * bits..(s + width) * bits])))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((start, _)) = start else { continue };
        let probe = &y[start * bits..(start + width) * bits];
        let last = x.len() as i64 / bits as i64;
        let Some((lag, s, second)) = best_lag(probe, x, bits, -(width as i64 / 2)..=last) else { continue };
        if s.against_random - second < 6.0 {
            continue;
        }
        // the probe's place gives the whole reading's
        let lag = lag - start as i64;
        let shift = lag * bits as i64;
        let whole = if shift >= 0 {
            Similarity::of(y, x.get(shift as usize..).unwrap_or(&[]))
        } else {
            Similarity::of(y.get(-shift as usize..).unwrap_or(&[]), x)
        };
        let found = if whole.is_same() { whole } else { s };
        if best.is_none_or(|(_, b)| found.against_random > b.against_random) {
            best = Some((lag, found));
        }
    }
    best
}

/// Puts a take's sightings into the tape: matched ones beside their block, others as new blocks in order.
fn insert(tape: &mut Tape, sightings: &[Sighting], pairs: &[Pair]) {
    let mut blocks: Vec<Vec<Sighting>> = Vec::new();
    let mut next = 0;
    // unmatched sightings go before the next matched block; among unmatched blocks of the tape there, by tape time
    for p in pairs {
        merge_between(&mut blocks, &mut tape.blocks, &sightings[next..p.sighting], p.block, p.offset);
        let mut block = std::mem::take(&mut tape.blocks[p.block]);
        block.push(sightings[p.sighting].clone());
        blocks.push(block);
        next = p.sighting + 1;
    }
    let offset = pairs.last().map_or(0.0, |p| p.offset);
    let end = tape.blocks.len();
    merge_between(&mut blocks, &mut tape.blocks, &sightings[next..], end, offset);
    tape.blocks = blocks;
}

fn merge_between(out: &mut Vec<Vec<Sighting>>, old: &mut [Vec<Sighting>], new: &[Sighting], until: usize, offset: f64) {
    let mut fresh = new.iter().peekable();
    for block in old[..until].iter_mut().filter(|b| !b.is_empty()) {
        while let Some(s) = fresh.next_if(|s| s.from_s - offset < block[0].from_s) {
            out.push(vec![s.clone()]);
        }
        out.push(std::mem::take(block));
    }
    out.extend(fresh.map(|s| vec![s.clone()]));
}
