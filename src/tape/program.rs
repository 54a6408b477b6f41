//! What the user wants back.

use serde::{Deserialize, Serialize};

/// What a program's bytes are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A relocatable program, in practice BASIC text.
    Basic,
    /// A program for a fixed address: machine code.
    Code,
    /// A data file.
    Data,
    /// The header was never read.
    Unknown,
}

/// A program with the fields of its header.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Program {
    pub kind: Kind,
    /// The name as it stands on the tape, padding included. Hostile input: see `export::names` before showing it.
    pub name: Vec<u8>,
    /// First address in memory; `None` for data files and programs whose header is lost.
    pub load_address: Option<u16>,
    /// The bytes as they sit in memory.
    pub bytes: Vec<u8>,
}
