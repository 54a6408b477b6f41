//! What distance, tilt and head gap take away, by wavelength: the published formulas and a filter that obeys them.

use std::f64::consts::PI;

/// Tape speed of a cassette in µm a second: 47.6 mm/s (from memory and common practice).
pub const TAPE_UM_PER_S: f64 = 47_600.0;

/// 20·log10 e: nepers to decibels.
const DB_PER_NEPER: f64 = 8.685_889_638_065_035;

/// Loss in dB (positive) by a distance `d_um` between tape and head: 54.6·d/λ (Wallace 1951; the constant is 40π/ln 10).
pub fn spacing_loss_db(d_um: f64, wavelength_um: f64) -> f64 {
    2.0 * PI * DB_PER_NEPER * d_um / wavelength_um
}

/// Loss in dB (positive) by a head gap of `gap_um`: −20·log10 |sin x / x|, x = 1.11·π·g/λ (Eargle 1994, eq. 167.1).
/// Infinite where the gap takes everything.
pub fn gap_loss_db(gap_um: f64, wavelength_um: f64) -> f64 {
    loss_db(sinc(gap_angle(gap_um, wavelength_um)))
}

/// Loss in dB (positive) by a head tilted `arcmin` minutes against the recording over a track of `track_mm`:
/// −20·log10 |sin x / x|, x = π·w·tan α/λ (from memory). Infinite at the nulls.
pub fn azimuth_loss_db(arcmin: f64, track_mm: f64, wavelength_um: f64) -> f64 {
    loss_db(sinc(azimuth_angle(arcmin, track_mm, wavelength_um)))
}

fn gap_angle(gap_um: f64, wavelength_um: f64) -> f64 {
    1.11 * PI * gap_um / wavelength_um
}

fn azimuth_angle(arcmin: f64, track_mm: f64, wavelength_um: f64) -> f64 {
    PI * track_mm * 1000.0 * libm::tan(arcmin / 60.0 * PI / 180.0) / wavelength_um
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { libm::sin(x) / x }
}

fn loss_db(factor: f64) -> f64 {
    -20.0 * libm::log10(factor.abs())
}

/// Distance, tilt and gap of one play.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contact {
    pub spacing_um: f64,
    pub gap_um: f64,
    pub azimuth_arcmin: f64,
    pub track_mm: f64,
}

impl Contact {
    /// The factor at one frequency, with its sign: past an azimuth null the wave is turned over.
    fn factor(&self, hz: f64) -> f64 {
        if hz <= 0.0 {
            return 1.0;
        }
        let wavelength = TAPE_UM_PER_S / hz;
        libm::exp(-spacing_loss_db(self.spacing_um, wavelength) / DB_PER_NEPER)
            * sinc(gap_angle(self.gap_um, wavelength))
            * sinc(azimuth_angle(self.azimuth_arcmin, self.track_mm, wavelength))
    }
}

/// Designs symmetric filters for a sample rate by sampling the curve in frequency (the inverse transform by a table of
/// cosines) and tapering the outer half of the result (cosine). The flat inner half keeps the curve's slope and bend true;
/// only its cusp at 0 Hz is rounded.
pub struct Designer {
    rate: f64,
    cosines: Vec<f64>,
    /// Taps on either side of the middle one.
    pub side: usize,
}

/// Points of the curve around the circle.
const POINTS: usize = 1024;

impl Designer {
    /// Filters reach 2 ms to either side.
    pub fn new(rate: f64) -> Designer {
        let cosines = (0..POINTS).map(|i| libm::cos(2.0 * PI * i as f64 / POINTS as f64)).collect();
        Designer { rate, cosines, side: ((rate * 2e-3) as usize).min(POINTS / 2 - 1) }
    }

    /// The taps, `2·side + 1` of them.
    pub fn filter(&self, contact: &Contact) -> Vec<f32> {
        let curve: Vec<f64> = (0..=POINTS / 2).map(|k| contact.factor(k as f64 * self.rate / POINTS as f64)).collect();
        let half: Vec<f64> = (0..=self.side)
            .map(|n| {
                let inner: f64 = (1..POINTS / 2).map(|k| 2.0 * curve[k] * self.cosines[k * n % POINTS]).sum();
                let ends = curve[0] + curve[POINTS / 2] * self.cosines[POINTS / 2 * n % POINTS];
                let outer = (2.0 * n as f64 / (self.side + 1) as f64 - 1.0).max(0.0);
                (inner + ends) / POINTS as f64 * (0.5 + 0.5 * libm::cos(PI * outer))
            })
            .collect();
        (0..=2 * self.side).map(|i| half[i.abs_diff(self.side)] as f32).collect()
    }
}

/// `x` through a symmetric filter, no delay; beyond its ends `x` is zero. Tap by tap over short runs: the compiler makes
/// this wide, and the order of the sums is the same on every machine.
pub fn convolve(x: &[f32], taps: &[f32]) -> Vec<f32> {
    const RUN: usize = 2048;
    let side = taps.len() / 2;
    let mut padded = vec![0.0; x.len() + 2 * side];
    padded[side..side + x.len()].copy_from_slice(x);
    let mut out = vec![0.0; x.len()];
    for (run, chunk) in out.chunks_mut(RUN).enumerate() {
        for (k, &tap) in taps.iter().enumerate() {
            let from = run * RUN + k;
            let input = &padded[from..from + chunk.len()];
            chunk.iter_mut().zip(input).for_each(|(y, x)| *y += tap * x);
        }
    }
    out
}

/// One sample of [`convolve`].
pub fn convolve_at(x: &[f32], taps: &[f32], n: usize) -> f32 {
    let side = taps.len() / 2;
    taps.iter().enumerate().filter_map(|(k, tap)| x.get((n + k).checked_sub(side)?).map(|x| tap * x)).sum()
}
