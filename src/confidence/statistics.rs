//! What trials support: intervals for a share, and how true forecasts came.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::beta::ln_beta;

/// A range for an unknown share, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    pub low: f64,
    pub high: f64,
}

/// The exact interval of Clopper & Pearson (Biometrika 26:404, 1934): covers the true share with at least the
/// probability `level` (say 0.95), half of the rest on either side. `None` without trials, with more successes than
/// trials, or for a level outside 0 to 1 (ends excluded).
pub fn clopper_pearson(successes: u64, trials: u64, level: f64) -> Option<Interval> {
    let tail = (1.0 - checked(successes, trials, level)?) / 2.0;
    Some(Interval { low: lower(successes, trials, tail), high: upper(successes, trials, tail) })
}

/// The exact one-sided upper bound: the share is at most this with at least the probability `level`. With no success in
/// n trials about 3/n at 95 % (Jovanovic & Levy, Am. Stat. 51:137, 1997). `None` as for [`clopper_pearson`].
pub fn upper_bound(successes: u64, trials: u64, level: f64) -> Option<f64> {
    Some(upper(successes, trials, 1.0 - checked(successes, trials, level)?))
}

/// The score interval of Wilson (J. Am. Stat. Assoc. 22:209, 1927): covers `level` on average, narrower than the exact
/// one. `None` as for [`clopper_pearson`].
pub fn wilson(successes: u64, trials: u64, level: f64) -> Option<Interval> {
    let level = checked(successes, trials, level)?;
    let z = Normal::standard().inverse_cdf(0.5 + level / 2.0);
    let (x, n) = (successes as f64, trials as f64);
    let share = x / n;
    let centre = (x + z * z / 2.0) / (n + z * z);
    let half = z * (share * (1.0 - share) * n + z * z / 4.0).sqrt() / (n + z * z);
    // At the ends the formula gives 0 and 1 but for rounding.
    let low = if successes == 0 { 0.0 } else { (centre - half).max(0.0) };
    let high = if successes == trials { 1.0 } else { (centre + half).min(1.0) };
    Some(Interval { low, high })
}

fn checked(successes: u64, trials: u64, level: f64) -> Option<f64> {
    (trials > 0 && successes <= trials && level > 0.0 && level < 1.0).then_some(level)
}

/// The share at which so many successes or more have the probability `tail`.
fn lower(successes: u64, trials: u64, tail: f64) -> f64 {
    if successes == 0 {
        return 0.0;
    }
    let (a, b) = (successes as f64, (trials - successes + 1) as f64);
    halve(|x| beta_tails(a, b, x)[0] < tail)
}

/// The share at which so many successes or fewer have the probability `tail`.
fn upper(successes: u64, trials: u64, tail: f64) -> f64 {
    if successes == trials {
        return 1.0;
    }
    let (a, b) = ((successes + 1) as f64, (trials - successes) as f64);
    halve(|x| beta_tails(a, b, x)[1] > tail)
}

/// Where between 0 and 1 `below` turns from true to false: halved to the last digit, and nothing to go wrong.
fn halve(below: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return middle;
        }
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
}

/// The regularised incomplete beta function I_x(a, b) and its complement, for 0 < x < 1. The smaller of the two is
/// computed, so that a small one keeps its digits.
///
/// `statrs` has this function, but stops its continued fraction after 140 terms; from a few ten thousand trials on,
/// more are needed (about the square root of the trials).
fn beta_tails(a: f64, b: f64, x: f64) -> [f64; 2] {
    let front = (a * x.ln() + b * (-x).ln_1p() - ln_beta(a, b)).exp();
    if x <= (a + 1.0) / (a + b + 2.0) {
        let below = front * beta_fraction(a, b, x) / a;
        [below, 1.0 - below]
    } else {
        let above = front * beta_fraction(b, a, 1.0 - x) / b;
        [1.0 - above, above]
    }
}

