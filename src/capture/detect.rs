//! Tells the kind of a file by its first bytes.

use super::{Container, file, pulses};
use crate::Error;
use std::fs::File;
use std::path::Path;

pub(super) enum Kind {
    Wav(Container),
    /// `start` is where the stream begins: behind an ID3 tag, if there is one.
    Flac {
        start: u64,
    },
    PulseImage,
}

/// Kinds that people do have, and that we do not read: first bytes, where they stand, name, what to do.
const OTHERS: &[(&[u8], usize, &str)] = &[
    (b"ID3", 0, "an MP3 file"),
    (b"\xFF\xFB", 0, "an MP3 file"),
    (b"\xFF\xF3", 0, "an MP3 file"),
    (b"\xFF\xF2", 0, "an MP3 file"),
    (b"OggS", 0, "an Ogg file"),
    (b"ftyp", 4, "an MP4 or M4A file"),
    (b"FORM", 0, "an AIFF file"),
    (b"caff", 0, "a CAF file"),
    (b"RIFX", 0, "a big-endian WAV file"),
    (b"PK\x03\x04", 0, "a ZIP archive"),
    (b"\x1F\x8B", 0, "a gzip archive"),
];

pub(super) fn kind(path: &Path, file: &File, length: u64) -> Result<Kind, Error> {
    let mut head = [0; 512];
    let count = file::read_up_to(file, &mut head, 0).map_err(|error| Error::read(path, error))?;
    let head = &head[..count];
    for (magic, container) in [(b"RIFF", Container::Wav), (b"RF64", Container::Rf64), (b"BW64", Container::Bw64)] {
        if head.starts_with(magic) {
            return match head.get(8..12) {
                Some(b"WAVE") => Ok(Kind::Wav(container)),
                Some(_) => Err(Error::input(path, "is a RIFF file, but not a sound; name a WAV file")),
                None => Err(truncated(path, length)),
            };
        }
    }
    if head.starts_with(b"fLaC") {
        return Ok(Kind::Flac { start: 0 });
    }
    if let Some(start) = behind_id3(head) {
        let mut magic = [0; 4];
        let count = file::read_up_to(file, &mut magic, start).map_err(|error| Error::read(path, error))?;
        if magic[..count] == *b"fLaC" {
            return Ok(Kind::Flac { start });
        }
    }
    if head.starts_with(pulses::MAGIC) {
        return Ok(Kind::PulseImage);
    }
    if let Some((_, _, name)) =
        OTHERS.iter().find(|(magic, at, _)| head.get(*at..).is_some_and(|h| h.starts_with(magic)))
    {
        return Err(Error::input(path, format!("is {name}, which is not read here; convert it to WAV or FLAC first")));
    }
    if is_text(head) {
        return Err(Error::input(path, "is a text file, not a capture; name a WAV, FLAC or pulse image file"));
    }
    Err(Error::input(path, "is not a WAV, FLAC or pulse image file; save the capture as WAV or FLAC"))
}

pub(super) fn truncated(path: &Path, length: u64) -> Error {
    let what =
        format!("ends within its header, after {length} bytes: the copy or the recording was cut off; copy it again");
    Error::input(path, what)
}

/// Some taggers put an ID3v2 tag before the FLAC stream. Its size is four bytes of seven bits (ID3v2.4 §3.1, from memory).
fn behind_id3(head: &[u8]) -> Option<u64> {
    let tag = head.get(..10)?;
    tag.starts_with(b"ID3").then(|| 10 + tag[6..].iter().fold(0, |size, &byte| size << 7 | u64::from(byte & 0x7F)))
}

fn is_text(head: &[u8]) -> bool {
    let valid = match std::str::from_utf8(head) {
        Ok(text) => text,
        // A character cut in two by the end of the buffer is still text.
        Err(error) if error.error_len().is_none() => std::str::from_utf8(&head[..error.valid_up_to()]).unwrap_or(""),
        Err(_) => return false,
    };
    !valid.is_empty() && valid.chars().all(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t' | '\x0C'))
}
