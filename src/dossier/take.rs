//! A take in the dossier: one folder for all files with the same samples, under the hash of the samples.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::files::{Sealed, shown};
use super::npy;
use crate::capture::{ChannelLevel, Origination};
use crate::export::atomic::{self, Existing};
use crate::export::record::hash;
use crate::receiver::Reading;
use crate::receiver::leader::Leader;
use crate::recovery::{About, Received, WavePiece};
use crate::{Error, Llr};

pub const SCHEMA: &str = "quorate/take/1";
/// The arrays of a take, in its folder beside `take.json`.
pub const BITS: &str = "bits.npy";
pub const STARTS: &str = "starts.npy";
pub const LEARNED: &str = "learned.npy";
pub const WAVE: &str = "wave.npy";

/// `take.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TakeRecord {
    pub schema: String,
    /// Hash of the samples alone: [`crate::capture::Survey::samples_blake3`]. Its first 16 digits name the folder.
    #[serde(deserialize_with = "hash")]
    pub samples_blake3: String,
    /// Files with these samples, by name, then by hash. The readings are those of the first.
    pub files: Vec<FileRecord>,
    pub bits_per_byte: usize,
    pub leaders: Vec<LeaderRecord>,
    pub readings: Vec<ReadingRecord>,
    pub wave: WaveRecord,
}

/// Where a take comes from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileRecord {
    /// Without its folder.
    pub file: String,
    /// Of the whole file.
    #[serde(deserialize_with = "hash")]
    pub sha256: String,
    pub container: String,
    /// Bits of a sample; 0 for a pulse image.
    pub bits: u16,
    pub sample_rate: u32,
    pub duration_s: f64,
    pub channels: u16,
    /// The channel that was read, from 1.
    pub channel: u16,
    pub levels: Vec<ChannelLevel>,
    /// What was odd about it, and how it was taken.
    pub notes: Vec<String>,
    /// The `bext` chunk of a broadcast WAV.
    pub origination: Option<Origination>,
    /// What the person at the deck said.
    pub about: About,
}

/// A steady tone.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeaderRecord {
    pub from_s: f64,
    pub to_s: f64,
    pub hz: f64,
    pub spread: f64,
}

/// One copy of one block as read: see [`Reading`]. Its soft bits are the rows `first_byte..first_byte + bytes` of
/// `bits.npy`, gain and noise the same rows of `learned.npy`; the reading with number k (from 0) has the places
/// `first_byte + k..first_byte + k + bytes + 1` of `starts.npy`, the last one being its end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingRecord {
    pub first_byte: usize,
    pub bytes: usize,
    pub copy: Option<usize>,
    pub sync: f32,
    pub end: Option<f32>,
    pub leaps: Vec<usize>,
}

/// `wave.npy`: a piece for every reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WaveRecord {
    pub rate: f64,
    pub pieces: Vec<WavePiece>,
}

/// Folder of a take within the dossier.
pub fn folder(samples_blake3: &str) -> String {
    format!("takes/{}", samples_blake3.get(..16).unwrap_or(samples_blake3))
}

impl FileRecord {
    pub fn of(take: &Received) -> FileRecord {
        FileRecord {
            file: take.file(),
            sha256: take.sha256.clone(),
            container: take.container.clone(),
            bits: take.bits,
            sample_rate: take.sample_rate,
            duration_s: take.duration_s,
            channels: take.channels,
            channel: take.channel + 1,
            levels: take.levels.clone(),
            notes: take.notes.clone(),
            origination: take.origination.clone(),
            about: take.about.clone(),
        }
    }
}

