//! WAV, RF64 and BW64 headers. Sizes in them are often wrong, because a recorder writes them last or never.

use super::detect::{convert, truncated};
use super::pcm::Pcm;
use super::{Container, Encoding, Info, Origination, check_shape, file};
use crate::Error;
use std::fs::File;
use std::path::Path;

/// The 32-bit size that means "see ds64" in RF64, and "not known yet" elsewhere.
const UNKNOWN: u32 = u32::MAX;
/// No recorder writes so many; a file that claims them is damaged.
const MAX_CHUNKS: usize = 4096;
/// Longest coding history that is kept, bytes.
const MAX_BEXT: u64 = 64 * 1024;

const TAG_PCM: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_EXTENSIBLE: u16 = 0xFFFE;
/// A WAVE_FORMAT_EXTENSIBLE sub-format is a format tag followed by these bytes.
const GUID_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71];

struct Format {
    encoding: Encoding,
    bits: u16,
    sample_rate: u32,
    channels: u16,
}

/// Reads the chunks of the file, which begins with RIFF, RF64 or BW64 and WAVE.
pub(super) fn parse(path: &Path, file: &File, length: u64, container: Container) -> Result<(Info, Pcm), Error> {
    let mut reader = Reader { path, file, length, notes: Vec::new() };
    let riff_size = reader.u32_at(4)?;
    let mut long_data_size = None;
    let mut format = None;
    let mut data: Option<(u64, u64)> = None;
    let mut origination = None;
    let mut at = 12;
    for _ in 0..MAX_CHUNKS {
        if at + 8 > length {
            break;
        }
        let id: [u8; 4] = reader.bytes(at)?;
        let size = reader.u32_at(at + 4)?;
        let body = at + 8;
        let mut end = body.saturating_add(u64::from(size));
        match &id {
            b"ds64" => long_data_size = Some(u64::from_le_bytes(reader.bytes(body + 8)?)),
            b"fmt " => format = Some(reader.format(body, size)?),
            b"bext" => origination = Some(reader.bext(body, size)?),
            b"data" if data.is_none() => {
                let long = long_data_size.filter(|_| size == UNKNOWN && container != Container::Wav);
                end = reader.data_end(body, long, size, riff_size);
                data = Some((body, end));
            }
            b"data" => reader.notes.push("has more than one run of samples; the first is used".to_string()),
            _ => {}
        }
        at = end.saturating_add(end & 1); // chunks begin at even places
    }
    let Some((start, end)) = data else {
        return Err(if format.is_none() || at > length {
            truncated(path, length)
        } else {
            Error::input(path, "holds no samples (no data chunk): make the capture again")
        });
    };
    let Some(Format { encoding, bits, sample_rate, channels }) = format else {
        return Err(Error::input(
            path,
            "does not say how its samples are stored (no fmt chunk); save the capture again",
        ));
    };
    let mut pcm = Pcm { encoding, channels, start, frames: 0 };
    let frame_bytes = pcm.frame_bytes() as u64;
    pcm.frames = (end - start) / frame_bytes;
    if pcm.frames == 0 {
        return Err(Error::input(path, "holds no samples (0 frames): nothing was recorded; make the capture again"));
    }
    let rest = (end - start) % frame_bytes;
    if rest != 0 {
        reader.notes.push(format!("its last {rest} bytes of samples make no whole frame; they are left out"));
    }
    let (path, frames, notes) = (path.to_path_buf(), pcm.frames, reader.notes);
    Ok((Info { path, container, encoding, bits, sample_rate, channels, frames, notes, origination }, pcm))
}

struct Reader<'a> {
    path: &'a Path,
    file: &'a File,
    length: u64,
    notes: Vec<String>,
}

