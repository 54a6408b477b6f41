//! `twin-copy`: three pulse lengths, pulse-pair bits, odd parity, every block twice, XOR byte.
//!
//! All figures from memory and common practice in the trade.

use super::{Grammar, Layout, Program, Pulse, Symbol};

pub const SHORT: usize = 0;
pub const MEDIUM: usize = 1;
pub const LONG: usize = 2;

/// Lengths as tapes measure: the design values 352, 512, 672 µs plus what the interrupt adds.
pub fn grammar() -> Grammar {
    Grammar {
        symbols: vec![
            Symbol { name: "short", cycle: 390e-6 },
            Symbol { name: "medium", cycle: 536e-6 },
            Symbol { name: "long", cycle: 698e-6 },
        ],
        byte_prefix: vec![LONG, MEDIUM],
        bit: [vec![SHORT, MEDIUM], vec![MEDIUM, SHORT]],
        bits_per_byte: 9,
        leader: SHORT,
    }
}

pub fn layout() -> Layout {
    Layout {
        sync: vec![(0x81..=0x89).rev().collect(), (0x01..=0x09).rev().collect()],
        end: vec![LONG, SHORT],
        between: 79,
        after: 78,
    }
}

/// A file on a twin-copy tape, as it is written: what one header announces.
#[derive(Clone, Debug, PartialEq)]
pub struct TapeFile {
    pub program: Program,
    /// Leader before the header and before each data block, in seconds (about 10 and 2).
    pub header_leader_s: f64,
    pub data_leader_s: f64,
    /// Silence after the file, in seconds.
    pub gap_s: f64,
    /// Bytes of the header after the name (at most 171; padded with spaces).
    pub header_rest: Vec<u8>,
    /// XORed into the check byte of the data block: non-zero writes a wrong checksum, for tests.
    pub checksum_fault: u8,
}
