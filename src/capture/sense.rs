//! Samples of float files: which of them can be sound at all, and how loud a channel is whatever it was scaled to.

use serde::{Deserialize, Serialize};

use super::{Capture, Encoding};
use crate::Error;

/// A float beyond this is no sound, whatever the file was scaled to: floats of whole 16-bit numbers reach 32,768. A damaged
/// exponent, infinity and what is not a number lie far beyond. A judgement.
const BEYOND_SENSE: f32 = 1e6;

/// Samples of one channel that are no sound: they read as silence.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Lost {
    pub samples: u64,
    /// Seconds of the first and the last of them.
    pub first_s: f64,
    pub last_s: f64,
}

/// How loud a channel is by the usual swing of its wave: single samples, however large, have no say in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loudness {
    /// Amplitude of the loudest second, or of the loudest quarter of a shorter take; 0 of silence.
    pub amplitude: f64,
    /// What the wave swings about.
    pub middle: f64,
}

/// Puts silence where a sample is no sound; tells the place of each.
pub(super) fn silence(samples: &mut [f32], mut tell: impl FnMut(usize)) {
    for (at, x) in samples.iter_mut().enumerate() {
        // also false of what is not a number
        let sound = x.abs() <= BEYOND_SENSE;
        if !sound {
            *x = 0.0;
            tell(at);
        }
    }
}

/// Seconds over which a wave is sure to swing: the longest pulse of the formats takes two of them.
const SWING_S: f64 = 1.0 / 3000.0;
/// Swings that are taken together, and for how long the loudest of these must last.
const TOGETHER: usize = 128;
const LOUDEST_S: f64 = 1.0;

impl Capture {
    /// True if samples are floats: full scale is then what the program that wrote them took for it.
    pub fn is_float(&self) -> bool {
        matches!(self.info().encoding, Encoding::Float32 | Encoding::Float64)
    }

    /// How loud a channel is, see [`Loudness`].
    ///
    /// # Errors
    /// As [`Capture::read`].
    pub fn loudness(&self, channel: u16) -> Result<Loudness, Error> {
        let swing = ((f64::from(self.info().sample_rate) * SWING_S) as usize).max(2);
        let mut part = vec![0.0; swing * TOGETHER];
        let (mut heights, mut middles) = (Vec::new(), Vec::new());
        let mut start = 0;
        loop {
            let count = self.read(channel, start, &mut part)?;
            start += count as u64;
            let swings: Vec<(f32, f32)> = part[..count].chunks_exact(swing).map(ends).collect();
            if swings.is_empty() {
                break;
            }
            heights.push(median(swings.iter().map(|(low, high)| high - low).collect()));
            middles.push(median(swings.iter().map(|(low, high)| 0.5 * (low + high)).collect()));
        }
        heights.sort_by(|a, b| b.total_cmp(a));
        let second = f64::from(self.info().sample_rate) * LOUDEST_S / part.len() as f64;
        let rank = (second as usize).min(heights.len() / 4);
        let amplitude = heights.get(rank).map_or(0.0, |&height| f64::from(height) / 2.0);
        Ok(Loudness { amplitude, middle: median(middles).into() })
    }
}

/// The smallest and the largest of some samples.
fn ends(samples: &[f32]) -> (f32, f32) {
    samples.iter().fold((f32::INFINITY, f32::NEG_INFINITY), |(low, high), &x| (low.min(x), high.max(x)))
}

fn median(mut values: Vec<f32>) -> f32 {
    let middle = values.len() / 2;
    values.sort_by(f32::total_cmp);
    values.get(middle).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_sound_is_silence() {
        // the bounds are those of the doc; 0.1 with the first bit of its exponent turned is 3.4e37 (IEEE 754)
        let mut samples = [0.5, f32::NAN, -1e6, 3.4e37, f32::INFINITY, -1.1e6, f32::MIN_POSITIVE / 4.0];
        let mut told = Vec::new();
        silence(&mut samples, |at| told.push(at));
        assert_eq!(samples, [0.5, 0.0, -1e6, 0.0, 0.0, 0.0, f32::MIN_POSITIVE / 4.0]);
        assert_eq!(told, [1, 3, 4, 5]);
    }
}
