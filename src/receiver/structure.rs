//! Finds bytes by their structure alone: the marker that every byte begins with and the equal cells behind it, over
//! some twenty bytes at once. It needs no leader, no sync and no known content.

use super::frame::{dot, resample};
use super::shape::{MARGIN, REACH, Shape};
use super::signal::Signal;
use crate::Error;

/// Bytes were found here.
#[derive(Clone, Copy, Debug)]
pub struct Found {
    pub start: f64,
    pub period: f64,
    /// Gain against the learned waveform.
    pub gain: f32,
    /// How far the best place stands out over the others, in their standard deviations.
    pub contrast: f64,
    /// Bytes between the one that was asked for and this, which were not heard as well as the rest.
    pub passed: usize,
}

/// Bytes looked at together.
const SPAN: usize = 20;
/// Bytes that tell the place at the end of the span which is asked for, and how far aside of the line through all they may lie:
/// pairs of points, together half a symbol.
const NEXT: usize = 5;
const ASIDE: i32 = 7;
/// Of so many bytes in a row all but one must be heard where bytes are taken up, and by then no more may have passed.
const HEARD: usize = 4;
const MOST_PASSED: usize = 10;
/// Contrast that is believed anywhere, of bytes that are known to go on, and where they are expected. A judgement: noise
/// offers some thousand places in a byte, and a flutter of 0.4 % leaves clear bytes a contrast of 4.5 to 7.
const LEAST_CONTRAST: f64 = 6.0;
const LEAST_AGAIN: f64 = 5.0;
const LEAST_EXPECTED: f64 = 4.0;

/// Looks for the structure from about `start` on (or before, for `direction` −1), where the prediction is vague by
/// `sigma` samples. The place nearest in count of bytes to the prediction is returned, of the first byte that is heard.
pub fn find_again(
    signal: &mut Signal,
    shape: &Shape,
    start: f64,
    sigma: f64,
    period: f64,
    direction: f64,
) -> Result<Option<Found>, Error> {
    let spread = 0.02;
    // the whole byte is looked through: the prediction only breaks ties, since no loop knows how much it does not know
    let half = 0.5 * period;
    let near = 3.0 * sigma;
    let sigma = sigma.max(0.05 * period);
    // backwards, the span ends with the byte that is looked for
    let shift = if direction < 0.0 { (SPAN as f64 - 1.0) * period } else { 0.0 };
    let around = Around { start: start - shift, half, sigma, period, spread, last: direction < 0.0 };
    let found = search(signal, shape, around)?;
    let expected = |f: &Found| start + direction * f.passed as f64 * f.period;
    let least = |f: &Found| if (f.start - expected(f)).abs() < near { LEAST_EXPECTED } else { LEAST_AGAIN };
    Ok(found.filter(|f| f.contrast >= least(f) && f.passed <= MOST_PASSED))
}

/// Looks for the structure around `start` with nothing known but the period, to `spread` (fraction).
pub fn find(signal: &mut Signal, shape: &Shape, start: f64, period: f64, spread: f64) -> Result<Option<Found>, Error> {
    let around = Around { start, half: 0.5 * period, sigma: f64::INFINITY, period, spread, last: false };
    let found = search(signal, shape, around)?;
    Ok(found.filter(|f| f.contrast >= LEAST_CONTRAST))
}

/// Means of pairs.
fn halved(x: &[f32]) -> Vec<f32> {
    x.chunks_exact(2).map(|p| 0.5 * (p[0] + p[1])).collect()
}

/// Where to look.
struct Around {
    /// Place of the first byte, to half of what is looked through, with its uncertainty (samples).
    start: f64,
    half: f64,
    sigma: f64,
    /// Samples per byte, and by which fraction that may be off.
    period: f64,
    spread: f64,
    /// Whether the place of the last byte of the span matters, not the first's.
    last: bool,
}

