//! Lays every reading on its block bit by bit, settles the block's length and adds the evidence.

use super::matching::lag_of;
use super::similarity::{Similarity, best_lag};
use super::{Rejected, Sighting, TakeReadings};
use crate::Llr;

/// One reading's part in a block.
#[derive(Clone, Debug, PartialEq)]
pub struct Vote {
    pub take: usize,
    pub reading: usize,
    pub copy: usize,
    /// Stretches of the reading and the byte of the block at which each lies: (from, to, place).
    pub stretches: Vec<(usize, usize, usize)>,
    /// Soft bits laid on the block, zero where the reading has nothing.
    pub bits: Vec<Llr>,
}

/// One physical block with the evidence of all its readings.
#[derive(Clone, Debug)]
pub struct Block {
    pub votes: Vec<Vote>,
    /// Bytes of payload and check byte.
    pub bytes: usize,
    /// Whether any reading heard the block's end, or its header announced it.
    pub length_known: bool,
    /// Seconds of tape.
    pub from_s: f64,
    pub to_s: f64,
}

impl Block {
    /// Evidence of all readings, each weighed by `weight(take)`.
    pub fn total(&self, weight: impl Fn(&Vote) -> f32) -> Vec<Llr> {
        let mut sum = vec![Llr::LOST; self.votes.first().map_or(0, |v| v.bits.len())];
        for vote in &self.votes {
            let w = weight(vote);
            sum.iter_mut().zip(&vote.bits).for_each(|(s, &b)| *s += b * w);
        }
        sum
    }
}

/// A count may have slipped by this many bytes in a lost stretch.
const SLIP: i64 = 3;
/// Evidence by which another place must beat the count for a stretch to be moved.
const MOVE: f64 = 8.0;

/// Weight of a length that a header announces, against up to 40 of each end that was heard.
const ANNOUNCED: f64 = 150.0;

struct Piece {
    take: usize,
    reading: usize,
    copy: usize,
    framed: bool,
    stretches: Vec<(usize, usize, i64)>,
    /// Its end was no end of this block.
    cut: bool,
}

/// Builds the block that a group of sightings is of. `announced` is the length that its header gives.
pub fn align(
    takes: &[TakeReadings],
    sightings: &[Sighting],
    bits: usize,
    announced: Option<usize>,
    rejected: &mut Vec<Rejected>,
) -> Block {
    let mut pieces: Vec<Piece> = Vec::new();
    for sighting in sightings {
        for &(reading, copy) in &sighting.readings {
            let r = &takes[sighting.take].readings[reading];
            let mut cuts = vec![0];
            cuts.extend(r.leaps.iter().copied().filter(|&l| l > 0 && l < r.bytes()));
            cuts.push(r.bytes());
            let stretches = cuts.windows(2).map(|w| (w[0], w[1], w[0] as i64)).collect();
            pieces.push(Piece { take: sighting.take, reading, copy, framed: r.copy.is_some(), stretches, cut: false });
        }
    }
    let of = |p: &Piece| &takes[p.take].readings[p.reading].bits;
    place_unframed(&mut pieces, takes, bits);
    mend_slips(&mut pieces, &of, bits);
    drop_strangers(&mut pieces, &of, bits);
    let (bytes, length_known) = length(takes, &pieces, announced);
    let mut votes = Vec::new();
    for p in &pieces {
        let source = of(p);
        let mut laid = vec![Llr::LOST; bytes * bits];
        let mut stretches = Vec::new();
        for &(from, to, place) in &p.stretches {
            // what lies before the block or past its end is no part of it
            let skip = (-place).max(0) as usize;
            let from = from + skip;
            let place = (place + skip as i64) as usize;
            let to = to.min(from + bytes.saturating_sub(place));
            if from >= to {
                continue;
            }
            laid[place * bits..(place + to - from) * bits].copy_from_slice(&source[from * bits..to * bits]);
            stretches.push((from, to, place));
        }
        if stretches.is_empty() || laid.iter().all(|l| l.is_lost()) {
            rejected.push(Rejected {
                take: p.take,
                reading: p.reading,
                code: "outside-block",
                reason: "Nothing of this reading could be laid on its block.".into(),
            });
            continue;
        }
        votes.push(Vote { take: p.take, reading: p.reading, copy: p.copy, stretches, bits: laid });
    }
    votes.sort_by_key(|v| (v.take, v.copy, v.reading));
    let lead = sightings.first();
    Block { votes, bytes, length_known, from_s: lead.map_or(0.0, |s| s.from_s), to_s: lead.map_or(0.0, |s| s.to_s) }
}

/// Readings without a sync sequence are laid where their content fits a framed one; if none is framed, on the longest.
fn place_unframed(pieces: &mut [Piece], takes: &[TakeReadings], bits: usize) {
    let of = |p: &Piece| &takes[p.take].readings[p.reading];
    let sure = |p: &Piece| of(p).bits.iter().filter(|l| l.0.abs() > 3.0).count();
    let lead = (0..pieces.len())
        .max_by_key(|&i| (pieces[i].framed, of(&pieces[i]).end.is_some(), sure(&pieces[i]), usize::MAX - i));
    let Some(lead) = lead else { return };
    let (reference, framed) = (of(&pieces[lead]), pieces[lead].framed);
    let mut least = 0;
    for (i, piece) in pieces.iter_mut().enumerate() {
        if piece.framed || i == lead {
            continue;
        }
        if let Some((lag, _)) = lag_of(reference, &takes[piece.take].readings[piece.reading], bits) {
            piece.stretches.iter_mut().for_each(|s| s.2 += lag);
            least = least.min(lag);
        }
    }
    // nothing framed: the earliest byte anyone heard is byte 0
    if !framed && least < 0 {
        pieces.iter_mut().for_each(|p| p.stretches.iter_mut().for_each(|s| s.2 -= least));
    }
}