/// Writes a take that was received just now into `folder`, which is made. `others` are files with the same samples.
///
/// Errors: [`Error::Write`]; also if a number is not finite, which would be a fault of ours.
pub fn write(
    folder: &Path,
    take: &mut Received,
    others: &[&Received],
    bits_per_byte: usize,
) -> Result<TakeRecord, Error> {
    atomic::folder(folder)?;
    let readings = &take.reception.readings;
    let bytes: usize = readings.iter().map(Reading::bytes).sum();
    put(folder, BITS, &[bytes, bits_per_byte], readings.iter().flat_map(|r| r.bits.iter().map(|l| l.0)))?;
    let learned = |r: &Reading| r.gain.iter().zip(&r.noise).flat_map(|(&g, &n)| [g, n]).collect::<Vec<f32>>();
    put(folder, LEARNED, &[bytes, 2], readings.iter().flat_map(learned))?;
    let places = bytes + readings.len();
    put(folder, STARTS, &[places], readings.iter().flat_map(|r| r.starts_s.iter().copied()))?;
    let mut first_byte = 0;
    let mut table = Vec::with_capacity(readings.len());
    for r in readings {
        let (bytes, copy, sync, end) = (r.bytes(), r.copy, r.sync, r.end);
        table.push(ReadingRecord { first_byte, bytes, copy, sync, end, leaps: r.leaps.clone() });
        first_byte += bytes;
    }
    let mut wave = WaveRecord { rate: 0.0, pieces: Vec::new() };
    if let Some(heard) = &mut take.wave {
        wave = WaveRecord { rate: heard.rate, pieces: heard.pieces.clone() };
        let path = folder.join(WAVE);
        atomic::write_with(&path, Existing::Keep, |out| {
            npy::write::<i8>(out, &[heard.samples() as usize], std::iter::empty())?;
            heard.copy_to(out)
        })?;
    } else {
        put::<i8>(folder, WAVE, &[0], std::iter::empty())?;
    }
    let mut files = vec![FileRecord::of(take)];
    files.extend(others.iter().map(|o| FileRecord::of(o)));
    let leader = |l: &Leader| LeaderRecord { from_s: l.from_s, to_s: l.to_s, hz: l.hz, spread: l.spread };
    let record = TakeRecord {
        schema: SCHEMA.into(),
        samples_blake3: take.samples_blake3.clone(),
        files,
        bits_per_byte,
        leaders: take.reception.leaders.iter().map(leader).collect(),
        readings: table,
        wave,
    };
    write_record(folder, &record)?;
    Ok(record)
}

/// Writes `take.json`.
pub fn write_record(folder: &Path, record: &TakeRecord) -> Result<(), Error> {
    let path = folder.join("take.json");
    atomic::write(&path, Existing::Keep, super::files::json(&path, record)?.as_bytes())
}

fn put<T: npy::Number + Into<f64>>(
    folder: &Path,
    name: &str,
    shape: &[usize],
    numbers: impl Iterator<Item = T>,
) -> Result<(), Error> {
    let path = folder.join(name);
    let (mut count, mut finite) = (0, true);
    let seen = numbers.inspect(|&n| {
        count += 1;
        finite &= n.into().is_finite();
    });
    atomic::write_with(&path, Existing::Keep, |out| npy::write(out, shape, seen))?;
    if finite && count == shape.iter().product::<usize>() {
        return Ok(());
    }
    let what = "the receiver gave numbers that can't be kept; this is a fault of quorate, please report it";
    Err(Error::write(&path, std::io::Error::other(what)))
}

/// Reads `take.json` in `folder`, a path within the dossier.
pub fn read_record(files: &Sealed, folder: &str) -> Result<TakeRecord, Error> {
    let name = format!("{folder}/take.json");
    let record: TakeRecord = files.json(&name, SCHEMA)?;
    let bad = |what: &str| Err(Error::input(&files.path(&name), what));
    if self::folder(&record.samples_blake3) != folder {
        return bad("is of other samples than its folder's name says; restore the folder from a copy");
    }
    if record.files.is_empty() || record.files.iter().any(|f| f.channel == 0) {
        return bad("names no file, or no channel; restore it from a copy");
    }
    let mut next = 0;
    for r in &record.readings {
        let leaps_in_order = r.leaps.is_sorted_by(|a, b| a < b) && r.leaps.last().is_none_or(|&l| l < r.bytes);
        if r.first_byte != next || !leaps_in_order {
            return bad("its table of readings does not hang together; restore it from a copy");
        }
        next = r.first_byte.saturating_add(r.bytes);
    }
    Ok(record)
}

