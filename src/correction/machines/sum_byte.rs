//! Sum of all bytes, in the last byte.

use super::super::{Check, CheckMachine, Finding};
use super::ByteFrame;
use crate::Llr;

/// The last of `bytes` bytes is the sum of all before it modulo 256; with `end_around`, every carry out of the top is
/// added back at the bottom (ones' complement sum, as in RFC 1071).
///
/// 256 states: the sum so far. In the last byte the bits that agree with the sum clear it to zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SumByte {
    pub frame: ByteFrame,
    /// Bytes of the block with the check byte.
    pub bytes: usize,
    pub end_around: bool,
}

impl CheckMachine for SumByte {
    fn states(&self) -> usize {
        256
    }
    fn step(&self, state: usize, position: usize, bit: bool) -> usize {
        let (byte, Some(index)) = self.frame.locate(position) else { return state };
        let mask = if bit { self.frame.order.mask(index) } else { 0 };
        if byte + 1 == self.bytes {
            return state ^ mask;
        }
        let sum = state + mask;
        if self.end_around && sum > 255 { sum - 255 } else { sum % 256 }
    }
    fn accepts(&self, state: usize) -> bool {
        state == 0
    }
    fn phase(&self, position: usize) -> usize {
        let within = position % self.frame.bits();
        if position / self.frame.bits() + 1 == self.bytes { self.frame.bits() + within } else { within }
    }
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        let bytes = self.frame.bytes(&llrs.iter().map(|l| l.bit()).collect::<Vec<_>>());
        let Some((&written, data)) = bytes.split_last() else { return Vec::new() };
        let total: usize = data.iter().map(|&byte| usize::from(byte)).sum();
        let computed = match (self.end_around, total) {
            (false, _) => total % 256,
            (true, 0) => 0,
            (true, _) => (total - 1) % 255 + 1,
        } as u8;
        Finding::of(Check::Sum { computed, written }, &self.frame.data(llrs), computed == written).into_iter().collect()
    }
}
