//! Clean audio of a tape, to record on a new cassette for the real machine: WAV, 44.1 kHz, 16 bit, mono.
//!
//! The wave is the machine's own square wave with softened edges: each edge is a Gaussian step, that is the square wave
//! behind a Gaussian low-pass. Its spectrum falls as exp(−2π²σ²f²), −3 dB at 6 kHz: at 34.1 kHz and above, which fold
//! to 10 kHz and below where the data are, it is more than 95 dB down. It never overshoots, so the peak is the
//! level, and an edge is exactly where it belongs, between samples too.

use std::io;
use std::path::Path;

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::Error;
use crate::export::{atomic, atomic::Existing};
use crate::tape::Pulse;

pub const SAMPLE_RATE: u32 = 44_100;
/// −3 dBFS: full level without driving the recorder's input into clipping.
const LEVEL: f64 = 0.707_945_784;
/// Standard deviation of an edge in seconds.
const EDGE_S: f64 = 22e-6;
/// Beyond this many standard deviations an edge is over: 3e-7 of a step is left, far under half a bit of 16.
const REACH: f64 = 5.0;
/// Steps of the table of the Gaussian step to a standard deviation: between them a straight line is right to 1e-7.
const TABLE_STEPS: f64 = 512.0;
/// Silence before and after, in seconds, so that the first and last edges are whole.
const MARGIN_S: f64 = 0.1;
/// Samples that fit a WAV file: 32-bit sizes in bytes, less room for the header.
const MOST_SAMPLES: f64 = ((u32::MAX - 1024) / 2) as f64;

/// Which way up the wave goes. Recorders differ: if the machine does not read a new cassette, write the other one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Polarity {
    /// Each cycle is high, then low.
    Normal,
    /// Each cycle is low, then high.
    Inverted,
}

/// Writes the tape as audio, 0.1 s of silence before and after it. Times that are not positive are left out.
///
/// Errors: [`Error::Write`], [`Error::Refused`], [`Error::Limit`] for more than 13 hours.
pub fn write(path: &Path, existing: Existing, pulses: &[Pulse], polarity: Polarity) -> Result<(), Error> {
    let seconds = pulses.iter().filter(|pulse| plays(pulse)).map(|pulse| pulse.seconds()).sum::<f64>() + 2.0 * MARGIN_S;
    let samples = (seconds * f64::from(SAMPLE_RATE)).ceil();
    if samples > MOST_SAMPLES {
        return Err(Error::limit(path, "a WAV file holds 13 hours at most; write the programs one by one"));
    }
    let spec = WavSpec { channels: 1, sample_rate: SAMPLE_RATE, bits_per_sample: 16, sample_format: SampleFormat::Int };
    atomic::write_with(path, existing, |out| {
        let mut wav = WavWriter::new(out, spec).map_err(as_io)?;
        wave(pulses, polarity, samples as u64, |part| {
            let mut some = wav.get_i16_writer(part.len() as u32);
            // rounded to the nearest; the shift keeps all values positive, where a cast rounds down
            part.iter().for_each(|v| some.write_sample(((v * 32767.0 + 32768.5) as i32 - 32768) as i16));
            some.flush().map_err(as_io)
        })?;
        wav.finalize().map_err(as_io)
    })
}

fn as_io(error: hound::Error) -> io::Error {
    match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other),
    }
}

fn plays(pulse: &Pulse) -> bool {
    pulse.seconds() > 0.0 && pulse.seconds().is_finite()
}

/// A change of level: when, in seconds from the first sample, and by how much.
type Edge = (f64, f64);

fn edges(pulses: &[Pulse], polarity: Polarity) -> impl Iterator<Item = Edge> {
    let high = if polarity == Polarity::Normal { LEVEL } else { -LEVEL };
    let (mut time, mut level) = (MARGIN_S, 0.0);
    (pulses.iter().filter(|pulse| plays(pulse)))
        .flat_map(move |&pulse| match pulse {
            Pulse::Cycle(s) => [(s / 2.0, high), (s / 2.0, -high)],
            Pulse::Silence(s) => [(s, 0.0), (0.0, 0.0)],
        })
        // the tape ends in silence
        .chain([(0.0, 0.0)])
        .map(move |(seconds, next)| {
            let edge = (time, next - level);
            time += seconds;
            level = next;
            edge
        })
        .filter(|edge| edge.1 != 0.0)
}

/// Samples handed on at a time.
const PART: usize = 1 << 14;

/// The samples, in units of full scale, in parts: each edge is laid where it falls, and from where it is over the level
/// goes on.
fn wave<E>(
    pulses: &[Pulse],
    polarity: Polarity,
    samples: u64,
    mut write: impl FnMut(&[f64]) -> Result<(), E>,
) -> Result<(), E> {
    let last = (2.0 * REACH * TABLE_STEPS) as usize + 1;
    let table: Vec<f64> = (0..=last).map(|i| normal_cdf(i as f64 / TABLE_STEPS - REACH)).collect();
    let rate = f64::from(SAMPLE_RATE);
    let reach = REACH * EDGE_S * rate;
    let scale = TABLE_STEPS / (EDGE_S * rate);
    let room = 2 * reach as usize + 3;
    let mut coming = edges(pulses, polarity).peekable();
    // how the level changes, and what edges add to it while they last; some room beyond the part for late ones
    let (mut steps, mut slopes) = (vec![0.0; PART + room], vec![0.0; PART + room]);
    let mut level = 0.0;
    for from in (0..samples).step_by(PART) {
        while let Some((time, change)) = coming.next_if(|edge| edge.0 * rate - reach < (from + PART as u64) as f64) {
            let middle = time * rate - from as f64;
            let begin = (middle - reach).ceil().max(0.0);
            let mut n = begin as usize;
            let mut at = (begin - middle + reach) * scale;
            while at < last as f64 {
                let i = at as usize;
                slopes[n] += change * (table[i] + (at - i as f64) * (table[i + 1] - table[i]));
                at += scale;
                n += 1;
            }
            steps[n] += change;
        }
        let count = PART.min((samples - from) as usize);
        for (slope, step) in slopes[..count].iter_mut().zip(&steps) {
            level += step;
            *slope += level;
        }
        write(&slopes[..count])?;
        for row in [&mut steps, &mut slopes] {
            row.copy_within(PART.., 0);
            row[room..].fill(0.0);
        }
    }
    Ok(())
}

/// The Gaussian step, from the error function: Φ(x) = (1 + erf(x/√2)) / 2 (Abramowitz & Stegun 26.2.29, from memory).
/// `libm` and not the system's: the same bytes on every machine.
fn normal_cdf(x: f64) -> f64 {
    0.5 * (1.0 + libm::erf(x * std::f64::consts::FRAC_1_SQRT_2))
}
