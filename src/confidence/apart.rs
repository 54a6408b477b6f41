//! Do two groups of readings say different blocks? The evidence for that against one block heard by all.
//!
//! Under "one block" every byte of both groups is the same; under "two blocks" at least two bytes differ, since two words
//! that obey a check differ in more than one byte, and a single one would be neither here nor there: whatever is given out
//! for it is what one of the groups says. For byte i, from the soft bits of both groups, with V valid bytes,
//!
//! ```text
//! r = P(votes | two different bytes) / P(votes | one byte) = (A B / S − 1) / (V − 1)
//! A = Σ over valid bytes Π 2 P(bit | first group), B the same of the second, S = Σ Π 2 P(bit | first) · 2 P(bit | second)
//! ```
//!
//! because P(votes | bit) is proportional to P(bit | votes) for the even prior of a soft bit. Where one group heard
//! nothing, r = 1: that says nothing. Where both surely say the same, r is nearly 0. How many bytes differ is not known:
//! the shares that are tried count alike.

use crate::Llr;
use crate::consensus::{Block, Vote};
use crate::correction::{CheckMachine, obeys};

/// What a reading that kept its count from the sync sequence to the end of the block can be worth at most when it alone
/// says something else, as odds, and what each further one that says the same adds: a reading may be wrong as a whole in
/// ways that its soft bits don't know, and others of the same tape and deck in the same way. Judgements.
const ODDS_OF_ONE: f64 = 1e6;
const ODDS_OF_NEXT: f64 = 1e3;
/// Soft bits above this claim that something was heard, and one byte in so many that were heard may break its checks.
const CLAIMED: f32 = 1.0;
/// Soft bits under this are not sure: odds of 20 to 1. One bit in so many may be so.
const SURE: f32 = 3.0;
const UNSURE_OF: usize = 50;
const BROKEN_OF: usize = 100;
/// No byte counts more than this: far beyond what any decision needs, and safe to multiply.
const MOST: f64 = 1e12;
/// Bytes that differ, at the least.
const LEAST_DIFFERING: f64 = 2.0;
/// The numbers of differing bytes that are tried are so many times apart.
const STEP: f64 = 4.0;

/// Two groups of readings of one block, each added up.
pub struct Sides {
    sums: [Vec<Llr>; 2],
    /// With those that are not fit to contradict others: what each group says as a whole.
    pub whole: [Vec<Llr>; 2],
    /// Readings in the smaller group.
    witnesses: usize,
}

impl Sides {
    /// Of the votes that are fit to contradict others, as `fit` says of each; `group` says which belongs where, 0 or 1, if
    /// anywhere. `None` if either group is empty.
    pub fn of(block: &Block, weights: &[f32], fit: &[bool], group: impl Fn(&Vote) -> Option<usize>) -> Option<Sides> {
        let bits = block.votes.first()?.bits.len();
        let mut sums = [vec![Llr::LOST; bits], vec![Llr::LOST; bits]];
        let mut whole = sums.clone();
        let mut count = [0, 0];
        for ((vote, &weight), &fit) in block.votes.iter().zip(weights).zip(fit) {
            let Some(side) = group(vote) else { continue };
            let add = |to: &mut Vec<Llr>| to.iter_mut().zip(&vote.bits).for_each(|(sum, &bit)| *sum += bit * weight);
            add(&mut whole[side]);
            if fit {
                count[side] += 1;
                add(&mut sums[side]);
            }
        }
        let witnesses = count[0].min(count[1]);
        (witnesses > 0).then_some(Sides { sums, whole, witnesses })
    }

    /// For every byte how much better two different bytes explain what was heard than one: r above.
    pub fn ratios(&self, words: &Words) -> Vec<f64> {
        let width = words.width;
        let mut room = vec![0.0; 2 * words.states];
        let valid = words.total(|_| [1.0; 2], &mut room);
        let [a, b] = &self.sums;
        let pairs = a.chunks(width).zip(b.chunks(width));
        let (mut x, mut y) = (vec![[0.0; 2]; width], vec![[0.0; 2]; width]);
        pairs
            .map(|(a, b)| {
                x.iter_mut().zip(a).for_each(|(w, l)| *w = twice(*l));
                y.iter_mut().zip(b).for_each(|(w, l)| *w = twice(*l));
                let both = |k: usize| [x[k][0] * y[k][0], x[k][1] * y[k][1]];
                let s = words.total(both, &mut room);
                let (a, b) = (words.total(|k| x[k], &mut room), words.total(|k| y[k], &mut room));
                let r = (a * b / s.max(f64::MIN_POSITIVE) - 1.0) / (valid - 1.0);
                // rounding may leave a little less than nothing
                if r.is_nan() { 1.0 } else { r.clamp(0.0, MOST) }
            })
            .collect()
    }

