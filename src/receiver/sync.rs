//! Finds the sync sequence by correlation: the whole known countdown at once, so that half of it may be destroyed.

use super::frame::dot;
use super::shape::{Geometry, Shape, Wave};
use super::signal::Signal;
use crate::Error;
use crate::tape::{Grammar, Layout};

/// Where a sync sequence lies and what it taught about the tape.
#[derive(Clone, Debug)]
pub struct Lock {
    /// Sample at which the first sync byte begins.
    pub start: f64,
    /// Samples per byte.
    pub period: f64,
    /// Which copy's sequence.
    pub copy: usize,
    /// Correlation of the whole sequence, 0..1.
    pub score: f32,
    pub shape: Shape,
    /// rms of what the fit left over, per sample.
    pub noise: f32,
}

/// Correlation under which nothing is believed; noise alone stays under 0.2 over a search of a second.
const LEAST_SCORE: f32 = 0.3;
/// Channel response: taps before and after the moment.
const TAPS: (usize, usize) = (20, 36);

/// A stretch of signal at complex baseband, decimated.
struct Baseband {
    re: Vec<f32>,
    im: Vec<f32>,
    /// Working samples per baseband sample; radians per working sample of the carrier taken out.
    step: usize,
    omega: f64,
    from: i64,
}

impl Baseband {
    fn new(signal: &mut Signal, from: i64, count: usize, omega: f64) -> Result<Baseband, Error> {
        let step = (signal.rate() / 5500.0).round().max(1.0) as usize;
        let part = signal.window(from, count)?;
        let turned: Vec<(f32, f32)> = part
            .iter()
            .enumerate()
            .map(|(i, &v)| {
                let (s, c) = (omega * i as f64).sin_cos();
                (v * c as f32, -v * s as f32)
            })
            .collect();
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
        Ok(Baseband { re, im, step, omega, from })
    }

    /// Working sample (relative to `from`) that baseband sample 0 stands for.
    fn center(&self) -> f64 {
        self.step as f64 - 1.0
    }

    /// Correlation magnitude with a unit-amplitude pattern at every lag, and the square root of the energy under it.
    fn correlate(&self, pattern: &[(f32, f32)], lags: std::ops::Range<usize>) -> Vec<f32> {
        let n = pattern.len();
        let (pr, pi): (Vec<f32>, Vec<f32>) = pattern.iter().copied().unzip();
        let mut energy: f64 =
            (lags.start..lags.start + n).map(|i| f64::from(self.re[i] * self.re[i] + self.im[i] * self.im[i])).sum();
        lags.map(|lag| {
            let (xr, xi) = (&self.re[lag..lag + n], &self.im[lag..lag + n]);
            let (mut a, mut b) = ([0.0f32; 8], [0.0f32; 8]);
            let chunks = n / 8 * 8;
            for i in (0..chunks).step_by(8) {
                for l in 0..8 {
                    a[l] += xr[i + l] * pr[i + l] + xi[i + l] * pi[i + l];
                    b[l] += xi[i + l] * pr[i + l] - xr[i + l] * pi[i + l];
                }
            }
            for i in chunks..n {
                a[0] += xr[i] * pr[i] + xi[i] * pi[i];
                b[0] += xi[i] * pr[i] - xr[i] * pi[i];
            }
            let (a, b): (f32, f32) = (a.iter().sum(), b.iter().sum());
            let score = ((a * a + b * b) / (energy.max(1e-12) as f32 * n as f32)).sqrt();
            let (old, new) = (lag, lag + n);
            energy -= f64::from(self.re[old] * self.re[old] + self.im[old] * self.im[old]);
            if let (Some(r), Some(i)) = (self.re.get(new), self.im.get(new)) {
                energy += f64::from(r * r + i * i);
            }
            score
        })
        .collect()
    }
}

