//! The waveform of a byte as it comes off this tape through this deck, on a grid of points that moves with the tape.
//!
//! For grammars whose bits all last the same time, a byte frame is x = g (mu + Σ_k b_k D_k) + noise with b_k = ±1:
//! `mu` is what all bytes have in common, `D` the half difference between a 1 and a 0, shifted by k cells. The model
//! is exact for any linear path from head to file; `D` reaches beyond its cell and so collects the smear of the
//! band limit.

use super::signal::Signal;
use crate::tape::Grammar;

/// Points taken before and after a byte in its frame.
pub const MARGIN: usize = 36;
/// Points by which `D` reaches into the cells before and after.
pub const REACH: (usize, usize) = (16, 32);

/// Where things lie in a byte, in units that scale with tape speed.
#[derive(Clone, Debug, PartialEq)]
pub struct Geometry {
    /// Symbol lengths relative to the leader symbol.
    pub relative: Vec<f64>,
    /// Byte, prefix and bit cell, in leader symbols.
    pub byte: f64,
    pub prefix: f64,
    pub cell: f64,
    pub bits: usize,
    /// Points per cell; the grid everything is sampled on.
    pub cell_points: usize,
}

impl Geometry {
    /// `rate` is the working rate: a point is about a sample.
    pub fn new(grammar: &Grammar, relative: &[f64], rate: f64) -> Geometry {
        let length = |symbols: &[usize]| symbols.iter().map(|&s| relative[s]).sum::<f64>();
        let (prefix, cell) = (length(&grammar.byte_prefix), length(&grammar.bit[0]));
        let bits = grammar.bits_per_byte;
        let seconds = cell * grammar.symbols[grammar.leader].cycle;
        Geometry {
            relative: relative.to_vec(),
            byte: prefix + cell * bits as f64,
            prefix,
            cell,
            bits,
            cell_points: (seconds * rate).round().max(8.0) as usize,
        }
    }

    /// Points from the start of one byte to the next; not a whole number.
    pub fn byte_points(&self) -> f64 {
        self.byte / self.cell * self.cell_points as f64
    }

    /// Points in a frame, both margins included.
    pub fn frame(&self) -> usize {
        self.byte_points().ceil() as usize + 2 * MARGIN
    }

    /// Frame index at which the cell of bit `k` begins (rounded once, the same for all `k`).
    pub fn offset(&self, k: usize) -> usize {
        MARGIN + (self.prefix / self.cell * self.cell_points as f64).round() as usize + k * self.cell_points
    }
}

/// A piecewise constant wave, for exact area sampling.
pub struct Wave {
    /// Segment ends, ascending, from 0; the integral of the wave up to each; the level of each.
    ends: Vec<f64>,
    integral: Vec<f64>,
    levels: Vec<f64>,
}

impl Wave {
    /// From (length, level) segments; zero outside.
    pub fn new(segments: impl IntoIterator<Item = (f64, f64)>) -> Wave {
        let mut wave = Wave { ends: vec![0.0], integral: vec![0.0], levels: Vec::new() };
        let (mut end, mut sum) = (0.0, 0.0);
        for (length, level) in segments {
            end += length;
            sum += length * level;
            wave.ends.push(end);
            wave.integral.push(sum);
            wave.levels.push(level);
        }
        wave
    }

    /// The square wave of a run of symbols: first half of each cycle high.
    pub fn of_symbols(symbols: &[usize], relative: &[f64], unit: f64) -> Wave {
        Wave::new(symbols.iter().flat_map(|&s| {
            let half = relative[s] * unit / 2.0;
            [(half, 1.0), (half, -1.0)]
        }))
    }

    fn up_to(&self, x: f64) -> f64 {
        let i = self.ends.partition_point(|&e| e <= x);
        if i == 0 {
            0.0
        } else if i == self.ends.len() {
            self.integral[i - 1]
        } else {
            self.integral[i - 1] + (x - self.ends[i - 1]) * self.levels[i - 1]
        }
    }