    /// True only if [`Self::ln_ratio`] can't be above 0, as is seen at once where both groups are sure of the same. With
    /// n bits of more than 2 nats each, p > 0.88, the word that both say has S > (2 p)^(2 n) > 3.1^n, and A B is at most 4^n:
    /// where (4 / 3.1)^n is under V, every r is under 1, and then no way in which bytes may differ counts more than 1.
    pub fn surely_one(&self, words: &Words) -> bool {
        let [a, b] = &self.sums;
        let alike = |x: &Llr, y: &Llr| x.0.abs() > 2.0 && y.0.abs() > 2.0 && x.bit() == y.bit();
        let valid = words.total(|_| [1.0; 2], &mut vec![0.0; 2 * words.states]);
        (4.0f64 / 3.1).powi(words.width as i32) < valid
            && a.iter().zip(b).all(|(x, y)| alike(x, y))
            && a.chunks(words.width).all(|byte| words.has(byte.iter().map(|l| l.bit())))
    }

    /// ln of the odds to which these readings can lead at most.
    fn ln_most(&self) -> f64 {
        ODDS_OF_ONE.ln() + (self.witnesses - 1) as f64 * ODDS_OF_NEXT.ln()
    }

    /// ln P(votes | two blocks) / P(votes | one block), before any check of the whole block.
    pub fn ln_ratio(&self, ratios: &[f64]) -> f64 {
        let bytes = ratios.len() as f64;
        let shares = std::iter::successors(Some(LEAST_DIFFERING), |n| Some(n * STEP)).take_while(|&n| n <= bytes);
        let each: Vec<f64> = shares.map(|n| at_least_two(ratios, n / bytes)).collect();
        let best = each.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !best.is_finite() {
            return f64::NEG_INFINITY;
        }
        let mean = best + (each.iter().map(|x| (x - best).exp()).sum::<f64>() / each.len() as f64).ln();
        mean.min(self.ln_most())
    }
}

/// The words of one byte that obey its checks, as tables.
pub struct Words {
    width: usize,
    states: usize,
    /// Next state after a bit of value 0 and of value 1, by position and state; `None` where that is not allowed.
    next: Vec<[Option<usize>; 2]>,
    accepts: Vec<bool>,
}

impl Words {
    /// `byte` holds the checks of a byte of `width` bits.
    pub fn new(byte: &dyn CheckMachine, width: usize) -> Words {
        let states = byte.states();
        let step = |position: usize, state: usize, bit: bool| {
            let to = byte.step(state, position, bit);
            (byte.allows(to, position) && byte.known_bit(position).is_none_or(|known| known == bit)).then_some(to)
        };
        let both = |i: usize| [false, true].map(|bit| step(i / states, i % states, bit));
        let next = (0..width * states).map(both).collect();
        Words { width, states, next, accepts: (0..states).map(|s| byte.accepts(s)).collect() }
    }

    fn has(&self, mut word: impl Iterator<Item = bool>) -> bool {
        let walk = |state: usize, (position, bit): (usize, bool)| {
            self.next[position * self.states + state][usize::from(bit)].ok_or(())
        };
        word.by_ref().enumerate().try_fold(0, walk).is_ok_and(|state| self.accepts[state])
    }

    /// Sum over all words of the product of their bits' weights. `room` is for twice as many values as there are states.
    fn total(&self, weight: impl Fn(usize) -> [f64; 2], room: &mut [f64]) -> f64 {
        let (mut now, mut next) = room.split_at_mut(self.states);
        now.fill(0.0);
        now[0] = 1.0;
        for (position, steps) in self.next.chunks(self.states).enumerate() {
            let weight = weight(position);
            next.fill(0.0);
            for (&sum, to) in now.iter().zip(steps).filter(|(sum, _)| **sum > 0.0) {
                for (to, weight) in to.iter().zip(weight) {
                    if let Some(to) = to {
                        next[*to] += sum * weight;
                    }
                }
            }
            std::mem::swap(&mut now, &mut next);
        }
        now.iter().zip(&self.accepts).filter(|(_, accepts)| **accepts).map(|(sum, _)| sum).sum()
    }
}

