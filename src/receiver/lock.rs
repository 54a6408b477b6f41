//! From a candidate place to a lock: the waveform is fitted there, or the one known from earlier blocks is laid on it,
//! and the place that the waveform explains best wins.

use super::frame::{Frame, dot};
use super::response::{self, TAPS};
use super::shape::{Geometry, MARGIN, Shape, Wave};
use super::signal::Signal;
use super::sync::{CLEAR_SCORE, Candidate, Search};
use crate::Error;

/// Where a sync sequence lies and what it taught about the tape.
#[derive(Clone, Debug)]
pub struct Lock {
    /// Sample at which the first sync byte begins.
    pub start: f64,
    /// Samples per byte.
    pub period: f64,
    /// Which copy's sequence.
    pub copy: usize,
    /// Share of the power under the sequence that the waveform explains, 0..1.
    pub explained: f64,
    pub shape: Shape,
    /// Gain against the waveform, and rms of what it leaves, per sample.
    pub gain: f32,
    pub noise: f32,
}

/// Share of the power that must be explained. 57 taps fitted to noise explain about 57 of the 3,400 samples under a
/// sequence, a known waveform next to nothing. Judgements: twice that, and as much.
const LEAST_FITTED: f64 = 0.035;
const LEAST_LAID: f64 = 0.015;
/// A waveform fitted anew must explain so much more than the known one to be preferred: it has fewer bytes behind it.
const FRESH_GAIN: f64 = 0.15;

/// Share of what the known waveform explained before that makes a fresh one needless.
pub const AS_BEFORE: f64 = 0.85;

/// The best lock among the candidates of a search; `known` is a waveform from earlier in the take, with the share of the
/// power that it explained there.
pub fn lock(
    signal: &mut Signal,
    search: &Search,
    candidates: &[Candidate],
    known: Option<(&Shape, f64)>,
) -> Result<Option<Lock>, Error> {
    let mut best: Option<(f64, Lock)> = None;
    for c in candidates {
        let laid = match known {
            Some((shape, _)) => lay(signal, search, c, shape)?.filter(|l| l.explained > LEAST_LAID),
            None => None,
        };
        let chosen = match laid {
            Some(l) if known.is_some_and(|(_, before)| l.explained > (AS_BEFORE * before).min(0.8)) => Some(l),
            laid => {
                let fresh = fit(signal, search, c)?.filter(|l| l.explained > LEAST_FITTED);
                match (laid, fresh) {
                    (Some(l), Some(f)) if f.explained < l.explained + FRESH_GAIN => Some(l),
                    (l, f) => f.or(l),
                }
            }
        };
        let Some(l) = chosen else { continue };
        let clear = c.score > CLEAR_SCORE && l.explained > 0.8;
        if best.as_ref().is_none_or(|(w, _)| worth(c, &l) > *w) {
            best = Some((worth(c, &l), l));
        }
        if clear {
            break;
        }
    }
    Ok(best.map(|b| b.1))
}

/// How well a lock fits, as a log-likelihood: what the bare model says of the right sequence (a wrong one aligned with
/// bytes explains nearly as much once a waveform is fitted to it), and what the waveform explains.
fn worth(c: &Candidate, l: &Lock) -> f64 {
    let share = f64::from(c.score * c.score).min(0.999);
    -BARE * (1.0 - share).ln() - FITTED * (1.0 - l.explained.min(0.9999)).ln()
}

/// Independent values in the sequence that the two correlations rest on: 86 ms at 2.7 kHz of complex band, and half the
/// samples.
const BARE: f64 = 230.0;
const FITTED: f64 = 1900.0;

