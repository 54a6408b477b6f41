//! Shared causes: how far takes are independent witnesses.
//!
//! Takes of one tape share its damage, and what a take claims of a bit under damage is little: that is in its soft bits
//! already. What must not add up is what both take for certain for the same wrong reason: one recording under two names, a
//! deck that distorts alike, a fault of the tape that looks like data. Two signs of it are looked for, bit by bit, where all
//! takes together leave no doubt: that two err together more often than their own claims explain, and that their soft
//! bits follow each other closer than independent noise lets them. Damage is longer than a bit, so it is what a bit has
//! in common with those beside it: noise is the rest.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::Llr;
use crate::consensus::{Block, Vote};

/// What pairs of takes share: 0 nothing, 1 everything.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shared {
    pairs: BTreeMap<(usize, usize), f64>,
}

/// Evidence of all votes from which the answer counts as known.
const KNOWN: f32 = 12.0;
/// Share that is assumed before anything is seen, and the errors it is worth. A judgement: takes of one tape by decks of
/// one kind are rarely quite independent.
const PRIOR: f64 = 0.02;
const PRIOR_ERRORS: f64 = 20.0;
/// Soft bits below this say nothing.
const HEARD: f32 = 0.1;
/// Soft bits above this say only that noise was far away, whoever heard them.
const SATURATED: f32 = 15.0;
/// Bits below saturation that a comparison needs.
const LEAST_BITS: f64 = 400.0;
/// Correlation of soft bits, less those beside them, from which something other than the damage of the tape is shared, and of
/// one recording in two forms. Set from a handful of tapes at 5 to 40 dB with up to three dropouts a second: plays that
/// shared nothing but dropouts reached 0.25 up to 15 dB and 0.76 above, one recording in an MP3 of 64 kbit/s 0.97 and more
/// wherever noise or dropouts leave a bit in doubt.
const ONLY_DAMAGE: f64 = 0.76;
const ONE_RECORDING: f64 = 0.95;

#[derive(Default)]
struct Counts {
    both: f64,
    expected: f64,
    single: f64,
    /// Number, sums, squares and products of soft bits counted towards the answer, less the mean of the two beside them.
    bits: f64,
    sum: [f64; 2],
    square: [f64; 2],
    product: f64,
}

/// The votes of two takes on one copy of a block, and the sum of all votes there.
type Twice<'a> = (&'a Vote, &'a Vote, &'a [Llr]);

impl Shared {
    /// Estimates what the takes of one tape share from its blocks.
    pub fn estimate<'a>(blocks: impl Iterator<Item = &'a Block>) -> Shared {
        let blocks: Vec<&Block> = blocks.collect();
        let totals: Vec<Vec<Llr>> = blocks.par_iter().map(|b| b.total(|_| 1.0)).collect();
        let mut votes: BTreeMap<(usize, usize), Vec<Twice>> = BTreeMap::new();
        for (block, total) in blocks.iter().zip(&totals) {
            for (i, u) in block.votes.iter().enumerate() {
                for v in block.votes[i + 1..].iter().filter(|v| v.take != u.take && v.copy == u.copy) {
                    votes.entry((u.take.min(v.take), u.take.max(v.take))).or_default().push((u, v, total));
                }
            }
        }
        // every pair adds up in the order of the tape, so that sums do not depend on threads
        let share = |(pair, votes): (_, Vec<Twice>)| {
            let mut counts = Counts::default();
            votes.into_iter().for_each(|(u, v, total)| counts.add(u, v, total));
            (pair, counts.share())
        };
        Shared { pairs: votes.into_par_iter().map(share).collect() }
    }

    /// What two takes share.
    pub fn between(&self, a: usize, b: usize) -> f64 {
        self.pairs.get(&(a.min(b), a.max(b))).copied().unwrap_or(PRIOR)
    }

    /// What a vote of this take counts among votes of all `takes`: n takes that share everything count as one.
    pub fn weight(&self, take: usize, takes: &[usize]) -> f32 {
        let others: f64 = takes.iter().filter(|&&t| t != take).map(|&t| self.between(take, t)).sum();
        (1.0 / (1.0 + others)) as f32
    }
}