impl Reader<'_> {
    fn bytes<const N: usize>(&self, at: u64) -> Result<[u8; N], Error> {
        let mut bytes = [0; N];
        match file::read_up_to(self.file, &mut bytes, at) {
            Ok(count) if count == N => Ok(bytes),
            Ok(_) => Err(truncated(self.path, self.length)),
            Err(error) => Err(Error::read(self.path, error)),
        }
    }

    fn u16_at(&self, at: u64) -> Result<u16, Error> {
        self.bytes(at).map(u16::from_le_bytes)
    }

    fn u32_at(&self, at: u64) -> Result<u32, Error> {
        self.bytes(at).map(u32::from_le_bytes)
    }

    /// Where the samples end: `long` is the size in ds64, where that counts.
    fn data_end(&mut self, start: u64, long: Option<u64>, short: u32, riff_size: u32) -> u64 {
        let left = self.length - start;
        let size = long.unwrap_or(u64::from(short));
        // A header that was finished covers the file to its end (give or take the padding byte).
        let finished = (u64::from(riff_size) + 8).abs_diff(self.length) <= 1;
        let claim = match (size, long) {
            (0, _) if finished => return start,
            (0, _) => "says 0 bytes of samples".to_string(),
            (_, None) if short == UNKNOWN => "does not say how many samples follow".to_string(),
            _ if size > left => format!("says {size} bytes of samples where {left} follow"),
            // 32-bit sizes start again at 0 beyond 4 GiB.
            (_, None) if left - size >= 1 << 32 && !self.chunk_at(start + size + (size & 1)) => {
                format!("says {size} bytes of samples, the remainder of a size above 4 GiB")
            }
            _ => {
                let end = start + size;
                if !self.chunk_at(end + (end & 1)) {
                    let rest = self.length - end;
                    self.notes.push(format!(
                        "{rest} bytes follow the {size} bytes of samples its header names; they are left out"
                    ));
                }
                return end;
            }
        };
        self.notes.push(format!(
            "its header {claim} (a recording or copy that was not finished?); read to the end of the file"
        ));
        self.length
    }

    /// Whether a chunk, or the end of the file, is at this place.
    fn chunk_at(&self, at: u64) -> bool {
        at >= self.length
            || self.bytes(at).is_ok_and(|head: [u8; 8]| {
                let size = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
                head[..4].iter().all(|b| (0x20..0x7F).contains(b)) && at + 8 + u64::from(size) <= self.length
            })
    }

    fn format(&mut self, at: u64, size: u32) -> Result<Format, Error> {
        let path = self.path;
        if size < 16 {
            return Err(Error::input(
                path,
                format!("its fmt chunk has {size} bytes of 16: the header is damaged; save it again"),
            ));
        }
        let mut tag = self.u16_at(at)?;
        let channels = self.u16_at(at + 2)?;
        let sample_rate = self.u32_at(at + 4)?;
        let frame_bytes = self.u16_at(at + 12)?;
        let mut bits = self.u16_at(at + 14)?;
        check_shape(path, sample_rate, channels)?;
        // what such a header says of bits and frames has another meaning
        if ![TAG_PCM, TAG_FLOAT, TAG_EXTENSIBLE].contains(&tag) {
            return Err(compressed(path, tag));
        }
        let stored = self.container_bits(frame_bytes, channels, bits)?;
        if tag == TAG_EXTENSIBLE {
            if size < 40 {
                return Err(Error::input(
                    path,
                    "its extended fmt chunk is cut short: the header is damaged; save it again",
                ));
            }
            let valid = self.u16_at(at + 18)?;
            if valid == 0 || valid > stored {
                self.notes.push(format!("its header says {valid} significant bits of {stored}; all are used"));
            } else {
                bits = valid;
            }
            tag = self.u16_at(at + 24)?;
            if self.bytes(at + 26)? != GUID_TAIL {
                return Err(Error::limit(
                    path,
                    "its samples are of an unknown sub-format; save it as 16- or 24-bit WAV",
                ));
            }
        }
        let encoding = match (tag, stored) {
            (TAG_PCM, 8) => Encoding::Unsigned8,
            (TAG_PCM, 16) => Encoding::Signed16,
            (TAG_PCM, 24) => Encoding::Signed24,
            (TAG_PCM, 32) => Encoding::Signed32,
            (TAG_FLOAT, 32) => Encoding::Float32,
            (TAG_FLOAT, 64) => Encoding::Float64,
            (TAG_PCM | TAG_FLOAT, _) => {
                let kind = if tag == TAG_PCM { "integers" } else { "floats" };
                return Err(Error::limit(
                    path,
                    format!("its samples are {stored}-bit {kind}; save it as 16- or 24-bit WAV"),
                ));
            }
            _ => return Err(compressed(path, tag)),
        };
        Ok(Format { encoding, bits: bits.min(stored), sample_rate, channels })
    }

    /// Bits that a sample takes in the file. Fewer significant ones stand at the top of them (as the format asks).
    fn container_bits(&mut self, frame_bytes: u16, channels: u16, bits: u16) -> Result<u16, Error> {
        let from_bits = bits.div_ceil(8);
        if bits == 0 {
            return Err(Error::input(
                self.path,
                "its header says samples of 0 bits: the header is damaged; save it again",
            ));
        }
        if u32::from(frame_bytes) == u32::from(from_bits) * u32::from(channels) {
            return Ok(from_bits.saturating_mul(8));
        }
        if frame_bytes % channels == 0 && frame_bytes / channels > from_bits {
            let stored = (frame_bytes / channels).saturating_mul(8);
            self.notes.push(format!("its samples of {bits} bits take {stored} bits each"));
            return Ok(stored);
        }
        let what = format!(
            "its header contradicts itself ({channels} channels of {bits} bits in {frame_bytes} bytes): it is damaged; save it again"
        );
        Err(Error::input(self.path, what))
    }

    /// Offsets: EBU Tech 3285 v2.
    fn bext(&mut self, at: u64, size: u32) -> Result<Origination, Error> {
        let size = u64::from(size).min(MAX_BEXT).min(self.length - at);
        let mut chunk = vec![0; size as usize];
        file::read_exact(self.file, &mut chunk, at).map_err(|error| Error::read(self.path, error))?;
        if size < 602 {
            self.notes.push(format!("its bext chunk has {size} bytes of at least 602; what is missing is left empty"));
            chunk.resize(602, 0);
        }
        let number =
            |at: usize, count: usize| chunk[at..at + count].iter().rev().fold(0, |n, &b| n << 8 | u64::from(b));
        Ok(Origination {
            description: text(&chunk[..256]),
            originator: text(&chunk[256..288]),
            originator_reference: text(&chunk[288..320]),
            date: text(&chunk[320..330]),
            time: text(&chunk[330..338]),
            time_reference: number(338, 8),
            version: number(346, 2) as u16,
            coding_history: text(&chunk[602..]),
        })
    }
}

fn compressed(path: &Path, tag: u16) -> Error {
    Error::limit(path, format!("its samples are compressed (format tag 0x{tag:04X}); {}", convert(path)))
}

/// Text up to the first NUL. Meant to be ASCII; recorders do write other things.
fn text(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len());
    String::from_utf8_lossy(&bytes[..end]).trim_end().to_string()
}