/// Continued fraction 8.17.22 of the NIST Digital Library of Mathematical Functions, by the method of Lentz as modified
/// by Thompson & Barnett (from memory; held against SciPy by tests/oracles/intervals.py).
fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    const MOST_TERMS: u32 = 1_000_000;
    let away_from_zero = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    for m in (1..MOST_TERMS).map(f64::from) {
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let before = fraction;
        for term in [even, odd] {
            d = 1.0 / away_from_zero(1.0 + term * d);
            c = away_from_zero(1.0 + term / c);
            fraction *= c * d;
        }
        if (fraction - before).abs() <= f64::EPSILON * fraction.abs() {
            break;
        }
    }
    fraction
}

/// A forecast probability of an event, and whether it happened.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    pub forecast: f64,
    pub happened: bool,
}

/// One bin of a reliability table: forecasts from `low` (included) to `high` (excluded, but for the last).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bin {
    pub low: f64,
    pub high: f64,
    pub count: u64,
    pub happened: u64,
    /// Mean of the forecasts; 0 in an empty bin.
    pub mean_forecast: f64,
}

impl Bin {
    /// Share of the forecasts that came true; `None` in an empty bin.
    pub fn share(&self) -> Option<f64> {
        (self.count > 0).then(|| self.happened as f64 / self.count as f64)
    }
}

/// How true forecasts came.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reliability {
    pub count: u64,
    /// Mean squared difference of forecast and outcome (Brier 1950). Smaller is better.
    pub brier: f64,
    /// The parts of the Brier score (Murphy, J. Appl. Meteor. 12:595, 1973), of the forecasts as binned: brier =
    /// reliability − resolution + uncertainty when all forecasts within a bin are equal, nearly otherwise.
    /// `reliability` is the mean squared gap between forecast and share (0 is best).
    pub reliability: f64,
    /// How far the shares of the bins lie from the overall share (more is better).
    pub resolution: f64,
    /// What the events leave open whoever forecasts: share × (1 − share).
    pub uncertainty: f64,
    /// Expected calibration error: mean gap between forecast and share, weighted by count (Guo et al. 2017).
    pub calibration_error: f64,
    pub bins: Vec<Bin>,
}

/// Measures forecasts over `bins` equal bins from 0 to 1. `None` without forecasts or bins, or if a forecast is not a
/// probability.
pub fn reliability(outcomes: &[Outcome], bins: usize) -> Option<Reliability> {
    let edges: Vec<f64> = (0..=bins).map(|i| i as f64 / bins as f64).collect();
    reliability_between(outcomes, &edges)
}

/// As [`reliability`], between given edges (ascending, from 0 to 1): finer where forecasts crowd.
pub fn reliability_between(outcomes: &[Outcome], edges: &[f64]) -> Option<Reliability> {
    let proper_edges = edges.first() == Some(&0.0) && edges.last() == Some(&1.0) && edges.is_sorted_by(|a, b| a < b);
    if outcomes.is_empty() || !proper_edges || outcomes.iter().any(|o| !(0.0..=1.0).contains(&o.forecast)) {
        return None;
    }
    let mut bins: Vec<Bin> = edges
        .windows(2)
        .map(|edge| Bin { low: edge[0], high: edge[1], count: 0, happened: 0, mean_forecast: 0.0 })
        .collect();
    let n = outcomes.len() as f64;
    let mut brier = 0.0;
    for outcome in outcomes {
        let bin = edges[1..edges.len() - 1].partition_point(|edge| *edge <= outcome.forecast);
        bins[bin].count += 1;
        bins[bin].happened += u64::from(outcome.happened);
        bins[bin].mean_forecast += outcome.forecast;
        brier += (outcome.forecast - if outcome.happened { 1.0 } else { 0.0 }).powi(2) / n;
    }
    let overall = bins.iter().map(|bin| bin.happened).sum::<u64>() as f64 / n;
    let (mut reliability, mut resolution, mut calibration_error) = (0.0, 0.0, 0.0);
    for bin in &mut bins {
        let Some(share) = bin.share() else { continue };
        bin.mean_forecast /= bin.count as f64;
        let weight = bin.count as f64 / n;
        reliability += weight * (bin.mean_forecast - share).powi(2);
        resolution += weight * (share - overall).powi(2);
        calibration_error += weight * (bin.mean_forecast - share).abs();
    }
    let uncertainty = overall * (1.0 - overall);
    let count = outcomes.len() as u64;
    Some(Reliability { count, brier, reliability, resolution, uncertainty, calibration_error, bins })
}
