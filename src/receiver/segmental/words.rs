//! The waveform of every word as it comes off this tape, and how long words last, on a grid that moves with the tape.
//!
//! A word is the pulses of one bit value, or the prefix of a byte. What a band limit smears from one word into the next
//! depends on the word before, so each word has one waveform for every word that may come before it.

use super::super::shape::Wave;
use super::counts::PREFIX;
use super::lattice::Code;
use crate::tape::Grammar;

/// Lengths, in grid points.
#[derive(Clone, Debug)]
pub struct Words {
    /// Length of each word: bit 0, bit 1, and the prefix if there is one. Not whole numbers.
    pub lengths: Vec<f64>,
    /// Seconds of tape a point, at nominal speed.
    pub point_s: f64,
    /// Every word in every length that is reckoned with.
    pub codes: Vec<Code>,
    /// Standard deviation of a length and its mean difference from what the speed says, by word.
    spread: Vec<f64>,
    offset: Vec<f64>,
    /// Chance of each word, ln.
    ln_chance: Vec<f64>,
}

/// Least number of points in the shortest word.
const LEAST_POINTS: f64 = 14.0;
/// Lengths may be off by this share to either side: the speed within a window, and recorders that add a constant.
const REACH: f64 = 0.03;
/// Spread of lengths where the speed is not known yet: points, and share of the length; and where it is, before anything
/// is learned. No less is believed than the grid itself makes.
const LOOSE: (f64, f64) = (0.25, 0.012);
const TIGHT: (f64, f64) = (0.2, 0.001);
const LEAST_SPREAD: f64 = 0.18;
/// Chance that is left to every length.
const LEAST_CHANCE: f64 = 1e-4;

impl Words {
    /// `rate` is the working rate: a point is about a sample. Of the grids near it the one that the lengths fit best.
    pub fn new(grammar: &Grammar, rate: f64) -> Words {
        let mut seconds = vec![grammar.seconds(&grammar.bit[0]), grammar.seconds(&grammar.bit[1])];
        let mut ln_chance = vec![0.5f64.ln(); 2];
        if !grammar.byte_prefix.is_empty() {
            seconds.push(grammar.seconds(&grammar.byte_prefix));
            ln_chance.push((1.0 / grammar.bits_per_byte as f64).ln());
        }
        let shortest = seconds.iter().copied().fold(f64::INFINITY, f64::min);
        let wish = (shortest * rate).max(LEAST_POINTS);
        let misfit = |points: f64| {
            let part = |s: &f64| (s / shortest * points - (s / shortest * points).round()).abs();
            seconds.iter().map(part).sum::<f64>() + 0.3 * (points / wish - 1.0).abs()
        };
        let from = (0.9 * wish).max(LEAST_POINTS).round() as usize;
        let to = (1.25 * wish).ceil() as usize;
        let points = (from..=to.max(from)).map(|p| p as f64).min_by(|a, b| misfit(*a).total_cmp(&misfit(*b)));
        let points = points.unwrap_or(wish);
        let lengths: Vec<f64> = seconds.iter().map(|s| s / shortest * points).collect();
        let mut words = Words {
            spread: lengths.iter().map(|l| TIGHT.0 + TIGHT.1 * l).collect(),
            offset: vec![0.0; lengths.len()],
            lengths,
            point_s: shortest / points,
            codes: Vec::new(),
            ln_chance,
        };
        words.set_codes();
        words
    }

    pub fn count(&self) -> usize {
        self.lengths.len()
    }

    /// Points that the longest code reaches, and one.
    pub fn reach(&self) -> usize {
        self.codes.iter().map(|c| c.length).max().unwrap_or(0) + 1
    }

    /// Points of a word on average.
    pub fn typical(&self) -> f64 {
        0.5 * (self.lengths[0] + self.lengths[1])
    }

    /// The same where the speed is not known yet.
    pub fn loosened(&self) -> Words {
        let mut words = self.clone();
        for (spread, length) in words.spread.iter_mut().zip(&words.lengths) {
            *spread = spread.max(LOOSE.0 + LOOSE.1 * length);
        }
        words.set_codes();
        words
    }

    /// Moves spread and offset to what was seen: by word, weight, sum of the differences of the length from the one the
    /// speed says, and of their squares.
    pub fn learn_lengths(&mut self, seen: &[[f64; 3]]) {
        // in words: a spread that seems wide may be the doubt about the boundaries, and a wide one makes more of it
        const INERTIA: f64 = 300.0;
        for (word, [weight, sum, square]) in seen.iter().enumerate() {
            let mean = (self.offset[word] * INERTIA + sum) / (INERTIA + weight);
            let variance = (self.spread[word].powi(2) * INERTIA
                + (square - 2.0 * mean * sum + mean * mean * weight).max(0.0))
                / (INERTIA + weight);
            self.offset[word] = mean.clamp(-0.5 * REACH * self.lengths[word], 0.5 * REACH * self.lengths[word]);
            self.spread[word] = variance.sqrt().max(LEAST_SPREAD);
        }
        // words that all differ to one side say something about the speed, not about the words
        let common: f64 = self.offset.iter().sum::<f64>() / self.lengths.iter().sum::<f64>();
        self.offset.iter_mut().zip(&self.lengths).for_each(|(o, l)| *o -= common * l);
        self.set_codes();
    }

