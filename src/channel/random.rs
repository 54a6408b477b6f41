//! Seeded randomness: the same draws on every machine, and a stream of its own for every purpose, so that turning one
//! knob does not change what another one draws.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// What a stream is for. The numbers are part of what a seed means: never reuse one.
#[derive(Clone, Copy, Debug)]
pub enum Purpose {
    RecordSpeed = 1,
    WriteJitter = 2,
    SharedDropouts = 3,
    PlaySpeed = 4,
    SharedDepth = 5,
    OwnDropouts = 6,
    WhiteNoise = 7,
    LowNoise = 8,
    Hum = 9,
    AdapterJitter = 10,
}

/// A stream of random numbers.
pub struct Random {
    rng: ChaCha8Rng,
    spare: Option<f64>,
}

impl Random {
    pub fn new(seed: u64, purpose: Purpose) -> Random {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        key[8] = purpose as u8;
        Random { rng: ChaCha8Rng::from_seed(key), spare: None }
    }

    /// Uniform in 0 (included) to 1 (excluded), 53 bits.
    pub fn uniform(&mut self) -> f64 {
        (self.rng.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Uniform between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Exponential with mean 1.
    pub fn exponential(&mut self) -> f64 {
        -libm::log(1.0 - self.uniform())
    }

    /// Normal with mean 0 and variance 1: Marsaglia's polar method (Marsaglia & Bray, SIAM Review 6:260, 1964; memory).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (u, v) = (self.between(-1.0, 1.0), self.between(-1.0, 1.0));
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let scale = libm::sqrt(-2.0 * libm::log(s) / s);
                self.spare = Some(v * scale);
                return u * scale;
            }
        }
    }
}
