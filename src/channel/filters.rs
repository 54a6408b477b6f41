//! First- and second-order filters of amplifiers, in place. A corner of 0 Hz means that the filter is not there.

use std::f64::consts::PI;

/// First-order low-pass by the bilinear transform, corner (−3 dB) exact.
pub fn low_pass_1(x: &mut [f32], hz: f64, rate: f64) {
    if beyond(hz, rate) {
        return;
    }
    let k = libm::tan(PI * hz / rate);
    biquad(x, hz, [k / (1.0 + k), k / (1.0 + k), 0.0], [(k - 1.0) / (k + 1.0), 0.0]);
}

/// First-order high-pass, as a coupling capacitor makes it: a level droops by exp(−2π·hz·t).
pub fn high_pass_1(x: &mut [f32], hz: f64, rate: f64) {
    let k = libm::tan(PI * hz / rate);
    biquad(x, hz, [1.0 / (1.0 + k), -1.0 / (1.0 + k), 0.0], [(k - 1.0) / (k + 1.0), 0.0]);
}

/// Second-order Butterworth low-pass by the bilinear transform, corner exact.
pub fn low_pass_2(x: &mut [f32], hz: f64, rate: f64) {
    if beyond(hz, rate) {
        return;
    }
    let k = libm::tan(PI * hz / rate);
    let n = 1.0 / (1.0 + k * std::f64::consts::SQRT_2 + k * k);
    biquad(x, hz, [k * k * n, 2.0 * k * k * n, k * k * n], butterworth(k, n));
}

/// Second-order Butterworth high-pass.
pub fn high_pass_2(x: &mut [f32], hz: f64, rate: f64) {
    let k = libm::tan(PI * hz / rate);
    let n = 1.0 / (1.0 + k * std::f64::consts::SQRT_2 + k * k);
    biquad(x, hz, [n, -2.0 * n, n], butterworth(k, n));
}

/// A low-pass with its corner up there has nothing left to cut at this rate.
fn beyond(hz: f64, rate: f64) -> bool {
    hz > 0.48 * rate
}

fn butterworth(k: f64, n: f64) -> [f64; 2] {
    [2.0 * (k * k - 1.0) * n, (1.0 - k * std::f64::consts::SQRT_2 + k * k) * n]
}

/// Transposed direct form II: y = b0·x + z1, and so on, starting at rest.
fn biquad(x: &mut [f32], hz: f64, b: [f64; 3], a: [f64; 2]) {
    if hz <= 0.0 {
        return;
    }
    let (mut z1, mut z2) = (0.0, 0.0);
    for sample in x {
        let input = f64::from(*sample);
        let y = b[0] * input + z1;
        z1 = b[1] * input - a[0] * y + z2;
        z2 = b[2] * input - a[1] * y;
        *sample = y as f32;
    }
}