/// The sequence as continuous-phase frequency shift keying: one turn a symbol.
fn pattern(symbols: &[usize], relative: &[f64], unit: f64, step: usize, omega: f64) -> Vec<(f32, f32)> {
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
        out.push((phase.cos() as f32, phase.sin() as f32));
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

struct Candidate {
    score: f32,
    lag: f64,
    unit: f64,
    relative: Vec<f64>,
    copy: usize,
}

impl Search<'_> {
    /// The best place for a sync sequence to *begin* among the samples `from..to`.
    pub fn run(&self, signal: &mut Signal, from: i64, to: i64) -> Result<Option<Lock>, Error> {
        let omega = 0.8 * 2.0 * std::f64::consts::PI / self.unit;
        let symbols: Vec<Vec<usize>> = self
            .layout
            .sync
            .iter()
            .map(|bytes| bytes.iter().flat_map(|&b| self.grammar.byte_symbols(b)).collect())
            .collect();
        let longest = symbols.iter().map(|s| s.len()).max().unwrap_or(0) as f64 * 2.0 * self.unit;
        let count = (to - from).max(0) as usize + longest as usize;
        let base = Baseband::new(signal, from, count, omega)?;
        let lags = ((to - from).max(0) as usize / base.step).min(base.re.len());
        let steps = (self.spread / 0.0012).ceil() as i32;
        let mut best: Option<Candidate> = None;
        for copy in self.copies.clone() {
            for relative in &self.relative {
                for s in -steps..=steps {
                    let unit = self.unit * (1.0 + f64::from(s) * self.spread / f64::from(steps.max(1)));
                    let wave = pattern(&symbols[copy], relative, unit, base.step, omega);
                    if lags == 0 || wave.len() + lags >= base.re.len() {
                        continue;
                    }
                    let scores = base.correlate(&wave, 0..lags);
                    if let Some((lag, score)) = peak(&scores)
                        && best.as_ref().is_none_or(|b| score > b.score)
                    {
                        best = Some(Candidate { score, lag, unit, relative: relative.clone(), copy });
                    }
                }
            }
        }
        let Some(mut best) = best.filter(|b| b.score >= LEAST_SCORE) else { return Ok(None) };
        self.refine(&base, &symbols[best.copy], &mut best);
        let start = base.from as f64 + base.center() + best.lag * base.step as f64;
        self.learn(signal, start, &symbols[best.copy], &best)
    }

    /// Climbs in speed and relative lengths, keeping what correlates better.
    fn refine(&self, base: &Baseband, symbols: &[usize], best: &mut Candidate) {
        let lag = best.lag.round() as usize;
        let lags = lag.saturating_sub(3)..lag + 4;
        let score_of = |unit: f64, relative: &[f64]| {
            let wave = pattern(symbols, relative, unit, base.step, base.omega);
            if wave.len() + lags.end >= base.re.len() {
                return None;
            }
            let scores = base.correlate(&wave, lags.clone());
            peak(&scores).map(|(l, s)| (s, lags.start as f64 + l))
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
                if let Some((score, lag)) = score_of(unit, &relative)
                    && score > best.score + 1e-5
                {
                    (best.score, best.lag, best.unit, best.relative) = (score, lag, unit, relative);
                    moved = true;
                }
            }
            if !moved {
                size /= 2.0;
            }
        }
    }

    /// Fits the path from head to file by least squares on the known sequence, with speed and relative lengths, and
    /// makes the first waveform from it.
    fn learn(
        &self,
        signal: &mut Signal,
        start: f64,
        symbols: &[usize],
        best: &Candidate,
    ) -> Result<Option<Lock>, Error> {
        let first = start.floor() as i64;
        let length: f64 = symbols.iter().map(|&s| best.relative[s]).sum::<f64>() * best.unit;
        let y = signal.window(first, length as usize)?.to_vec();
        let skew = start - first as f64;
        let fit = |unit: f64, relative: &[f64]| Fit::new(&y, skew, symbols, relative, unit);
        let Some(mut now) = fit(best.unit, &best.relative) else { return Ok(None) };
        let (mut unit, mut relative) = (best.unit, best.relative.clone());
        // parabola steps, one parameter at a time; lengths only while they are not known from an earlier block
        for round in 0..3 {
            let size = [0.0012, 0.0008, 0.0005][round];
            for symbol in 0..relative.len() {
                let is_unit = symbol == self.grammar.leader;
                if !is_unit && self.relative.len() == 1 {
                    continue;
                }
                let at = |x: f64| {
                    let mut r = relative.clone();
                    if is_unit {
                        return (unit * (1.0 + x), r);
                    }
                    r[symbol] *= 1.0 + 4.0 * x;
                    let old: f64 = symbols.iter().map(|&s| relative[s]).sum();
                    let new: f64 = symbols.iter().map(|&s| r[s]).sum();
                    (unit * old / new, r)
                };
                let left = |x: f64| {
                    let (u, r) = at(x);
                    fit(u, &r).map(|f| f.left)
                };
                let (Some(low), Some(high)) = (left(-size), left(size)) else { continue };
                let curve = low - 2.0 * now.left + high;
                let x = if curve > 0.0 {
                    (0.5 * size * (low - high) / curve).clamp(-2.0 * size, 2.0 * size)
                } else if low < high {
                    -size
                } else {
                    size
                };
                let (u, r) = at(x);
                if let Some(f) = fit(u, &r)
                    && f.left < now.left
                {
                    (unit, relative, now) = (u, r, f);
                }
            }
        }
        let geometry = Geometry::new(self.grammar, &relative, signal.rate());
        let shape = Shape::from_response(self.grammar, geometry, &now.response, TAPS.0, unit);
        let period = unit * shape.geometry.byte;
        let noise = now.left.sqrt() as f32;
        Ok(Some(Lock { start, period, copy: best.copy, score: best.score, shape, noise }))
    }
}

