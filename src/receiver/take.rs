//! One take from start to end: long takes in stretches side by side, noisy runs twice.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::blocks::{Kept, NEAR, Noisy, Receiver};
use super::demodulate::{self, SoftByte};
use super::framing::{self, Run};
use super::leader::{self, Leader, Survey};
use super::signal::{Samples, Signal};
use super::track::DRIFT;
use crate::tape::{Grammar, Layout};
use crate::{Error, Llr};

/// One copy of one block as read in one take.
#[derive(Clone, Debug)]
pub struct Reading {
    /// Which copy, by its sync sequence (0 = first). `None`: no sync was recognised, and byte 0 here is no known place
    /// in the block.
    pub copy: Option<usize>,
    /// Log-likelihood ratio of the sync sequence against random bits, as far as the count goes on from it to byte 0.
    pub sync: f32,
    /// Soft bits of the payload and the check byte, `bits_per_byte` a byte, in tape order.
    pub bits: Vec<Llr>,
    /// Seconds from the beginning of the take at which each byte begins; one more for the end.
    pub starts_s: Vec<f64>,
    /// Evidence that the block ends after the last byte, if that was heard.
    pub end: Option<f32>,
    /// Bytes before which the count may be off by one or two.
    pub leaps: Vec<usize>,
    /// Mean gain of each byte against the waveform as learned, and noise of a bit against a full bit.
    pub gain: Vec<f32>,
    pub noise: Vec<f32>,
}

/// Evidence of a sync sequence (nats) from which the count of bytes is held by it: a byte of it that is well heard.
const HELD: f32 = 5.0;

impl Reading {
    /// Whether byte 0 is the first of the block. Without, the count may be off by one or two bytes, or is not known.
    pub fn framed(&self) -> bool {
        self.copy.is_some() && self.sync > HELD
    }

    /// Whether all its numbers are numbers.
    pub fn is_finite(&self) -> bool {
        let small = self.bits.iter().map(|l| l.0).chain([self.sync]).chain(self.end);
        small.chain(self.gain.iter().chain(&self.noise).copied()).all(f32::is_finite)
            && self.starts_s.iter().all(|s| s.is_finite())
    }

    pub fn bytes(&self) -> usize {
        self.starts_s.len().saturating_sub(1)
    }

    pub fn from_s(&self) -> f64 {
        self.starts_s.first().copied().unwrap_or(0.0)
    }

    pub fn to_s(&self) -> f64 {
        self.starts_s.last().copied().unwrap_or(0.0)
    }
}

/// Everything one take gave.
#[derive(Clone, Debug)]
pub struct Reception {
    pub readings: Vec<Reading>,
    pub survey: Survey,
    pub leaders: Vec<Leader>,
}

/// Receives a whole take. `survey` is what [`leader::survey`] heard of it; `progress` is told the share done, 0..1.
pub fn receive(
    samples: &dyn Samples,
    grammar: &Grammar,
    layout: &Layout,
    survey: Survey,
    progress: &(dyn Fn(f64) + Sync),
) -> Result<Reception, Error> {
    progress(0.2);
    let leaders = leader::leaders(&survey, grammar);
    let done = AtomicUsize::new(0);
    let tell = || {
        let done = done.fetch_add(1, Ordering::Relaxed) + 1;
        progress(0.2 + 0.6 * done as f64 / leaders.len() as f64);
    };
    let mut signal = Signal::new(samples);
    if let Some(noise) = &survey.noise {
        signal.whiten(noise);
    }
    let (runs, covered) = (Vec::new(), Vec::new());
    let mut receiver = Receiver {
        signal,
        grammar,
        layout,
        known: None,
        explained: 1.0,
        drift: DRIFT,
        runs,
        covered,
        leaders: &leaders,
    };
    receiver.learn(&survey)?;
    // all stretches side by side, from what one block has taught
    let of_stretch = |stretch: &&[Leader]| {
        let mut part = receiver.another();
        part.blocks(stretch, &tell)?;
        Ok((part.runs, part.covered, part.known))
    };
    let parts: Vec<_> = stretches(&leaders).par_iter().map(of_stretch).collect::<Result<_, Error>>()?;
    for (runs, covered, known) in parts {
        // a stretch that seemed to begin in the midst of a block
        let taken = receiver.covered.clone();
        let new = |from: f64| !taken.iter().any(|c| c.0 <= from && from < c.1);
        receiver.runs.extend(runs.into_iter().filter(|r| new(first_start(&r.run))));
        receiver.covered.extend(covered.into_iter().filter(|c| new(c.0)));
        receiver.known = known;
    }
    receiver.fill(&survey)?;
    let runs = heard_again(receiver.runs, &receiver.signal, grammar)?;
    progress(0.95);
    let mut readings = readings(&runs, receiver.signal.rate(), grammar, layout);
    readings.sort_by(|a, b| a.from_s().total_cmp(&b.from_s()));
    Ok(Reception { readings, survey, leaders })
}

