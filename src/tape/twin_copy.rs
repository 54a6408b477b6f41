//! `twin-copy`: three pulse lengths, pulse-pair bits, odd parity, every block twice, XOR byte.
//!
//! All figures from memory and common practice in the trade.

use super::{Grammar, Layout, Program, Symbol};

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
        // medium/short 1.365 to 1.465, long/short 1.785 to 1.915: the constant moves both together
        relative_lengths: (0..6)
            .map(|i| f64::from(i) / 5.0)
            .map(|x| vec![1.0, 1.37 + 0.09 * x, 1.79 + 0.12 * x])
            .collect(),
        byte_prefix: vec![LONG, MEDIUM],
        bit: [vec![SHORT, MEDIUM], vec![MEDIUM, SHORT]],
        bits_per_byte: 9,
        byte_bits,
        leader: SHORT,
    }
}

/// Eight bits, least significant first, and the bit that makes the number of ones odd.
pub fn byte_bits(byte: u8) -> Vec<bool> {
    let mut bits: Vec<bool> = (0..8).map(|k| byte >> k & 1 == 1).collect();
    bits.push(byte.count_ones() % 2 == 0);
    bits
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
