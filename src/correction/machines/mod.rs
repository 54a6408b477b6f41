//! The checks of the tape formats as machines, one file a check.

mod crc16;
mod framing;
mod parity;
mod parity_xor;
mod product;
mod sum_byte;
mod xor_byte;

pub use crc16::{Crc16, Crc16Params};
pub use framing::Framing;
pub use parity::{Parity, ParityOnly};
pub use parity_xor::ParityXor;
pub use product::Product;
pub use sum_byte::SumByte;
pub use xor_byte::XorByte;

/// Which bit of a byte comes first on tape.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BitOrder {
    MsbFirst,
    LsbFirst,
}

impl BitOrder {
    /// Value within its byte of the data bit `index` (0 = first on tape, at most 7).
    pub fn mask(self, index: usize) -> usize {
        match self {
            BitOrder::MsbFirst => 0x80 >> index,
            BitOrder::LsbFirst => 1 << index,
        }
    }
}

/// Where the eight data bits lie within a byte on tape: `before` bits ahead of them (start), `after` behind them
/// (parity, stop).
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct ByteFrame {
    pub order: BitOrder,
    pub before: usize,
    pub after: usize,
}

impl ByteFrame {
    /// Eight data bits and nothing else.
    pub const fn bare(order: BitOrder) -> ByteFrame {
        ByteFrame { order, before: 0, after: 0 }
    }

    /// Bits a byte takes on tape.
    pub fn len(self) -> usize {
        self.before + 8 + self.after
    }

    /// Never: a byte has at least its data bits.
    pub fn is_empty(self) -> bool {
        false
    }

    /// Byte number and, for a data bit, its number within the byte in tape order.
    pub fn locate(self, position: usize) -> (usize, Option<usize>) {
        let within = position % self.len();
        (position / self.len(), within.checked_sub(self.before).filter(|&bit| bit < 8))
    }

    /// The bytes carried by `bits` (whole bytes; a rest is left out).
    pub fn bytes(self, bits: &[bool]) -> Vec<u8> {
        let byte = |frame: &[bool]| {
            let ones = frame[self.before..].iter().take(8).enumerate().filter(|(_, bit)| **bit);
            ones.fold(0, |byte, (index, _)| byte | self.order.mask(index) as u8)
        };
        bits.chunks_exact(self.len()).map(byte).collect()
    }
}
