//! Soft bits where a bit's length depends on its value: a segmental forward–backward pass over words and durations.
//!
//! [`read`] takes a run of bits whose beginning and speed are roughly known (a leader and a sync sequence tell them) and
//! gives every bit its log-likelihood ratio, all timings summed out. How it goes, file by file:
//!
//! 1. `pace`: the signal is laid on a grid whose points follow the tape's speed, so that words keep their lengths.
//! 2. `words`: the waveform and the length of each word (the pulses of one bit value), learned from the take by soft
//!    decisions; `ear`: the evidence of a segment, heavy-tailed, at the gain and noise of the place.
//! 3. `lattice`: forward–backward over boundaries, window by window. It knows no bit numbers: it serves learning, and says
//!    which boundaries are plausible.
//! 4. `counts`: which word is the how-manieth. Under a dropout the number of bits is uncertain by some thirty in 30 ms;
//!    everywhere else the chain of boundaries is sharp. So what is known of the number matters, and is told by [`Extent`]:
//!    with the number of bits given, a dropout costs the bits under it and nothing else, since the bits behind it are
//!    counted from the end; with the end given, the most probable number is taken, its chance stated
//!    ([`Run::count_chance`]), and the bits from which the count may be off are listed ([`Run::leaps`]).
//!
//! Memory: some 200 bytes a bit for the plausible boundaries, up to [`KEPT`] in all; what is beyond is computed again when
//! needed.

mod counts;
mod ear;
mod lattice;
mod pace;
mod study;
mod sweep;
mod words;

#[cfg(test)]
mod tests;

use super::signal::Signal;
use super::take::Reading;
use crate::tape::Grammar;
use crate::{Error, Llr};

/// How long a run of bits is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Extent {
    /// So many bits; where they end is found.
    Bits(usize),
    /// Until this working sample, give or take this standard deviation (at least a sample); how many bits is found.
    Until(f64, f64),
}

/// A run of bits to be read.
#[derive(Clone, Copy, Debug)]
pub struct Passage<'a> {
    /// Working sample at which the first bit (or the first byte's prefix) begins, and its standard deviation: at most a
    /// third of the shortest bit.
    pub start: f64,
    pub start_deviation: f64,
    /// Tape speed there, 1 = the grammar's lengths (1.02 plays 2 % fast), and how far off it may be, as a fraction.
    pub speed: f64,
    pub speed_spread: f64,
    pub extent: Extent,
    /// What is known beforehand, by bit (start and stop bits, a sync sequence): ln P(1)/P(0). Bits beyond its end are
    /// unknown. It helps to place the other bits; it never enters a bit's own soft bit.
    pub prior: &'a [Llr],
}

/// A run of bits as read.
#[derive(Clone, Debug)]
pub struct Run {
    /// Evidence for every bit, its own prior left out; at most 12 nats.
    pub bits: Vec<Llr>,
    /// Working sample at which each bit begins on average over all ways to read the run; one more for the end.
    pub starts: Vec<f64>,
    /// Chance of this number of bits by the signal (and the priors) alone.
    pub count_chance: f64,
    /// Bits before which the count may be off; none when the number was given.
    pub leaps: Vec<usize>,
    /// Gain against the waveform as learned, and noise per point of the grid over the rms of the waveform, where each bit is.
    pub gain: Vec<f32>,
    pub noise: Vec<f32>,
}

impl Run {
    /// The run as a reading: `rate` working samples a second, `bits_per_byte` as in the grammar; bits behind the last
    /// whole byte are left out.
    pub fn reading(&self, copy: Option<usize>, sync: f32, bits_per_byte: usize, rate: f64) -> Reading {
        let bytes = self.bits.len() / bits_per_byte;
        let mean = |v: &[f32]| v.iter().sum::<f32>() / v.len() as f32;
        let each = |v: &[f32]| v.chunks_exact(bits_per_byte).map(mean).collect();
        let mut leaps: Vec<usize> = self.leaps.iter().map(|l| l / bits_per_byte).filter(|l| *l < bytes).collect();
        leaps.dedup();
        Reading {
            copy,
            sync,
            bits: self.bits[..bytes * bits_per_byte].to_vec(),
            starts_s: (0..=bytes).map(|b| self.starts[b * bits_per_byte] / rate).collect(),
            end: None,
            leaps,
            gain: each(&self.gain),
            noise: each(&self.noise),
        }
    }
}

/// Most bytes of plausible boundaries kept at a time.
pub const KEPT: usize = 48 << 20;

/// Reads a run of bits. Without any sample that could be one, or when no way to read the passage has the number of bits
/// that was given, there is no run: `None`.
///
/// Fails when the samples can't be read, or a passage makes no sense ([`Error::Usage`]).
pub fn read(signal: &mut Signal, grammar: &Grammar, passage: &Passage) -> Result<Option<Run>, Error> {
    read_keeping(signal, grammar, passage, KEPT)
}

fn read_keeping(signal: &mut Signal, grammar: &Grammar, passage: &Passage, kept: usize) -> Result<Option<Run>, Error> {
    let sound = passage.start.is_finite()
        && passage.start_deviation > 0.0
        && (0.5..2.0).contains(&passage.speed)
        && (0.0..0.2).contains(&passage.speed_spread)
        && grammar.bit.iter().all(|word| !word.is_empty());
    let extent = match passage.extent {
        Extent::Bits(bits) => bits > 0,
        Extent::Until(end, deviation) => end > passage.start && deviation >= 1.0,
    };
    if !sound || !extent {
        return Err(Error::Usage(
            "a run of bits needs a start with a deviation above 0, a speed between 0.5 and 2 known to 20 %, at least one \
             bit, and an end behind its start with a deviation of at least a sample"
                .into(),
        ));
    }
    let Some(studied) = study::study(signal, grammar, passage)? else { return Ok(None) };
    sweep::sweep(signal, grammar, passage, &studied, kept)
}
