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

use super::{Check, Finding};
use crate::Llr;

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
    pub fn bits(self) -> usize {
        self.before + 8 + self.after
    }

    /// Byte number and, for a data bit, its number within the byte in tape order.
    pub fn locate(self, position: usize) -> (usize, Option<usize>) {
        let within = position % self.bits();
        (position / self.bits(), within.checked_sub(self.before).filter(|&bit| bit < 8))
    }

    /// The soft bits that carry data, in tape order.
    pub fn data(self, llrs: &[Llr]) -> Vec<Llr> {
        let carries = |position: usize| self.locate(position).1.is_some();
        llrs.iter().enumerate().filter(|(position, _)| carries(*position)).map(|(_, llr)| *llr).collect()
    }

    /// The bytes carried by `bits` (whole bytes; a rest is left out).
    pub fn bytes(self, bits: &[bool]) -> Vec<u8> {
        let byte = |frame: &[bool]| {
            let ones = frame[self.before..].iter().take(8).enumerate().filter(|(_, bit)| **bit);
            ones.fold(0, |byte, (index, _)| byte | self.order.mask(index) as u8)
        };
        bits.chunks_exact(self.bits()).map(byte).collect()
    }
}

/// The findings of an XOR byte, column by column: even parity over the bits of one value in all bytes.
fn columns(frame: ByteFrame, llrs: &[Llr]) -> Vec<Finding> {
    let data = frame.data(llrs);
    let judge = |index: usize| {
        let column: Vec<Llr> = data.iter().skip(index).step_by(8).copied().collect();
        let even = column.iter().filter(|l| l.bit()).count() % 2 == 0;
        Finding::of(Check::XorColumn { value: frame.order.mask(index) as u8 }, &column, even)
    };
    (0..8).filter_map(judge).collect()
}
