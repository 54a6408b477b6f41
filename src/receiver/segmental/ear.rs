//! What the samples of a window say about every segment: the evidence, heavy-tailed, at the gain and noise of the place.
//!
//! A segment is the word's waveform at the gain of the place, give or take a little; or faded to an unknown part of it;
//! or gone, and noise alone; or something that the model knows nothing of, loud and shapeless. The last three have a
//! price by the length of the segment, not by the word: else a dropout would be read as few long words.

use super::super::frame::dot;
use super::lattice::{Code, Emission, NEVER};
use super::words::{Waveforms, Words};

/// Points that share one gain and one variance of the noise.
pub const BIN: usize = 256;

/// Gain against the waveforms, and variance of the noise per point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    pub gain: f64,
    pub variance: f64,
}

/// Spread of the gain from word to word; mean and spread of a faded word's.
const STEADY: f64 = 0.1;
const FADED: (f64, f64) = (0.45, 0.3);
/// Price of being faded, gone and unknown, in nats for a word of typical length. By trial on the test grammar: at half of
/// these, two short words in noise are too easily had for a long one (at 0 dB, two words too many in a thousand); a
/// dropout, where all ways pay the same, is read as well.
const PRICE_FADED: f64 = 9.0;
const PRICE_GONE: f64 = 8.0;
const PRICE_UNKNOWN: f64 = 8.5;
/// Level of the unknown, over the data's and the noise's together (rms).
const UNKNOWN_LEVEL: f64 = 3.0;
/// Samples that are needed beyond the reach of the longest segment.
pub const EIGHT: usize = 8;
/// Points over which it is decided whether the rest of a signal, after the end, is noise or something else.
const REST: usize = 64;
/// Share of the evidence for something else that counts, and its price in nats: a last word that is heard badly must not be
/// taken for it, and a tone that follows has many points to show itself. Judgements.
const REST_SHARE: f64 = 0.25;
const REST_PRICE: f64 = 8.0;

/// Where the passage may end.
#[derive(Clone, Copy, Debug)]
pub enum End {
    /// Anywhere; what follows is noise, or anything else of the data's power.
    Anywhere,
    /// Near this point of the window, to this deviation.
    Near(f64, f64),
}

/// What of a segment's evidence depends on place and code alone.
#[derive(Clone, Copy, Debug)]
struct Terms {
    /// Correlation to c = gain <x, m> / variance.
    scale: f32,
    /// Evidence (c + mean · precision)² · half + base, for the gain's normal distribution (completing the square).
    steady: [f32; 3],
    faded: [f32; 3],
    gone: f32,
    /// base + slope · (energy / variance)
    unknown: [f32; 2],
}

impl Terms {
    fn new(power: f64, level: &Level, length: f64, energy: f64, typical: f64) -> Terms {
        let Level { gain, variance } = *level;
        let e = gain * gain * energy / variance;
        let normal = |mean: f64, spread: f64, price: f64| {
            let precision = 1.0 / (spread * spread);
            let base = -0.5 * mean * mean * precision - 0.5 * (1.0 + e / precision).ln() - price;
            [(mean * precision) as f32, (0.5 / (e + precision)) as f32, base as f32]
        };
        // the price of each part for this length, and what makes the weights of all add up to one
        let price = |of_word: f64| of_word * length / typical;
        let [faded, gone, unknown] = [PRICE_FADED, PRICE_GONE, PRICE_UNKNOWN].map(price);
        let all = (1.0 + (-faded).exp() + (-gone).exp() + (-unknown).exp()).ln();
        let s2 = (UNKNOWN_LEVEL * UNKNOWN_LEVEL) * (gain * gain * power / variance + 1.0);
        let base = -0.5 * length * s2.ln() - unknown - all;
        Terms {
            scale: (gain / variance) as f32,
            steady: normal(1.0, STEADY, all),
            faded: normal(FADED.0, FADED.1, faded + all),
            gone: (-gone - all) as f32,
            unknown: [base as f32, (0.5 - 0.5 / s2) as f32],
        }
    }

    /// ln of the sum of the four, and the share of the first.
    fn evidence(&self, correlation: f32, energy: f32) -> (f32, f32) {
        let c = correlation * self.scale;
        let square = |[add, half, base]: [f32; 3]| (c + add) * (c + add) * half + base;
        let steady = square(self.steady);
        let parts = [steady, square(self.faded), self.gone, self.unknown[0] + self.unknown[1] * energy];
        let most = parts.iter().copied().fold(f32::MIN, f32::max);
        let sum: f32 = parts.iter().map(|p| p - most).filter(|d| *d > -16.0).map(f32::exp).sum();
        (most + sum.ln(), (steady - most).exp() / sum)
    }
}

/// One window as it is listened to.
pub struct Ear<'a> {
    samples: &'a [f32],
    codes: &'a [Code],
    levels: &'a [Level],
    waves: Vec<Vec<f32>>,
    energies: Vec<f64>,
    /// By bin, then as `waves`.
    terms: Vec<Terms>,
    /// Running sum of x² over variance.
    energy: Vec<f64>,
    /// Running evidence that the rest is something else, by `REST` points.
    rest: Vec<f64>,
    end: End,
    /// Boundaries to be looked at, by `boundary * words + word before`; empty: all.
    plausible: &'a [u64],
    kinds: usize,
}

