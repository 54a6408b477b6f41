//! The passes over the lattice against the plainest way: every sequence of words with every sequence of lengths, one by
//! one, by the definition of the model alone. (That the passes are the usual ones: Yu 2010, see `lattice`, from memory.)

use super::counts::{self, Chain, Counts, Crossing, Frame, Heard};
use super::lattice::{Code, Emission, Lattice, NEVER, ln_add};
use super::{Extent, Passage, read_keeping};
use crate::Llr;
use crate::channel::random::{Purpose, Random};
use crate::receiver::signal::{Memory, Signal};
use crate::tape::{Grammar, Symbol};

/// Evidence out of a hat, by boundary, word before and code; a window begins at `from`.
#[derive(Clone)]
struct Hat {
    codes: usize,
    words: usize,
    drawn: Vec<f32>,
    stops: Vec<f64>,
    from: usize,
}

impl Hat {
    fn new(seed: u64, codes: usize, words: usize, points: usize) -> Hat {
        let mut random = Random::new(seed, Purpose::WhiteNoise);
        let drawn = (0..points * words * codes).map(|_| (3.0 * random.normal()) as f32).collect();
        let stops = (0..points).map(|t| if t >= points / 2 { random.normal() - 1.0 } else { NEVER }).collect();
        Hat { codes, words, drawn, stops, from: 0 }
    }

    fn of(&self, t: usize, before: usize, code: usize) -> f64 {
        f64::from(self.drawn.get((t * self.words + before) * self.codes + code).copied().unwrap_or(-9.0))
    }
}

impl Emission for Hat {
    fn segments(&self, t: usize, before: usize, out: &mut [f32]) {
        for (i, o) in out.iter_mut().enumerate() {
            *o = self.of(self.from + t, before, i) as f32;
        }
    }
    fn par(&self, _: usize) -> f64 {
        0.0
    }
    fn stop(&self, t: usize) -> f64 {
        self.stops.get(self.from + t).copied().unwrap_or(NEVER)
    }
}

/// Sums over all ways to read the passage, enumerated.
struct Enumerated<'a> {
    hat: &'a Hat,
    codes: &'a [Code],
    /// Prior weight of word n being w.
    prior: &'a dyn Fn(usize, usize) -> f64,
    /// Words in all; `None`: any number.
    total: Option<usize>,
    weight: f64,
    /// By word: weight of all ways in which it is w.
    words: Vec<Vec<f64>>,
    counts: Vec<f64>,
}

impl Enumerated<'_> {
    fn walk(&mut self, t: usize, before: usize, way: &mut Vec<usize>, weight: f64) {
        let stop = self.hat.stop(t);
        if stop > NEVER {
            let all = weight * stop.exp();
            self.counts[way.len()] += all;
            if self.total.is_none_or(|n| n == way.len()) {
                self.weight += all;
                for (n, &w) in way.iter().enumerate() {
                    self.words[n][w] += all;
                }
            }
        }
        if t >= self.hat.stops.len() {
            return;
        }
        for (i, code) in self.codes.iter().enumerate() {
            let next = weight * self.hat.of(t, before, i).exp() * (self.prior)(way.len(), code.word);
            way.push(code.word);
            self.walk(t + code.length, code.word, way, next);
            way.pop();
        }
    }
}

