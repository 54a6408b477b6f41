//! Lays every reading on its block bit by bit, settles the block's length and adds the evidence.

use std::collections::BTreeMap;

use super::matching::{find_lag, lag_of};
use super::similarity::{Similarity, best_lag};
use super::{Piece, TakeReadings};
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
    /// The takes that have a vote, in order.
    pub fn takes(&self) -> Vec<usize> {
        let mut takes: Vec<usize> = self.votes.iter().map(|v| v.take).collect();
        takes.sort_unstable();
        takes.dedup();
        takes
    }

    /// Evidence of all readings, each with the weight of its place in the list.
    pub fn weighed(&self, weights: &[f32]) -> Vec<Llr> {
        let mut weights = weights.iter();
        self.total(|_| weights.next().copied().unwrap_or(0.0))
    }

    /// Evidence of all readings, each weighed by `weight(vote)`.
    pub fn total(&self, mut weight: impl FnMut(&Vote) -> f32) -> Vec<Llr> {
        let mut sum = vec![Llr::LOST; self.votes.first().map_or(0, |v| v.bits.len())];
        for vote in &self.votes {
            let w = weight(vote);
            sum.iter_mut().zip(&vote.bits).for_each(|(s, &b)| *s += b * w);
        }
        sum
    }
}

/// A count may have slipped by this many bytes in a lost stretch, and by this share of the way from the last known place.
const SLIP: i64 = 3;
const SLIP_SHARE: f64 = 0.005;
/// Evidence by which another place must beat the count for a stretch to be moved, and half of it for every byte; and a
/// share of what speaks for the count: half-heard bytes at the ends of two stretches contradict each other where they
/// meet, and would push apart what lies rightly.
const MOVE: f64 = 8.0;
const MOVE_SHARE: f64 = 0.05;
/// Evidence of a stretch against all the others that makes it a stranger.
const STRANGE: f64 = -20.0;

/// Weight of a length that a header announces, against up to 40 of each end that was heard.
const ANNOUNCED: f64 = 150.0;

/// A piece on its block.
struct Laid<'a> {
    piece: &'a Piece,
    bits: &'a [Llr],
    /// Byte of the block at which it begins; may lie before it.
    at: i64,
}

impl Laid<'_> {
    fn end(&self) -> i64 {
        self.at + (self.piece.to - self.piece.from) as i64
    }
}

/// Builds the block that these pieces are of. `bits` is the number of bits per byte on tape, `announced` the length that
/// its header gives.
pub fn align(takes: &[TakeReadings], pieces: &[Piece], bits: usize, announced: Option<usize>) -> Block {
    let mut laid = lay_out(takes, pieces, bits);
    mend_slips(&mut laid, bits);
    drop_strangers(&mut laid, bits);
    let mut ends = ends(takes, &laid);
    if let Some(n) = announced {
        let begun = laid.iter().any(|l| l.piece.place.is_some());
        if let Some(end) = likeliest(&ends).filter(|_| !begun) {
            // nobody heard it begin: its end and its length say where
            laid.iter_mut().for_each(|l| l.at += n as i64 - end as i64);
            ends.clear();
        }
        // a reading that lost the end may run on into the next copy, and several may agree on where that ends
        match ends.iter_mut().find(|e| e.0 == n) {
            Some(end) => end.1 += ANNOUNCED,
            None => ends.push((n, ANNOUNCED)),
        }
    }
    let reach = laid.iter().map(|l| l.end().max(0) as usize).max().unwrap_or(0);
    let (bytes, length_known) = likeliest(&ends).map_or((reach, false), |end| (end, true));
    let mut votes: Vec<Vote> = Vec::new();
    let (mut from_s, mut to_s) = (f64::INFINITY, f64::NEG_INFINITY);
    laid.sort_by_key(|l| (l.piece.take, l.piece.copy, l.piece.reading, l.piece.from));
    for l in &laid {
        // what lies before the block or past its end is no part of it
        let skip = (-l.at).max(0) as usize;
        let (from, place) = (l.piece.from + skip, (l.at + skip as i64) as usize);
        let to = l.piece.to.min(from + bytes.saturating_sub(place));
        let Some(source) = l.bits.get(skip * bits..(to.max(from) - l.piece.from) * bits) else { continue };
        if source.iter().all(|b| b.is_lost()) {
            continue;
        }
        let (take, reading, copy) = (l.piece.take, l.piece.reading, l.piece.copy);
        if votes.last().is_none_or(|v| (v.take, v.reading, v.copy) != (take, reading, copy)) {
            votes.push(Vote { take, reading, copy, stretches: Vec::new(), bits: vec![Llr::LOST; bytes * bits] });
        }
        if let Some(vote) = votes.last_mut() {
            vote.bits[place * bits..][..source.len()].copy_from_slice(source);
            vote.stretches.push((from, to, place));
            // a reading may run on past the end of its block, over the leader of the next
            let p = l.piece;
            let at =
                |byte: usize| p.from_s + (p.to_s - p.from_s) * (byte - p.from) as f64 / (p.to - p.from).max(1) as f64;
            from_s = f64::min(from_s, at(from));
            to_s = f64::max(to_s, at(to));
        }
    }
    Block { votes, bytes, length_known, from_s, to_s }
}