impl<'a> Ear<'a> {
    /// `rest` is the evidence for something else before this window.
    pub fn new(
        samples: &'a [f32],
        levels: &'a [Level],
        words: &'a Words,
        waveforms: &Waveforms,
        end: End,
        rest: f64,
    ) -> Ear<'a> {
        let codes = &words.codes[..];
        let mut waves = waveforms.stretched(codes);
        // whole eights are added up fastest
        waves.iter_mut().for_each(|w| w.resize(w.len().next_multiple_of(EIGHT), 0.0));
        let energies: Vec<f64> = waves.iter().map(|w| f64::from(dot(w, w))).collect();
        let (power, typical) = (waveforms.power(), words.typical());
        let mut terms = Vec::with_capacity(levels.len() * waves.len());
        for level in levels {
            for (i, &energy) in energies.iter().enumerate() {
                terms.push(Terms::new(power, level, codes[i % codes.len()].length as f64, energy, typical));
            }
        }
        let level = |t: usize| &levels[(t / BIN).min(levels.len() - 1)];
        let mut energy = Vec::with_capacity(samples.len() + 1);
        let mut sum = 0.0;
        energy.push(sum);
        for (t, &x) in samples.iter().enumerate() {
            sum += f64::from(x * x) / level(t).variance;
            energy.push(sum);
        }
        let mut running = rest;
        let mut rests = vec![running];
        for (i, part) in energy.windows(REST + 1).step_by(REST).enumerate() {
            let Level { gain, variance } = *level(i * REST);
            let s2 = 1.0 + gain * gain * power / variance;
            let heard = part[REST] - part[0];
            let something = 0.5 * heard * (1.0 - 1.0 / s2) - 0.5 * REST as f64 * s2.ln();
            running += (REST_SHARE * something - REST_PRICE).max(0.0);
            rests.push(running);
        }
        Ear {
            samples,
            codes,
            levels,
            waves,
            energies,
            terms,
            energy,
            rest: rests,
            end,
            plausible: &[],
            kinds: words.count(),
        }
    }

    /// Only these boundaries from here on, 64 in a word.
    pub fn only(mut self, plausible: &'a [u64]) -> Ear<'a> {
        self.plausible = plausible;
        self
    }

    fn bin(&self, t: usize) -> usize {
        (t / BIN).min(self.levels.len() - 1)
    }

    /// Share of the steady part in a segment's evidence, correlation with the waveform, and the waveform's energy.
    pub fn look(&self, t: usize, before: usize, code: usize) -> (f64, f64, f64) {
        let at = before * self.codes.len() + code;
        let wave = &self.waves[at];
        let correlation = dot(wave, &self.samples[t..t + wave.len()]);
        let energy = (self.energy[t + self.codes[code].length] - self.energy[t]) as f32;
        let (_, share) = self.terms[self.bin(t) * self.waves.len() + at].evidence(correlation, energy);
        (f64::from(share), f64::from(correlation), self.energies[at])
    }

    pub fn gain(&self, t: usize) -> f64 {
        self.levels[self.bin(t)].gain
    }

    /// Nats by which a boundary may fall behind the best one nearby before it is given up: noise, and what a waveform a
    /// little off in time or shape costs a loud word.
    pub fn beam(&self) -> f64 {
        let loudest = self.levels.iter().map(|l| l.gain * l.gain / l.variance).fold(0.0, f64::max);
        let energy = self.energies.iter().copied().fold(0.0, f64::max);
        45.0 + 0.05 * loudest * energy
    }

    /// Energy of the samples of a segment.
    pub fn energy(&self, t: usize, length: usize) -> f64 {
        (self.energy[t + length] - self.energy[t]) * self.levels[self.bin(t)].variance
    }

    /// What is left of a segment when its waveform is taken out.
    pub fn left(&self, t: usize, before: usize, code: usize, out: &mut [f32]) {
        let wave = &self.waves[before * self.codes.len() + code];
        let gain = self.levels[self.bin(t)].gain as f32;
        out.iter_mut().zip(wave).zip(&self.samples[t..]).for_each(|((o, w), x)| *o = x - gain * w);
    }

    /// Evidence for something else up to a point.
    pub fn rest(&self, t: usize) -> f64 {
        let (i, part) = (t / REST, (t % REST) as f64 / REST as f64);
        let at = |i: usize| self.rest[i.min(self.rest.len() - 1)];
        at(i) + part * (at(i + 1) - at(i))
    }
}

impl Emission for Ear<'_> {
    fn segments(&self, t: usize, before: usize, out: &mut [f32]) {
        let first = before * self.codes.len();
        let terms = &self.terms[self.bin(t) * self.waves.len() + first..];
        for (i, (code, o)) in self.codes.iter().zip(out).enumerate() {
            let wave = &self.waves[first + i];
            let correlation = dot(wave, &self.samples[t..t + wave.len()]);
            let energy = (self.energy[t + code.length] - self.energy[t]) as f32;
            *o = terms[i].evidence(correlation, energy).0 + code.ln_p as f32;
        }
    }

    fn plausible(&self, t: usize, before: usize) -> bool {
        let slot = t * self.kinds + before;
        self.plausible.get(slot / 64).is_none_or(|w| w >> (slot % 64) & 1 == 1)
    }

    fn par(&self, t: usize) -> f64 {
        0.5 * (self.energy[t] - t as f64)
    }

    fn stop(&self, t: usize) -> f64 {
        match self.end {
            End::Anywhere => LN_STOP - self.rest(t),
            End::Near(at, sigma) => {
                let u = (t as f64 - at) / sigma;
                if u.abs() < 8.0 { -0.5 * u * u } else { NEVER }
            }
        }
    }
}

/// ln of the chance that a passage ends at any one point: about once in a thousand.
const LN_STOP: f64 = -7.0;
