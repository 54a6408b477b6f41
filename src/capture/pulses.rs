//! Pulse images: the lengths of full cycles, as a computer's own recorder input saw them, drawn as a square wave.
//!
//! Layout, from memory (no published standard): 12 ASCII bytes, version byte, three more bytes, data length u32, then
//! the pulses. A byte n > 0 is a full cycle of 8·n clock ticks. In version 1 the byte 00 is followed by a 24-bit tick
//! count; in version 0 it says only that the cycle was longer than 255·8 ticks.
//!
//! A cycle runs from one falling edge to the next (the edge such recorder inputs answer to: from memory), so it is drawn
//! low first, then high. The image knows the falling edges alone; the rising edge is drawn half-way.
//!
//! ```text
//!  cycle of up to 2040 ticks     longer: 1020 ticks low, silence, 1020 ticks high
//!        ┌────                           ┌──   +1
//!        │                       ┌───────┘      0
//!  ──────┘                     ──┘             −1
//! ```
//!
//! Every sample is the mean of that wave over the sample's time, in whole numbers of a unit that divides both the tick
//! and the sample exactly: the drawing is exact, places edges far finer than a sample, and is the same on every machine.

use super::{Container, Encoding, Info, detect, file};
use crate::Error;
use std::fs::File;
use std::io;
use std::path::Path;

/// What the files of this kind begin with. Pulse images and program files have no published standard: they are common
/// practice, and these letters are what every program that reads or writes pulse images goes by.
pub const SIGNATURE: &[u8; 12] = b"C64-TAPE-RAW";
/// Samples per second of the drawing.
pub const RATE: u32 = 44_100;
/// Clock ticks per second of the 50 Hz machines.
pub const CLOCK: u64 = 985_248;

/// CLOCK / RATE = 82104 / 3675 ticks per sample, in lowest terms. With half a tick = 3675 units both are whole.
const UNITS_PER_HALF_TICK: u64 = 3_675;
const UNITS_PER_SAMPLE: u64 = 164_208;
/// No half-cycle is drawn longer than this: beyond it a tape holds no level, and the image means a pause.
const LONGEST_HALF_TICKS: u64 = 255 * 8 / 2;
/// What a version 0 overflow is drawn as: its length is unknown. About 20 ms, the length of a pause (from memory).
const OVERFLOW_TICKS: u64 = 20_000;
const HEADER: u64 = 20;
/// Pulses between two entries of the index.
const STEP: u64 = 1024;
/// Longest image that is drawn, seconds. No tape side is as long; a file of random bytes easily is.
const MAX_SECONDS: u64 = 24 * 3600;

/// Where a pulse begins in the file, and on the tape.
#[derive(Debug, Clone, Copy)]
struct Place {
    byte: u64,
    half_ticks: u64,
}

#[derive(Debug)]
pub(super) struct PulseImage {
    version: u8,
    end: u64,
    /// Every [`STEP`]-th pulse, from the first on.
    index: Vec<Place>,
}

/// Reads the header and walks all pulses once.
pub(super) fn index(path: &Path, file: &File, length: u64) -> Result<(Info, PulseImage), Error> {
    let mut header = [0; HEADER as usize];
    if file::read_up_to(file, &mut header, 0).map_err(|error| Error::read(path, error))? < header.len() {
        return Err(detect::truncated(path, length));
    }
    let version = header[12];
    if version > 1 {
        let what = format!(
            "is a pulse image of version {version}; versions 0 and 1 can be read: save it as version 1 or as WAV"
        );
        return Err(Error::limit(path, what));
    }
    let mut notes = Vec::new();
    if header[13..16] != [0; 3] {
        let [a, b, c] = [header[13], header[14], header[15]];
        notes.push(format!(
            "its header names a kind of machine ({a:02X} {b:02X} {c:02X} hex), which is ignored: a clock of {CLOCK} Hz is taken"
        ));
    }
    let named = u64::from(u32::from_le_bytes([header[16], header[17], header[18], header[19]]));
    let left = length - HEADER;
    let mut end = HEADER + named;
    if named > left || (named == 0 && left > 0) {
        notes.push(format!("its header says {named} bytes of pulses where {left} follow; read to the end of the file"));
        end = length;
    } else if named < left {
        notes.push(format!("{} bytes follow the pulses its header names; they are left out", left - named));
    }

    let mut walk = Walk::new(file, version, Place { byte: HEADER, half_ticks: 0 }, end);
    let (mut index, mut count, mut overflows, mut half_ticks) = (Vec::new(), 0, 0_u64, 0);
    loop {
        let place = Place { byte: walk.byte(), half_ticks };
        let Some(pulse) = walk.next().map_err(|error| Error::read(path, error))? else { break };
        if count % STEP == 0 {
            index.push(place);
        }
        count += 1;
        overflows += u64::from(pulse.overflow);
        half_ticks += 2 * pulse.ticks;
        if half_ticks > 2 * CLOCK * MAX_SECONDS {
            let what = format!("its pulses last longer than {} hours: it is no image of a tape", MAX_SECONDS / 3600);
            return Err(Error::limit(path, what));
        }
    }
    if half_ticks == 0 {
        return Err(Error::input(path, "holds no pulses: nothing was recorded; make the capture again"));
    }
    if walk.cut {
        notes.push("ends within a long pulse, which is left out".to_string());
    }
    if overflows > 0 {
        notes.push(format!(
            "{overflows} pauses of unknown length (version 0 does not keep it) are drawn as {OVERFLOW_TICKS} ticks each: \
             times on the tape are approximate"
        ));
    }
    let info = Info {
        path: path.to_path_buf(),
        container: Container::PulseImage { version },
        encoding: Encoding::Pulses,
        bits: 0,
        sample_rate: RATE,
        channels: 1,
        frames: (half_ticks * UNITS_PER_HALF_TICK).div_ceil(UNITS_PER_SAMPLE),
        notes,
        origination: None,
    };
    Ok((info, PulseImage { version, end, index }))
}

