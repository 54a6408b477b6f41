//! Sum of all bytes, in the last byte.

use super::super::CheckMachine;
use super::ByteFrame;

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
        let within = position % self.frame.len();
        if position / self.frame.len() + 1 == self.bytes { self.frame.len() + within } else { within }
    }
}
