//! Finds the sync sequence by correlation: the whole known countdown at once, so that half of it may be destroyed.
//! [`super::lock`] then judges the candidates.

use std::sync::Arc;

use rustfft::num_complex::{Complex32, Complex64};
use rustfft::{Fft, FftPlanner};

use super::frame::dot;
use super::signal::Signal;
use crate::Error;
use crate::tape::{Grammar, Layout};

/// Correlation under which nothing is believed; noise alone stays under 0.2 over a search of a second.
const LEAST_SCORE: f32 = 0.25;
/// Correlation above which no other speed is tried. A judgement.
pub const CLEAR_SCORE: f32 = 0.85;
/// Places that are looked at closer.
const CANDIDATES: usize = 4;

/// A stretch of signal at complex baseband, decimated.
struct Baseband {
    re: Vec<f32>,
    im: Vec<f32>,
    /// Working samples per baseband sample; radians per working sample of the carrier taken out.
    step: usize,
    omega: f64,
    from: i64,
    /// Spectrum of it all, for searches over many lags, and the transforms of that size.
    spectrum: Vec<Complex32>,
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
}

/// Lags from which the way through the spectrum is shorter. A judgement.
const MANY_LAGS: usize = 200;

impl Baseband {
    fn new(signal: &mut Signal, from: i64, count: usize, omega: f64) -> Result<Baseband, Error> {
        let step = (signal.rate() / 5500.0).round().max(1.0) as usize;
        let part = signal.window(from, count)?;
        // the carrier, turned on from sample to sample
        let (turn, mut carrier) = (Complex64::cis(-omega), Complex64::ONE);
        let mut turned = Vec::with_capacity(count);
        for &v in part {
            turned.push((v * carrier.re as f32, v * carrier.im as f32));
            carrier *= turn;
        }
        let width = 2 * step - 1;
        let n = count.saturating_sub(width) / step;
        let (mut re, mut im) = (Vec::with_capacity(n), Vec::with_capacity(n));
        for m in 0..n {
            let (mut a, mut b) = (0.0, 0.0);
            for (i, t) in turned[m * step..m * step + width].iter().enumerate() {
                let w = (i + 1).min(width - i) as f32;
                a += w * t.0;
                b += w * t.1;
            }
            re.push(a / (step * step) as f32);
            im.push(b / (step * step) as f32);
        }
        let mut spectrum: Vec<Complex32> = re.iter().zip(&im).map(|(&re, &im)| Complex32 { re, im }).collect();
        spectrum.resize(n.next_power_of_two(), Complex32::ZERO);
        let mut planner = FftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(spectrum.len()), planner.plan_fft_inverse(spectrum.len()));
        forward.process(&mut spectrum);
        Ok(Baseband { re, im, step, omega, from, spectrum, forward, inverse })
    }

    /// Working sample (relative to `from`) that baseband sample 0 stands for.
    fn center(&self) -> f64 {
        self.step as f64 - 1.0
    }

    /// Correlation magnitude with a unit-amplitude pattern at every lag, 0..1. The lags and the pattern behind them lie
    /// within the stretch.
    fn correlate(&self, pattern: &[Complex32], lags: std::ops::Range<usize>) -> Vec<f32> {
        let n = pattern.len();
        let products =
            if lags.len() > MANY_LAGS { self.by_spectrum(pattern, &lags) } else { self.one_by_one(pattern, &lags) };
        let power = |i: usize| f64::from(self.re[i] * self.re[i] + self.im[i] * self.im[i]);
        let mut energy: f64 = (lags.start..lags.start + n).map(power).sum();
        lags.zip(products)
            .map(|(lag, product)| {
                let score = (product.norm_sqr() / (energy.max(1e-12) as f32 * n as f32)).sqrt();
                energy -= power(lag);
                if lag + n < self.re.len() {
                    energy += power(lag + n);
                }
                score
            })
            .collect()
    }

    fn one_by_one(&self, pattern: &[Complex32], lags: &std::ops::Range<usize>) -> Vec<Complex32> {
        let (pr, pi): (Vec<f32>, Vec<f32>) = pattern.iter().map(|p| (p.re, p.im)).unzip();
        let n = pattern.len();
        (lags.clone().map(|lag| (&self.re[lag..lag + n], &self.im[lag..lag + n])))
            .map(|(xr, xi)| Complex32 { re: dot(xr, &pr) + dot(xi, &pi), im: dot(xi, &pr) - dot(xr, &pi) })
            .collect()
    }

    /// By the correlation theorem (any text on Fourier transforms); nothing wraps around among the lags asked for.
    fn by_spectrum(&self, pattern: &[Complex32], lags: &std::ops::Range<usize>) -> Vec<Complex32> {
        let size = self.spectrum.len();
        let mut turned = pattern.to_vec();
        turned.resize(size, Complex32::ZERO);
        self.forward.process(&mut turned);
        turned.iter_mut().zip(&self.spectrum).for_each(|(t, x)| *t = x * t.conj() / size as f32);
        self.inverse.process(&mut turned);
        turned[lags.clone()].to_vec()
    }
}

