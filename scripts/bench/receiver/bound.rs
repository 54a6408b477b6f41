//! What the signal holds: soft bits of a receiver that is told the timing, the waveforms, the noise and all other bits.
//!
//! Two more plays of the take without noise, with every second bit turned over, give for each bit the exact difference
//! d of the wave with the bit turned over and the wave as it is. In Gaussian noise n the log-likelihood ratio of the true value is
//! ½·|Wd|² − Wd·Wn, with W the filter that makes the noise white: the matched-filter bound. The noise is white noise plus
//! white noise through one pole, a process of one pole and one zero; W is its exact inverse.

use super::scene::{BLOCKS, COPIES, Scene, TrueBlock};
use quorate::Llr;
use quorate::channel::Knobs;

/// Energy |Wd|² and correlation Wd·Wn of every bit of a copy, both for noise at 0 dB.
type Copy = Vec<(f32, f32)>;

/// One take.
pub struct Bound {
    blocks: [[Copy; COPIES]; BLOCKS],
}

impl Bound {
    /// `clean` is the take without noise, `noise` what is added at 0 dB.
    pub fn new(scene: &Scene, knobs: &Knobs, take: usize, clean: &[f32], noise: &[f32]) -> Bound {
        let still = Knobs { snr_db: None, ..knobs.clone() };
        let mut noise = noise.to_vec();
        whiten(&mut noise, knobs);
        let times = scene.schedule(knobs, take);
        let rate = f64::from(knobs.sample_rate);
        let differences = [false, true].map(|odd| {
            let mut other = scene.play(&scene.turned(odd), &still, take);
            other.iter_mut().zip(clean).for_each(|(o, c)| *o -= c);
            whiten(&mut other, knobs);
            other
        });
        let energy = |block: &TrueBlock, copy: usize, bit: usize| {
            let d = &differences[bit % 2];
            let at = block.pulse(copy, bit);
            let (from, to) = (times[at], times[at + 2]);
            // Half a bit to either side: as far as the next bit that was turned over allows.
            let spread = 0.5 * (to - from);
            let clip = |s: f64| ((s * rate).max(0.0) as usize).min(noise.len()).min(d.len());
            let window = clip(from - spread)..clip(to + spread);
            let (d, n) = (&d[window.clone()], &noise[window]);
            let product = |x: &[f32]| d.iter().zip(x).map(|(&d, &x)| f64::from(d) * f64::from(x)).sum::<f64>() as f32;
            (product(d), product(n))
        };
        let copy = |block: &TrueBlock, copy| (0..block.bits.len()).map(|bit| energy(block, copy, bit)).collect();
        Bound { blocks: [0, 1].map(|block| [0, 1].map(|c| copy(&scene.blocks[block], c))) }
    }

    /// Soft bits of every copy of a block at a ratio of signal to noise.
    pub fn llrs(&self, scene: &Scene, block: usize, snr_db: f64) -> [Vec<Llr>; COPIES] {
        // rms of the noise against 0 dB
        let g = 10_f64.powf(-snr_db / 20.0) as f32;
        let soft = |((energy, against), bit): (&(f32, f32), &bool)| {
            let right = energy / (2.0 * g * g) - against / g;
            Llr(if *bit { right } else { -right })
        };
        [0, 1].map(|c| self.blocks[block][c].iter().zip(&scene.blocks[block].bits).map(soft).collect())
    }
}

/// Makes the noise of the channel at 0 dB white with variance 1.
///
/// White noise of variance w and one-pole noise of variance l, pole a, have the spectrum
/// w·|1 − a·z|² + l·(1 − a²) over |1 − a·z|²; the numerator is s·|1 − b·z|² with s·b = w·a and b + 1/b = c/(w·a), where
/// c = w·(1 + a²) + l·(1 − a²).
fn whiten(x: &mut [f32], knobs: &Knobs) {
    let level = 10_f64.powf(knobs.level_dbfs / 20.0);
    let power = level * level;
    let (w, l) = (power * (1.0 - knobs.noise_low_share), power * knobs.noise_low_share);
    let a = (-2.0 * std::f64::consts::PI * knobs.noise_low_hz / f64::from(knobs.sample_rate)).exp();
    let q = (w * (1.0 + a * a) + l * (1.0 - a * a)) / (w * a);
    let b = 0.5 * (q - (q * q - 4.0).max(0.0).sqrt());
    let scale = 1.0 / (w * a / b).sqrt();
    let (mut before, mut out) = (0.0, 0.0);
    for x in x {
        let now = f64::from(*x);
        out = now - a * before + b * out;
        before = now;
        *x = (out * scale) as f32;
    }
}
