//! One byte's worth of signal on the moving grid, and its inner products with the learned waveform.

use super::shape::{Geometry, MARGIN, REACH, Shape};
use super::signal::Signal;
use crate::Error;

/// Signal at grid points; `lag` more points on both sides than a frame has.
pub struct Frame {
    pub points: Vec<f32>,
    pub lag: usize,
}

impl Frame {
    pub fn empty() -> Frame {
        Frame { points: Vec::new(), lag: 0 }
    }

    /// Takes the frame of the byte that begins at sample `start` and lasts `period` samples.
    pub fn take(
        &mut self,
        signal: &mut Signal,
        geometry: &Geometry,
        start: f64,
        period: f64,
        lag: usize,
    ) -> Result<(), Error> {
        let point = period / geometry.byte_points();
        let count = geometry.frame() + 2 * lag;
        self.lag = lag;
        resample(signal, start - (MARGIN + lag) as f64 * point, point, count, &mut self.points)
    }

    /// <x, D_k> with the frame shifted by `shift` points (0..=2 lag; lag = in place).
    pub fn bit(&self, shape: &Shape, k: usize, shift: usize) -> f32 {
        let at = shape.geometry.offset(k) - REACH.0 + shift;
        dot(&shape.d, &self.points[at..at + shape.d.len()])
    }

    /// <x, quadrature_k>, in place.
    pub fn turned(&self, shape: &Shape, k: usize) -> f32 {
        let at = shape.geometry.offset(k) - REACH.0 + self.lag;
        dot(&shape.quadrature, &self.points[at..at + shape.d.len()])
    }

    /// <x, mu> over the byte without margins.
    pub fn common(&self, shape: &Shape, shift: usize) -> f32 {
        let (from, to) = (MARGIN, shape.mu.len() - MARGIN);
        dot(&shape.mu[from..to], &self.points[from + shift..to + shift])
    }

    /// |x|² over the byte without margins.
    pub fn energy(&self) -> f32 {
        let part = &self.points[MARGIN + self.lag..self.points.len() - MARGIN - self.lag];
        dot(part, part)
    }
}

/// Samples from the beginning of a take, and samples of one go, that no tape comes near: days, and minutes.
const FARTHEST: f64 = 1e11;
const LONGEST: f64 = 1e8;

/// `count` samples of the signal at `start + i * step`, by Catmull–Rom interpolation.
pub fn resample(signal: &mut Signal, start: f64, step: f64, count: usize, out: &mut Vec<f32>) -> Result<(), Error> {
    let length = step * count as f64;
    if !(start.abs() < FARTHEST && step > 0.0 && length < LONGEST) {
        // also what is no number: nothing is heard where no tape is
        out.clear();
        out.resize(count, 0.0);
        return Ok(());
    }
    let first = start.floor() as i64 - 1;
    let span = length as usize + 6;
    let part = signal.window(first, span)?;
    // places in units of 2^-32 of a sample: split without a conversion of floating-point numbers, which is slow
    let fixed = |samples: f64| (samples * (1u64 << 32) as f64) as u64;
    let (mut at, step) = (fixed(start - first as f64), fixed(step));
    out.clear();
    out.extend((0..count).map(|_| {
        let n = (at >> 32) as usize;
        let f = (at as u32 >> 8) as i32 as f32 / (1 << 24) as f32;
        at += step;
        let four = &part[n - 1..n + 3];
        let (a, b, c, d) = (four[0], four[1], four[2], four[3]);
        b + 0.5 * f * (c - a + f * (2.0 * a - 5.0 * b + 4.0 * c - d + f * (3.0 * (b - c) + d - a)))
    }));
    Ok(())
}

/// Inner product, sixteen partial sums in a fixed order (the same result on every machine).
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    const LANES: usize = 16;
    let mut sum = [0.0f32; LANES];
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    for (x, y) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for l in 0..LANES {
            sum[l] += x[l] * y[l];
        }
    }
    for i in n / LANES * LANES..n {
        sum[i % LANES] += a[i] * b[i];
    }
    for half in [8, 4, 2, 1] {
        for l in 0..half {
            sum[l] += sum[l + half];
        }
    }
    sum[0]
}

/// ln cosh, stable for large arguments.
pub fn ln_cosh(x: f32) -> f32 {
    let a = x.abs();
    // beyond, what is left is under the last bit of an f32
    if a > 20.0 {
        return a - std::f32::consts::LN_2;
    }
    a + (0.5 + 0.5 * (-2.0 * a).exp()).ln()
}
