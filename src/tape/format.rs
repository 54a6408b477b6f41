//! One trait for every tape format.

use super::{Grammar, Kind, Layout, Program, Pulse};
use crate::correction::CheckMachine;

/// A block as decoded, for putting programs together.
#[derive(Clone, Debug, PartialEq)]
pub struct BlockBytes {
    /// Payload: sync and check byte taken off.
    pub payload: Vec<u8>,
    /// Chance that each byte is wrong.
    pub p_wrong: Vec<f64>,
    /// Seconds of tape at which it begins and ends (at the nominal speed).
    pub from_s: f64,
    pub to_s: f64,
}

/// A program as the tape tells it: which blocks it is made of and what its header says.
#[derive(Clone, Debug, PartialEq)]
pub struct Assembly {
    pub kind: Kind,
    /// As on tape, padding included. Empty when the header was not read.
    pub name: Vec<u8>,
    pub load_address: Option<u16>,
    /// Bytes that the header announces, if it does.
    pub announced: Option<usize>,
    /// Index of the header block.
    pub header: Option<usize>,
    /// Bytes of the header that name, place and size depend on.
    pub header_fields: std::ops::Range<usize>,
    /// Data blocks and the payload range of each that belongs to the program.
    pub data: Vec<(usize, std::ops::Range<usize>)>,
    /// False if the data itself says that more must follow.
    pub ended: bool,
    pub notes: Vec<String>,
}

/// A tape format: data plus what can't be said in data.
pub trait Format: Sync {
    /// Structural name, as in `verdict.json`.
    fn id(&self) -> &'static str;
    /// How it looks on tape, in a line for people.
    fn recording(&self) -> &'static str;
    /// Which families of machines wrote it.
    fn machines(&self) -> &'static str;
    fn grammar(&self) -> &Grammar;
    fn layout(&self) -> &Layout;
    /// The checks of a block of `bytes` bytes, check byte included.
    fn checks(&self, bytes: usize) -> Box<dyn CheckMachine>;
    /// The checks that hold even in a block that was written with a wrong checksum.
    fn checks_within_bytes(&self, bytes: usize) -> Box<dyn CheckMachine>;
    /// The byte in a run of bits in tape order.
    fn byte(&self, bits: &[bool]) -> u8;
    /// Indices of the bits of a byte that carry its value.
    fn data_bits(&self) -> std::ops::Range<usize>;
    /// Bytes of the block that follows `header`, check byte included, if `header` is one and surely says so.
    fn announced_bytes(&self, header: &BlockBytes) -> Option<usize>;
    /// Bytes of a block that begins with `payload`, check byte included, if its beginning tells: blocks of some kinds have
    /// one length.
    fn own_bytes(&self, payload: &[u8]) -> Option<usize>;
    /// Puts programs together from the blocks of one tape, in tape order.
    fn assemble(&self, blocks: &[BlockBytes]) -> Vec<Assembly>;
    /// The tape as the machine would write the program today: usual leaders, right checks, and silence at the end.
    /// `header_rest` is what the header holds after the name. `None` if it can't be written as it stands.
    fn rewrite(&self, program: &Program, header_rest: &[u8]) -> Option<Vec<Pulse>>;
}
