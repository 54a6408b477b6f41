//! Opens and receives the takes; bad ones are named and left out.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::{Progress, Wave};
use crate::capture::Capture;
use crate::consensus::{Rejected, TakeReadings};
use crate::receiver::leader::{self, Survey};
use crate::receiver::signal::Channel;
use crate::receiver::{self, Reading, Reception};
use crate::report::words;
use crate::tape::Format;
use crate::{Error, capture};

/// Word of [`capture::Container`] for pulse images.
const PULSES: &str = "pulse-image";

/// From this part of all samples on, full scale is no click or noise peak: the tone itself is cut off.
const CUT_OFF: f64 = 0.01;

/// What the person at the deck says about a take.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    pub deck: Option<String>,
    pub operator: Option<String>,
    pub notes: Vec<String>,
}

/// A take that was received.
pub struct Received {
    /// Its file; of a take that comes from a dossier the name alone.
    pub path: PathBuf,
    /// How the file was wrapped, and its bits per sample: see [`capture::Info`].
    pub container: String,
    pub bits: u16,
    pub origination: Option<capture::Origination>,
    pub about: About,
    pub sha256: String,
    pub samples_blake3: String,
    pub duration_s: f64,
    pub sample_rate: u32,
    pub channel: u16,
    pub channels: u16,
    pub levels: Vec<capture::ChannelLevel>,
    pub notes: Vec<String>,
    pub reception: Reception,
    /// The waveform of the readings, of a take that was received just now.
    pub wave: Option<Wave>,
    /// Number (among the received) of an earlier take with the same samples: counted once, and its readings left out.
    pub same_as: Option<usize>,
}

impl Default for Received {
    /// A take of which nothing is known and nothing was heard.
    fn default() -> Received {
        let survey = Survey { hop_s: 0.0, hops: Vec::new(), noise: None };
        Received {
            path: PathBuf::new(),
            container: String::new(),
            bits: 0,
            origination: None,
            about: About::default(),
            sha256: String::new(),
            samples_blake3: String::new(),
            duration_s: 0.0,
            sample_rate: 0,
            channel: 0,
            channels: 0,
            levels: Vec::new(),
            notes: Vec::new(),
            reception: Reception { readings: Vec::new(), survey, leaders: Vec::new() },
            wave: None,
            same_as: None,
        }
    }
}

impl Received {
    /// True for a pulse image: the waveform was thrown away when it was made.
    pub fn is_pulses(&self) -> bool {
        self.container == PULSES
    }

    /// Level of the channel that was read, if it is known.
    pub fn level(&self) -> Option<&capture::ChannelLevel> {
        self.levels.get(usize::from(self.channel))
    }

    /// Share of the samples at the ends of the scale, or of the wave, if it was recorded too loudly and the tone is cut off.
    pub fn cut_off(&self) -> Option<f64> {
        let level = self.level().filter(|level| !level.square)?;
        let share = level.clipped.max(level.flat) as f64 / (self.duration_s * f64::from(self.sample_rate));
        (share > CUT_OFF).then_some(share)
    }

    /// Name of the file without its folder.
    pub fn file(&self) -> String {
        file_name(&self.path)
    }
}

/// A take that could not be used.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Skipped {
    pub path: PathBuf,
    /// Why, without the folder: results do not depend on where files lie.
    pub reason: String,
}

#[derive(Default)]
pub struct Intake {
    /// By file name, then content.
    pub received: Vec<Received>,
    pub skipped: Vec<Skipped>,
    /// What the file system said of those skipped that it would not give: they are missing, and may hold data.
    pub missing: Vec<Error>,
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
        let one = |(i, path): (usize, &PathBuf)| guarded(path, || receive_one(path, format, &|share| tell(i, share)));
        let results: Vec<Result<Received, Error>> = paths.par_iter().enumerate().map(one).collect();
        let (mut received, mut skipped, mut errors) = (Vec::new(), Vec::new(), Vec::new());
        for (path, result) in paths.iter().zip(results) {
            match result {
                Ok(take) => received.push(take),
                Err(error) => {
                    let others = matches!(error, Error::Fault { .. }).then_some("; the other takes were used");
                    let reason = without_folder(&error.to_string(), path) + others.unwrap_or_default();
                    skipped.push(Skipped { path: path.clone(), reason });
                    errors.push((path, error));
                }
            }
        }
        errors.sort_by_key(|(path, _)| *path);
        if received.is_empty() {
            return Err(errors.remove(0).1);
        }
        let missing = errors.into_iter().map(|(_, e)| e).filter(|e| matches!(e, Error::Read { .. })).collect();
        Ok(Intake { missing, ..Intake::of(received, skipped) })
    }

    /// Puts takes in their order: by file name, then by content, whenever and from wherever they came. The same file
    /// given twice is one take; the same samples in another file are known for what they are.
    pub fn of(mut received: Vec<Received>, mut skipped: Vec<Skipped>) -> Intake {
        received.sort_by(|a, b| order(a).cmp(&order(b)));
        received.dedup_by(|b, a| a.file() == b.file() && a.sha256 == b.sha256);
        // a file that could be read after all is not missing
        skipped.retain(|s| received.iter().all(|r| r.file() != file_name(&s.path)));
        skipped.sort_by_key(|s| (file_name(&s.path), s.reason.clone()));
        skipped.dedup_by_key(|s| (file_name(&s.path), s.reason.clone()));
        for i in 0..received.len() {
            received[i].same_as = (0..i)
                .find(|&j| received[j].same_as.is_none() && received[j].samples_blake3 == received[i].samples_blake3);
            if received[i].same_as.is_some() {
                received[i].reception.readings.clear();
                received[i].wave = None;
            }
        }
        Intake { received, skipped, missing: Vec::new() }
    }

    /// The readings of every take, with those left out that can't be data.
    pub fn readings(&self, format: &dyn Format) -> (Vec<TakeReadings>, Vec<Rejected>) {
        let grammar = format.grammar();
        let nominal = grammar.seconds(&grammar.byte_symbols(0));
        let of_take = |(t, take): (usize, &Received)| {
            let mut rejected = Vec::new();
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
                if let Some((code, reason)) = not_data(reading, format) {
                    rejected.push(Rejected { take: t, reading: i, code, reason });
                    // the place stays, so that numbers keep their meaning; without bits it says nothing
                    reading.bits.clear();
                    reading.starts_s.clear();
                }
            }
            (TakeReadings { readings, speed }, rejected)
        };
        let (takes, rejected): (Vec<_>, Vec<_>) = self.received.par_iter().enumerate().map(of_take).unzip();
        (takes, rejected.concat())
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

