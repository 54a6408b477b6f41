//! Capture files in, samples of one channel out, with provenance.
//!
//! [`Capture::open`] tells the kind of file by its content, never by its name: WAV, RF64 and BW64, FLAC, or a pulse
//! image. [`Capture::read`] gives any stretch of one channel, from any thread. [`Capture::survey`] passes over the whole
//! file once for its hashes and levels. Memory stays bounded however long the capture is: WAV is read in place, FLAC is
//! decoded into an unlinked temporary file, and a pulse image is drawn on demand from an index of its pulses.
//!
//! Samples are `f32`, full scale ±1.0: an integer sample of `n` bits is divided by 2^(n−1), a float is taken as it is, unless
//! it can be no sound ([`Lost`]): that reads as silence.
//!
//! ```
//! use quorate::capture::{Capture, write};
//! let folder = tempfile::tempdir()?;
//! let path = folder.path().join("side-a.wav");
//! write::write_wav16(&path, 44_100, 1, &[0, 16_384, -32_768])?;
//! let take = Capture::open(&path)?;
//! let mut samples = [0.0; 8];
//! assert_eq!(take.read(0, 1, &mut samples)?, 2);
//! assert_eq!(samples[..2], [0.5, -1.0]);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod detect;
mod file;
mod flac;
mod pcm;
mod pulses;
mod sense;
mod survey;
mod wav;
pub mod write;

use crate::Error;
use detect::Kind;
use pcm::Pcm;
use pulses::PulseImage;
use std::fs::File;
use std::path::{Path, PathBuf};

pub use pulses::{CLOCK as PULSE_IMAGE_CLOCK, RATE as PULSE_IMAGE_RATE, SIGNATURE as PULSE_IMAGE_SIGNATURE};
pub use sense::{Lost, Loudness};
pub use survey::{ChannelLevel, Survey};

/// More channels than any tape deck or interface has: a header that says more is damaged.
pub const MAX_CHANNELS: u16 = 64;
/// Below this rate the shortest pulses of the formats cannot be told apart.
pub const MIN_RATE: u32 = 8_000;
pub const MAX_RATE: u32 = 192_000;

/// How the file is wrapped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Container {
    Wav,
    /// WAV with 64-bit sizes: EBU Tech 3306.
    Rf64,
    /// The same under its ITU name: ITU-R BS.2088.
    Bw64,
    /// RFC 9639.
    Flac,
    /// Lengths of pulses instead of samples; drawn as samples at [`PULSE_IMAGE_RATE`] Hz.
    PulseImage {
        version: u8,
    },
}

impl Container {
    /// A word for records.
    pub fn word(self) -> &'static str {
        match self {
            Container::Wav => "wav",
            Container::Rf64 => "rf64",
            Container::Bw64 => "bw64",
            Container::Flac => "flac",
            Container::PulseImage { .. } => "pulse-image",
        }
    }
}

/// How one sample is stored (for FLAC: in the temporary file it is decoded into). All are little-endian.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// 8 bits, 128 is silence.
    Unsigned8,
    Signed16,
    Signed24,
    Signed32,
    Float32,
    Float64,
    /// No samples: a pulse image.
    Pulses,
}

/// What the file says about itself, and what was found wrong with it.
#[derive(Debug, Clone)]
pub struct Info {
    pub path: PathBuf,
    pub container: Container,
    pub encoding: Encoding,
    /// Significant bits of a sample; 0 for a pulse image.
    pub bits: u16,
    /// Hz.
    pub sample_rate: u32,
    pub channels: u16,
    /// Samples per channel.
    pub frames: u64,
    /// What was odd about the file and how it was taken, one sentence each.
    pub notes: Vec<String>,
    /// Where the capture comes from, by its own account (broadcast WAV).
    pub origination: Option<Origination>,
}

/// The `bext` chunk of a broadcast WAV (EBU Tech 3285 v2), as text.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Origination {
    pub description: String,
    pub originator: String,
    pub originator_reference: String,
    /// yyyy-mm-dd as written by the recorder.
    pub date: String,
    /// hh:mm:ss as written by the recorder.
    pub time: String,
    /// Samples since midnight.
    pub time_reference: u64,
    pub version: u16,
    /// One line per step of processing.
    pub coding_history: String,
}