/// The take as it was received, once for every file with these samples. The waveform stays on the disk.
pub fn read(files: &Sealed, record: &TakeRecord) -> Result<Vec<Received>, Error> {
    let folder = folder(&record.samples_blake3);
    let width = record.bits_per_byte;
    let bytes: usize = record.readings.iter().map(|r| r.bytes).sum();
    let bits = array::<f32>(files, &folder, BITS, &[bytes, width])?;
    let learned = array::<f32>(files, &folder, LEARNED, &[bytes, 2])?;
    let starts = array::<f64>(files, &folder, STARTS, &[bytes + record.readings.len()])?;
    let mut out: Vec<Received> = record.files.iter().map(|file| received(file, &record.samples_blake3)).collect();
    let reading = |(k, r): (usize, &ReadingRecord)| {
        let rows = r.first_byte..r.first_byte + r.bytes;
        let learned = &learned[2 * rows.start..2 * rows.end];
        Reading {
            copy: r.copy,
            sync: r.sync,
            bits: bits[width * rows.start..width * rows.end].iter().map(|&l| Llr(l)).collect(),
            starts_s: starts[rows.start + k..rows.end + k + 1].to_vec(),
            end: r.end,
            leaps: r.leaps.clone(),
            gain: learned.iter().step_by(2).copied().collect(),
            noise: learned.iter().skip(1).step_by(2).copied().collect(),
        }
    };
    let leader = |l: &LeaderRecord| Leader { from_s: l.from_s, to_s: l.to_s, hz: l.hz, spread: l.spread };
    if let Some(first) = out.first_mut() {
        first.reception.readings = record.readings.iter().enumerate().map(reading).collect();
        first.reception.leaders = record.leaders.iter().map(leader).collect();
    }
    Ok(out)
}

fn received(file: &FileRecord, samples_blake3: &str) -> Received {
    Received {
        path: PathBuf::from(&file.file),
        container: file.container.clone(),
        bits: file.bits,
        origination: file.origination.clone(),
        about: file.about.clone(),
        sha256: file.sha256.clone(),
        samples_blake3: samples_blake3.into(),
        duration_s: file.duration_s,
        sample_rate: file.sample_rate,
        channel: file.channel - 1,
        channels: file.channels,
        levels: file.levels.clone(),
        notes: file.notes.clone(),
        ..Received::default()
    }
}

fn array<T: npy::Number + Into<f64>>(
    files: &Sealed,
    folder: &str,
    name: &str,
    shape: &[usize],
) -> Result<Vec<T>, Error> {
    let name = format!("{folder}/{name}");
    let bad = |what: String| Error::input(&files.path(&name), what + "; restore it from a copy");
    let array = npy::read::<T>(&files.read(&name)?).map_err(bad)?;
    if array.shape != shape {
        return Err(bad(format!("has the shape {:?}, and take.json wants {shape:?}", array.shape)));
    }
    if array.numbers.iter().any(|&n| !n.into().is_finite()) {
        return Err(bad("holds what is not a finite number".into()));
    }
    Ok(array.numbers)
}

/// The waveform of all readings of a take, as kept.
pub struct Waves {
    record: WaveRecord,
    samples: Vec<i8>,
}

impl Waves {
    pub fn read(files: &Sealed, record: &TakeRecord) -> Result<Waves, Error> {
        let total: u64 = record.wave.pieces.iter().map(|p| p.samples).sum();
        let samples = array(files, &folder(&record.samples_blake3), WAVE, &[total as usize])?;
        Ok(Waves { record: record.wave.clone(), samples })
    }

    /// A stretch of a reading, from `from_s` to `to_s` seconds of the take, in parts of the reading's own peak (-1 to 1);
    /// empty where nothing was kept.
    pub fn cut(&self, reading: usize, from_s: f64, to_s: f64) -> Vec<f32> {
        let Some(piece) = self.record.pieces.get(reading) else { return Vec::new() };
        let at = |s: f64| (((s - piece.from_s) * self.record.rate).round().max(0.0) as u64).min(piece.samples);
        let (from, to) = (piece.at + at(from_s), piece.at + at(to_s));
        let part = self.samples.get(from as usize..to as usize).unwrap_or(&[]);
        part.iter().map(|&x| f32::from(x) / 127.0).collect()
    }
}

impl TakeRecord {
    /// Name of its first file, fit for a screen.
    pub fn name(&self) -> String {
        self.files.first().map_or_else(String::new, |f| shown(&f.file))
    }
}
