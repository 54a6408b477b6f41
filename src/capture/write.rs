//! Writes captures: for the corpus, the simulator and tests. Same samples, same bytes.

use crate::Error;
use crate::export::atomic::{Existing, write_with};
use flacenc::component::BitRepr;
use flacenc::error::Verify;
use std::io::{self, Write};
use std::path::Path;

/// Writes 16-bit WAV. `samples` are interleaved: whole frames of `channels`.
///
/// # Errors
/// [`Error::Usage`] for samples that make no whole frames; [`Error::Write`], and beyond 4 GiB.
pub fn write_wav16(path: &Path, rate: u32, channels: u16, samples: &[i16]) -> Result<(), Error> {
    if channels == 0 || samples.len() % usize::from(channels) != 0 {
        return Err(Error::Usage(format!("{} samples make no whole frames of {channels} channels", samples.len())));
    }
    let spec =
        hound::WavSpec { channels, sample_rate: rate, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
    let other = |error: hound::Error| match error {
        hound::Error::IoError(error) => error,
        error => io::Error::other(error.to_string()),
    };
    write_with(path, Existing::Replace, |file| {
        let mut writer = hound::WavWriter::new(file, spec).map_err(other)?;
        for &sample in samples {
            writer.write_sample(sample).map_err(other)?;
        }
        writer.finalize().map_err(other)
    })
}

/// Writes 16-bit mono FLAC, on one thread.
///
/// # Errors
/// [`Error::Usage`] for no samples or a rate FLAC cannot hold; [`Error::Write`].
pub fn write_flac16(path: &Path, rate: u32, samples: &[i16]) -> Result<(), Error> {
    let refused = |what: String| Error::Usage(format!("{}: cannot be written as FLAC: {what}", path.display()));
    if samples.is_empty() {
        return Err(refused("there are no samples".to_string()));
    }
    let mut config = flacenc::config::Encoder::default();
    config.multithread = false;
    let config = config.into_verified().map_err(|(_, error)| refused(error.to_string()))?;
    let wide: Vec<i32> = samples.iter().map(|&sample| sample.into()).collect();
    let source = flacenc::source::MemSource::from_samples(&wide, 1, 16, rate as usize);
    let mut stream = flacenc::encode_with_fixed_block_size(&config, source, config.block_size)
        .map_err(|error| refused(error.to_string()))?;
    // The encoder counts the last, shorter block in; the smallest block size leaves it out (RFC 9639 §8.2), and a value under
    // 16 makes the file unreadable.
    let size = config.block_size;
    stream.stream_info_mut().set_block_sizes(size, size).map_err(|error| refused(error.to_string()))?;
    let mut sink = flacenc::bitsink::ByteSink::new();
    stream.write(&mut sink).map_err(|error| refused(error.to_string()))?;
    write_with(path, Existing::Replace, |file| file.write_all(sink.as_slice()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::Capture;

    /// Lengths around the smallest block size, around the encoder's, and around several of its blocks.
    fn lengths() -> Vec<usize> {
        let around = |middle: usize| middle - 18..=middle + 18;
        (1..=40).chain(around(1 << 12)).chain(around(3 << 12)).chain([44_100, 100_003]).collect()
    }

    /// Noise of a fixed seed (the multiplicative generator of Park and Miller, Comm. ACM 31:1192, 1988).
    fn samples(length: usize) -> Vec<i16> {
        let mut state = 1986_u64;
        let mut next = || {
            state = state * 48_271 % 2_147_483_647;
            state as i16
        };
        (0..length).map(|_| next()).collect()
    }

    #[test]
    fn a_capture_of_any_length_is_flac_that_can_be_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.flac");
        for length in lengths() {
            let written = samples(length);
            write_flac16(&path, 44_100, &written).unwrap();
            // RFC 9639 §8: after 4 bytes of marker and 4 of block header, the smallest and the largest block size
            let bytes = std::fs::read(&path).unwrap();
            let sizes = [8, 10].map(|at| u16::from_be_bytes([bytes[at], bytes[at + 1]]));
            assert!(sizes[0] >= 16 && sizes[0] == sizes[1], "{length}: {sizes:?}");
            let take = Capture::open(&path).unwrap();
            let mut read = vec![9.0; length + 1];
            assert_eq!(take.read(0, 0, &mut read).unwrap(), length);
            let wanted: Vec<f32> = written.iter().map(|&s| f32::from(s) / 32_768.0).collect();
            assert!(read[..length] == wanted && take.info().notes.is_empty(), "{length}: {:?}", take.info().notes);
        }
    }

    /// Writes what `tests/oracles/capture.py` gives to other people's decoders: each with its samples beside it.
    #[test]
    #[ignore = "tests/oracles/capture.py runs this"]
    fn flac_for_the_oracle() {
        let folder = std::path::PathBuf::from(std::env::var_os("QUORATE_ORACLE_DIR").unwrap());
        for length in lengths() {
            let written = samples(length);
            write_flac16(&folder.join(format!("written-{length}.flac")), 44_100, &written).unwrap();
            let raw: Vec<u8> = written.iter().flat_map(|s| s.to_le_bytes()).collect();
            std::fs::write(folder.join(format!("written-{length}.raw")), raw).unwrap();
        }
    }
}
