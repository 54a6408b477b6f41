//! One take from start to end.

use super::demodulate::{self, SoftByte};
use super::framing::{self, Run};
use super::leader::{self, Leader, Survey};
use super::shape::Shape;
use super::signal::{Samples, Signal};
use super::structure;
use super::sync::{Lock, Search};
use super::track::{self, Place, Stop, Track};
use crate::tape::{Grammar, Layout};
use crate::{Error, Llr};

/// One copy of one block as read in one take.
#[derive(Clone, Debug)]
pub struct Reading {
    /// Which copy, by its sync sequence (0 = first). `None`: no sync was recognised, and byte 0 here is no known place
    /// in the block.
    pub copy: Option<usize>,
    /// Log-likelihood ratio of the sync sequence against random bits.
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

impl Reading {
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

/// Seconds around the end of a leader in which the sync sequence is looked for.
const BEFORE_S: f64 = 0.22;
const AFTER_S: f64 = 0.2;
/// Longest block: 65,535 bytes, its check byte and its sync sequence.
const LONGEST: usize = 65_536 + 32;

struct Receiver<'a> {
    signal: Signal<'a>,
    grammar: &'a Grammar,
    layout: &'a Layout,
    /// What the take has taught: symbol lengths and waveform of the latest block.
    shape: Option<Shape>,
    unit: f64,
    runs: Vec<Run>,
    /// Samples that runs cover, in tape order once sorted.
    covered: Vec<(f64, f64)>,
}

/// Receives a whole take. `survey` is what [`leader::survey`] heard of it; `progress` is told the share done, 0..1.
pub fn receive(
    samples: &dyn Samples,
    grammar: &Grammar,
    layout: &Layout,
    survey: Survey,
    progress: &dyn Fn(f64),
) -> Result<Reception, Error> {
    let signal = Signal::new(samples);
    progress(0.2);
    let leaders = leader::leaders(&survey, grammar);
    let length = signal.len().max(1) as f64;
    let mut receiver = Receiver {
        signal,
        grammar,
        layout,
        shape: None,
        unit: 0.0,
        runs: Vec::new(),
        covered: Vec::new(),
    };
    let mut done = 0.0;
    for tone in &leaders {
        progress(0.2 + 0.6 * done / length);
        let rate = receiver.signal.rate();
        if (tone.to_s + AFTER_S) * rate <= done {
            continue;
        }
        let from = ((tone.to_s - BEFORE_S) * rate).max(done).max(0.0) as i64;
        let to = ((tone.to_s + AFTER_S) * rate) as i64;
        let copies = 0..layout.sync.len();
        if let Some(lock) = receiver.sync(rate / tone.hz, 0.006, copies, from, to)? {
            done = receiver.block(lock)?.max(done);
        }
    }
    receiver.fill(&survey)?;
    progress(0.95);
    let mut readings = receiver.readings();
    readings.sort_by(|a, b| a.from_s().total_cmp(&b.from_s()));
    Ok(Reception { readings, survey, leaders })
}

impl Receiver<'_> {
    fn sync(
        &mut self,
        unit: f64,
        spread: f64,
        copies: std::ops::Range<usize>,
        from: i64,
        to: i64,
    ) -> Result<Option<Lock>, Error> {
        let known = self.shape.as_ref().map(|s| vec![s.geometry.relative.clone()]);
        let learned = known.is_some();
        let mut search = Search {
            grammar: self.grammar,
            layout: self.layout,
            relative: known.unwrap_or_else(|| self.grammar.relative_lengths.clone()),
            unit,
            spread,
            copies,
        };
        let lock = search.run(&mut self.signal, from, to)?;
        // another machine may have written the next program
        if learned && lock.as_ref().is_none_or(|l| l.score < 0.5) {
            search.relative = self.grammar.relative_lengths.clone();
            let fresh = search.run(&mut self.signal, from, to)?;
            let better = |a: &Lock, b: &Option<Lock>| b.as_ref().is_none_or(|b| a.score > b.score + 0.05);
            return Ok(match fresh {
                Some(f) if better(&f, &lock) => Some(f),
                _ => lock,
            });
        }
        Ok(lock)
    }

    /// Follows a block from its sync sequence, and its further copies. Returns the sample where the last ended.
    fn block(&mut self, lock: Lock) -> Result<f64, Error> {
        let mut lock = lock;
        loop {
            let unit = lock.period / lock.shape.geometry.byte;
            let mut shape = lock.shape;
            let track =
                track::follow(&mut self.signal, &shape, lock.start, lock.period, lock.noise, 1.0, LONGEST)?;
            let next = track.next;
            let stopped = track.stop;
            self.unit = track.places.last().map_or(unit, |p| p.period / shape.geometry.byte);
            self.keep(track, 1.0, &mut shape, Some(lock.copy))?;
            let (unit, symbols) = (self.unit, self.layout.end.len() + self.layout.between);
            self.shape = Some(shape);
            if lock.copy + 1 >= self.layout.sync.len() || !matches!(stopped, Stop::Tone(_)) {
                return Ok(next);
            }
            // the next copy begins at a known distance
            let relative = &self.shape.as_ref().map(|s| s.geometry.relative.clone()).unwrap_or_default();
            let end: f64 = self.layout.end.iter().map(|&s| relative[s]).sum();
            let distance = unit * (end + (symbols - self.layout.end.len()) as f64);
            let slack = 0.4 * unit * 24.0;
            let from = (next + distance - slack - 30.0 * unit) as i64;
            let to = (next + distance + slack) as i64;
            match self.sync(unit, 0.003, lock.copy + 1..lock.copy + 2, from, to)? {
                Some(found) => lock = found,
                None => return Ok(next),
            }
        }
    }

