//! The twin-copy check: odd parity per byte, and an XOR byte at the end.

use super::super::{CheckMachine, Finding};
use super::{BitOrder, ByteFrame, ParityOnly, columns};
use crate::Llr;

/// Nine bits a byte: eight data bits, least significant first, then odd parity. The last byte is the XOR of all before
/// it, so that the XOR over all `bytes` (check byte included) is 0.
///
/// 512 states: the XOR so far, and 256 × the parity of the byte so far, turned over at the ninth bit so that every byte
/// starts, and a valid one ends, with 0 there. Product codes of this kind have distance 4 (Cardell & Climent).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ParityXor {
    /// Bytes of the block with the check byte.
    pub bytes: usize,
}

const PARITY: usize = 256;

impl ParityXor {
    /// Bits a byte takes.
    pub const BITS: usize = 9;

    /// Bits of the block.
    pub fn bits(&self) -> usize {
        self.bytes * ParityXor::BITS
    }
}

impl CheckMachine for ParityXor {
    fn states(&self) -> usize {
        2 * PARITY
    }
    fn step(&self, state: usize, position: usize, bit: bool) -> usize {
        match position % ParityXor::BITS {
            8 => state ^ if bit { 0 } else { PARITY },
            index => state ^ if bit { PARITY | 1 << index } else { 0 },
        }
    }
    fn allows(&self, state: usize, position: usize) -> bool {
        position % ParityXor::BITS != 8 || state & PARITY == 0
    }
    fn accepts(&self, state: usize) -> bool {
        state == 0
    }
    fn phase(&self, position: usize) -> usize {
        position % ParityXor::BITS
    }
    /// The parities of the bytes, then the columns of the XOR.
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        let frame = ByteFrame { order: BitOrder::LsbFirst, before: 0, after: 1 };
        let mut findings = ParityOnly.findings(llrs);
        findings.extend(columns(frame, llrs));
        findings
    }
}