impl PulseImage {
    /// Draws the samples from frame `start` on.
    pub fn draw(&self, file: &File, start: u64, out: &mut [f32]) -> io::Result<()> {
        let first = start * UNITS_PER_SAMPLE;
        let mut canvas =
            Canvas { at: first, end: first + out.len() as u64 * UNITS_PER_SAMPLE, area: 0, out, filled: 0 };
        let entry =
            self.index.partition_point(|place| place.half_ticks * UNITS_PER_HALF_TICK <= first).saturating_sub(1);
        let place = self.index[entry];
        let mut walk = Walk::new(file, self.version, place, self.end);
        let mut from = place.half_ticks * UNITS_PER_HALF_TICK;
        while canvas.at < canvas.end {
            let Some(pulse) = walk.next()? else { break };
            let half = pulse.ticks.min(2 * LONGEST_HALF_TICKS) * UNITS_PER_HALF_TICK;
            let whole = 2 * pulse.ticks * UNITS_PER_HALF_TICK;
            canvas.level(-1, from, from + half);
            canvas.level(0, from + half, from + whole - half);
            canvas.level(1, from + whole - half, from + whole);
            from += whole;
        }
        canvas.level(0, from, canvas.end); // the last sample may reach beyond the last pulse
        Ok(())
    }
}

/// Samples being drawn from left to right.
struct Canvas<'a> {
    /// Everything before this is drawn, units.
    at: u64,
    end: u64,
    /// Level times units of the sample that `at` is in.
    area: i64,
    out: &'a mut [f32],
    filled: usize,
}

impl Canvas<'_> {
    /// Draws a level over the units `from..to`, which follow or overlap what is drawn.
    fn level(&mut self, level: i64, from: u64, to: u64) {
        let to = to.min(self.end);
        self.at = self.at.max(from.min(to));
        while self.at < to {
            let edge = (self.at / UNITS_PER_SAMPLE + 1) * UNITS_PER_SAMPLE;
            let next = edge.min(to);
            self.area += level * (next - self.at) as i64;
            self.at = next;
            if next == edge {
                self.out[self.filled] = self.area as f32 / UNITS_PER_SAMPLE as f32;
                self.filled += 1;
                self.area = 0;
            }
        }
    }
}

struct Pulse {
    ticks: u64,
    overflow: bool,
}

/// Goes through the pulses in the file, from any pulse on.
struct Walk<'a> {
    file: &'a File,
    version: u8,
    /// Where the buffer begins in the file.
    offset: u64,
    end: u64,
    buffer: Vec<u8>,
    used: usize,
    /// The data ended within a pulse.
    cut: bool,
}

impl Walk<'_> {
    fn new(file: &File, version: u8, place: Place, end: u64) -> Walk<'_> {
        Walk { file, version, offset: place.byte, end, buffer: Vec::new(), used: 0, cut: false }
    }

    fn byte(&self) -> u64 {
        self.offset + self.used as u64
    }

    fn next(&mut self) -> io::Result<Option<Pulse>> {
        if self.buffer.len() - self.used < 4 {
            self.refill()?;
        }
        let (ticks, size, overflow) = match (&self.buffer[self.used..], self.version) {
            ([], _) => return Ok(None),
            ([0, ..], 0) => (OVERFLOW_TICKS, 1, true),
            ([0, a, b, c, ..], _) => (u64::from(u32::from_le_bytes([*a, *b, *c, 0])), 4, false),
            ([0, ..], _) => {
                self.cut = true;
                return Ok(None);
            }
            ([n, ..], _) => (8 * u64::from(*n), 1, false),
        };
        self.used += size;
        Ok(Some(Pulse { ticks, overflow }))
    }

    /// Four bytes or more, unless the data ends before.
    fn refill(&mut self) -> io::Result<()> {
        let byte = self.byte();
        self.buffer.resize((self.end - byte).min(16 * 1024) as usize, 0);
        file::read_exact(self.file, &mut self.buffer, byte)?;
        (self.offset, self.used) = (byte, 0);
        Ok(())
    }
}