/// The sequence as continuous-phase frequency shift keying: one turn a symbol.
fn pattern(symbols: &[usize], relative: &[f64], unit: f64, step: usize, omega: f64) -> Vec<Complex32> {
    let mut ends = Vec::with_capacity(symbols.len());
    let mut t = 0.0;
    for &s in symbols {
        t += relative[s] * unit;
        ends.push(t);
    }
    let mut out = Vec::new();
    let mut at = 0;
    let mut x = 0.0;
    while x < t {
        while ends[at] <= x {
            at += 1;
        }
        let length = relative[symbols[at]] * unit;
        let turn = 1.0 - (ends[at] - x) / length;
        let phase = 2.0 * std::f64::consts::PI * turn - omega * x;
        let (im, re) = phase.sin_cos();
        out.push(Complex32 { re: re as f32, im: im as f32 });
        x += step as f64;
    }
    out
}

/// What to look for, and where.
pub struct Search<'g> {
    pub grammar: &'g Grammar,
    pub layout: &'g Layout,
    /// Sets of relative symbol lengths to try.
    pub relative: Vec<Vec<f64>>,
    /// Leader symbol in samples, and how far it may be off (fraction).
    pub unit: f64,
    pub spread: f64,
    /// Which copies' sequences.
    pub copies: std::ops::Range<usize>,
}

/// A place where a sync sequence may begin.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// Correlation of the whole sequence with a bare model of it, 0..1.
    pub score: f32,
    /// Sample at which the first sync byte begins.
    pub start: f64,
    /// Samples per leader symbol.
    pub unit: f64,
    pub relative: Vec<f64>,
    pub copy: usize,
}