/// A reading that contradicts others must be beyond reproach itself: it kept its count from first to last byte (a count that
/// slipped says other bytes too), it is sure of nearly every bit (at more noise the model of a reading's own faults is too
/// rough to tell them from other bytes), and the bytes that it claims to have heard obey their own checks but for one in a
/// hundred (one that was followed half a cell aside claims bytes that half of the time do not). `byte` holds the checks of a byte
/// of `width` bits.
pub fn testifies(vote: &Vote, block: &Block, byte: &dyn CheckMachine, width: usize) -> bool {
    if !matches!(vote.stretches[..], [(from, to, 0)] if to - from == block.bytes) {
        return false;
    }
    let heard = || vote.bits.chunks(width).filter(|bits| bits.iter().all(|b| b.0.abs() > CLAIMED));
    let broken = |bits: &&[Llr]| !obeys(byte, &bits.iter().map(|b| b.bit()).collect::<Vec<_>>());
    let unsure = vote.bits.iter().filter(|b| b.0.abs() < SURE).count();
    unsure * UNSURE_OF <= vote.bits.len() && heard().filter(broken).count() * BROKEN_OF <= block.bytes
}

/// The takes that can speak for or against others, in order: those with a vote that is `fit`.
pub fn takes(block: &Block, fit: &[bool]) -> Vec<usize> {
    let mut takes: Vec<usize> = block.votes.iter().zip(fit).filter(|(_, fit)| **fit).map(|(v, _)| v.take).collect();
    takes.sort_unstable();
    takes.dedup();
    takes
}

/// Whether the bytes that differ can be named: if not, what the checks of the one block say they say of both.
pub fn visible(chances: &[f64]) -> bool {
    chances.iter().filter(|&&chance| chance > 0.5).count() as f64 >= LEAST_DIFFERING
}

/// The chance that each byte differs, given that some do: with the fewest that may.
pub fn chances(ratios: &[f64]) -> Vec<f64> {
    let share = (LEAST_DIFFERING / ratios.len() as f64).min(1.0);
    ratios.iter().map(|r| share * r / (1.0 - share + share * r).max(f64::MIN_POSITIVE)).collect()
}

/// Groups of takes to hold against the others: each by itself, and each with those that go with it. Every group is
/// the smaller part, or the one without the first take.
pub fn groups(takes: &[usize], differ: impl Fn(usize, usize) -> bool) -> Vec<Vec<usize>> {
    let mut out: Vec<Vec<usize>> = Vec::new();
    let mut add = |group: Vec<usize>| {
        let rest: Vec<usize> = takes.iter().copied().filter(|t| !group.contains(t)).collect();
        let key = |g: &Vec<usize>| (g.len(), g.contains(&takes[0]));
        let group = if key(&rest) < key(&group) { rest } else { group };
        if !group.is_empty() && !out.contains(&group) {
            out.push(group);
        }
    };
    takes.iter().for_each(|&t| add(vec![t]));
    for &t in takes {
        add(takes.iter().copied().filter(|&u| u == t || !differ(t, u)).collect());
    }
    out
}

/// ln of the mean over all ways in which at least two bytes differ, each with the chance `share`, of the product of their
/// ratios.
fn at_least_two(ratios: &[f64], share: f64) -> f64 {
    // chances that none, one, or more differ: of the votes given that, and before the votes
    let mut votes = [1.0, 0.0, 0.0];
    let mut prior = votes;
    let mut ln_scale = 0.0;
    for &r in ratios {
        for (state, r) in [(&mut votes, r), (&mut prior, 1.0)] {
            let [none, one, more] = *state;
            *state = [
                none * (1.0 - share),
                one * (1.0 - share) + none * share * r,
                more * (1.0 - share + share * r) + one * share * r,
            ];
        }
        let most = votes.iter().copied().fold(0.0, f64::max);
        if most == 0.0 {
            return f64::NEG_INFINITY;
        }
        if !(1e-100..=1e100).contains(&most) {
            votes.iter_mut().for_each(|v| *v /= most);
            ln_scale += most.ln();
        }
    }
    ln_scale + votes[2].ln() - prior[2].ln()
}