/// Chances of the words by the passes, window by window of `len` points, and P(N words).
fn passes(
    hat: &Hat,
    codes: &[Code],
    kinds: usize,
    starts: &[f64],
    len: usize,
    frame: &Frame,
    total: usize,
) -> (Vec<Heard>, f64) {
    let count = hat.stops.len().div_ceil(len) + 1;
    let window = |i: usize| Hat { from: i * len, ..hat.clone() };
    let mut fronts = vec![starts.to_vec()];
    let mut evidence = NEVER;
    for i in 0..count {
        let lattice = Lattice::forward(codes, kinds, len, &fronts[i], &window(i), f64::INFINITY);
        evidence = ln_add(evidence, lattice.stopped(len, &window(i)));
        fronts.push(lattice.front(len));
    }
    let mut rear = Vec::new();
    let mut chains = Vec::new();
    for i in (0..count).rev() {
        let hat = window(i);
        let mut lattice = Lattice::forward(codes, kinds, len, &fronts[i], &hat, f64::INFINITY);
        lattice.backward(&rear, &hat);
        rear = lattice.rear();
        chains.insert(0, Chain::new(&lattice, evidence, |t| hat.stop(t)));
    }
    let slots = starts.iter().zip(&rear).enumerate();
    let slots = slots.filter(|(_, (a, _))| **a > NEVER);
    let slots = slots.map(|(i, (a, b))| (i as u32, Counts::only(0, (a + b - evidence).exp()))).collect();
    let mut crossing = vec![Crossing { slots, ln_scale: 0.0 }];
    let (mut chance, mut all) = (0.0, 0.0);
    for i in 0..count {
        let mut totals = Counts::default();
        let scale = crossing[i].ln_scale.exp();
        let next = counts::ahead(&chains[i], frame, &crossing[i], &mut totals).1;
        chance += totals.get(total) * scale;
        all += totals.sum() * scale;
        crossing.push(next);
    }
    let mut rears = vec![Crossing::default(); count];
    for i in (1..count).rev() {
        rears[i - 1] = counts::back(&chains[i], frame, &rears[i], total).1;
    }
    let mut heard = vec![Heard::default(); total + 1];
    for i in 0..count {
        let (ahead, _) = counts::ahead(&chains[i], frame, &crossing[i], &mut Counts::default());
        let (back, _) = counts::back(&chains[i], frame, &rears[i], total);
        let (ahead, back) = ((&ahead[..], crossing[i].ln_scale), (&back[..], rears[i].ln_scale));
        counts::listen(&chains[i], frame, ahead, back, chance.ln(), |t| t as f64, &mut heard);
    }
    (heard, chance / all)
}

fn code(word: usize, length: usize) -> Code {
    Code { word, length, ln_p: 0.0 }
}

fn starts(kinds: usize) -> Vec<f64> {
    let mut starts = vec![NEVER; 6 * kinds];
    starts[0] = -0.7;
    starts[kinds + 1] = -1.2;
    starts
}

fn enumerate<'a>(
    hat: &'a Hat,
    codes: &'a [Code],
    kinds: usize,
    prior: &'a dyn Fn(usize, usize) -> f64,
    total: Option<usize>,
) -> Enumerated<'a> {
    let longest = hat.stops.len() + 6;
    let (words, counts) = (vec![vec![0.0; kinds]; longest], vec![0.0; longest]);
    let mut all = Enumerated { hat, codes, prior, total, weight: 0.0, words, counts };
    all.walk(0, 0, &mut Vec::new(), (-0.7f64).exp());
    all.walk(1, 1, &mut Vec::new(), (-1.2f64).exp());
    all
}

#[test]
fn chances_of_bits_and_of_their_number_are_those_of_enumerating_every_way() {
    let codes = [code(0, 2), code(0, 3), code(1, 4), code(1, 5)];
    let frame = Frame { byte: None, prior: &[] };
    // numbers of words less probable than the chain is meant for are passed over; most are not
    let mut held = 0;
    for seed in 0..12 {
        let hat = Hat::new(seed, codes.len(), 2, 22);
        for total in 4..9 {
            let all = enumerate(&hat, &codes, 2, &|_, _| 1.0, Some(total));
            if all.weight < 1e-4 * all.counts.iter().sum::<f64>() {
                continue;
            }
            held += 1;
            // one window; windows shorter than a word; and something between
            for len in [40, 3, 7] {
                let (heard, chance) = passes(&hat, &codes, 2, &starts(2), len, &frame, total);
                let expected = all.counts[total] / all.counts.iter().sum::<f64>();
                assert!((chance - expected).abs() < 1e-6, "{chance} {expected}");
                for (n, heard) in heard.iter().enumerate().take(total) {
                    let expected = all.words[n][1] / all.weight;
                    let [zero, one] = heard.chance;
                    assert!((zero + one - 1.0).abs() < 1e-6, "seed {seed}, bit {n}: {zero} + {one}");
                    assert!((one - expected).abs() < 1e-6, "seed {seed}, bit {n} of {total}: {one}, {expected}");
                }
            }
        }
    }
    assert!(held > 40, "{held}");
}

