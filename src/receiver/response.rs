//! The path from the head to the file as a filter of some taps, fitted to whole runs of bytes as they seem: few numbers
//! for many bytes, which is how a waveform is learned from under the noise.

use super::demodulate::SoftByte;
use super::frame::{Frame, dot};
use super::shape::{Geometry, MARGIN, Shape, Written};
use super::signal::Signal;
use super::track::Place;
use crate::Error;
use crate::tape::Grammar;

/// Taps before and after the moment.
pub const TAPS: (usize, usize) = (20, 36);

/// What some runs say about the path: least squares on the wave as it was probably written, which is
/// expectation–maximisation with the bits as what is hidden (Dempster, Laird, Rubin 1977).
#[derive(Clone)]
pub struct Fit {
    geometry: Geometry,
    /// Gram matrix of the written wave at all pairs of taps (upper half), and its products with what was heard at the
    /// level of [`Shape::byte_energy`] 1, from the latest tap to the earliest; both over the variance of the noise.
    gram: Vec<f64>,
    cross: Vec<f64>,
}

impl Fit {
    /// Of one run, from its soft bits; `None` when too little was heard.
    pub fn of(
        signal: &mut Signal,
        shape: &Shape,
        grammar: &Grammar,
        places: &[Place],
        soft: &[SoftByte],
    ) -> Result<Option<Fit>, Error> {
        let heard: Vec<usize> = (0..places.len()).filter(|&i| !places[i].lost && soft[i].gain > 0.0).collect();
        if heard.len() < LEAST_BYTES {
            return Ok(None);
        }
        let mut gains: Vec<f32> = heard.iter().map(|&i| soft[i].gain).collect();
        gains.sort_by(f32::total_cmp);
        let typical = gains[gains.len() / 2];
        let grid = Grid::new(grammar, &shape.geometry);
        let taps = TAPS.0 + TAPS.1 + 1;
        let (mut gram, mut cross) = (vec![0.0f64; taps * taps], vec![0.0f64; taps]);
        let (mut doubt, mut noise) = (0.0, 0.0);
        let mut frame = Frame::empty();
        let mut wave = Vec::new();
        for &i in &heard {
            noise += soft[i].noise / heard.len() as f32;
            // a faded byte teaches nothing
            if soft[i].gain < 0.6 * typical {
                continue;
            }
            let earlier = (i > 0 && !places[i - 1].lost && !places[i].leap).then(|| &soft[i - 1]);
            grid.seems(&soft[i], earlier, &mut wave);
            doubt += soft[i].bits.iter().map(|b| 1.0 - f64::from((0.5 * b.0).tanh()).powi(2)).sum::<f64>();
            frame.take(signal, &shape.geometry, places[i].start, places[i].period, 0)?;
            let y = &frame.points[MARGIN..MARGIN + grid.points];
            let scale = f64::from(1.0 / soft[i].gain);
            for (back, c) in cross.iter_mut().enumerate() {
                *c += scale * f64::from(dot(y, &wave[back..]));
            }
            add_gram(&wave, grid.points, taps, &mut gram);
        }
        for (at, g) in gram.iter_mut().enumerate() {
            *g += doubt * grid.bit[(at / taps).abs_diff(at % taps)];
        }
        let weight = f64::from(noise).powi(-2);
        let level = f64::from(shape.byte_energy()).sqrt().max(1e-9);
        gram.iter_mut().for_each(|g| *g *= weight);
        cross.iter_mut().for_each(|c| *c *= weight / level);
        Ok(Some(Fit { geometry: shape.geometry.clone(), gram, cross }))
    }

    /// Adds what another run says, if both are on the same grid.
    pub fn add(&mut self, other: &Fit) {
        if self.geometry == other.geometry {
            self.gram.iter_mut().zip(&other.gram).for_each(|(a, b)| *a += b);
            self.cross.iter_mut().zip(&other.cross).for_each(|(a, b)| *a += b);
        }
    }

    /// The waveform at the level of `like`; `None` when the runs hold nothing.
    pub fn shape(&self, grammar: &Grammar, like: &Shape) -> Option<Shape> {
        let mut found = solve(&mut self.gram.clone(), &mut self.cross.clone())?;
        found.reverse();
        let level = like.byte_energy().sqrt();
        found.iter_mut().for_each(|tap| *tap *= level);
        let unit = self.geometry.cell_points as f64 / self.geometry.cell;
        Some(Shape::from_response(grammar, self.geometry.clone(), &found, TAPS.0, unit))
    }
}