fn search(signal: &mut Signal, shape: &Shape, around: Around) -> Result<Option<Found>, Error> {
    let Around { start, half, sigma, period, spread, last } = around;
    // the waveform holds nothing above 8 kHz: pairs of points tell as much at a quarter of the work
    let geometry = &shape.geometry;
    let byte = 0.5 * geometry.byte_points();
    let point = period / byte;
    let d = halved(&shape.d);
    let common = halved(&shape.mu[MARGIN..shape.mu.len() - MARGIN]);
    let margin = MARGIN / 2;
    let reach = (half / point).ceil();
    let length = (reach * 2.0 + byte * (SPAN as f64 + 1.0) * (1.0 + spread)) as usize + 4 * margin + common.len();
    let mut x = Vec::new();
    let first = start - half - (margin as f64 - 0.25) * point;
    resample(signal, first - 0.25 * point, 0.5 * point, 2 * length, &mut x)?;
    let x = halved(&x);
    // correlation with every place of D, and of what all bytes have in common
    let bit: Vec<f32> = (0..length - d.len()).map(|n| dot(&d, &x[n..n + d.len()]).abs()).collect();
    let mark: Vec<f32> =
        (0..length - common.len() - margin).map(|n| dot(&common, &x[n + margin..n + margin + common.len()])).collect();
    let offsets: Vec<f64> = (0..geometry.bits).map(|k| 0.5 * (geometry.offset(k) - REACH.0) as f64).collect();
    let phases = (2.0 * reach) as usize;
    let mut best: Option<(f64, f64, f64)> = None;
    let (mut sum, mut square, mut count) = (0.0f64, 0.0f64, 0u32);
    // over SPAN bytes the speed must be right to a sixth of a cell
    let speeds = (spread / 0.0018).ceil() as i32;
    for s in -speeds..=speeds {
        let stretch = 1.0 + f64::from(s) * spread / f64::from(speeds.max(1));
        let mut score = vec![0.0f32; phases];
        for b in 0..SPAN {
            let at = (b as f64 * byte * stretch).round() as usize;
            if at + phases <= mark.len() {
                score.iter_mut().zip(&mark[at..]).for_each(|(a, v)| *a += v);
            }
            for o in &offsets {
                let at = ((b as f64 * byte + o) * stretch).round() as usize;
                if at + phases <= bit.len() {
                    score.iter_mut().zip(&bit[at..]).for_each(|(a, v)| *a += v);
                }
            }
        }
        for (i, &v) in score.iter().enumerate() {
            let v = f64::from(v);
            sum += v;
            square += v * v;
            count += 1;
            let offset = i as f64 * point - half;
            let weighed = v - 0.5 * (offset / sigma).powi(2) * f64::from(shape.d_energy) * 0.01;
            if best.is_none_or(|(b, _, _)| weighed > b) {
                best = Some((weighed, i as f64, stretch));
            }
        }
    }
    let Some((score, phase, stretch)) = best else { return Ok(None) };
    let mean = sum / f64::from(count);
    let deviation = (square / f64::from(count) - mean * mean).max(1e-20).sqrt();
    let ideal = 0.5 * SPAN as f64 * f64::from(shape.byte_energy());
    let part = |b: usize, aside: f64| -> f32 {
        let pick = |row: &[f32], at: f64| row.get((at + phase + aside) as usize).copied().unwrap_or(0.0);
        let start = b as f64 * byte * stretch;
        pick(&mark, start.round()) + offsets.iter().map(|o| pick(&bit, (start + o * stretch).round())).sum::<f32>()
    };
    let mut parts: Vec<f32> = (0..SPAN).map(|b| part(b, 0.0)).collect();
    let mut sorted = parts.clone();
    sorted.sort_by(f32::total_cmp);
    let good = 0.5 * sorted[SPAN - 2];
    if last {
        parts.reverse();
    }
    let well = |p: &[f32]| p[0] > good && p.iter().filter(|&&v| v > good).count() + 1 >= HEARD;
    let passed = parts.windows(HEARD).position(well).unwrap_or(SPAN);
    // the line through all bytes lies aside of those at its ends where the speed changes: they say themselves where
    let byte_at = |i: usize| if last { SPAN.saturating_sub(1 + i) } else { i.min(SPAN - 1) };
    let heard = |aside: i32| (passed..passed + NEXT).map(|i| part(byte_at(i), f64::from(aside))).sum::<f32>();
    let aside = (-ASIDE..=ASIDE).map(|a| (heard(a), a)).reduce(|best, a| if a.0 > best.0 { a } else { best });
    let aside = aside.map_or(0.0, |a| f64::from(a.1));
    let period = period * stretch;
    // the mean over all places is what noise gives, roughly
    let gain = ((score - 0.5 * mean) / ideal).max(0.01) as f32;
    Ok(Some(Found {
        start: start - half + (phase + aside) * point + byte_at(passed) as f64 * period,
        period,
        gain,
        contrast: (score - mean) / deviation,
        passed,
    }))
}