impl Search<'_> {
    /// Symbols of the sync sequence of one copy.
    pub fn symbols(&self, copy: usize) -> Vec<usize> {
        self.layout.sync[copy].iter().flat_map(|&b| self.grammar.byte_symbols(b)).collect()
    }

    /// The likeliest places for a sync sequence to *begin* among the samples `from..to`, best first.
    pub fn run(&self, signal: &mut Signal, from: i64, to: i64) -> Result<Vec<Candidate>, Error> {
        let omega = 0.8 * 2.0 * std::f64::consts::PI / self.unit;
        let symbols: Vec<Vec<usize>> = (0..self.layout.sync.len()).map(|c| self.symbols(c)).collect();
        let longest = symbols.iter().map(|s| s.len()).max().unwrap_or(0) as f64 * 2.0 * self.unit;
        let count = (to - from).max(0) as usize + longest as usize;
        let base = Baseband::new(signal, from, count, omega)?;
        let lags = ((to - from).max(0) as usize / base.step).min(base.re.len());
        let steps = (self.spread / 0.0012).ceil() as i32;
        // peaks of one place under several hypotheses are one candidate: half a byte apart is another place
        let apart = 12.0 * self.unit;
        let mut found: Vec<Candidate> = Vec::new();
        // from the likeliest speed outwards; what already fits well is found better by climbing than by trying on
        for s in (0..=2 * steps).map(|k| if k % 2 == 0 { k / 2 } else { -(k + 1) / 2 }) {
            let unit = self.unit * (1.0 + f64::from(s) * self.spread / f64::from(steps.max(1)));
            for copy in self.copies.clone() {
                for relative in &self.relative {
                    let wave = pattern(&symbols[copy], relative, unit, base.step, omega);
                    if lags == 0 || wave.len() + lags >= base.re.len() {
                        continue;
                    }
                    let scores = base.correlate(&wave, 0..lags);
                    let start_of = |lag: f64| base.from as f64 + base.center() + lag * base.step as f64;
                    for (lag, score) in peaks(&scores, (apart / base.step as f64) as usize) {
                        let c = Candidate { score, start: start_of(lag), unit, relative: relative.clone(), copy };
                        match found.iter_mut().find(|f| (f.start - c.start).abs() < apart && f.copy == copy) {
                            Some(f) if f.score >= c.score => (),
                            Some(f) => *f = c,
                            None => found.push(c),
                        }
                    }
                }
            }
            if found.iter().any(|c| c.score > CLEAR_SCORE) {
                break;
            }
        }
        found.retain(|c| c.score >= LEAST_SCORE);
        found.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.start.total_cmp(&b.start)));
        found.truncate(CANDIDATES);
        for c in &mut found {
            self.refine(&base, &symbols[c.copy], c);
        }
        Ok(found)
    }

    /// Climbs in speed and relative lengths, keeping what correlates better.
    fn refine(&self, base: &Baseband, symbols: &[usize], best: &mut Candidate) {
        let lag_of = |start: f64| (start - base.from as f64 - base.center()) / base.step as f64;
        let start_of = |lag: f64| base.from as f64 + base.center() + lag * base.step as f64;
        let lag = lag_of(best.start).round().max(0.0) as usize;
        let lags = lag.saturating_sub(3)..lag + 4;
        let score_of = |unit: f64, relative: &[f64]| {
            let wave = pattern(symbols, relative, unit, base.step, base.omega);
            if wave.len() + lags.end >= base.re.len() {
                return None;
            }
            let scores = base.correlate(&wave, lags.clone());
            peak(&scores).map(|(l, s)| (s, lags.start as f64 + l))
        };
        let spread = self.spread + 0.004;
        let plausible = |unit: f64, relative: &[f64]| {
            let range = |symbol: usize| {
                let all = || self.relative.iter().map(|r| r[symbol]);
                let (low, high) = (all().fold(f64::INFINITY, f64::min), all().fold(0.0, f64::max));
                low * 0.99..=high * 1.01
            };
            (unit / self.unit - 1.0).abs() <= spread && (0..relative.len()).all(|s| range(s).contains(&relative[s]))
        };
        let mut size = 0.0008;
        while size > 0.0001 {
            let mut tries: Vec<(f64, Vec<f64>)> = Vec::new();
            for sign in [-1.0, 1.0] {
                tries.push((best.unit * (1.0 + sign * size), best.relative.clone()));
                if self.relative.len() > 1 {
                    for symbol in 0..best.relative.len() {
                        if symbol != self.grammar.leader {
                            let mut relative = best.relative.clone();
                            relative[symbol] *= 1.0 + sign * size * 4.0;
                            // a longer symbol at the same length of the whole
                            let old: f64 = symbols.iter().map(|&s| best.relative[s]).sum();
                            let new: f64 = symbols.iter().map(|&s| relative[s]).sum();
                            tries.push((best.unit * old / new, relative));
                        }
                    }
                }
            }
            let mut moved = false;
            for (unit, relative) in tries {
                if plausible(unit, &relative)
                    && let Some((score, lag)) = score_of(unit, &relative)
                    && score > best.score + 1e-5
                {
                    (best.score, best.start, best.unit, best.relative) = (score, start_of(lag), unit, relative);
                    moved = true;
                }
            }
            if !moved {
                size /= 2.0;
            }
        }
    }
}

/// Local maxima of a row of scores, the highest few, at least `apart` apart.
fn peaks(scores: &[f32], apart: usize) -> Vec<(f64, f32)> {
    let mut order: Vec<usize> = (0..scores.len())
        .filter(|&i| {
            scores[i] >= LEAST_SCORE
                && (i == 0 || scores[i - 1] < scores[i])
                && (i + 1 >= scores.len() || scores[i + 1] <= scores[i])
        })
        .collect();
    order.sort_by(|&a, &b| scores[b].total_cmp(&scores[a]));
    let mut kept: Vec<usize> = Vec::new();
    for i in order {
        if kept.len() < CANDIDATES && kept.iter().all(|&k| k.abs_diff(i) > apart) {
            kept.push(i);
        }
    }
    kept.iter()
        .filter_map(|&i| {
            let from = i.saturating_sub(1);
            peak(&scores[from..(i + 2).min(scores.len())]).map(|(at, s)| (from as f64 + at, s))
        })
        .collect()
}

/// Highest of a row of scores and its place, by a parabola through its neighbours.
fn peak(scores: &[f32]) -> Option<(f64, f32)> {
    let best = (0..scores.len()).max_by(|&a, &b| scores[a].total_cmp(&scores[b]))?;
    let b = scores[best];
    if best == 0 || best + 1 >= scores.len() {
        return Some((best as f64, b));
    }
    let (a, c) = (scores[best - 1], scores[best + 1]);
    let curve = a - 2.0 * b + c;
    let shift = if curve < 0.0 { 0.5 * (a - c) / curve } else { 0.0 };
    Some((best as f64 + f64::from(shift.clamp(-0.5, 0.5)), b - 0.25 * (a - c) * shift))
}