/// An open capture file. Reading takes `&self` and no lock.
#[derive(Debug)]
pub struct Capture {
    info: Info,
    /// The file as the user gave it.
    file: File,
    source: Source,
}

#[derive(Debug)]
enum Source {
    /// Samples lie in the file itself.
    InPlace(Pcm),
    /// Samples were decoded into an unlinked temporary file.
    Spooled {
        spool: File,
        pcm: Pcm,
    },
    Pulses(PulseImage),
}

/// Whether the file system gives a capture at all, whatever is in it: there, an ordinary file, and allowed.
///
/// # Errors
/// [`Error::Read`].
pub fn is_there(path: &Path) -> Result<(), Error> {
    match file::open(path) {
        Err(error @ Error::Read { .. }) => Err(error),
        _ => Ok(()),
    }
}

impl Capture {
    /// Reads the headers; for FLAC decodes all of it into a temporary file, for a pulse image indexes the pulses.
    ///
    /// # Errors
    /// [`Error::Read`] if the file system refuses, [`Error::Input`] if this is no usable capture, [`Error::Limit`] for
    /// kinds we do not read, [`Error::Write`] if there is no room for the temporary file.
    pub fn open(path: &Path) -> Result<Capture, Error> {
        let (file, length) = file::open(path)?;
        let (info, source) = match detect::kind(path, &file, length)? {
            Kind::Wav(container) => {
                let (info, pcm) = wav::parse(path, &file, length, container)?;
                (info, Source::InPlace(pcm))
            }
            Kind::Flac { start } => {
                let (info, pcm, spool) = flac::spool(path, &file, start)?;
                (info, Source::Spooled { spool, pcm })
            }
            Kind::PulseImage => {
                let (info, image) = pulses::index(path, &file, length)?;
                (info, Source::Pulses(image))
            }
        };
        Ok(Capture { info, file, source })
    }

    pub fn info(&self) -> &Info {
        &self.info
    }

    pub fn duration_s(&self) -> f64 {
        self.info.frames as f64 / f64::from(self.info.sample_rate)
    }

    /// Fills `out` with samples of `channel` (0 is the first) from frame `start` on, and returns how many: fewer than
    /// asked for only at the end of the capture.
    ///
    /// # Errors
    /// [`Error::Read`] if the file system refuses or the file has shrunk, [`Error::Input`] for a channel the file does not
    /// have.
    pub fn read(&self, channel: u16, start: u64, out: &mut [f32]) -> Result<usize, Error> {
        let Info { path, channels, frames, .. } = &self.info;
        if channel >= *channels {
            let what = format!("has no channel {}: its channels are 1 to {channels}", u32::from(channel) + 1);
            return Err(Error::input(path, what));
        }
        let wanted = frames.saturating_sub(start).min(out.len() as u64) as usize;
        if wanted == 0 {
            return Ok(0);
        }
        let out = &mut out[..wanted];
        match &self.source {
            Source::InPlace(pcm) => pcm.read(&self.file, channel, start, out),
            Source::Spooled { spool, pcm } => pcm.read(spool, channel, start, out),
            Source::Pulses(image) => image.draw(&self.file, start, out),
        }
        .map_err(|error| Error::read(path, error))?;
        if self.is_float() {
            sense::silence(out, |_| ());
        }
        Ok(wanted)
    }
}

/// Refuses rates and channel counts that only a damaged header has, or that cannot be read.
fn check_shape(path: &Path, sample_rate: u32, channels: u16) -> Result<(), Error> {
    if sample_rate == 0 {
        return Err(Error::input(
            path,
            "its header says a sample rate of 0 Hz: the header is damaged; save the capture again",
        ));
    }
    if !(MIN_RATE..=MAX_RATE).contains(&sample_rate) {
        let what = format!(
            "sample rate {sample_rate} Hz; {MIN_RATE} to {MAX_RATE} Hz can be read: capture again at 44100 or 48000 Hz, \
             or convert it"
        );
        return Err(Error::limit(path, what));
    }
    if channels == 0 || channels > MAX_CHANNELS {
        let what = format!(
            "its header says {channels} channels, where 1 to {MAX_CHANNELS} make sense: the header is damaged, or this is \
             no capture of a tape; save the tape's channel alone"
        );
        return Err(Error::input(path, what));
    }
    Ok(())
}