/// Bytes below which a run teaches less than the sequence it was found by.
const LEAST_BYTES: usize = 40;

/// The wave as written, on the grid of a byte.
struct Grid {
    /// Points of a byte.
    points: usize,
    /// What all bytes share, and the half difference of a bit from the start of its cell; from `TAPS.1` points before
    /// the byte.
    common: Vec<f32>,
    half: Vec<Vec<f32>>,
    /// Autocorrelation of one bit's half difference.
    bit: Vec<f64>,
}

impl Grid {
    fn new(grammar: &Grammar, geometry: &Geometry) -> Grid {
        let unit = geometry.cell_points as f64 / geometry.cell;
        let points = geometry.byte_points() as usize;
        let (before, after) = TAPS;
        let written = Written::new(grammar, geometry, unit);
        let at = |j: usize| j as f64 - after as f64;
        let length = points + before + after + 1;
        let common = (0..length).map(|j| written.common(at(j)) as f32).collect();
        let prefix = geometry.prefix * unit;
        let difference = |x: f64| written.difference(x) as f32;
        // the last bit of the byte before comes first
        let half: Vec<Vec<f32>> = (0..=geometry.bits)
            .map(|k| {
                let begin = prefix + (k as f64 - 1.0) * geometry.cell * unit;
                let begin = if k == 0 { -geometry.cell * unit } else { begin };
                (0..length).map(|j| difference(at(j) - begin)).collect()
            })
            .collect();
        let whole: Vec<f32> = (0..geometry.cell_points * 3).map(|j| difference(j as f64 - 1.0)).collect();
        let bit =
            (0..before + after + 1).map(|lag| f64::from(dot(&whole, whole.get(lag..).unwrap_or_default()))).collect();
        Grid { points, common, half, bit }
    }

    /// The wave of a byte with every bit at its mean.
    fn seems(&self, byte: &SoftByte, earlier: Option<&SoftByte>, wave: &mut Vec<f32>) {
        wave.clear();
        wave.extend(&self.common);
        let last = earlier.and_then(|b| b.bits.last());
        let bits = std::iter::once(last).chain(byte.bits.iter().map(Some));
        for (bit, half) in bits.zip(&self.half) {
            let mean = bit.map_or(0.0, |b| (0.5 * b.0).tanh());
            wave.iter_mut().zip(half).for_each(|(w, h)| *w += mean * h);
        }
    }
}

/// Adds the Gram matrix of `taps` neighbours of a wave, over `n` places of them: upper half, row after row.
pub fn add_gram(wave: &[f32], n: usize, taps: usize, gram: &mut [f64]) {
    let mut row: Vec<f64> = (0..taps).map(|j| f64::from(dot(&wave[..n], &wave[j..]))).collect();
    let product = |i: usize, j: usize| f64::from(wave[i]) * f64::from(wave[j]);
    for i in 0..taps {
        for j in i..taps {
            gram[i * taps + j] += row[j];
        }
        // one place on along every diagonal: the last place comes, the first goes
        for j in (i + 1..taps).rev() {
            row[j] = row[j - 1] + product(n + i, n + j - 1) - product(i, j - 1);
        }
    }
}

/// Solves a symmetric system, upper half given, with a small ridge, by Cholesky; `None` when it holds nothing.
pub fn solve(gram: &mut [f64], right: &mut [f64]) -> Option<Vec<f32>> {
    let taps = right.len();
    for i in 0..taps {
        for j in 0..i {
            gram[i * taps + j] = gram[j * taps + i];
        }
    }
    let ridge = 0.003 * gram[0];
    for i in 0..taps {
        gram[i * taps + i] += ridge;
    }
    // Cholesky, then two triangular solves
    for i in 0..taps {
        for j in 0..=i {
            let mut sum = gram[i * taps + j];
            for k in 0..j {
                sum -= gram[i * taps + k] * gram[j * taps + k];
            }
            if i == j {
                if sum <= 0.0 {
                    return None;
                }
                gram[i * taps + i] = sum.sqrt();
            } else {
                gram[i * taps + j] = sum / gram[j * taps + j];
            }
        }
    }
    for i in 0..taps {
        let mut sum = right[i];
        for k in 0..i {
            sum -= gram[i * taps + k] * right[k];
        }
        right[i] = sum / gram[i * taps + i];
    }
    for i in (0..taps).rev() {
        let mut sum = right[i];
        for k in i + 1..taps {
            sum -= gram[k * taps + i] * right[k];
        }
        right[i] = sum / gram[i * taps + i];
    }
    Some(right.iter().map(|&v| v as f32).collect())
}
