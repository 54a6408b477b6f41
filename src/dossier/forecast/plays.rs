//! Takes that were never made, of the soft bits of those that were.

use std::ops::Range;

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use crate::Llr;
use crate::consensus::{Block, Vote};
use crate::recovery::DecidedBlock;

/// Mean number of bytes that a new take is like one place of an earlier take, before it is like another: some 100 ms.
const LIKENESS: f64 = 12.0;
/// A byte whose soft bits are under this part of what is usual in its reading lies in a dropout.
const DROPPED: f32 = 0.5;
/// How often another place is looked for if the tape has a dropout there.
const TRIES: usize = 8;

/// What several takes tell of the share of dropouts that are the tape's.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Share {
    of_tape: usize,
    of_take: usize,
}

impl Share {
    /// Counts the dropouts in these blocks that more than one take could have.
    pub fn of(blocks: &[DecidedBlock], width: usize, copies: usize) -> Share {
        let mut share = Share::default();
        for fault in blocks.iter().flat_map(|b| Plays::of(&b.block, width, copies).faults) {
            match fault.of_tape {
                Some(true) => share.of_tape += 1,
                Some(false) => share.of_take += 1,
                None => {}
            }
        }
        share
    }

    /// A share as probable as this makes it, if before anything was seen all shares were alike: of a Beta distribution with
    /// `of_tape` + 1 and `of_take` + 1, which is that of one of so many even draws in their order (David & Nagaraja, Order
    /// Statistics, from memory).
    pub fn drawn(&self, random: &mut ChaCha8Rng) -> f64 {
        let mut even: Vec<f64> = (0..=self.of_tape + self.of_take).map(|_| random.random()).collect();
        even.sort_by(f64::total_cmp);
        even[self.of_tape]
    }
}

/// A dropout at one place of one copy.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Fault {
    copy: usize,
    bytes: Range<usize>,
    /// `None` if one take alone can tell of the place.
    of_tape: Option<bool>,
}

/// The readings of a block as patterns for others.
pub struct Plays<'a> {
    block: &'a Block,
    width: usize,
    /// For every vote and byte.
    covered: Vec<Vec<bool>>,
    dropped: Vec<Vec<bool>>,
    faults: Vec<Fault>,
}

