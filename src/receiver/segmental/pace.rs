//! Where the points of the grid lie in the capture: the tape's speed, bin by bin, follows what the words show.

use super::super::frame::resample;
use super::super::signal::Signal;
use super::ear::BIN;
use crate::Error;

/// The grid of a window.
#[derive(Clone, Debug)]
pub struct Pace {
    /// Sample of point 0.
    origin: f64,
    /// Samples a point, by bin; the last goes on.
    steps: Vec<f64>,
    /// Sample at which each bin begins.
    starts: Vec<f64>,
}

/// What the words in a bin showed: points that they lasted, points that they should have.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lasted {
    pub points: f64,
    pub nominal: f64,
}

/// Reach of the smoothing, in bins (standard deviation of a Gaussian): 20 ms for wow and slow flutter, and 120 ms for what
/// lies in a dropout.
const NEAR: f64 = 3.0;
const FAR: f64 = 20.0;
/// Points that the speed as it was weighs against what is seen far, and what is seen far against what is seen near.
const INERTIA: f64 = 300.0;

impl Pace {
    pub fn steady(origin: f64, step: f64, points: usize) -> Pace {
        Pace::of(origin, vec![step; points.div_ceil(BIN) + 1])
    }

    fn of(origin: f64, steps: Vec<f64>) -> Pace {
        let mut at = origin;
        let starts = steps
            .iter()
            .map(|s| {
                let start = at;
                at += s * BIN as f64;
                start
            })
            .collect();
        Pace { origin, steps, starts }
    }

    /// Sample of a point.
    pub fn sample(&self, t: f64) -> f64 {
        let bin = ((t.max(0.0) / BIN as f64) as usize).min(self.steps.len() - 1);
        self.starts[bin] + (t - (bin * BIN) as f64) * self.steps[bin]
    }

    /// Samples a point, there.
    pub fn step(&self, t: usize) -> f64 {
        self.steps[(t / BIN).min(self.steps.len() - 1)]
    }

    /// The signal on the grid.
    pub fn listen(&self, signal: &mut Signal, points: usize) -> Result<Vec<f32>, Error> {
        let mut out = Vec::with_capacity(points);
        let mut part = Vec::new();
        while out.len() < points {
            let count = BIN.min(points - out.len());
            resample(signal, self.sample(out.len() as f64), self.step(out.len()), count, &mut part)?;
            out.extend_from_slice(&part);
        }
        Ok(out)
    }

    /// Points last longer where words took more of them than they should. Returns the factor by which, for each bin.
    pub fn follow(&mut self, lasted: &[Lasted]) -> Vec<f64> {
        let weighed = |bin: usize, reach: f64, usual: f64| {
            let (mut points, mut nominal) = (INERTIA * usual, INERTIA);
            let wide = (3.0 * reach) as usize;
            let near = lasted.iter().enumerate().take(bin + wide + 1).skip(bin.saturating_sub(wide));
            for (i, lasted) in near {
                let w = (-0.5 * ((i as f64 - bin as f64) / reach).powi(2)).exp();
                points += w * lasted.points;
                nominal += w * lasted.nominal;
            }
            points / nominal
        };
        let factors: Vec<f64> = (0..self.steps.len()).map(|bin| weighed(bin, NEAR, weighed(bin, FAR, 1.0))).collect();
        let steps = self.steps.iter().zip(&factors).map(|(s, f)| s * f).collect();
        *self = Pace::of(self.origin, steps);
        factors
    }
}