/// Three bits a byte behind a prefix of its own length; something is known of some bits. A bit's own prior is no evidence:
/// it is divided out of the enumerated chances.
#[test]
fn prefixes_and_what_is_known_of_bits_weigh_as_in_enumerating() {
    let codes = [code(0, 2), code(0, 3), code(1, 4), code(2, 3), code(2, 5)];
    let prior = [Llr(0.0), Llr(2.0), Llr(-1.0), Llr(9.0)];
    let frame = Frame { byte: Some(4), prior: &prior };
    let weight = |n: usize, word: usize| -> f64 {
        if n % 4 == 0 {
            return if word == 2 { 1.0 } else { 0.0 };
        }
        let odds = prior.get(n / 4 * 3 + n % 4 - 1).map_or(0.0, |l| f64::from(l.0)).exp();
        match word {
            0 => 1.0 / (1.0 + odds),
            1 => odds / (1.0 + odds),
            _ => 0.0,
        }
    };
    let mut held = 0;
    for seed in 20..28 {
        let hat = Hat::new(seed, codes.len(), 3, 24);
        for total in 5..8 {
            let all = enumerate(&hat, &codes, 3, &weight, Some(total));
            if all.weight < 1e-4 * all.counts.iter().sum::<f64>() {
                continue;
            }
            held += 1;
            for len in [40, 3, 8] {
                let (heard, _) = passes(&hat, &codes, 3, &starts(3), len, &frame, total);
                for n in (0..total).filter(|n| n % 4 > 0) {
                    let odds = all.words[n][1] / all.words[n][0] * weight(n, 0) / weight(n, 1);
                    let [zero, one] = heard[n].chance;
                    let (got, expected) = (one / (zero + one), odds / (1.0 + odds));
                    assert!((got - expected).abs() < 1e-6, "seed {seed}, word {n} of {total}: {got}, {expected}");
                }
            }
        }
    }
    assert!(held > 15, "{held}");
}

/// Boundaries that did not fit in memory are found again as they were: the same bits to the last digit.
#[test]
fn a_run_is_the_same_however_little_is_kept() {
    let cycle = |name, cycle| Symbol { name, cycle };
    let grammar = Grammar {
        symbols: vec![cycle("short", 500e-6), cycle("long", 900e-6)],
        relative_lengths: vec![vec![1.0, 1.8]],
        byte_prefix: Vec::new(),
        bit: [vec![0], vec![1]],
        bits_per_byte: 8,
        byte_bits: |byte| (0..8).map(|k| byte >> k & 1 == 1).collect(),
        leader: 0,
    };
    let mut random = Random::new(5, Purpose::WhiteNoise);
    let mut samples: Vec<f32> = (0..400).map(|_| (0.5 * random.normal()) as f32).collect();
    for _ in 0..1500 {
        // whole samples: the tape need not be exact
        let half = if random.uniform() < 0.5 { 11 } else { 20 };
        for level in [1.0, -1.0] {
            samples.extend((0..half).map(|_| (level + 0.5 * random.normal()) as f32));
        }
    }
    samples.extend((0..400).map(|_| (0.5 * random.normal()) as f32));
    let memory = Memory { samples, rate: 44_100.0 };
    let passage = Passage {
        start: 400.0,
        start_deviation: 2.0,
        speed: 1.0,
        speed_spread: 0.02,
        extent: Extent::Bits(1500),
        prior: &[],
    };
    let read = |kept| read_keeping(&mut Signal::new(&memory), &grammar, &passage, kept).expect("sound").expect("a run");
    let (much, little) = (read(usize::MAX), read(0));
    assert_eq!(much.bits, little.bits);
    assert_eq!(much.starts, little.starts);
    assert!(much.bits.iter().filter(|l| l.0.abs() > 8.0).count() > 1400);
}