/// Seconds of tape that are received in one go, at least, and of the leader that parts them.
const STRETCH_S: f64 = 240.0;
const PARTING_S: f64 = 3.0;

/// Leaders of a long take in groups, each of which begins with a leader that no block has in its midst.
fn stretches(leaders: &[Leader]) -> Vec<&[Leader]> {
    let mut begun = leaders.first().map_or(0.0, |l| l.from_s);
    leaders
        .chunk_by(|_, next| {
            let parted = next.from_s - begun >= STRETCH_S && next.to_s - next.from_s >= PARTING_S;
            if parted {
                begun = next.from_s;
            }
            !parted
        })
        .collect()
}

/// Noisy runs once more, each with the waveform that it and its neighbours have taught together. The places stay, and the
/// wave is fitted to bits as doubtful as they are: nothing confirms itself.
fn heard_again(mut kept: Vec<Kept>, signal: &Signal, grammar: &Grammar) -> Result<Vec<Run>, Error> {
    kept.sort_by(|a, b| first_start(&a.run).total_cmp(&first_start(&b.run)));
    let noisy: Vec<(usize, &Noisy)> =
        kept.iter().enumerate().filter_map(|(i, k)| Some((i, k.noisy.as_ref()?))).collect();
    let once_more = |n: usize| {
        let (run, one) = noisy[n];
        let mut all = one.fit.clone();
        let near = n.saturating_sub(NEAR)..(n + NEAR + 1).min(noisy.len());
        near.filter(|&other| other != n).for_each(|other| all.add(&noisy[other].1.fit));
        let mut shape = all.shape(grammar, &one.shape).unwrap_or_else(|| one.shape.clone());
        let bytes = demodulate::demodulate(&mut signal.another(), &mut shape, &one.places)?;
        Ok((run, bytes))
    };
    let again = (0..noisy.len()).into_par_iter().map(once_more).collect::<Result<Vec<_>, Error>>()?;
    let mut runs: Vec<Run> = kept.into_iter().map(|k| k.run).collect();
    again.into_iter().for_each(|(run, bytes)| runs[run].bytes = bytes);
    Ok(runs)
}

fn first_start(run: &Run) -> f64 {
    run.bytes.first().map_or(0.0, |b| b.start)
}

/// The copies of blocks that the runs hold.
fn readings(runs: &[Run], rate: f64, grammar: &Grammar, layout: &Layout) -> Vec<Reading> {
    let mut out = Vec::new();
    for run in runs {
        for part in framing::parts(run, grammar, layout) {
            let bytes: &[SoftByte] = &run.bytes[part.from..part.to];
            let Some(last) = bytes.last() else { continue };
            let mut starts_s: Vec<f64> = bytes.iter().map(|b| b.start / rate).collect();
            starts_s.push((last.start + last.period) / rate);
            out.push(Reading {
                copy: part.copy,
                sync: part.sync,
                bits: bytes.iter().flat_map(|b| b.bits.iter().copied()).collect(),
                starts_s,
                end: run.end.filter(|_| part.to == run.bytes.len()),
                leaps: run.leaps.iter().filter(|&&l| l > part.from && l < part.to).map(|l| l - part.from).collect(),
                gain: bytes.iter().map(|b| b.gain).collect(),
                noise: bytes.iter().map(|b| b.noise).collect(),
            });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tape of programs of 100 s, each with a long leader before its header and a short one before its data.
    #[test]
    fn a_long_take_is_parted_at_long_leaders_only() {
        let leader = |from_s: f64, length: f64| Leader { from_s, to_s: from_s + length, hz: 2800.0, spread: 0.005 };
        let leaders: Vec<Leader> =
            (0..8).flat_map(|i| [leader(100.0 * i as f64, 10.0), leader(100.0 * i as f64 + 15.0, 1.6)]).collect();
        let parts = stretches(&leaders);
        assert_eq!(parts.concat(), leaders);
        let begun: Vec<f64> = parts.iter().map(|p| p[0].from_s).collect();
        assert_eq!(begun, [0.0, 300.0, 600.0]);
        assert_eq!(stretches(&leaders[..4]).len(), 1);
        assert!(stretches(&[]).is_empty());
    }
}
