//! A small copy of the waveform around the bytes of every reading, so that a person can see years later what the
//! receiver heard. No decision comes from it, and none enters it.

use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};

use crate::Error;
use crate::receiver::Reading;
use crate::receiver::signal::{Samples, Signal};

/// The receiver's signal (hum taken off), at a quarter of its rate, 8 bits a sample. It waits in an unlinked temporary
/// file until the dossier takes it over: memory does not grow with the length of the take.
pub struct Wave {
    /// Samples per second.
    pub rate: f64,
    pub pieces: Vec<WavePiece>,
    spool: File,
}

/// The waveform of one reading.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct WavePiece {
    /// Seconds of the take at which it begins.
    pub from_s: f64,
    /// First sample in the file, and how many.
    pub at: u64,
    pub samples: u64,
    /// Level of the sample value 127; full scale of the capture is 1.
    pub peak: f32,
}

/// Every fourth sample of the signal, which runs near 44 kHz: 11 kHz hold all that data on tape has (under 4 kHz).
const EVERY: usize = 4;
/// Seconds on either side of a reading.
const AROUND_S: f64 = 0.01;
/// Samples at a time.
const CHUNK: usize = 8_192;

impl Wave {
    /// Cuts the pieces out of a take, one for every reading.
    ///
    /// Errors: [`Error::Read`] if the take can't be read any more, [`Error::Write`] if there is no room for the
    /// temporary file.
    pub fn around(samples: &dyn Samples, readings: &[Reading]) -> Result<Wave, Error> {
        let mut signal = Signal::new(samples);
        let rate = signal.rate() / EVERY as f64;
        let failed = |e: io::Error| Error::write(&std::env::temp_dir(), e);
        let mut out = BufWriter::new(tempfile::tempfile().map_err(failed)?);
        let (mut pieces, mut at) = (Vec::with_capacity(readings.len()), 0);
        for reading in readings {
            let first = ((reading.from_s() - AROUND_S).max(0.0) * signal.rate()) as i64;
            let from_s = first as f64 / signal.rate();
            let wave = cut(&mut signal, first, reading.to_s() + AROUND_S - from_s)?;
            let peak = wave.iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
            let scale = if peak > 0.0 { 127.0 / peak } else { 0.0 };
            let bytes: Vec<u8> = wave.iter().map(|x| ((x * scale + 128.5) as i16 - 128) as i8 as u8).collect();
            out.write_all(&bytes).map_err(failed)?;
            pieces.push(WavePiece { from_s, at, samples: bytes.len() as u64, peak });
            at += bytes.len() as u64;
        }
        let mut spool = out.into_inner().map_err(|e| failed(e.into_error()))?;
        spool.seek(SeekFrom::Start(0)).map_err(failed)?;
        Ok(Wave { rate, pieces, spool })
    }

    /// Number of samples in all.
    pub fn samples(&self) -> u64 {
        self.pieces.iter().map(|p| p.samples).sum()
    }

    /// Copies all samples, one signed byte each.
    pub fn copy_to(&mut self, out: &mut dyn Write) -> io::Result<()> {
        self.spool.seek(SeekFrom::Start(0))?;
        io::copy(&mut self.spool, out).map(drop)
    }
}

fn cut(signal: &mut Signal, first: i64, seconds: f64) -> Result<Vec<f32>, Error> {
    let count = ((seconds * signal.rate()) as usize / EVERY).min(signal.len().max(0) as usize);
    let mut out = Vec::with_capacity(count);
    while out.len() < count {
        let now = (count - out.len()).min(CHUNK);
        // a triangle of seven taps, three on either side, holds aliases down well enough for a drawing
        let part = signal.window(first - 3 + (out.len() * EVERY) as i64, (now + 1) * EVERY)?;
        out.extend((0..now).map(|i| {
            let p = &part[i * EVERY..];
            (p[0] + p[6] + 2.0 * (p[1] + p[5]) + 3.0 * (p[2] + p[4]) + 4.0 * p[3]) / 16.0
        }));
    }
    Ok(out)
}
