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

/// Sound that people do have, and that we do not read: first bytes, where they stand, name. From memory and common
/// practice; `tests/oracles/capture.py` holds the lossy ones against files of a general converter.
const SOUNDS: &[(&[u8], usize, &str)] = &[
    (b"ID3", 0, "an MP3 file"),
    (b"\xFF\xFB", 0, "an MP3 file"),
    (b"\xFF\xF3", 0, "an MP3 file"),
    (b"\xFF\xF2", 0, "an MP3 file"),
    (b"\xFF\xF1", 0, "an AAC file"),
    (b"\xFF\xF9", 0, "an AAC file"),
    (b"OggS", 0, "an Ogg file"),
    (b"ftyp", 4, "an MP4 or M4A file"),
    (b"\x30\x26\xB2\x75", 0, "a WMA file"),
    (b"\x1A\x45\xDF\xA3", 0, "a Matroska or WebM file"),
    (b"FORM", 0, "an AIFF file"),
    (b"caff", 0, "a CAF file"),
    (b"RIFX", 0, "a big-endian WAV file"),
];
const ARCHIVES: &[(&[u8], &str)] = &[(b"PK\x03\x04", "a ZIP archive"), (b"\x1F\x8B", "a gzip archive")];

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
    if head.starts_with(pulses::SIGNATURE) {
        return Ok(Kind::PulseImage);
    }
    let begins = |magic: &[u8], at: usize| head.get(at..).is_some_and(|head| head.starts_with(magic));
    if let Some((.., name)) = SOUNDS.iter().find(|(magic, at, _)| begins(magic, *at)) {
        return Err(Error::input(path, format!("is {name}, which is not read here; {}", convert(path))));
    }
    if let Some((_, name)) = ARCHIVES.iter().find(|(magic, _)| begins(magic, 0)) {
        return Err(Error::input(path, format!("is {name}; unpack it, and name the capture that is in it")));
    }
    if is_text(head) {
        return Err(Error::input(path, "is a text file, not a capture; name a WAV, FLAC or pulse image file"));
    }
    Err(Error::input(path, "is not a WAV, FLAC or pulse image file; save the capture as WAV or FLAC"))
}

/// The line of a general converter that makes a file of this one that we read. 24 bits hold what any of them hold.
pub(super) fn convert(path: &Path) -> String {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let made = path.with_file_name(format!("{stem}-converted.wav"));
    format!("convert it with: ffmpeg -i {} -c:a pcm_s24le {}", word(path), word(&made))
}

/// A path as one word for a shell, and no option.
fn word(path: &Path) -> String {
    let text = path.to_string_lossy();
    let text = if text.starts_with('-') { format!("./{text}") } else { text.into_owned() };
    let plain = |c: char| c.is_alphanumeric() || "/._-+,".contains(c);
    if text.chars().all(plain) { text } else { format!("'{}'", text.replace('\'', r"'\''")) }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Quoting by the rules of the POSIX shell (chapter 2.2), by hand.
    #[test]
    fn the_line_that_converts_is_one_that_a_shell_takes_as_meant() {
        for (path, words) in [
            ("take-1.mp3", "take-1.mp3 -c:a pcm_s24le take-1-converted.wav"),
            ("/tapes/side a.wav", "'/tapes/side a.wav' -c:a pcm_s24le '/tapes/side a-converted.wav'"),
            ("-y.m4a", "./-y.m4a -c:a pcm_s24le ./-y-converted.wav"),
            ("knot's$(rm x).ogg", r"'knot'\''s$(rm x).ogg' -c:a pcm_s24le 'knot'\''s$(rm x)-converted.wav'"),
        ] {
            assert_eq!(convert(Path::new(path)), format!("convert it with: ffmpeg -i {words}"));
        }
    }
}
