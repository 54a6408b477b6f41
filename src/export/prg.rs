//! Program files: what an emulator, a disk image tool or the real machine loads.

use std::path::Path;

use crate::Error;
use crate::export::{atomic, atomic::Existing, names};
use crate::tape::{Kind, Program, basic};

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
    /// What the user opens: `01-TIDE-TABLE.prg`, and `01-TIDE-TABLE.txt` with the listing of a BASIC program. Without a
    /// load address `01-TIDE-TABLE.bin`.
    pub files: Vec<String>,
}

/// Names of the files a user opens, for a stem of [`names::file_stem`].
pub fn file_names(stem: &str, program: &Program) -> Vec<String> {
    match (program.load_address, program.kind) {
        (Some(_), Kind::Basic) => vec![format!("{stem}.prg"), format!("{stem}.txt")],
        (Some(_), _) => vec![format!("{stem}.prg")],
        (None, _) => vec![format!("{stem}.bin")],
    }
}

/// Writes the files of the `number`-th program (from 1) into `folder`, which must be there.
pub fn write(folder: &Path, existing: Existing, number: usize, program: &Program) -> Result<Written, Error> {
    let stem = names::file_stem(number, &program.name);
    let mut files = match prg(program) {
        Some(bytes) => vec![(format!("{stem}.prg"), bytes)],
        None => vec![(format!("{stem}.bin"), program.bytes.clone())],
    };
    if let (Kind::Basic, Some(address)) = (program.kind, program.load_address) {
        files.push((format!("{stem}.txt"), basic::list(&program.bytes, address).text.into_bytes()));
    }
    let data = format!("p{number:02}.bin");
    atomic::write(&folder.join(&data), existing, &program.bytes)?;
    for (name, bytes) in &files {
        atomic::write(&folder.join(name), existing, bytes)?;
    }
    Ok(Written { data, files: files.into_iter().map(|(name, _)| name).collect() })
}
