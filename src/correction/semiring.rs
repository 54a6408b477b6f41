//! The arithmetic of a trellis: one walk, three meanings.
//!
//! `plus` joins the paths that meet in a state, `times` extends a path by a bit. With (min, +) the walk finds the
//! cheapest path, with (+, ×) it sums probabilities, with (log-sum-exp, +) it does so for any dynamic range.

use crate::Llr;

pub(super) trait Semiring: Copy {
    /// No path at all.
    const ZERO: f64;
    /// The empty path.
    const ONE: f64;
    fn plus(a: f64, b: f64) -> f64;
    fn times(a: f64, b: f64) -> f64;
    /// Weights of the bit values 0 and 1 under a soft bit.
    fn weights(llr: Llr) -> [f64; 2];
    /// Scales `v` into range; returns the ln of what was taken out.
    fn normalise(_v: &mut [f64]) -> f64 {
        0.0
    }
    /// The natural logarithm of a sum (for (min, +): of the one path that counts).
    fn ln(x: f64) -> f64;
    /// |llr| beyond this counts as this, if there is such a limit.
    const CLIP_AT: Option<f64> = None;
    /// What this arithmetic drops from a sum over paths is, `terms` droppings together, less than e^-reach of `sum`.
    fn reach(sum: f64, _terms: f64) -> f64 {
        if sum == Self::ZERO { 0.0 } else { f64::INFINITY }
    }
}

/// Evidence as a number: not-a-number says nothing, like a lost bit.
pub(super) fn value(llr: Llr) -> f64 {
    if llr.0.is_nan() { 0.0 } else { f64::from(llr.0) }
}

/// Cheapest path. Weights are costs in nats: 0 for the hard decision, |llr| against it.
///
/// Sums of f32 values in f64 are exact as long as the values lie within a factor of 2^29 of the total, so equal costs
/// are found equal whatever the order of adding.
#[derive(Clone, Copy)]
pub(super) struct Cheapest;

impl Semiring for Cheapest {
    const ZERO: f64 = f64::INFINITY;
    const ONE: f64 = 0.0;
    #[inline(always)]
    fn plus(a: f64, b: f64) -> f64 {
        if a < b { a } else { b }
    }
    #[inline(always)]
    fn times(a: f64, b: f64) -> f64 {
        a + b
    }
    fn weights(llr: Llr) -> [f64; 2] {
        let l = value(llr);
        [l.max(0.0), (-l).max(0.0)]
    }
    fn ln(x: f64) -> f64 {
        -x
    }
}

/// Sum of probabilities, scaled. Fast; its range suffices for almost every block, and [`super::posterior`] proves
/// afterwards that it did.
#[derive(Clone, Copy)]
pub(super) struct Linear;

impl Linear {
    /// |llr| beyond this counts as this (e^-230 = 1e-100), so that FLUSH × weight stays a normal number: subnormal
    /// arithmetic is a hundred times slower.
    pub const CLIP: f64 = 230.0;
    /// States under this, relative to the best, are dropped.
    pub const FLUSH: f64 = 1e-200;
}

impl Semiring for Linear {
    const ZERO: f64 = 0.0;
    const ONE: f64 = 1.0;
    #[inline(always)]
    fn plus(a: f64, b: f64) -> f64 {
        let sum = a + b;
        if sum < Linear::FLUSH { 0.0 } else { sum }
    }
    #[inline(always)]
    fn times(a: f64, b: f64) -> f64 {
        a * b
    }
    fn weights(llr: Llr) -> [f64; 2] {
        let l = value(llr).clamp(-Linear::CLIP, Linear::CLIP);
        [1.0 / (1.0 + l.exp()), 1.0 / (1.0 + (-l).exp())]
    }
    fn normalise(v: &mut [f64]) -> f64 {
        let max = v.iter().fold(0.0, |m: f64, &x| if x > m { x } else { m });
        if max == 0.0 {
            return f64::NEG_INFINITY;
        }
        let scale = 1.0 / max;
        v.iter_mut().for_each(|x| *x *= scale);
        max.ln()
    }
    fn ln(x: f64) -> f64 {
        x.ln()
    }
    const CLIP_AT: Option<f64> = Some(Linear::CLIP);
    /// All vectors are scaled to a largest entry of 1, so that a dropped entry takes less than FLUSH from Σ α·β.
    fn reach(sum: f64, terms: f64) -> f64 {
        sum.ln() - Linear::FLUSH.ln() - terms.ln()
    }
}

/// Sum of probabilities as logarithms: slower, for any range.
#[derive(Clone, Copy)]
pub(super) struct Log;

impl Semiring for Log {
    const ZERO: f64 = f64::NEG_INFINITY;
    const ONE: f64 = 0.0;
    #[inline(always)]
    fn plus(a: f64, b: f64) -> f64 {
        let (high, low) = if a > b { (a, b) } else { (b, a) };
        // Beyond 45 nats the smaller is under the resolution of f64 (e^-45 = 3e-20). Also keeps ∞ − ∞ away.
        if low < high - 45.0 || low == f64::NEG_INFINITY { high } else { high + (low - high).exp().ln_1p() }
    }
    #[inline(always)]
    fn times(a: f64, b: f64) -> f64 {
        a + b
    }
    fn weights(llr: Llr) -> [f64; 2] {
        // ln P(0) = −ln(1 + e^l), arranged so that nothing overflows.
        let softplus = |x: f64| x.max(0.0) + (-x.abs()).exp().ln_1p();
        let l = value(llr);
        [-softplus(l), -softplus(-l)]
    }
    fn ln(x: f64) -> f64 {
        x
    }
}
