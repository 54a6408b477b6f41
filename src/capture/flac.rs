//! FLAC (RFC 9639), decoded once into an unlinked temporary file, because its frames cannot be found without reading.

use super::pcm::Pcm;
use super::{Container, Encoding, Info, check_shape, file};
use crate::Error;
use claxon::{Block, FlacReader, FlacReaderOptions};
use md5::{Digest, Md5};
use std::fs::File;
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::Path;

/// Decodes the stream that begins at byte `start`. What comes before a damaged place is kept, with a note.
pub(super) fn spool(path: &Path, file: &File, start: u64) -> Result<(Info, Pcm, File), Error> {
    let options = FlacReaderOptions { metadata_only: false, read_vorbis_comment: false };
    let stream = file::Stream { file, offset: start };
    let mut reader = FlacReader::new_ext(stream, options).map_err(|error| match error {
        claxon::Error::IoError(error) if error.kind() != ErrorKind::UnexpectedEof => Error::read(path, error),
        error => Error::input(path, format!("its FLAC header cannot be read ({}); copy it again", reason(&error))),
    })?;
    let header = reader.streaminfo();
    let channels = header.channels as u16; // at most 8 by the format
    let bits = header.bits_per_sample as u16; // at most 32 by the format
    check_shape(path, header.sample_rate, channels)?;

    let encoding = if bits <= 16 { Encoding::Signed16 } else { Encoding::Signed32 };
    let mut spool = Spool::new(encoding, bits).map_err(|error| Error::write(&std::env::temp_dir(), error))?;
    let mut frames = 0;
    let mut notes = Vec::new();
    let mut blocks = reader.blocks();
    let mut buffer = Vec::new();
    let end = loop {
        let block = match blocks.read_next_or_eof(buffer) {
            Ok(Some(block)) if block.channels() == header.channels => block,
            Ok(Some(_)) => break Some("the number of channels changes".to_string()),
            Ok(None) => break None,
            Err(claxon::Error::IoError(error)) if error.kind() != ErrorKind::UnexpectedEof => {
                return Err(Error::read(path, error));
            }
            Err(error) => break Some(reason(&error)),
        };
        spool.add(&block).map_err(|error| Error::write(&std::env::temp_dir(), error))?;
        frames += u64::from(block.duration());
        buffer = block.into_buffer();
    };
    let (spool, md5) = spool.finish().map_err(|error| Error::write(&std::env::temp_dir(), error))?;

    let seconds = |frames: u64| frames as f64 / f64::from(header.sample_rate);
    let named = match header.samples {
        Some(total) => format!("of {:.3} s named in its header", seconds(total)),
        None => "of an unknown length".to_string(),
    };
    if frames == 0 {
        let why = end.unwrap_or_else(|| "0 frames".to_string());
        return Err(Error::input(
            path,
            format!("holds no samples that can be decoded ({why}); copy it again or make it again"),
        ));
    }
    if let Some(why) = end {
        notes
            .push(format!("decoding stopped after {:.3} s {named} ({why}); what came before is used", seconds(frames)));
    } else if header.samples.is_some_and(|total| total != frames) {
        notes.push(format!("holds {:.3} s {named}; what is there is used", seconds(frames)));
    } else if header.md5sum == [0; 16] {
        notes.push("carries no MD5 of its samples: that it was decoded rightly could not be checked".to_string());
    } else if header.md5sum != md5 {
        notes.push(
            "its samples do not have the MD5 that its header names: it was changed or damaged after it was made; \
             compare with the original"
                .to_string(),
        );
    }
    let pcm = Pcm { encoding, channels, start: 0, frames };
    let (path, sample_rate) = (path.to_path_buf(), header.sample_rate);
    let container = Container::Flac;
    Ok((Info { path, container, encoding, bits, sample_rate, channels, frames, notes, origination: None }, pcm, spool))
}

fn reason(error: &claxon::Error) -> String {
    match error {
        claxon::Error::IoError(_) => "the file ends early".to_string(),
        claxon::Error::FormatError(what) => format!("damaged: {what}"),
        claxon::Error::Unsupported(what) => format!("not supported: {what}"),
    }
}

/// The temporary file, without a name from the start: it is gone with the process, however that ends.
struct Spool {
    file: BufWriter<File>,
    encoding: Encoding,
    bits: u16,
    md5: Md5,
    bytes: Vec<u8>,
}

impl Spool {
    fn new(encoding: Encoding, bits: u16) -> io::Result<Spool> {
        let file = BufWriter::with_capacity(1 << 20, tempfile::tempfile()?);
        Ok(Spool { file, encoding, bits, md5: Md5::new(), bytes: Vec::new() })
    }

    fn add(&mut self, block: &Block) -> io::Result<()> {
        // The MD5 is of the samples as whole little-endian bytes, sign extended, interleaved (RFC 9639 §8.2).
        self.interleave(block, self.bits.div_ceil(8).into(), 0);
        self.md5.update(&self.bytes);
        // Ours stand at the top of 2 or 4 bytes, as in WAV.
        let width = self.encoding.bytes();
        let shift = 8 * width as u32 - u32::from(self.bits);
        if shift != 0 || width != usize::from(self.bits.div_ceil(8)) {
            self.interleave(block, width, shift);
        }
        self.file.write_all(&self.bytes)
    }

    fn interleave(&mut self, block: &Block, width: usize, shift: u32) {
        let channels = block.channels();
        self.bytes.resize(width * (block.duration() * channels) as usize, 0);
        for channel in 0..channels {
            let places = self.bytes[width * channel as usize..].chunks_mut(width * channels as usize);
            for (place, &sample) in places.zip(block.channel(channel)) {
                place[..width].copy_from_slice(&(sample << shift).to_le_bytes()[..width]);
            }
        }
    }

    fn finish(self) -> io::Result<(File, [u8; 16])> {
        let file = self.file.into_inner().map_err(io::IntoInnerError::into_error)?;
        Ok((file, self.md5.finalize().into()))
    }
}