    /// Mean level over `x - width/2 .. x + width/2`.
    pub fn mean(&self, x: f64, width: f64) -> f64 {
        (self.up_to(x + width / 2.0) - self.up_to(x - width / 2.0)) / width
    }

    pub fn length(&self) -> f64 {
        self.ends[self.ends.len() - 1]
    }
}

/// The learned waveform.
#[derive(Clone, Debug)]
pub struct Shape {
    pub geometry: Geometry,
    /// What all bytes share, one value per frame point.
    pub mu: Vec<f32>,
    /// Half the difference between a 1 and a 0: `REACH.0 + cell_points + REACH.1` values.
    pub d: Vec<f32>,
    /// `d` with every frequency turned by 90 degrees: hears the same noise and none of the bit.
    pub quadrature: Vec<f32>,
    /// Inner products that follow from the two: |mu|², |d|², and <mu, D_k> per bit.
    pub mu_energy: f32,
    pub d_energy: f32,
    pub mu_d: Vec<f32>,
    /// <D_k, D_(k+1)>: how much of a neighbour a bit's correlator hears.
    pub d_next: f32,
    /// <quadrature_k, D_(k+j)> for j = −1, 0, 1: what the quadrature correlator hears of the bits.
    pub leak: [f32; 3],
}

/// What was written, as a wave: what all bytes share, and half the difference of a 1 and a 0 within its cell.
pub struct Written {
    zeros: Wave,
    ones: Wave,
    zero: Wave,
    one: Wave,
    byte: f64,
}

impl Written {
    /// `unit` is the leader symbol; all places are in the same measure.
    pub fn new(grammar: &Grammar, geometry: &Geometry, unit: f64) -> Written {
        let wave = |symbols: &[usize]| Wave::of_symbols(symbols, &geometry.relative, unit);
        // three bytes of zeros, and of ones; the middle one counts
        let three = |bit: usize| {
            let mut symbols = grammar.byte_prefix.clone();
            (0..geometry.bits).for_each(|_| symbols.extend(&grammar.bit[bit]));
            wave(&symbols.repeat(3))
        };
        let (zero, one) = (wave(&grammar.bit[0]), wave(&grammar.bit[1]));
        Written { zeros: three(0), ones: three(1), zero, one, byte: geometry.byte * unit }
    }

    /// Mean of both bit values at `x` from the start of a byte, whatever its neighbours.
    pub fn common(&self, x: f64) -> f64 {
        0.5 * (self.zeros.mean(x + self.byte, 1.0) + self.ones.mean(x + self.byte, 1.0))
    }

    /// Half the difference at `x` from the start of a cell.
    pub fn difference(&self, x: f64) -> f64 {
        0.5 * (self.one.mean(x, 1.0) - self.zero.mean(x, 1.0))
    }
}

impl Shape {
    /// From a channel response: `taps[i]` weighs the written wave `i - before` samples ago; `unit` is the leader
    /// symbol in samples.
    pub fn from_response(grammar: &Grammar, geometry: Geometry, taps: &[f32], before: usize, unit: f64) -> Shape {
        let written = Written::new(grammar, &geometry, unit);
        let (cell, lead) = (geometry.cell * unit, geometry.prefix * unit);
        let point = cell / geometry.cell_points as f64;
        let filtered = |wave: &dyn Fn(f64) -> f64, x: f64| -> f32 {
            taps.iter().enumerate().map(|(i, &h)| f64::from(h) * wave(x - (i as f64 - before as f64))).sum::<f64>()
                as f32
        };
        let mu = (0..geometry.frame())
            .map(|n| filtered(&|x| written.common(x), (n as f64 - MARGIN as f64) * point))
            .collect();
        let start = (geometry.offset(0) as f64 - MARGIN as f64) * point - lead;
        let d = (0..REACH.0 + geometry.cell_points + REACH.1)
            .map(|j| filtered(&|x| written.difference(x), start + (j as f64 - REACH.0 as f64) * point))
            .collect();
        let mut shape = Shape {
            geometry,
            mu,
            d,
            quadrature: Vec::new(),
            mu_energy: 0.0,
            d_energy: 0.0,
            mu_d: Vec::new(),
            d_next: 0.0,
            leak: [0.0; 3],
        };
        shape.refresh();
        shape
    }