/// Pieces whose place is known are laid there, the others where their content fits; if none has a place, on the longest.
fn lay_out<'a>(takes: &'a [TakeReadings], pieces: &'a [Piece], bits: usize) -> Vec<Laid<'a>> {
    let reading = |p: &Piece| &takes[p.take].readings[p.reading];
    let part = |p: &Piece| &takes[p.take].readings[p.reading].bits[p.from * bits..p.to * bits];
    let sure = |p: &Piece| part(p).iter().filter(|l| l.0.abs() > 3.0).count();
    let lead = (0..pieces.len()).max_by_key(|&i| {
        let p = &pieces[i];
        (p.framed, p.place.is_some(), reading(p).end.is_some(), sure(p), usize::MAX - i)
    });
    let Some(lead) = lead.map(|i| &pieces[i]) else { return Vec::new() };
    // byte 0 of the lead's reading, in the block
    let zero = lead.place.map_or(0, |p| p - lead.from as i64);
    let place = |p: &Piece| {
        if p.place.is_some() {
            return p.place;
        }
        if (p.take, p.reading) == (lead.take, lead.reading) {
            return Some(zero + p.from as i64);
        }
        // what fits nowhere is laid nowhere; a part of a reading by what it holds itself, since the rest may be the other copy
        if (p.from, p.to) == (0, reading(p).bytes()) {
            lag_of(reading(lead), reading(p), bits).map(|l| zero + l.0)
        } else {
            find_lag(&reading(lead).bits, part(p), bits).map(|l| zero + l.0)
        }
    };
    let laid = pieces.iter().filter_map(|p| Some(Laid { piece: p, bits: part(p), at: place(p)? }));
    let mut laid: Vec<Laid> = laid.collect();
    // nothing has a place: the earliest byte anyone heard is byte 0
    let least = laid.iter().map(|l| l.at).min().unwrap_or(0);
    if lead.place.is_none() && least < 0 {
        laid.iter_mut().for_each(|l| l.at -= least);
    }
    laid
}

/// What those of `laid` that `which` names say together.
fn sum(laid: &[Laid], bits: usize, which: impl Fn(usize) -> bool) -> Vec<Llr> {
    let longest = laid.iter().map(|l| l.end().max(0) as usize).max().unwrap_or(0) + 2 * SLIP as usize;
    let mut sum = vec![Llr::LOST; longest * bits];
    for (_, l) in laid.iter().enumerate().filter(|(i, _)| which(*i)) {
        let skip = (-l.at).max(0) as usize;
        let Some(source) = l.bits.get(skip * bits..) else { continue };
        let target = &mut sum[(l.at + skip as i64) as usize * bits..];
        target.iter_mut().zip(source).for_each(|(s, &b)| *s += b);
    }
    sum
}

