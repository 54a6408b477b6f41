//! Speed: error, drift, wow and flutter as one function of time, with its exact integral.

use super::random::Random;
use std::f64::consts::PI;

/// One band of speed variation.
#[derive(Clone, Copy, Debug)]
pub struct Band {
    /// Standard deviation of the speed, as a fraction of the speed.
    pub rms: f64,
    /// Centre, in Hz.
    pub hz: f64,
    /// Share of the power that is spread at random over half to twice the centre; the rest is one tone at the centre,
    /// as an uneven capstan or roller makes it.
    pub random_share: f64,
}

/// Tones that make up the random part of a band.
const SPREAD: usize = 8;

/// Tape speed over time: `base · (1 + Σ depth · cos(2π·hz·t + phase))`, in tape seconds per second.
#[derive(Clone, Debug)]
pub struct Speed {
    base: f64,
    tones: Vec<Tone>,
}

#[derive(Clone, Copy, Debug)]
struct Tone {
    depth: f64,
    hz: f64,
    phase: f64,
}

impl Speed {
    /// Draws phases and frequencies. `error` is the lasting error: 0.02 runs 2 % fast. The mean square of the tones is
    /// exactly the sum of the bands' `rms²`.
    pub fn draw(error: f64, bands: &[Band], random: &mut Random) -> Speed {
        let mut tones = Vec::new();
        for band in bands {
            let steady = 2.0 * band.rms * band.rms * (1.0 - band.random_share);
            let spread = 2.0 * band.rms * band.rms * band.random_share / SPREAD as f64;
            let mut add = |power: f64, hz: f64, phase: f64| {
                if power > 0.0 {
                    tones.push(Tone { depth: libm::sqrt(power), hz, phase });
                }
            };
            add(steady, band.hz, random.between(0.0, 2.0 * PI));
            for i in 0..SPREAD {
                // One tone in each eighth of two octaves, so that the band is always filled.
                let octave = -1.0 + 2.0 * (i as f64 + random.uniform()) / SPREAD as f64;
                add(spread, band.hz * libm::exp2(octave), random.between(0.0, 2.0 * PI));
            }
        }
        Speed { base: 1.0 + error, tones }
    }

    /// Tape seconds that have passed after `t` seconds.
    pub fn position(&self, t: f64) -> f64 {
        let swing = |x: &Tone| {
            let w = 2.0 * PI * x.hz;
            x.depth / w * (libm::sin(w * t + x.phase) - libm::sin(x.phase))
        };
        self.base * (t + self.tones.iter().map(swing).sum::<f64>())
    }
}

/// Which piece of tape passes the head at every moment of a take.
pub struct Timeline {
    /// Tape seconds at every step of the grid; rises strictly.
    places: Vec<f64>,
}

/// Grid of the timeline in seconds. Straight lines between are off by at most depth·2π·hz·grid²/8: for 1 % at 10 Hz
/// 0.08 µs, 1/280 of a sample at 44.1 kHz.
const GRID: f64 = 1e-3;

impl Timeline {
    /// From tape second `from` until tape second `to` has passed.
    pub fn new(speed: &Speed, from: f64, to: f64) -> Timeline {
        let mut places = vec![from];
        while places[places.len() - 1] < to {
            places.push(from + speed.position(places.len() as f64 * GRID));
        }
        places.push(from + speed.position(places.len() as f64 * GRID));
        Timeline { places }
    }

    /// Seconds after the start of the take at which tape second `place` passes. Outside the take: straight on.
    pub fn when(&self, place: f64) -> f64 {
        let i = self.places.partition_point(|&p| p <= place).clamp(1, self.places.len() - 1) - 1;
        let (a, b) = (self.places[i], self.places[i + 1]);
        (i as f64 + (place - a) / (b - a)) * GRID
    }

    /// Tape second that passes at `t` seconds after the start.
    pub fn place(&self, t: f64) -> f64 {
        let x = t / GRID;
        let i = (x.max(0.0) as usize).min(self.places.len() - 2);
        let (a, b) = (self.places[i], self.places[i + 1]);
        a + (x - i as f64) * (b - a)
    }
}