/// Twice the probabilities of 0 and 1.
fn twice(llr: Llr) -> [f64; 2] {
    let odds = (-f64::from(llr.0.abs())).exp();
    let (likely, rare) = (2.0 / (1.0 + odds), 2.0 * odds / (1.0 + odds));
    if llr.0 > 0.0 { [rare, likely] } else { [likely, rare] }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correction::ParityOnly;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn bits(bytes: &[u8], weight: f32) -> Vec<Llr> {
        let bit = |b: bool| Llr(if b { weight } else { -weight });
        bytes.iter().flat_map(|&b| crate::tape::twin_copy::byte_bits(b)).map(bit).collect()
    }

    fn sides(a: Vec<Llr>, b: Vec<Llr>) -> Sides {
        Sides { whole: [a.clone(), b.clone()], sums: [a, b], witnesses: 1 }
    }

    /// All pairs of bytes by enumeration.
    #[test]
    fn ratios_are_those_of_all_pairs_of_bytes() {
        let mut state = 9u32;
        let mut votes = || -> Vec<Llr> {
            let mut next = || {
                // any numbers will do; these are of a linear congruential generator
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                Llr((state >> 8) as f32 / (1 << 21) as f32 - 4.0)
            };
            (0..9).map(|_| next()).collect()
        };
        for _ in 0..5 {
            let (x, y) = (votes(), votes());
            let chance = |votes: &[Llr], byte: u8| -> f64 {
                let word = crate::tape::twin_copy::byte_bits(byte);
                votes.iter().zip(word).map(|(l, b)| if b { l.p_one() } else { (-*l).p_one() }).product()
            };
            let (mut same, mut other) = (0.0, 0.0);
            for a in 0..=255u8 {
                for b in 0..=255u8 {
                    let p = chance(&x, a) * chance(&y, b);
                    if a == b { same += p / 256.0 } else { other += p / (256.0 * 255.0) }
                }
            }
            let r = sides(x, y).ratios(&Words::new(&ParityOnly, 9))[0];
            assert!((r / (other / same) - 1.0).abs() < 1e-9, "{r} {}", other / same);
        }
    }

    /// The short cut never says more than the sum: over readings from clear to doubtful.
    #[test]
    fn what_is_surely_one_block_is_one() {
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let words = Words::new(&ParityOnly, 9);
        let mut seen = [0, 0];
        for round in 0..400 {
            let text: [u8; 40] = rng.random();
            let least = if round % 2 == 0 { 1.9 } else { 2.01 };
            let mut read =
                || bits(&text, 1.0).into_iter().map(|l| l * rng.random_range(least..4.0f32)).collect::<Vec<_>>();
            let s = sides(read(), read());
            seen[usize::from(s.surely_one(&words))] += 1;
            assert!(!s.surely_one(&words) || s.ln_ratio(&s.ratios(&words)) <= 0.0);
        }
        assert!(seen[0] > 100 && seen[1] > 100, "{seen:?}");
        // sure of the same, and it can't be: no word
        let mut broken = bits(b"DUNLIN", 9.0);
        broken[3] = -broken[3];
        assert!(!sides(broken.clone(), broken).surely_one(&words));
        let sure = bits(b"DUNLIN", 2.1);
        let s = sides(sure.clone(), sure);
        assert!(s.surely_one(&words) && s.ln_ratio(&s.ratios(&words)) <= 0.0);
    }

    #[test]
    fn where_nobody_heard_anything_nothing_is_said() {
        let s = sides(bits(b"KNOT", 20.0), vec![Llr::LOST; 36]);
        let r = s.ratios(&Words::new(&ParityOnly, 9));
        assert!(r.iter().all(|r| (r - 1.0).abs() < 1e-9), "{r:?}");
        assert!(s.ln_ratio(&r).abs() < 1e-9);
    }

    #[test]
    fn two_bytes_that_differ_are_evidence_and_one_is_none() {
        let text = b"HIGH WATER AT THE STAITHE 06:14 AND 18:39 BST";
        let other = |at: &[usize]| {
            let mut bytes = text.to_vec();
            at.iter().for_each(|&i| bytes[i] ^= 0x15);
            bytes
        };
        let ln = |bytes: &[u8]| {
            let s = sides(bits(text, 12.0), bits(bytes, 12.0));
            s.ln_ratio(&s.ratios(&Words::new(&ParityOnly, 9)))
        };
        assert!(ln(text) < -20.0, "{}", ln(text));
        assert!(ln(&other(&[7])) < 0.0, "{}", ln(&other(&[7])));
        assert!((ln(&other(&[7, 30])) - ODDS_OF_ONE.ln()).abs() < 1e-9, "{}", ln(&other(&[7, 30])));
    }

    /// All ways to choose the bytes that differ, one by one.
    #[test]
    fn at_least_two_is_the_sum_over_all_ways_to_choose_them() {
        let ratios = [0.3, 7.0, 1e-3, 1.0, 42.0, 0.9, 2.0, 1e-9];
        for share in [0.25, 0.5, 1.0] {
            let (mut votes, mut prior) = (0.0, 0.0);
            for set in (0..1u32 << ratios.len()).filter(|s| s.count_ones() >= 2) {
                let chosen = |i: usize| set >> i & 1 == 1;
                let p: f64 = (0..ratios.len()).map(|i| if chosen(i) { share } else { 1.0 - share }).product();
                prior += p;
                votes += p * (0..ratios.len()).filter(|&i| chosen(i)).map(|i| ratios[i]).product::<f64>();
            }
            let expected: f64 = (votes / prior).ln();
            assert!((at_least_two(&ratios, share) - expected).abs() < 1e-9, "{share}");
        }
    }

    /// One block or two by the toss of a coin, read with noise: of those called two with probability p, a share p must be.
    /// Nothing here knows Bayes: the simulation is the reference.
    #[test]
    fn chances_of_two_blocks_come_true() {
        const BYTES: usize = 6;
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        // sums of forecasts, outcomes and variances, by forecast
        let mut bins = [(0.0, 0.0, 0.0); 5];
        for _ in 0..6_000 {
            let first: [u8; BYTES] = rng.random();
            let mut second = first;
            let two = rng.random_bool(0.5);
            while two && first.iter().zip(&second).filter(|(a, b)| a != b).count() < 2 {
                // two of six is the only number that is tried at this length
                let other = |b: u8, rng: &mut ChaCha8Rng| b ^ rng.random_range(1..=255u8);
                second = first.map(|b| if rng.random_bool(1.0 / 3.0) { other(b, &mut rng) } else { b });
            }
            let mut read = |bytes: &[u8]| -> Vec<Llr> {
                let bit = |bit: Llr| {
                    let p: f64 = rng.random_range(0.05..0.4);
                    let weight = ((1.0 - p) / p).ln() as f32;
                    if rng.random_bool(p) { bit * -weight } else { bit * weight }
                };
                bits(bytes, 1.0).into_iter().map(bit).collect()
            };
            let s = sides(read(&first), read(&second));
            let odds = s.ln_ratio(&s.ratios(&Words::new(&ParityOnly, 9))).exp();
            let forecast = odds / (1.0 + odds);
            let bin = &mut bins[((forecast * 5.0) as usize).min(4)];
            *bin = (bin.0 + forecast, bin.1 + f64::from(u8::from(two)), bin.2 + forecast * (1.0 - forecast));
        }
        for (forecast, outcome, variance) in bins {
            assert!(variance > 5.0, "a bin without cases tests nothing: {bins:?}");
            assert!((forecast - outcome).abs() < 3.5 * variance.sqrt(), "{bins:?}");
        }
    }

    /// At 8 bytes and at 128 the last number that is tried is all of them.
    #[test]
    fn two_groups_that_are_quite_sure_of_the_same_are_one_at_any_length() {
        for n in 1..=130 {
            let text: Vec<u8> = (0..n).map(|i| b"TIDE 0123456789 "[i % 16]).collect();
            let s = sides(bits(&text, 60.0), bits(&text, 60.0));
            assert!(s.ln_ratio(&s.ratios(&Words::new(&ParityOnly, 9))) < -20.0, "{n}");
        }
    }

    #[test]
    fn takes_are_grouped_with_those_they_go_with() {
        let two = |a: usize, b: usize| (a < 2) != (b < 2);
        assert_eq!(groups(&[0, 1, 2, 3], two), [vec![0], vec![1], vec![2], vec![3], vec![2, 3]]);
        assert_eq!(groups(&[4, 9], |_, _| true), [vec![9]]);
        assert!(groups(&[4], |_, _| true).is_empty());
    }
}
