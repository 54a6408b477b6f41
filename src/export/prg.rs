//! The files of one program: what an emulator, a disk image tool or the real machine loads, and what a person reads.

use std::path::Path;

use crate::Error;
use crate::confidence::Class;
use crate::export::{atomic, atomic::Existing, audio, names, pulse_image};
use crate::tape::{Kind, Program, Pulse, basic};

/// A program file: load address, little-endian, then the bytes. `None` for data and for programs whose header is lost:
/// an address that was never read is not made up.
pub fn prg(program: &Program) -> Option<Vec<u8>> {
    let address = program.load_address?;
    Some([&address.to_le_bytes(), program.bytes.as_slice()].concat())
}

/// The text of a BASIC program, and behind it what does not look as it should. `None` for all else.
pub fn listing(program: &Program) -> Option<String> {
    let address = program.load_address.filter(|_| program.kind == Kind::Basic)?;
    let listing = basic::list(&program.bytes, address);
    let notes: String = listing.notes.iter().map(|note| format!("Note: {note}.\n")).collect();
    Some(if notes.is_empty() { listing.text } else { format!("{}\n{notes}", listing.text) })
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

/// Names of the files a user opens, for a stem of [`names::file_stem`]: `01-TIDE-TABLE.prg`, or `.bin` without a load
/// address; `.txt`, the listing of a BASIC program; and, if there is a tape of it, `.tap` (pulse image) and `.wav`.
pub fn file_names(stem: &str, program: &Program, tape: bool) -> Vec<String> {
    let endings = [
        (program.load_address.is_some(), "prg"),
        (program.load_address.is_none(), "bin"),
        (program.load_address.is_some() && program.kind == Kind::Basic, "txt"),
        (tape, "tap"),
        (tape, "wav"),
    ];
    endings.iter().filter(|(is, _)| *is).map(|(_, ending)| format!("{stem}.{ending}")).collect()
}

/// Writes the files of the `number`-th program (from 1) into `folder`, which must be there. `tape` is the tape as it
/// should have been.
pub fn write(
    folder: &Path,
    existing: Existing,
    number: usize,
    program: &Program,
    tape: Option<&[Pulse]>,
) -> Result<Written, Error> {
    let data = format!("p{number:02}.bin");
    atomic::write(&folder.join(&data), existing, &program.bytes)?;
    let stem = names::file_stem(number, &program.name);
    let path = |ending: &str| folder.join(format!("{stem}.{ending}"));
    match prg(program) {
        Some(bytes) => atomic::write(&path("prg"), existing, &bytes)?,
        None => atomic::write(&path("bin"), existing, &program.bytes)?,
    }
    if let Some(text) = listing(program) {
        atomic::write(&path("txt"), existing, text.as_bytes())?;
    }
    if let Some(pulses) = tape {
        pulse_image::write(&path("tap"), existing, pulses, pulse_image::CLOCK_50_HZ)?;
        audio::write(&path("wav"), existing, pulses, audio::Polarity::Normal)?;
    }
    Ok(Written { data, files: file_names(&stem, program, tape.is_some()) })
}