fn order(take: &Received) -> (String, &str) {
    (take.file(), &take.sha256)
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned())
}

/// An error text without the folder.
fn without_folder(text: &str, path: &Path) -> String {
    text.replace(&path.display().to_string(), &file_name(path))
}

/// Receives a take. A fault of ours on one must not take the others with it.
fn guarded(path: &Path, receive: impl FnOnce() -> Result<Received, Error>) -> Result<Received, Error> {
    catch_unwind(AssertUnwindSafe(receive)).unwrap_or_else(|panic| {
        let text = panic.downcast_ref::<String>().map(String::as_str).or(panic.downcast_ref::<&str>().copied());
        Err(Error::Fault { path: path.to_path_buf(), what: text.unwrap_or("it ended in a panic").into() })
    })
}

fn receive_one(path: &Path, format: &dyn Format, progress: &(dyn Fn(f64) + Sync)) -> Result<Received, Error> {
    let capture = Capture::open(path)?;
    let (survey, chosen) = rayon::join(|| capture.survey(), || choose_channel(&capture, format));
    let (survey, (source, heard, why)) = (survey?, chosen?);
    progress(0.05);
    let info = capture.info();
    let channel = source.number();
    let mut notes = info.notes.clone();
    notes.extend(why);
    if let Some(lost) = survey.channels.get(usize::from(channel)).and_then(|level| level.lost) {
        if lost.samples == info.frames {
            let what = format!("none of its samples is a sound: {}", words::lost(lost, "all of them are"));
            return Err(Error::input(path, what));
        }
        let some = words::count(lost.samples as usize, "sample is", "samples are");
        notes.push(words::capital(&words::lost(lost, &some)));
    }
    if source.by_its_own_level() {
        notes.push("Its floats are scaled to another full scale than 1: read by their own level.".into());
    }
    let reception = receiver::receive(&source, format.grammar(), format.layout(), heard, progress)?;
    if !reception.readings.iter().all(Reading::is_finite) {
        let what = "the receiver gave numbers that can't be weighed".into();
        return Err(Error::Fault { path: path.to_path_buf(), what });
    }
    let mut wave = Wave::around(&source, &reception.readings)?;
    wave.pieces.iter_mut().for_each(|piece| piece.peak = (f64::from(piece.peak) / source.gain) as f32);
    Ok(Received {
        path: path.to_path_buf(),
        container: info.container.word().into(),
        bits: info.bits,
        origination: info.origination.clone(),
        about: About::default(),
        sha256: survey.sha256,
        samples_blake3: survey.samples_blake3,
        duration_s: capture.duration_s(),
        sample_rate: info.sample_rate,
        channel,
        channels: info.channels,
        levels: survey.channels,
        notes,
        reception,
        wave: Some(wave),
        same_as: None,
    })
}

/// The channel on which leader tones stand out most, with its survey and a note when there was a choice.
fn choose_channel<'a>(
    capture: &'a Capture,
    format: &dyn Format,
) -> Result<(Channel<'a>, Survey, Option<String>), Error> {
    let channels = capture.info().channels;
    let mut best: Option<(f64, Channel, Survey)> = None;
    for channel in 0..channels {
        let source = Channel::new(capture, channel)?;
        let survey = leader::survey(&source)?;
        let score = leader::clarity(&survey, format.grammar());
        if best.as_ref().is_none_or(|(s, _, _)| score > *s * 1.01) {
            best = Some((score, source, survey));
        }
    }
    let Some((_, source, survey)) = best else {
        return Err(Error::input(&capture.info().path, "has no channels"));
    };
    let number = source.number() + 1;
    let note =
        (channels > 1).then(|| format!("Channel {number} of {channels} was read: its leader tones stand out most."));
    Ok((source, survey, note))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_on_a_take_is_an_error_of_that_take() {
        let path = Path::new("marsh/side-a.wav");
        let error = guarded(path, || panic!("index out of bounds")).err().expect("an error");
        let told = error.to_string();
        assert!(told.contains("side-a.wav: a fault of quorate on this take (index out of bounds)"), "{told}");
        assert_eq!(guarded(path, || Ok(Received::default())).map(|r| r.channels).ok(), Some(0));
    }
}