/// The path from head to file, as fitted to a known sequence.
struct Fit {
    /// `response[i]` weighs the written wave `i - TAPS.0` samples ago.
    response: Vec<f32>,
    /// Mean square of what the fit leaves.
    left: f64,
}

impl Fit {
    fn new(y: &[f32], skew: f64, symbols: &[usize], relative: &[f64], unit: f64) -> Option<Fit> {
        let wave = Wave::of_symbols(symbols, relative, unit);
        let (before, after) = TAPS;
        let s: Vec<f32> = (0..y.len() + before + after)
            .map(|i| wave.mean(i as f64 - after as f64 - skew, 1.0) as f32)
            .collect();
        // row n: s[n + m], that is the wave `after - m` samples ago
        let taps = before + after + 1;
        let rows: Vec<&[f32]> = (0..y.len().saturating_sub(1)).map(|n| &s[n..n + taps]).collect();
        let reversed = least_squares(&rows, y, taps)?;
        let mut left = 0.0f64;
        for (row, &v) in rows.iter().zip(y) {
            let miss = v - dot(row, &reversed);
            left += f64::from(miss * miss);
        }
        Some(Fit {
            response: reversed.iter().rev().copied().collect(),
            left: left / rows.len().max(1) as f64,
        })
    }
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

/// Ridge-regularised least squares by Cholesky; `None` when nothing was there to fit.
fn least_squares(rows: &[&[f32]], y: &[f32], taps: usize) -> Option<Vec<f32>> {
    let mut gram = vec![0.0f64; taps * taps];
    let mut right = vec![0.0f64; taps];
    // the wave is long and the taps few: the gram matrix is nearly Toeplitz, and one recursion along its diagonals
    // makes it exact: G[i+1][j+1] = G[i][j] - first row + one more
    let n = rows.len();
    if n < taps * 2 {
        return None;
    }
    for j in 0..taps {
        gram[j] = rows.iter().map(|r| f64::from(r[0]) * f64::from(*r.get(j).unwrap_or(&0.0))).sum();
    }
    for i in 1..taps {
        for j in i..taps {
            let (head, tail) = (rows[0], rows[n - 1]);
            let gone = f64::from(head[i - 1]) * f64::from(head[j - 1]);
            let come = f64::from(*tail.get(i).unwrap_or(&0.0)) * f64::from(*tail.get(j).unwrap_or(&0.0));
            gram[i * taps + j] = gram[(i - 1) * taps + j - 1] - gone + come;
        }
    }
    for i in 0..taps {
        for j in 0..i {
            gram[i * taps + j] = gram[j * taps + i];
        }
        right[i] = rows.iter().zip(y).map(|(r, &v)| f64::from(*r.get(i).unwrap_or(&0.0)) * f64::from(v)).sum();
    }
    let ridge = 0.003 * gram[0];
    for i in 0..taps {
        gram[i * taps + i] += ridge;
    }
    // Cholesky, then two triangular solves
    for i in 0..taps {
        for j in 0..=i {
            let mut sum = gram[i * taps + j];
            for k in 0..j {
                sum -= gram[i * taps + k] * gram[j * taps + k];
            }
            if i == j {
                if sum <= 0.0 {
                    return None;
                }
                gram[i * taps + i] = sum.sqrt();
            } else {
                gram[i * taps + j] = sum / gram[j * taps + j];
            }
        }
    }
    for i in 0..taps {
        let mut sum = right[i];
        for k in 0..i {
            sum -= gram[i * taps + k] * right[k];
        }
        right[i] = sum / gram[i * taps + i];
    }
    for i in (0..taps).rev() {
        let mut sum = right[i];
        for k in i + 1..taps {
            sum -= gram[k * taps + i] * right[k];
        }
        right[i] = sum / gram[i * taps + i];
    }
    Some(right.iter().map(|&v| v as f32).collect())
}