/// Every stretch whose count may be off is held against what others say, and moved where it fits better: first those
/// that were counted from their sync against each other, then, surest first, each of those told by time alone against
/// all that is settled, so that two that are off alike do not outvote what is right; in the end all against all.
fn mend_slips(laid: &mut [Laid], bits: usize) {
    let mut settled: Vec<bool> = laid.iter().map(|l| l.piece.counted).collect();
    for i in (0..laid.len()).filter(|&i| laid[i].piece.counted && !laid[i].piece.framed).collect::<Vec<_>>() {
        let known = sum(laid, bits, |j| j != i && settled[j]);
        mend(&mut laid[i], &known, bits);
    }
    while settled.iter().any(|s| !s) {
        let known = sum(laid, bits, |j| settled[j]);
        let overlap = |l: &Laid| {
            let from = l.at.max(0) as usize * bits;
            let there = known.get(from..known.len().min(from + l.bits.len())).unwrap_or(&[]);
            there.iter().zip(l.bits).map(|(a, b)| a.0.abs().min(b.0.abs())).sum::<f32>()
        };
        let open = (0..laid.len()).filter(|&i| !settled[i]);
        let next = open.max_by(|&a, &b| overlap(&laid[a]).total_cmp(&overlap(&laid[b])).then(b.cmp(&a)));
        let Some(next) = next else { return };
        mend(&mut laid[next], &known, bits);
        settled[next] = true;
    }
    for i in 0..laid.len() {
        if !laid[i].piece.framed {
            let others = sum(laid, bits, |j| j != i);
            mend(&mut laid[i], &others, bits);
        }
    }
}

/// Moves one stretch where it fits `known` better.
fn mend(laid: &mut Laid, known: &[Llr], bits: usize) {
    let at = laid.at;
    let reach = SLIP + (SLIP_SHARE * at.abs() as f64) as i64;
    let Some((lag, best, _)) = best_lag(laid.bits, known, bits, at - reach..=at + reach) else { return };
    let stay = best_lag(laid.bits, known, bits, at..=at).map_or(0.0, |b| b.1.against_random);
    let least = stay + MOVE * (1.0 + 0.5 * (lag - at).abs() as f64) + MOVE_SHARE * stay.max(0.0);
    if lag != at && best.against_random > least.max(0.0) {
        laid.at = lag;
    }
}

/// A reading that lost the end of its copy may run on into something else. What contradicts all the others is no part of
/// the block; the worst goes first, since it may be what makes another look wrong.
fn drop_strangers(laid: &mut Vec<Laid>, bits: usize) {
    for counted in [false, true] {
        loop {
            let mut worst: Option<(f64, usize)> = None;
            for (i, l) in laid.iter().enumerate().filter(|(_, l)| !l.piece.framed && l.piece.counted == counted) {
                let others = sum(laid, bits, |j| j != i);
                let skip = (-l.at).max(0) as usize;
                let there = others.get((l.at + skip as i64) as usize * bits..);
                let (Some(source), Some(there)) = (l.bits.get(skip * bits..), there) else { continue };
                let s = Similarity::of(source, there).against_random;
                if s < STRANGE && worst.is_none_or(|w| s < w.0) {
                    worst = Some((s, i));
                }
            }
            let Some((_, i)) = worst else { break };
            laid.remove(i);
        }
    }
}

/// Where the readings heard the block end, with all that speaks for each: byte and evidence.
fn ends(takes: &[TakeReadings], laid: &[Laid]) -> Vec<(usize, f64)> {
    let mut ends: BTreeMap<usize, f64> = BTreeMap::new();
    for l in laid {
        let r = &takes[l.piece.take].readings[l.piece.reading];
        if let Some(evidence) = r.end.filter(|_| l.piece.to == r.bytes()) {
            // a reading that was lost just before its end may have counted the tone for bytes
            let tail = r.bits.len().saturating_sub(18);
            let heard = r.bits[tail..].iter().filter(|l| l.0.abs() > 1.0).count() as f64 / 18.0;
            *ends.entry(l.end().max(0) as usize).or_default() += f64::from(evidence.min(40.0)) * heard;
        }
    }
    ends.into_iter().collect()
}

/// The byte that most speaks for; of equals the first.
fn likeliest(ends: &[(usize, f64)]) -> Option<usize> {
    ends.iter().copied().reduce(|best, end| if end.1 > best.1 { end } else { best }).map(|e| e.0)
}
