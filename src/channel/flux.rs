//! The recorded wave: from pulses to level changes on the tape, and from level changes to samples.

use super::Knobs;
use super::random::{Purpose, Random};
use super::speed::{Band, Speed};
use crate::tape::Pulse;
use std::f64::consts::PI;

/// The level that holds from a place on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Seconds (of tape or of the take, as the list says).
    pub at: f64,
    /// −1, 0 (nothing written) or 1.
    pub level: f32,
}

/// The tape as recorded: level changes in tape seconds, in order, and its length. Depends on the tape's seed alone.
pub fn record(tape: &[Pulse], knobs: &Knobs, tape_seed: u64) -> (Vec<Edge>, f64) {
    let mut jitter = Random::new(tape_seed, Purpose::WriteJitter);
    let band = Band { rms: knobs.record_wow_rms, hz: knobs.record_wow_hz, random_share: knobs.wow_random_share };
    let speed = Speed::draw(knobs.record_speed_error, &[band], &mut Random::new(tape_seed, Purpose::RecordSpeed));
    let tick = knobs.write_tick_us * 1e-6;
    let whole = |s: f64| if tick > 0.0 { (s / tick).round().max(1.0) * tick } else { s };
    let mut edges: Vec<Edge> = Vec::with_capacity(tape.len() * 2 + 1);
    let mut now = 0.0;
    let mut write = |now: f64, level: f32, half: f64| {
        let late = if knobs.write_jitter_us > 0.0 {
            // Kept well inside the half cycle, so that edges stay in order.
            (jitter.normal() * knobs.write_jitter_us * 1e-6).clamp(-half / 4.0, half / 4.0)
        } else {
            0.0
        };
        edges.push(Edge { at: speed.position(now + late), level });
    };
    for pulse in tape {
        match *pulse {
            Pulse::Cycle(cycle) => {
                let half = whole(cycle / 2.0);
                write(now, 1.0, half);
                write(now + half, -1.0, half);
                now += 2.0 * half;
            }
            Pulse::Silence(s) => {
                write(now, 0.0, 0.0);
                now += s;
            }
        }
    }
    write(now, 0.0, 0.0);
    let end = speed.position(now);
    (edges, end)
}

/// Samples to either side of an edge that the band limit touches.
const REACH: usize = 12;
/// Steps of the table between samples; straight lines between them are off by less than 1e-5.
const STEPS: usize = 256;
/// Band limit as a fraction of the sample rate; the taper (Blackman) needs the room up to one half.
const CUTOFF: f64 = 0.42;

/// The band-limited step less the sharp one: what an edge adds to the samples around it.
pub struct Renderer {
    table: Vec<f32>,
}

impl Default for Renderer {
    fn default() -> Renderer {
        Renderer::new()
    }
}

impl Renderer {
    pub fn new() -> Renderer {
        // Integral of the tapered sinc by the midpoint rule, normalised so that the step ends at exactly 1.
        let count = 2 * REACH * STEPS;
        let kernel = |i: usize| {
            let x = (i as f64 + 0.5) / STEPS as f64 - REACH as f64;
            let taper = PI * x / REACH as f64;
            let blackman = 0.42 + 0.5 * libm::cos(taper) + 0.08 * libm::cos(2.0 * taper);
            libm::sin(2.0 * PI * CUTOFF * x) / (PI * x) * blackman
        };
        let mut sums = vec![0.0];
        let mut sum = 0.0;
        for i in 0..count {
            sum += kernel(i);
            sums.push(sum);
        }
        Renderer { table: sums.iter().map(|s| (s / sum) as f32).collect() }
    }

    /// Samples of a wave with these edges (in seconds of the take, in order), level 0 before the first. Alias-free to
    /// about 0.34 of the sample rate, edges placed to a fraction of a sample.
    pub fn render(&self, edges: &[Edge], rate: f64, samples: usize) -> Vec<f32> {
        let mut out = vec![0.0; samples];
        let mut before = 0.0;
        let sample_of = |edge: &Edge| edge.at * rate;
        for (i, edge) in edges.iter().enumerate() {
            let t = sample_of(edge);
            let next = edges.get(i + 1).map_or(samples as f64, sample_of);
            // Samples whose time is in [this edge, next edge) have its level; casts of negative numbers give 0.
            let (from, to) = ((t.ceil() as usize).min(samples), (next.ceil() as usize).min(samples));
            if from < to {
                out[from..to].iter_mut().for_each(|y| *y += edge.level);
            }
            let change = edge.level - before;
            before = edge.level;
            if change == 0.0 {
                continue;
            }
            let first = ((t - REACH as f64).ceil().max(0.0) as usize).min(samples);
            for (n, y) in out.iter_mut().enumerate().skip(first) {
                let x = n as f64 - t;
                let place = (x + REACH as f64) * STEPS as f64;
                let k = place as usize;
                if k + 1 >= self.table.len() {
                    break;
                }
                let part = (place - k as f64) as f32;
                let smooth = self.table[k] + part * (self.table[k + 1] - self.table[k]);
                let sharp = if x >= 0.0 { 1.0 } else { 0.0 };
                *y += change * (smooth - sharp);
            }
        }
        out
    }
}
