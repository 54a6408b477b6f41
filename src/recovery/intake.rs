//! Opens and receives the takes; bad ones are named and left out.

use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::Progress;
use crate::capture::Capture;
use crate::consensus::{Rejected, TakeReadings};
use crate::receiver::leader::{self, Survey};
use crate::receiver::signal::{Channel, Signal};
use crate::receiver::{self, Reading, Reception};
use crate::tape::Format;
use crate::{Error, capture};

/// A take that was received.
pub struct Received {
    pub path: PathBuf,
    pub sha256: String,
    pub samples_blake3: String,
    pub duration_s: f64,
    pub sample_rate: u32,
    pub channel: u16,
    pub channels: u16,
    pub levels: Vec<capture::ChannelLevel>,
    pub notes: Vec<String>,
    pub reception: Reception,
    /// Number (among the received) of an earlier take with the same samples: counted once.
    pub same_as: Option<usize>,
}

/// A take that could not be used.
pub struct Skipped {
    pub path: PathBuf,
    pub error: Error,
}

pub struct Intake {
    /// By file name, then content.
    pub received: Vec<Received>,
    pub skipped: Vec<Skipped>,
}

impl Intake {
    pub fn receive(paths: &[PathBuf], format: &dyn Format, progress: Progress) -> Result<Intake, Error> {
        if paths.is_empty() {
            return Err(Error::Usage("no takes given; name at least one audio file".into()));
        }
        let shares = Mutex::new(vec![0.0; paths.len()]);
        let tell = |i: usize, share: f64| {
            if let Ok(mut all) = shares.lock() {
                all[i] = share;
                progress(0.9 * all.iter().sum::<f64>() / all.len() as f64, "listening to the takes");
            }
        };
        let results: Vec<Result<Received, Error>> =
            paths.par_iter().enumerate().map(|(i, path)| receive_one(path, format, &|share| tell(i, share))).collect();
        let (mut received, mut skipped) = (Vec::new(), Vec::new());
        for (path, result) in paths.iter().zip(results) {
            match result {
                Ok(take) => received.push(take),
                Err(error) => skipped.push(Skipped { path: path.clone(), error }),
            }
        }
        received.sort_by(|a, b| order(a).cmp(&order(b)));
        skipped.sort_by(|a, b| a.path.cmp(&b.path));
        if received.is_empty() {
            return Err(skipped.remove(0).error);
        }
        for i in 1..received.len() {
            received[i].same_as = (0..i)
                .find(|&j| received[j].same_as.is_none() && received[j].samples_blake3 == received[i].samples_blake3);
        }
        Ok(Intake { received, skipped })
    }

    /// The readings of every take, with those left out that can't be data.
    pub fn readings(&self, format: &dyn Format) -> (Vec<TakeReadings>, Vec<Rejected>) {
        let grammar = format.grammar();
        let nominal = grammar.seconds(&grammar.byte_symbols(0));
        let mut rejected = Vec::new();
        let mut takes = Vec::new();
        for (t, take) in self.received.iter().enumerate() {
            let mut lengths: Vec<f64> = take
                .reception
                .readings
                .iter()
                .filter(|r| r.bytes() > 0)
                .map(|r| (r.to_s() - r.from_s()) / r.bytes() as f64)
                .collect();
            lengths.sort_by(f64::total_cmp);
            let speed = lengths.get(lengths.len() / 2).map_or(1.0, |l| nominal / l);
            let mut readings = take.reception.readings.clone();
            for (i, reading) in readings.iter_mut().enumerate() {
                let fault = match take.same_as {
                    Some(_) => Some(("same-samples", "The same samples as another take: counted once.".to_string())),
                    None => not_data(reading, format),
                };
                if let Some((code, reason)) = fault {
                    rejected.push(Rejected { take: t, reading: i, code, reason });
                    // the place stays, so that numbers keep their meaning; without bits it says nothing
                    reading.bits.clear();
                    reading.starts_s.clear();
                }
            }
            takes.push(TakeReadings { readings, speed });
        }
        (takes, rejected)
    }
}

/// Why a reading can't be data, if so: too short, or bytes that do not obey the checks within bytes more often than
/// chance has it.
fn not_data(reading: &Reading, format: &dyn Format) -> Option<(&'static str, String)> {
    let width = format.grammar().bits_per_byte;
    let least = if reading.copy.is_some() { 2 } else { 16 };
    if reading.bytes() < least {
        return Some(("too-short", format!("Only {} bytes were heard.", reading.bytes())));
    }
    let machine = format.checks_within_bytes(1);
    let words: Vec<Vec<bool>> = reading
        .bits
        .chunks(width)
        .filter(|c| c.iter().all(|l| l.0.abs() > 2.0))
        .map(|c| c.iter().map(|l| l.bit()).collect())
        .collect();
    let sure: Vec<bool> = words.iter().map(|w| crate::correction::obeys(machine.as_ref(), w)).collect();
    // a chord that is held repeats one byte; a stretch of nothing but one byte tells too little to be placed
    let kinds: std::collections::BTreeSet<&Vec<bool>> = words.iter().collect();
    let good = sure.iter().filter(|&&b| b).count();
    // half of all bytes have the right parity by luck: for n bytes that deviates by 0.5 sqrt(n). Music that happens to
    // repeat at the right pace gives few sure bytes
    let luck = 0.5 * sure.len() as f64 + 2.5 * (sure.len() as f64).sqrt();
    if reading.copy.is_none() && (sure.len() * 4 < reading.bytes() || (good as f64) < luck || kinds.len() < 4) {
        return Some(("no-structure", "No sync sequence, and the bytes do not obey their parity.".into()));
    }
    None
}

fn order(take: &Received) -> (Option<&std::ffi::OsStr>, &str, &Path) {
    (take.path.file_name(), &take.sha256, &take.path)
}

fn receive_one(path: &Path, format: &dyn Format, progress: &dyn Fn(f64)) -> Result<Received, Error> {
    let capture = Capture::open(path)?;
    let survey = capture.survey()?;
    progress(0.05);
    let info = capture.info();
    let (channel, heard, why) = choose_channel(&capture, format)?;
    let mut notes = info.notes.clone();
    notes.extend(why);
    let source = Channel { capture: &capture, channel };
    let reception = receiver::receive(&source, format.grammar(), format.layout(), heard, progress)?;
    Ok(Received {
        path: path.to_path_buf(),
        sha256: survey.sha256,
        samples_blake3: survey.samples_blake3,
        duration_s: capture.duration_s(),
        sample_rate: info.sample_rate,
        channel,
        channels: info.channels,
        levels: survey.channels,
        notes,
        reception,
        same_as: None,
    })
}

/// The channel on which leader tones stand out most, with its survey and a note when there was a choice.
fn choose_channel(capture: &Capture, format: &dyn Format) -> Result<(u16, Survey, Option<String>), Error> {
    let channels = capture.info().channels;
    let mut best: Option<(f64, u16, Survey)> = None;
    for channel in 0..channels {
        let source = Channel { capture, channel };
        let survey = leader::survey(&mut Signal::new(&source))?;
        let score = leader::clarity(&survey, format.grammar());
        if best.as_ref().is_none_or(|(s, _, _)| score > *s * 1.01) {
            best = Some((score, channel, survey));
        }
    }
    let Some((_, channel, survey)) = best else {
        return Err(Error::input(&capture.info().path, "has no channels"));
    };
    let note = (channels > 1)
        .then(|| format!("Channel {} of {channels} was read: its leader tones stand out most.", channel + 1));
    Ok((channel, survey, note))
}
