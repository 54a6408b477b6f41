//! What the signal of one byte says: where the byte begins, how loud it is, and whether it is one at all.

use super::frame::{Frame, ln_cosh};
use super::shape::{MARGIN, Shape};

/// How well a byte explains a frame at one shift.
pub struct Explained {
    /// ln of the likelihood at the gain of late, relative; the bits are summed out.
    pub likelihood: f32,
    /// Inner products with what all bytes have in common, and with the bits as they seem.
    pub common: f32,
    pub bits: f32,
}

impl Explained {
    /// `gain` against the learned waveform, `noise` per sample; `shift` as in [`Frame::bit`].
    pub fn of(frame: &Frame, shape: &Shape, shift: usize, gain: f32, noise: f32) -> Explained {
        let scale = gain / (noise * noise);
        let common = frame.common(shape, shift);
        let (mut sum, mut bits) = (0.0, 0.0);
        for k in 0..shape.geometry.bits {
            let z = frame.bit(shape, k, shift) - gain * shape.mu_d[k];
            sum += ln_cosh(z * scale);
            bits += z.abs();
        }
        Explained { likelihood: sum + common * scale, common, bits }
    }
}

/// What one frame says about where its byte begins.
pub struct Heard {
    /// Log-likelihood per shift, relative; index `lag` is in place.
    pub likelihood: Vec<f32>,
    /// Gain against the waveform, at the best shift.
    pub gain: f32,
    /// rms of what the best fit leaves.
    pub noise: f32,
    /// ln P(frame | a byte, at the gain of late or faded) − ln P(frame | noise alone), at the best shift.
    pub fit: f32,
}

impl Heard {
    /// `gain` and `noise` (per sample) are those of late.
    pub fn new(frame: &Frame, shape: &Shape, gain: f32, noise: f32) -> Heard {
        let bits = shape.geometry.bits;
        let mut likelihood = Vec::with_capacity(2 * frame.lag + 1);
        let mut best = f32::MIN;
        let scale = 1.0 / (noise * noise);
        for shift in 0..=2 * frame.lag {
            let explained = Explained::of(frame, shape, shift, gain, noise);
            likelihood.push(explained.likelihood);
            best = f32::max(best, explained.bits + explained.common);
        }
        let total = shape.byte_energy();
        let own = (best / total).max(0.0);
        let energy = frame.energy();
        let explained = own * own * total;
        let left = ((energy - explained).max(0.0) / frame_len(shape)).sqrt();
        let top = likelihood.iter().copied().fold(f32::MIN, f32::max);
        // ln cosh has the even prior of both bit values in it
        let steady = top - 0.5 * gain * gain * total * scale;
        // a byte in a fade: at its own gain, and the values of its bits taken as they seem
        let faded = own.clamp(0.35 * gain, gain);
        let seems = faded * best * scale - 0.5 * faded * faded * total * scale - bits as f32 * std::f32::consts::LN_2;
        let fit = steady.max(seems);
        Heard { likelihood, gain: own, noise: left.max(1e-5), fit }
    }

    /// Mean and variance of the start, relative to the prediction's own grid, given a Gaussian prior of `sigma` samples.
    pub fn posterior(&self, sigma: f64, point: f64) -> (f64, f64) {
        let lag = (self.likelihood.len() - 1) as f64 / 2.0;
        let fine = 8;
        let (mut top, mut values) = (f64::MIN, Vec::new());
        for i in 0..=(self.likelihood.len() - 1) * fine {
            let at = i as f64 / fine as f64;
            let x = (at - lag) * point;
            let l = interpolate(&self.likelihood, at) - 0.5 * (x / sigma).powi(2);
            top = top.max(l);
            values.push((x, l));
        }
        let (mut w0, mut w1, mut w2) = (0.0, 0.0, 0.0);
        for (x, l) in values {
            let w = (l - top).exp();
            w0 += w;
            w1 += w * x;
            w2 += w * x * x;
        }
        let mean = w1 / w0;
        // the grid itself is an eighth of a point wide
        (mean, (w2 / w0 - mean * mean).max((point / 16.0).powi(2)))
    }
}

fn frame_len(shape: &Shape) -> f32 {
    (shape.mu.len() - 2 * MARGIN) as f32
}

/// Catmull–Rom through equally spaced values, linear at the ends.
fn interpolate(values: &[f32], at: f64) -> f64 {
    let n = (at as usize).min(values.len() - 2);
    let f = at - n as f64;
    let v = |i: usize| f64::from(values[i]);
    let (b, c) = (v(n), v(n + 1));
    let a = if n > 0 { v(n - 1) } else { 2.0 * b - c };
    let d = if n + 2 < values.len() { v(n + 2) } else { 2.0 * c - b };
    b + 0.5 * f * (c - a + f * (2.0 * a - 5.0 * b + 4.0 * c - d + f * (3.0 * (b - c) + d - a)))
}

/// ln P(frame | tone after, or before, a block) − ln P(frame | byte or nothing), with what each must have as energy at
/// the gain of late; negative also when nothing at all fits better than noise.
pub fn tone_instead(frame: &Frame, shape: &Shape, heard: &Heard, gain: f32, noise: f32, direction: f64) -> f32 {
    let geometry = &shape.geometry;
    let unit = geometry.cell_points as f64 / geometry.cell;
    // forwards, the end marker comes before the tone
    let skip = if direction > 0.0 { (geometry.prefix * unit) as usize } else { 0 };
    let part = &frame.points[MARGIN + frame.lag + skip..frame.points.len() - MARGIN - frame.lag];
    let omega = 2.0 * std::f64::consts::PI / unit;
    let (mut c, mut s) = (0.0f32, 0.0f32);
    let (step_s, step_c) = omega.sin_cos();
    let (mut cs, mut sn) = (1.0f64, 0.0f64);
    for &v in part {
        c += v * cs as f32;
        s += v * sn as f32;
        (cs, sn) = (cs * step_c - sn * step_s, sn * step_c + cs * step_s);
    }
    let heard_tone = c.hypot(s);
    let n = part.len() as f32;
    // a leader has about the power of data; band limits take from its higher tone first
    let full = gain * (2.0 * shape.byte_energy() / frame_len(shape)).sqrt();
    let amplitude = (2.0 * heard_tone / n).clamp(0.35 * full, 1.1 * full);
    let scale = 1.0 / (noise * noise);
    // the unknown phase costs ln sqrt(2 π x) (large-argument form of ln I0)
    let x = amplitude * heard_tone * scale;
    let tone = x - 0.25 * amplitude * amplitude * n * scale - 0.5 * (1.0 + std::f32::consts::TAU * x).ln();
    tone - heard.fit.max(0.0)
}