/// Lays a known waveform on the sequence at the best start and period near the candidate.
fn lay(signal: &mut Signal, search: &Search, c: &Candidate, shape: &Shape) -> Result<Option<Lock>, Error> {
    let bytes: Vec<Vec<f32>> = search.layout.sync[c.copy]
        .iter()
        .map(|&b| {
            let mut wave = shape.mu.clone();
            for (k, bit) in (search.grammar.byte_bits)(b).iter().enumerate() {
                let sign = if *bit { 1.0 } else { -1.0 };
                let at = shape.geometry.offset(k) - super::shape::REACH.0;
                wave[at..].iter_mut().zip(&shape.d).for_each(|(w, d)| *w += sign * d);
            }
            wave[MARGIN..wave.len() - MARGIN].to_vec()
        })
        .collect();
    let energy: f32 = bytes.iter().map(|w| dot(w, w)).sum();
    let lag = 8;
    let mut best: Option<(f64, f64, f64, f32, f32)> = None;
    let mut frame = Frame::empty();
    let nominal = c.unit * shape.geometry.byte;
    // the speed is known to a tenth of a per cent: finer steps than that shift the last byte by half a point
    for step in -3..=3 {
        let period = nominal * (1.0 + 0.0006 * f64::from(step));
        // the middle of the sequence stays where it is
        let start = c.start + (nominal - period) * bytes.len() as f64 / 2.0;
        let mut sums = vec![0.0f32; 2 * lag + 1];
        let mut power = 0.0f32;
        for (i, wave) in bytes.iter().enumerate() {
            frame.take(signal, &shape.geometry, start + i as f64 * period, period, lag)?;
            for (shift, sum) in sums.iter_mut().enumerate() {
                *sum += dot(wave, &frame.points[MARGIN + shift..MARGIN + shift + wave.len()]);
            }
            power += frame.energy();
        }
        let Some(at) = (0..sums.len()).max_by(|&a, &b| sums[a].total_cmp(&sums[b])) else { continue };
        let explained = f64::from(sums[at].max(0.0)).powi(2) / f64::from(energy * power).max(1e-20);
        if best.is_none_or(|b| explained > b.0) {
            let (a, b, d) = (sums[at.max(1) - 1], sums[at], sums[(at + 1).min(sums.len() - 1)]);
            let curve = a - 2.0 * b + d;
            let part = if curve < 0.0 { f64::from(0.5 * (a - d) / curve).clamp(-0.5, 0.5) } else { 0.0 };
            let point = period / shape.geometry.byte_points();
            best = Some((explained, start + (at as f64 + part - lag as f64) * point, period, sums[at], power));
        }
    }
    let Some((explained, start, period, sum, power)) = best else { return Ok(None) };
    let gain = sum / energy;
    if gain <= 0.0 {
        return Ok(None);
    }
    let samples = bytes.iter().map(|w| w.len()).sum::<usize>() as f32;
    let noise = ((power - sum * sum / energy).max(0.0) / samples).sqrt();
    Ok(Some(Lock { start, period, copy: c.copy, explained, shape: shape.clone(), gain, noise }))
}

/// Fits the path from head to file by least squares on the known sequence, with speed and relative lengths, and
/// makes a first waveform from it.
fn fit(signal: &mut Signal, search: &Search, c: &Candidate) -> Result<Option<Lock>, Error> {
    let symbols = search.symbols(c.copy);
    let first = c.start.floor() as i64;
    let length: f64 = symbols.iter().map(|&s| c.relative[s]).sum::<f64>() * c.unit;
    let y = signal.window(first, length as usize)?.to_vec();
    let skew = c.start - first as f64;
    let fit = |unit: f64, relative: &[f64]| Fit::new(&y, skew, &symbols, relative, unit);
    let Some(mut now) = fit(c.unit, &c.relative) else { return Ok(None) };
    let (mut unit, mut relative) = (c.unit, c.relative.clone());
    // parabola steps, one parameter at a time; lengths only while they are not known from an earlier block
    for round in 0..3 {
        let size = [0.0012, 0.0008, 0.0005][round];
        for symbol in 0..relative.len() {
            let is_unit = symbol == search.grammar.leader;
            if !is_unit && search.relative.len() == 1 {
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
    let geometry = Geometry::new(search.grammar, &relative, signal.rate());
    let response = Shape::smoothed(&now.response, signal.rate());
    let shape = Shape::from_response(search.grammar, geometry, &response, TAPS.0, unit);
    let period = unit * shape.geometry.byte;
    let noise = now.left.sqrt() as f32;
    let power = dot(&y, &y) / y.len().max(1) as f32;
    let explained = 1.0 - now.left / f64::from(power).max(1e-20);
    Ok(Some(Lock { start: c.start, period, copy: c.copy, explained, shape, gain: 1.0, noise }))
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
        let s: Vec<f32> =
            (0..y.len() + before + after).map(|i| wave.mean(i as f64 - after as f64 - skew, 1.0) as f32).collect();
        // sample n hears s[n + m] through the tap `after - m` samples ago
        let taps = before + after + 1;
        let n = y.len().saturating_sub(1);
        if n < taps * 2 {
            return None;
        }
        let (mut gram, mut cross) = (vec![0.0f64; taps * taps], vec![0.0f64; taps]);
        response::add_gram(&s, n, taps, &mut gram);
        cross.iter_mut().enumerate().for_each(|(m, c)| *c = f64::from(dot(&y[..n], &s[m..])));
        let reversed = response::solve(&mut gram, &mut cross)?;
        let miss = |(n, &v): (usize, &f32)| f64::from(v - dot(&s[n..n + taps], &reversed)).powi(2);
        let left = y[..n].iter().enumerate().map(miss).sum::<f64>() / n as f64;
        Some(Fit { response: reversed.iter().rev().copied().collect(), left })
    }
}