    /// Band limit of what is learned: 8 kHz holds all that data has, and keeps noise above it out of the waveform.
    pub fn smoothed(wave: &[f32], rate: f64) -> Vec<f32> {
        let taps = low_pass(8000.0, rate, 8);
        let half = taps.len() / 2;
        (0..wave.len())
            .map(|i| {
                taps.iter()
                    .enumerate()
                    .filter_map(|(j, t)| (i + j).checked_sub(half).and_then(|at| wave.get(at)).map(|w| w * t))
                    .sum()
            })
            .collect()
    }

    /// A bare model for a take that has taught nothing: the written wave through a band limit of 5 kHz, turned by a
    /// quarter if asked (heads and amplifiers turn phase), times `sign`, and made white as the signal is.
    pub fn bare(signal: &Signal, grammar: &Grammar, relative: &[f64], unit: f64, turned: bool, sign: f32) -> Shape {
        let half = 24;
        let low: Vec<f32> = low_pass(5000.0, signal.rate(), half).iter().map(|t| t * sign).collect();
        let taps = signal.whitened(&if turned { turn_quarter(&low) } else { low });
        let geometry = Geometry::new(grammar, relative, signal.rate());
        Shape::from_response(grammar, geometry, &taps, half, unit)
    }

    /// Recomputes what follows from `mu` and `d`.
    pub fn refresh(&mut self) {
        let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f32>();
        let (from, to) = (MARGIN, self.mu.len() - MARGIN);
        self.mu_energy = dot(&self.mu[from..to], &self.mu[from..to]);
        self.d_energy = dot(&self.d, &self.d).max(1e-20);
        self.mu_d = (0..self.geometry.bits)
            .map(|k| {
                let at = self.geometry.offset(k) - REACH.0;
                dot(&self.d, &self.mu[at..at + self.d.len()])
            })
            .collect();
        let c = self.geometry.cell_points;
        self.d_next = dot(&self.d[c..], &self.d[..self.d.len() - c]);
        self.quadrature = turn_quarter(&self.d);
        let n = self.d.len();
        self.leak = [
            dot(&self.quadrature[..n - c], &self.d[c..]),
            dot(&self.quadrature, &self.d),
            dot(&self.quadrature[c..], &self.d[..n - c]),
        ];
    }

    /// Energy of a byte at gain 1, whatever its bits (neighbours' overlap aside).
    pub fn byte_energy(&self) -> f32 {
        self.mu_energy + self.d_energy * self.geometry.bits as f32
    }
}

/// Hann-windowed sinc of `2 half + 1` taps, unit gain.
fn low_pass(hz: f64, rate: f64, half: usize) -> Vec<f32> {
    let cut = (2.0 * hz / rate).min(1.0);
    let half = half as i32;
    (-half..=half)
        .map(|i| {
            let x = f64::from(i) * cut * std::f64::consts::PI;
            let sinc = if i == 0 { 1.0 } else { x.sin() / x };
            let window = 0.5 + 0.5 * (std::f64::consts::PI * f64::from(i) / f64::from(half + 1)).cos();
            (cut * sinc * window) as f32
        })
        .collect()
}

/// Hilbert transform of a short wave, cut to its own support.
fn turn_quarter(d: &[f32]) -> Vec<f32> {
    let n = d.len();
    // the discrete kernel 2 / (π m) for odd m (any text on the Hilbert transform)
    (0..n)
        .map(|i| {
            let mut sum = 0.0;
            for (j, v) in d.iter().enumerate() {
                let m = i as i64 - j as i64;
                if m % 2 != 0 {
                    sum += v * (2.0 / (std::f32::consts::PI * m as f32));
                }
            }
            sum
        })
        .collect()
}
