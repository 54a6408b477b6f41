//! Pulse images, version 1: the tape as a list of times, for emulators.
//!
//! Layout (common practice in the trade): 12 ASCII bytes, version byte 1, three zero bytes, length of the data (u32,
//! little-endian), then the pulses. A byte n from 1 to 255 is a full cycle of 8·n clock ticks; 00 and a 24-bit
//! little-endian number is one of that many ticks. Worked example: 390 µs at 985,248 Hz are 384.2 ticks, byte 30 hex.

use std::path::Path;

use crate::Error;
use crate::capture::PULSE_IMAGE_SIGNATURE;
use crate::export::{atomic, atomic::Existing};
use crate::tape::Pulse;

/// Clock of the 50 Hz and of the 60 Hz models, in Hz (common practice).
pub const CLOCK_50_HZ: f64 = 985_248.0;
pub const CLOCK_60_HZ: f64 = 1_022_727.0;

const VERSION: u8 = 1;
/// Clock ticks of one step of a one-byte pulse.
const STEP: u64 = 8;
/// The longest time of one pulse, in ticks.
const LONGEST: u64 = 0xFF_FFFF;

/// Writes the tape as a pulse image. Errors: [`Error::Write`], [`Error::Refused`], [`Error::Limit`] over 4 GiB.
pub fn write(path: &Path, existing: Existing, pulses: &[Pulse], clock_hz: f64) -> Result<(), Error> {
    let image = encode(pulses, clock_hz)
        .ok_or_else(|| Error::limit(path, "a pulse image holds 4 GiB at most; write the programs one by one"))?;
    atomic::write(path, existing, &image)
}

/// The bytes of a pulse image; `None` if the tape is too long for one (4 GiB of data).
///
/// The image plays as long as the tape: what rounding takes from one pulse is given to the next, so that no place is
/// ever more than half a step (4 ticks, about 4 µs) early or late. Silences of more than 24 bits become several equal
/// ones. Times that are not positive are left out.
pub fn encode(pulses: &[Pulse], clock_hz: f64) -> Option<Vec<u8>> {
    let mut data = Vec::new();
    // where the pulse ends on the tape, and where in the image, in ticks
    let (mut truth, mut written) = (0.0, 0);
    for pulse in pulses.iter().filter(|pulse| pulse.seconds() > 0.0 && pulse.seconds().is_finite()) {
        truth += pulse.seconds() * clock_hz;
        let ticks = (truth - written as f64).max(1.0);
        let steps = ((ticks / STEP as f64).round() as u64).max(1);
        if steps <= u64::from(u8::MAX) {
            data.push(steps as u8);
            written += steps * STEP;
        } else {
            let ticks = ticks.round() as u64;
            push_long(&mut data, ticks);
            written += ticks;
        }
    }
    let length = u32::try_from(data.len()).ok()?;
    let mut image = Vec::with_capacity(20 + data.len());
    image.extend(PULSE_IMAGE_SIGNATURE);
    image.extend([VERSION, 0, 0, 0]);
    image.extend(length.to_le_bytes());
    image.extend(data);
    Some(image)
}

/// Equal parts, because a short remainder would look like a pulse with meaning.
fn push_long(data: &mut Vec<u8>, ticks: u64) {
    let parts = ticks.div_ceil(LONGEST);
    for part in 0..parts {
        let ticks = ticks / parts + u64::from(part < ticks % parts);
        data.push(0);
        data.extend(&ticks.to_le_bytes()[..3]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Pulse::{Cycle, Silence};

    fn data(pulses: &[Pulse]) -> Vec<u8> {
        encode(pulses, CLOCK_50_HZ).unwrap()[20..].to_vec()
    }

    /// From common practice: a standard tape shows 30, 42 and 56 hex for short, medium and long.
    #[test]
    fn standard_pulses_have_their_usual_bytes() {
        assert_eq!(data(&[Cycle(390e-6)]), [0x30]);
        assert_eq!(data(&[Cycle(536e-6)]), [0x42]);
        assert_eq!(data(&[Cycle(698e-6)]), [0x56]);
        assert_eq!(encode(&[Cycle(390e-6)], CLOCK_50_HZ).unwrap()[..20], *b"C64-TAPE-RAW\x01\0\0\0\x01\0\0\0");
    }

    #[test]
    fn silences_take_the_long_form_and_are_split_evenly() {
        // 0.25 s are 246,312 ticks, 03C228 hex (computed by hand)
        assert_eq!(data(&[Silence(0.25)]), [0, 0x28, 0xC2, 0x03]);
        // 20 s are 19,704,960 ticks, over 16,777,215: two of 9,852,480, 965640 hex
        assert_eq!(data(&[Silence(20.0)]), [0, 0x40, 0x56, 0x96, 0, 0x40, 0x56, 0x96]);
        // 255 steps still fit one byte, 256 do not
        assert_eq!(data(&[Cycle(2040.0 / CLOCK_50_HZ)]), [255]);
        assert_eq!(data(&[Cycle(2048.0 / CLOCK_50_HZ)]), [0, 0, 8, 0]);
    }

    #[test]
    fn times_without_meaning_are_left_out() {
        assert_eq!(data(&[Silence(0.0), Cycle(-1.0), Cycle(f64::NAN), Silence(f64::INFINITY)]), Vec::<u8>::new());
    }
}
