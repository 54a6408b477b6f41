//! From the head's wave to samples: noise, hum, automatic gain, adapter, polarity, droop, level, clipping. The wave comes
//! in scaled so that the data has an rms of 1.

use super::Knobs;
use super::filters::high_pass_1;
use super::flux::{Edge, Renderer};
use super::random::{Purpose, Random};
use std::f64::consts::PI;

pub fn capture(mut wave: Vec<f32>, knobs: &Knobs, take_seed: u64) -> Vec<f32> {
    let rate = f64::from(knobs.sample_rate);
    add_noise(&mut wave, knobs, rate, take_seed);
    add_hum(&mut wave, knobs, rate, take_seed);
    automatic_gain(&mut wave, knobs, rate);
    if knobs.adapter {
        wave = adapter(&wave, knobs, rate, take_seed);
    }
    high_pass_1(&mut wave, knobs.droop_hz, rate);
    let sign = if knobs.inverted { -1.0 } else { 1.0 };
    let gain = (sign * libm::exp10(knobs.level_dbfs / 20.0)) as f32;
    let (offset, clip) = (knobs.offset as f32, knobs.clip_at as f32);
    wave.iter_mut().for_each(|x| *x = (*x * gain + offset).clamp(-clip, clip));
    wave
}

fn add_noise(wave: &mut [f32], knobs: &Knobs, rate: f64, take_seed: u64) {
    let Some(snr_db) = knobs.snr_db else { return };
    let rms = libm::exp10(-snr_db / 20.0);
    let mut white = Random::new(take_seed, Purpose::WhiteNoise);
    let mut low = Random::new(take_seed, Purpose::LowNoise);
    let white_rms = rms * libm::sqrt(1.0 - knobs.noise_low_share);
    let low_rms = rms * libm::sqrt(knobs.noise_low_share);
    // First-order recursion with unit variance: y' = a·y + √(1 − a²)·n, started in its steady state.
    let keep = libm::exp(-2.0 * PI * knobs.noise_low_hz / rate);
    let fresh = libm::sqrt(1.0 - keep * keep);
    let mut state = low.normal();
    for x in wave {
        *x += (white_rms * white.normal() + low_rms * state) as f32;
        state = keep * state + fresh * low.normal();
    }
}

fn add_hum(wave: &mut [f32], knobs: &Knobs, rate: f64, take_seed: u64) {
    if knobs.hum_level <= 0.0 {
        return;
    }
    let mut random = Random::new(take_seed, Purpose::Hum);
    let phases = [random.between(0.0, 2.0 * PI), random.between(0.0, 2.0 * PI)];
    // Amplitudes 1 and 1/3: mean square (1 + 1/9)/2.
    let amplitude = knobs.hum_level / libm::sqrt((1.0 + 1.0 / 9.0) / 2.0);
    for (n, x) in wave.iter_mut().enumerate() {
        let angle = 2.0 * PI * knobs.hum_hz * n as f64 / rate;
        *x += (amplitude * (libm::sin(angle + phases[0]) + libm::sin(3.0 * angle + phases[1]) / 3.0)) as f32;
    }
}

/// Follows the mean square, fast when it rises and slowly when it falls, and divides by its root.
fn automatic_gain(wave: &mut [f32], knobs: &Knobs, rate: f64) {
    if knobs.agc_attack_ms <= 0.0 {
        return;
    }
    let share = |ms: f64| 1.0 - libm::exp(-1000.0 / (ms * rate));
    let (attack, release) = (share(knobs.agc_attack_ms), share(knobs.agc_release_ms));
    let least = libm::exp10(-knobs.agc_range_db / 10.0);
    let mut power: f64 = 1.0;
    for x in wave {
        let now = f64::from(*x) * f64::from(*x);
        power += (now - power) * if now > power { attack } else { release };
        *x = (f64::from(*x) / libm::sqrt(power.max(least))) as f32;
    }
}

/// A comparator with hysteresis; its output, ±1, is drawn again with edges between the samples.
fn adapter(wave: &[f32], knobs: &Knobs, rate: f64, take_seed: u64) -> Vec<f32> {
    let mut jitter = Random::new(take_seed, Purpose::AdapterJitter);
    let half = knobs.adapter_hysteresis / 2.0;
    let mut edges = vec![Edge { at: 0.0, level: -1.0 }];
    let mut high = false;
    for (n, pair) in wave.windows(2).enumerate() {
        let (a, b) = (f64::from(pair[0]), f64::from(pair[1]));
        let bar = knobs.adapter_threshold + if high { -half } else { half };
        if (high && b < bar) || (!high && b > bar) {
            // The first sample may lie beyond the bar just after a change; then the edge is at the sample.
            let part = if b == a { 1.0 } else { ((bar - a) / (b - a)).clamp(0.0, 1.0) };
            let late = jitter.normal() * knobs.adapter_jitter_us * 1e-6;
            let earliest = edges[edges.len() - 1].at;
            high = !high;
            let at = ((n as f64 + part) / rate + late).max(earliest);
            edges.push(Edge { at, level: if high { 1.0 } else { -1.0 } });
        }
    }
    Renderer::new().render(&edges, rate, wave.len())
}