/// Every stretch behind a leap is held against what all the others say, and moved where it fits better.
fn mend_slips<'a>(pieces: &mut [Piece], of: &dyn Fn(&Piece) -> &'a Vec<Llr>, bits: usize) {
    if pieces.iter().all(|p| p.stretches.len() < 2) {
        return;
    }
    let longest = pieces.iter().map(|p| of(p).len() / bits + 2 * SLIP as usize).max().unwrap_or(0);
    for _round in 0..2 {
        for i in 0..pieces.len() {
            if pieces[i].stretches.len() < 2 {
                continue;
            }
            let mut sum = vec![Llr::LOST; longest * bits];
            for (j, other) in pieces.iter().enumerate() {
                if j != i {
                    lay(other, of(other), bits, &mut sum);
                }
            }
            let source = of(&pieces[i]);
            let mut moved = 0;
            for s in pieces[i].stretches.iter_mut().skip(1) {
                let part = &source[s.0 * bits..s.1 * bits];
                let place = s.2 + moved;
                let back = SLIP.min(place);
                let from = ((place - back) as usize * bits).min(sum.len());
                let Some((lag, best, _)) = best_lag(part, &sum[from..], bits, 0..=back + SLIP) else { continue };
                let stay = best_lag(part, &sum[from..], bits, back..=back).map_or(0.0, |b| b.1.against_random);
                if lag != back && best.against_random > stay + MOVE && best.against_random > 0.0 {
                    moved += lag - back;
                }
                s.2 += moved;
            }
        }
    }
}

/// A reading that lost the end of its copy may run on into the next one. What came back after a leap and contradicts
/// all the others is no part of the block; the worst goes first, since it may be what makes another look wrong.
fn drop_strangers<'a>(pieces: &mut [Piece], of: &dyn Fn(&Piece) -> &'a Vec<Llr>, bits: usize) {
    const STRANGE: f64 = -20.0;
    let longest = pieces.iter().map(|p| of(p).len() / bits + 2 * SLIP as usize).max().unwrap_or(0);
    loop {
        let mut worst: Option<(f64, usize, usize)> = None;
        for i in 0..pieces.len() {
            if pieces[i].stretches.len() < 2 {
                continue;
            }
            let mut sum = vec![Llr::LOST; longest * bits];
            for (j, other) in pieces.iter().enumerate() {
                if j != i {
                    lay(other, of(other), bits, &mut sum);
                }
            }
            for (k, &(from, to, place)) in pieces[i].stretches.iter().enumerate().skip(1) {
                if place < 0 || place as usize * bits > sum.len() {
                    continue;
                }
                let s = Similarity::of(&of(&pieces[i])[from * bits..to * bits], &sum[place as usize * bits..]);
                if s.against_random < STRANGE && worst.is_none_or(|w| s.against_random < w.0) {
                    worst = Some((s.against_random, i, k));
                }
            }
        }
        let Some((_, i, k)) = worst else { return };
        // and what came behind it in the same reading: the count is off from there on
        pieces[i].stretches.truncate(k);
        pieces[i].cut = true;
    }
}

fn lay(piece: &Piece, source: &[Llr], bits: usize, sum: &mut [Llr]) {
    for &(from, to, place) in &piece.stretches {
        for byte in from..to {
            let at = place + (byte - from) as i64;
            if at < 0 || (at as usize + 1) * bits > sum.len() {
                continue;
            }
            for k in 0..bits {
                sum[at as usize * bits + k] += source[byte * bits + k];
            }
        }
    }
}

/// The length that the ends heard agree on, or the header announced; else as far as anyone heard.
fn length(takes: &[TakeReadings], pieces: &[Piece], announced: Option<usize>) -> (usize, bool) {
    let mut ends: Vec<(usize, f64)> = Vec::new();
    let mut reach = 0;
    for p in pieces {
        let r = &takes[p.take].readings[p.reading];
        let Some(last) = p.stretches.last() else { continue };
        let end = (last.2 + (last.1 - last.0) as i64).max(0) as usize;
        reach = reach.max(end);
        if let Some(evidence) = r.end.filter(|_| !p.cut) {
            // a reading that was lost just before its end may have counted the tone for bytes
            let tail = r.bits.len().saturating_sub(18);
            let heard = r.bits[tail..].iter().filter(|l| l.0.abs() > 1.0).count() as f64 / 18.0;
            ends.push((end, f64::from(evidence.min(40.0)) * heard));
        }
    }
    if let Some(n) = announced {
        // a reading that lost the end may run on into the next copy, and several may agree on where that ends
        ends.push((n, ANNOUNCED));
    }
    let mut best: Option<(usize, f64)> = None;
    for &(end, _) in &ends {
        let support: f64 = ends.iter().filter(|e| e.0 == end).map(|e| e.1).sum();
        if best.is_none_or(|(_, s)| support > s) {
            best = Some((end, support));
        }
    }
    match best {
        Some((end, _)) => (end, true),
        None => (reach, false),
    }
}