    /// Smooths a track, demodulates it and keeps the run.
    fn keep(
        &mut self,
        mut track: Track,
        direction: f64,
        shape: &mut Shape,
        copy: Option<usize>,
    ) -> Result<(), Error> {
        track::smooth(&mut track, direction);
        if direction < 0.0 {
            track.places.reverse();
        }
        let end = match track.stop {
            Stop::Tone(evidence) if direction > 0.0 => Some(evidence),
            _ => None,
        };
        self.keep_places(track.places, end, shape, copy)
    }

    fn keep_places(
        &mut self,
        places: Vec<Place>,
        end: Option<f32>,
        shape: &mut Shape,
        copy: Option<usize>,
    ) -> Result<(), Error> {
        let (Some(first), Some(last)) = (places.first(), places.last()) else { return Ok(()) };
        self.covered.push((first.start, last.start + last.period));
        let bytes = demodulate::demodulate(&mut self.signal, shape, &places)?;
        self.runs.push(Run {
            bytes,
            leaps: (0..places.len()).filter(|&i| places[i].leap).collect(),
            lost: places.iter().map(|p| p.lost).collect(),
            end,
            lock: copy.map(|c| (0, c)),
        });
        Ok(())
    }

    /// Finds blocks whose leader or sync is gone, in what is not covered yet.
    fn fill(&mut self, survey: &Survey) -> Result<(), Error> {
        let Some(shape) = self.shape.clone() else { return Ok(()) };
        let period = self.unit * shape.geometry.byte;
        let rate = self.signal.rate();
        let hop = survey.hop_s * rate;
        let mut levels: Vec<f32> = survey
            .hops
            .iter()
            .enumerate()
            .filter(|(i, _)| self.covers(*i as f64 * hop, 0.0).is_some())
            .map(|(_, h)| h.level)
            .collect();
        levels.sort_by(f32::total_cmp);
        let typical = levels.get(levels.len() / 2).copied().unwrap_or(0.0);
        let mut i = 0;
        while i < survey.hops.len() {
            let at = i as f64 * hop;
            let h = &survey.hops[i];
            if let Some(end) = self.covers(at, 3.0 * period) {
                i = ((end / hop) as usize).max(i) + 1;
                continue;
            }
            i += 1;
            if h.level < 0.2 * typical || h.tone > 0.5 {
                continue;
            }
            let Some(found) = structure::find(&mut self.signal, &shape, at, period, 0.03)? else {
                i += 1;
                continue;
            };
            let noise = 0.3 * (shape.byte_energy() / shape.mu.len() as f32).sqrt();
            let mut learned = shape.clone();
            let mut ahead =
                track::follow(&mut self.signal, &learned, found.start, found.period, noise, 1.0, LONGEST)?;
            let before =
                track::follow(&mut self.signal, &learned, found.start, found.period, noise, -1.0, LONGEST)?;
            if ahead.places.len() + before.places.len() < 24 {
                continue;
            }
            let mut back = before;
            track::smooth(&mut ahead, 1.0);
            track::smooth(&mut back, -1.0);
            let end = if let Stop::Tone(e) = ahead.stop { Some(e) } else { None };
            let limit = self.covered.iter().filter(|c| c.1 <= found.start).map(|c| c.1).fold(0.0, f64::max);
            let roof =
                self.covered.iter().filter(|c| c.0 >= found.start).map(|c| c.0).fold(f64::INFINITY, f64::min);
            let mut places: Vec<Place> =
                back.places.into_iter().skip(1).filter(|p| p.start > limit - 0.5 * period).collect();
            places.reverse();
            let whole = ahead.next < roof;
            places.extend(ahead.places.into_iter().filter(|p| p.start < roof - 0.5 * period));
            let next = places.last().map_or(at, |p| p.start + p.period);
            self.keep_places(places, end.filter(|_| whole), &mut learned, None)?;
            i = i.max((next / hop) as usize);
        }
        Ok(())
    }

    fn covers(&self, at: f64, slack: f64) -> Option<f64> {
        self.covered.iter().find(|c| at >= c.0 - slack && at < c.1 + slack).map(|c| c.1)
    }

    fn readings(&self) -> Vec<Reading> {
        let rate = self.signal.rate();
        let mut out = Vec::new();
        for run in &self.runs {
            for part in framing::parts(run, self.grammar, self.layout) {
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
}