impl Counts {
    fn add(&mut self, u: &Vote, v: &Vote, total: &[Llr]) {
        for ((a, b), t) in u.bits.iter().zip(&v.bits).zip(total) {
            let (x, y) = (a.0.abs(), b.0.abs());
            if x.min(y) < HEARD || t.0.abs() < KNOWN {
                continue;
            }
            let (wrong_a, wrong_b) = (a.bit() != t.bit(), b.bit() != t.bit());
            self.both += f64::from(u8::from(wrong_a && wrong_b));
            self.single += 0.5 * (f64::from(u8::from(wrong_a)) + f64::from(u8::from(wrong_b)));
            self.expected += f64::from(1.0 / ((1.0 + x.exp()) * (1.0 + y.exp())));
        }
        for ((a, b), t) in u.bits.windows(3).zip(v.bits.windows(3)).zip(total.windows(3)) {
            let tells = |l: &Llr| (HEARD..SATURATED).contains(&l.0.abs());
            if !(a.iter().all(tells) && b.iter().all(tells)) {
                continue;
            }
            let towards = |l: &[Llr], k: usize| if t[k].bit() { l[k].0 } else { -l[k].0 };
            let own = |l: &[Llr]| f64::from(towards(l, 1) - 0.5 * (towards(l, 0) + towards(l, 2)));
            let (p, q) = (own(a), own(b));
            self.bits += 1.0;
            self.sum[0] += p;
            self.sum[1] += q;
            self.square[0] += p * p;
            self.square[1] += q * q;
            self.product += p * q;
        }
    }

    /// Pearson's correlation of the soft bits of both; 0 where too few are there to tell.
    fn correlation(&self) -> f64 {
        let n = self.bits;
        let spread = |k: usize| (self.square[k] - self.sum[k] * self.sum[k] / n).max(0.0);
        let scale = (spread(0) * spread(1)).sqrt();
        if n < LEAST_BITS || scale <= 0.0 { 0.0 } else { (self.product - self.sum[0] * self.sum[1] / n) / scale }
    }

    fn share(&self) -> f64 {
        let together = (self.both - self.expected).max(0.0);
        let by_errors = (together + PRIOR * PRIOR_ERRORS) / (self.single + PRIOR_ERRORS);
        let by_likeness = ((self.correlation() - ONLY_DAMAGE) / (ONE_RECORDING - ONLY_DAMAGE)).clamp(0.0, 1.0);
        by_errors.max(by_likeness).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vote(take: usize, bits: Vec<Llr>) -> Vote {
        Vote { take, reading: 0, copy: 0, stretches: Vec::new(), bits }
    }

    /// Soft bits of a word under noise of a small generator of its own, for a signal of mean 4 and deviation 2.8.
    fn noisy(seed: u64, n: usize) -> Vec<Llr> {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut uniform = move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        let draw = |i: usize, noise: f64| Llr(((4.0 + 2.8 * noise) * if i % 3 == 0 { 1.0 } else { -1.0 }) as f32);
        (0..n).map(|i| draw(i, (0..12).map(|_| uniform()).sum::<f64>() - 6.0)).collect()
    }

    fn share(a: Vec<Llr>, b: Vec<Llr>, c: Vec<Llr>) -> Shared {
        let votes = vec![vote(0, a.clone()), vote(1, b), vote(2, c)];
        let block = Block { votes, bytes: a.len() / 9, length_known: true, from_s: 0.0, to_s: 1.0 };
        Shared::estimate(std::iter::once(&block))
    }

    #[test]
    fn independent_takes_count_nearly_in_full() {
        let s = share(noisy(1, 9000), noisy(2, 9000), noisy(3, 9000));
        assert!(s.between(0, 1) < 0.1, "{s:?}");
        assert!(s.weight(0, &[0, 1, 2]) > 0.85);
    }

    /// Damage that fades both in and out over some bytes, by seven times the noise.
    #[test]
    fn takes_that_share_the_damage_of_the_tape_alone_count_nearly_in_full() {
        let fade = |i: usize| 0.55 + 0.45 * (i as f32 / 60.0).sin();
        let heard = |i: usize| if i % 3 == 0 { 7.0 * fade(i) } else { -7.0 * fade(i) };
        let faded = |seed| noisy(seed, 9000).iter().enumerate().map(|(i, l)| Llr(0.35 * l.0 + heard(i))).collect();
        let s = share(faded(1), faded(2), faded(3));
        assert!(s.between(0, 1) < 0.1, "{s:?}");
        let one = share(faded(1), faded(1), faded(3));
        assert_eq!(one.between(0, 1), 1.0);
    }

    #[test]
    fn one_recording_under_two_names_counts_once() {
        let a = noisy(1, 9000);
        let louder: Vec<Llr> = a.iter().map(|l| Llr(l.0 * 1.03)).collect();
        let s = share(a, louder, noisy(3, 9000));
        assert_eq!(s.between(0, 1), 1.0);
        assert!(s.between(0, 2) < 0.1, "{s:?}");
        assert!((s.weight(0, &[0, 1]) - 0.5).abs() < 1e-6);
    }
}
