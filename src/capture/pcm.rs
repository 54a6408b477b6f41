//! Interleaved samples in a file: where they lie, and the loops that decode them.

use super::{Encoding, file};
use std::fs::File;
use std::io;

/// Bytes read at a time: small enough for the second-level cache, large enough that the system call does not show.
const BUFFER: usize = 64 * 1024;

/// A run of interleaved samples in a file.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pcm {
    pub encoding: Encoding,
    pub channels: u16,
    /// Byte of the first sample.
    pub start: u64,
    pub frames: u64,
}

impl Pcm {
    /// Bytes of one frame: one sample of every channel.
    pub fn frame_bytes(&self) -> usize {
        self.encoding.bytes() * usize::from(self.channels)
    }

    /// Fills `out` with one channel from frame `first` on. The caller has checked that there are that many.
    pub fn read(&self, file: &File, channel: u16, first: u64, out: &mut [f32]) -> io::Result<()> {
        let stride = self.frame_bytes();
        let at_once = BUFFER / stride;
        let mut buffer = vec![0; stride * at_once.min(out.len())];
        let mut offset = self.start + first * stride as u64;
        for part in out.chunks_mut(at_once) {
            let bytes = &mut buffer[..part.len() * stride];
            file::read_exact(file, bytes, offset)?;
            offset += bytes.len() as u64;
            self.encoding.decode(&bytes[usize::from(channel) * self.encoding.bytes()..], stride, part);
        }
        Ok(())
    }
}

impl Encoding {
    /// Bytes of one sample; 0 for pulses, which have none.
    pub(super) fn bytes(self) -> usize {
        match self {
            Encoding::Unsigned8 => 1,
            Encoding::Signed16 => 2,
            Encoding::Signed24 => 3,
            Encoding::Signed32 | Encoding::Float32 => 4,
            Encoding::Float64 => 8,
            Encoding::Pulses => 0,
        }
    }

    /// Decodes one sample every `stride` bytes. Integers are scaled by a power of two, so that only 32-bit integers and
    /// 64-bit floats are rounded, once, to the nearest `f32`.
    pub(super) fn decode(self, bytes: &[u8], stride: usize, out: &mut [f32]) {
        match self {
            Encoding::Unsigned8 => each(bytes, stride, out, |[b]| (f32::from(b) - 128.0) * (1.0 / 128.0)),
            Encoding::Signed16 => each(bytes, stride, out, |b| f32::from(i16::from_le_bytes(b)) * (1.0 / 32_768.0)),
            Encoding::Signed24 => each(bytes, stride, out, |[a, b, c]| {
                // In the upper three bytes, so that the sign is where it belongs.
                i32::from_le_bytes([0, a, b, c]) as f32 * (1.0 / 2_147_483_648.0)
            }),
            Encoding::Signed32 => {
                each(bytes, stride, out, |b| i32::from_le_bytes(b) as f32 * (1.0 / 2_147_483_648.0));
            }
            Encoding::Float32 => each(bytes, stride, out, f32::from_le_bytes),
            Encoding::Float64 => each(bytes, stride, out, |b| f64::from_le_bytes(b) as f32),
            Encoding::Pulses => {}
        }
    }
}

/// The loop itself, compiled once per encoding. The packed case is apart because only it becomes vector code.
fn each<const N: usize>(bytes: &[u8], stride: usize, out: &mut [f32], sample: impl Fn([u8; N]) -> f32) {
    let decode = |b: &[u8]| sample(std::array::from_fn(|i| b[i]));
    if stride == N {
        out.iter_mut().zip(bytes.chunks_exact(N)).for_each(|(o, b)| *o = decode(b));
    } else {
        out.iter_mut().zip(bytes.chunks(stride)).for_each(|(o, b)| *o = decode(b));
    }
}