    /// Chances of all lengths: a normal distribution gathered to whole points.
    fn set_codes(&mut self) {
        self.codes.clear();
        for (word, &length) in self.lengths.iter().enumerate() {
            let reach = (REACH * length).ceil().max(1.0);
            let (low, high) = ((length.round() - reach).max(2.0) as usize, (length.round() + reach) as usize);
            let (mean, spread) = (length + self.offset[word], self.spread[word]);
            let below = |x: f64| 0.5 * statrs::function::erf::erfc((mean - x) / (spread * std::f64::consts::SQRT_2));
            let chances: Vec<f64> =
                (low..=high).map(|d| below(d as f64 + 0.5) - below(d as f64 - 0.5) + LEAST_CHANCE).collect();
            let sum: f64 = chances.iter().sum();
            for (length, chance) in (low..=high).zip(chances) {
                self.codes.push(Code { word, length, ln_p: self.ln_chance[word] + (chance / sum).ln() });
            }
        }
    }
}

/// The learned waveforms.
#[derive(Clone, Debug)]
pub struct Waveforms {
    words: usize,
    /// By `word before * words + word`, as long as the word on the grid.
    waves: Vec<Vec<f32>>,
}

/// What a window teaches about the waveforms.
pub struct Lesson {
    sums: Vec<Vec<f32>>,
    weights: Vec<f32>,
}

/// Weight of what was known before, in words.
const INERTIA: f32 = 24.0;

impl Waveforms {
    /// Bare models for a take that has taught nothing: the written wave through a gentle band limit, as it is or turned
    /// by a quarter (heads and amplifiers turn phase), times `sign`.
    pub fn bare(grammar: &Grammar, words: &Words, turned: bool, sign: f64) -> Waveforms {
        let relative: Vec<f64> = grammar.symbols.iter().map(|s| s.cycle / words.point_s).collect();
        let pulses = |word: usize| match word {
            PREFIX => &grammar.byte_prefix,
            bit => &grammar.bit[bit],
        };
        // half of the shortest half cycle: a band limit between the data and its harmonics
        let width = 0.25 * relative.iter().copied().fold(f64::INFINITY, f64::min);
        let count = words.count();
        let mut waves = Vec::with_capacity(count * count);
        for before in 0..count {
            for word in 0..count {
                let symbols: Vec<usize> =
                    [pulses(before), pulses(word), pulses(0)].into_iter().flatten().copied().collect();
                let wave = Wave::of_symbols(&symbols, &relative, 1.0);
                let value = |x: f64| {
                    let x = x + 0.5 + words.lengths[before];
                    let wave = |x: f64| wave.mean(x, width);
                    sign * if turned { wave(x + 0.5 * width) - wave(x - 0.5 * width) } else { wave(x) }
                };
                let points = words.lengths[word].round() as usize;
                waves.push((0..points).map(|i| value(i as f64) as f32).collect());
            }
        }
        Waveforms { words: count, waves }
    }

    /// The waveform of every code after every word, stretched to its length: by `word before * codes + code`.
    pub fn stretched(&self, codes: &[Code]) -> Vec<Vec<f32>> {
        let of = |before: usize, code: &Code| {
            let wave = &self.waves[before * self.words + code.word];
            let mut out = Vec::with_capacity(code.length);
            stretch(wave, code.length, &mut out);
            out
        };
        (0..self.words).flat_map(|before| codes.iter().map(move |c| of(before, c))).collect()
    }

    /// Mean square of all waveforms.
    pub fn power(&self) -> f64 {
        let sum: f64 = self.waves.iter().flatten().map(|v| f64::from(v * v)).sum();
        sum / self.waves.iter().map(Vec::len).sum::<usize>().max(1) as f64
    }

    /// Autocorrelation of the waveforms up to `lags`, each word by itself, relative to lag 0.
    pub fn correlation(&self, lags: usize) -> Vec<f64> {
        let sum = |lag: usize| -> f64 {
            self.waves
                .iter()
                .map(|w| f64::from(super::super::frame::dot(&w[..w.len() - lag.min(w.len())], &w[lag.min(w.len())..])))
                .sum()
        };
        let all = sum(0).max(1e-30);
        (0..lags).map(|l| sum(l) / all).collect()
    }

    pub fn lesson(&self) -> Lesson {
        Lesson { sums: self.waves.iter().map(|w| vec![0.0; w.len()]).collect(), weights: vec![0.0; self.waves.len()] }
    }

    /// Moves every waveform towards what was seen: expectation–maximisation (Dempster, Laird, Rubin 1977), with what was
    /// known before as so many words.
    pub fn learn(&mut self, lesson: &Lesson) {
        for ((wave, sum), &weight) in self.waves.iter_mut().zip(&lesson.sums).zip(&lesson.weights) {
            for (w, s) in wave.iter_mut().zip(sum) {
                *w = (*w * INERTIA + s) / (INERTIA + weight);
            }
        }
    }
}

impl Lesson {
    /// A segment that is `code` after `before` with the given weight, at a gain.
    pub fn add(&mut self, before: usize, code: &Code, samples: &[f32], gain: f32, weight: f32, scratch: &mut Vec<f32>) {
        let words = (self.sums.len() as f64).sqrt() as usize;
        let at = before * words + code.word;
        let sum = &mut self.sums[at];
        scratch.clear();
        stretch(samples, sum.len(), scratch);
        sum.iter_mut().zip(scratch.iter()).for_each(|(s, x)| *s += weight / gain * x);
        self.weights[at] += weight;
    }
}

/// The wave on so many points, straight lines between.
fn stretch(wave: &[f32], points: usize, out: &mut Vec<f32>) {
    if wave.len() == points {
        out.extend_from_slice(wave);
        return;
    }
    let last = wave.len().saturating_sub(1);
    out.extend((0..points).map(|i| {
        let x = ((i as f32 + 0.5) * wave.len() as f32 / points as f32 - 0.5).clamp(0.0, last as f32);
        let n = (x as usize).min(last.saturating_sub(1));
        let f = x - n as f32;
        wave[n] + f * (wave[(n + 1).min(last)] - wave[n])
    }));
}
