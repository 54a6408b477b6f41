//! The files of one program: what an emulator, a disk image tool or the real machine loads, and what a person reads.

use std::path::Path;

use super::listing::{self, Standing};
use crate::Error;
use crate::confidence::{Class, Level};
use crate::export::{atomic, atomic::Existing, audio, names, pulse_image};
use crate::report::words;
use crate::tape::{Kind, Program, Pulse};

/// A program file: load address, little-endian, then the bytes. `None` for data and for programs whose header is lost:
/// an address that was never read is not made up.
pub fn prg(program: &Program) -> Option<Vec<u8>> {
    let address = program.load_address?;
    Some([&address.to_le_bytes(), program.bytes.as_slice()].concat())
}

/// Names of the files written for one program, relative to their folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The bytes alone, as they sit in memory: `p01.bin`.
    pub data: String,
    /// What the user opens, as [`file_names`] has them.
    pub files: Vec<String>,
}

/// A tape is made only of a program of which at least one byte is known: nothing else would be worth its leader.
pub fn worth_a_tape(classes: &[Class]) -> bool {
    classes.iter().any(|class| *class != Class::Unresolved)
}

/// Names of the files a user opens, of the `number`-th program (from 1): `01-TIDE-TABLE.prg`, or `.bin` without a load address;
/// `.txt`, the listing of a BASIC program; and, if there is a tape of it, `.tap` (pulse image) and `.wav`. Of a program that
/// is not established the verdict stands before the ending: `02-RINGING-LOG.open.prg`.
pub fn file_names(number: usize, level: Level, program: &Program, tape: bool) -> Vec<String> {
    let stem = stem(number, level, program);
    let endings = [
        (program.load_address.is_some(), "prg"),
        (program.load_address.is_none(), "bin"),
        (program.load_address.is_some() && program.kind == Kind::Basic, "txt"),
        (tape, "tap"),
        (tape, "wav"),
    ];
    endings.iter().filter(|(is, _)| *is).map(|(_, ending)| format!("{stem}.{ending}")).collect()
}

fn stem(number: usize, level: Level, program: &Program) -> String {
    let stem = names::file_stem(number, &program.name);
    if level == Level::Established { stem } else { format!("{stem}.{}", words::level(level)) }
}

/// Writes the files of the `number`-th program (from 1) into `folder`, which must be there. `tape` is the tape as it
/// should have been.
pub fn write(
    folder: &Path,
    existing: Existing,
    number: usize,
    program: &Program,
    standing: &Standing,
    tape: Option<&[Pulse]>,
) -> Result<Written, Error> {
    let data = format!("p{number:02}.bin");
    atomic::write(&folder.join(&data), existing, &program.bytes)?;
    let stem = stem(number, standing.level, program);
    let path = |ending: &str| folder.join(format!("{stem}.{ending}"));
    match prg(program) {
        Some(bytes) => atomic::write(&path("prg"), existing, &bytes)?,
        None => atomic::write(&path("bin"), existing, &program.bytes)?,
    }
    if let Some(text) = listing::text(program, standing) {
        atomic::write(&path("txt"), existing, text.as_bytes())?;
    }
    if let Some(pulses) = tape {
        pulse_image::write(&path("tap"), existing, pulses, pulse_image::CLOCK_50_HZ)?;
        audio::write(&path("wav"), existing, pulses, audio::Polarity::Normal)?;
    }
    Ok(Written { data, files: file_names(number, standing.level, program, tape.is_some()) })
}