impl Plays<'_> {
    pub fn of(block: &Block, width: usize, copies: usize) -> Plays<'_> {
        let covered: Vec<Vec<bool>> =
            block.votes.iter().map(|v| (0..block.bytes).map(|byte| covers(v, byte)).collect()).collect();
        let dropped: Vec<Vec<bool>> = block.votes.iter().zip(&covered).map(|(v, c)| dropped(v, c, width)).collect();
        let mut faults = Vec::new();
        for copy in 0..copies {
            let own: Vec<usize> = (0..block.votes.len()).filter(|&v| block.votes[v].copy == copy).collect();
            if own.is_empty() {
                // its beginning is lost, say: a dropout like any other, but of the whole copy
                let of_tape = (block.takes().len() > 1).then_some(true);
                faults.push(Fault { copy, bytes: 0..block.bytes, of_tape });
                continue;
            }
            let bad = |byte: usize| own.iter().any(|&v| dropped[v][byte]);
            let takes = |has: &dyn Fn(usize) -> bool| {
                let mut takes: Vec<usize> = own.iter().filter(|&&v| has(v)).map(|&v| block.votes[v].take).collect();
                takes.sort_unstable();
                takes.dedup();
                takes.len()
            };
            let mut byte = 0;
            while byte < block.bytes {
                let length = (byte..block.bytes).take_while(|&b| bad(b)).count();
                let range = byte..byte + length;
                if length > 0 {
                    let heard = takes(&|v| range.clone().all(|b| covered[v][b]));
                    let with = takes(&|v| range.clone().any(|b| dropped[v][b]));
                    let of_tape = if with > 1 { Some(true) } else { (heard > 1).then_some(false) };
                    faults.push(Fault { copy, bytes: range, of_tape });
                }
                byte += length.max(1);
            }
        }
        Plays { block, width, covered, dropped, faults }
    }

    /// For every copy the bytes where the tape has a dropout, if this share of those of which nothing is known are the
    /// tape's.
    pub fn faults(&self, share: f64, copies: usize, random: &mut ChaCha8Rng) -> Vec<Vec<bool>> {
        let mut out = vec![vec![false; self.block.bytes]; copies];
        for fault in &self.faults {
            let by_chance = random.random::<f64>() < share;
            if let Some(copy) = out.get_mut(fault.copy).filter(|_| fault.of_tape.unwrap_or(by_chance)) {
                copy[fault.bytes.clone()].fill(true);
            }
        }
        out
    }

    /// The soft bits of one copy of the block in another take of a tape with `truth` on it and these `faults`.
    pub fn another(&self, copy: usize, truth: &[bool], faults: &[Vec<bool>], random: &mut ChaCha8Rng) -> Vec<Llr> {
        let Plays { block, width, .. } = self;
        let mut out = vec![Llr::LOST; block.bytes * width];
        let votes = block.votes.len();
        let of_tape = |vote: usize, byte: usize| faults.get(block.votes[vote].copy).is_some_and(|f| f[byte]);
        // the vote it is like, and by how many bytes that lies elsewhere
        let mut like: Option<(usize, usize)> = None;
        let mut here_before = false;
        for byte in 0..block.bytes {
            let here = faults[copy][byte];
            let usable = |(vote, shift): (usize, usize)| {
                let from = (byte + shift) % block.bytes;
                self.covered[vote][from] && (here || !of_tape(vote, from))
            };
            if here != here_before || !like.is_some_and(usable) || random.random::<f64>() < 1.0 / LIKENESS {
                here_before = here;
                like = if here {
                    let bad = |v: &usize| block.votes[*v].copy == copy && self.dropped[*v][byte];
                    let own: Vec<usize> = (0..votes).filter(bad).collect();
                    (!own.is_empty()).then(|| (own[random.random_range(0..own.len())], 0))
                } else {
                    let mut any = || (random.random_range(0..votes), random.random_range(0..block.bytes));
                    let clear = |&(vote, shift): &(usize, usize)| !of_tape(vote, (byte + shift) % block.bytes);
                    (0..TRIES).map(|_| any()).find(clear).filter(|&l| usable(l))
                };
            }
            let Some((vote, shift)) = like else { continue };
            let at = (byte + shift) % block.bytes;
            let alike = |&b: &usize| self.covered[vote][b] && self.dropped[vote][b] == self.dropped[vote][at];
            let near: Vec<usize> = (at.saturating_sub(1)..(at + 2).min(block.bytes)).filter(alike).collect();
            for k in 0..*width {
                let from = near[random.random_range(0..near.len())];
                let strength = block.votes[vote].bits[from * width + random.random_range(0..*width)].0.abs();
                let right = random.random::<f64>() < Llr(strength).p_one();
                out[byte * width + k] = Llr(if truth[byte * width + k] == right { strength } else { -strength });
            }
        }
        out
    }
}

fn covers(vote: &Vote, byte: usize) -> bool {
    vote.stretches.iter().any(|s| (s.2..s.2 + s.1 - s.0).contains(&byte))
}

/// The bytes of a vote that lie in a dropout.
fn dropped(vote: &Vote, covered: &[bool], width: usize) -> Vec<bool> {
    let strength: Vec<f32> = vote.bits.chunks(width).map(|b| b.iter().map(|l| l.0.abs()).sum()).collect();
    let mut heard: Vec<f32> = strength.iter().zip(covered).filter(|(_, c)| **c).map(|(s, _)| *s).collect();
    heard.sort_by(f32::total_cmp);
    let usual = heard.get(heard.len() / 2).copied().unwrap_or(0.0);
    strength.iter().zip(covered).map(|(s, c)| *c && *s < DROPPED * usual).collect()
}
