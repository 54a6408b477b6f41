//! CRC-16 over all bytes, check bytes included.

use super::super::{Check, CheckMachine, Finding};
use super::ByteFrame;
use crate::Llr;

/// The parameters of a CRC-16 as catalogues give them (RevEng).
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Crc16Params {
    /// Generator without x^16, most significant coefficient first.
    pub poly: u16,
    pub init: u16,
    /// Bytes enter least significant bit first, and the result is reflected (the two go together in every common one).
    pub reflected: bool,
    /// XORed into the result.
    pub xorout: u16,
}

impl Crc16Params {
    /// Polynomial 1021 hex, register 0, most significant bit first.
    pub const XMODEM: Crc16Params = Crc16Params { poly: 0x1021, init: 0, reflected: false, xorout: 0 };
}

/// The last two bytes are the CRC-16 of all before them, in the order that leaves a constant in the register: high byte
/// first, or low byte first if reflected.
///
/// 65,536 states: the register, XORed with its initial value so that the walk starts in 0. The register is linear, so
/// the shift by a whole byte is done at the first bit of the byte, and every bit after it only XORs a mask. The order
/// of bits on tape is therefore free of the order in which the CRC takes them.
#[derive(Clone, Debug)]
pub struct Crc16 {
    pub frame: ByteFrame,
    pub params: Crc16Params,
    /// Register after a byte, from register 0.
    table: Vec<u16>,
}

impl Crc16 {
    pub fn new(frame: ByteFrame, params: Crc16Params) -> Crc16 {
        let entry = |byte: u16| {
            if params.reflected {
                let poly = params.poly.reverse_bits();
                (0..8).fold(byte, |r, _| if r & 1 == 1 { r >> 1 ^ poly } else { r >> 1 })
            } else {
                (0..8).fold(byte << 8, |r, _| if r >> 15 == 1 { r << 1 ^ params.poly } else { r << 1 })
            }
        };
        Crc16 { frame, params, table: (0..256).map(entry).collect() }
    }

    fn feed(&self, register: u16, byte: u8) -> u16 {
        if self.params.reflected {
            register >> 8 ^ self.table[usize::from(register as u8 ^ byte)]
        } else {
            register << 8 ^ self.table[usize::from((register >> 8) as u8 ^ byte)]
        }
    }

    /// The CRC of `bytes`.
    pub fn checksum(&self, bytes: &[u8]) -> u16 {
        bytes.iter().fold(self.start(), |register, &byte| self.feed(register, byte)) ^ self.params.xorout
    }

    /// The two check bytes of `bytes` in the order they are written.
    pub fn check_bytes(&self, bytes: &[u8]) -> [u8; 2] {
        let crc = self.checksum(bytes);
        if self.params.reflected { crc.to_le_bytes() } else { crc.to_be_bytes() }
    }

    /// The register after any valid block: the check bytes cancel it but for `xorout`, which is shifted through.
    pub fn residue(&self) -> u16 {
        self.feed(self.feed(self.params.xorout, 0), 0)
    }

    /// The register before the first byte.
    fn start(&self) -> u16 {
        if self.params.reflected { self.params.init.reverse_bits() } else { self.params.init }
    }
}

impl CheckMachine for Crc16 {
    fn states(&self) -> usize {
        1 << 16
    }
    fn step(&self, state: usize, position: usize, bit: bool) -> usize {
        let Some(index) = self.frame.locate(position).1 else { return state };
        let mut state = state as u16;
        if index == 0 {
            state = self.feed(state ^ self.start(), 0) ^ self.start();
        }
        if bit {
            state ^= self.table[self.frame.order.mask(index)];
        }
        usize::from(state)
    }
    fn accepts(&self, state: usize) -> bool {
        state as u16 ^ self.start() == self.residue()
    }
    fn phase(&self, position: usize) -> usize {
        position % self.frame.bits()
    }
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        let bytes = self.frame.bytes(&llrs.iter().map(|l| l.bit()).collect::<Vec<_>>());
        let Some((data, &written)) = bytes.split_last_chunk::<2>() else { return Vec::new() };
        let computed = self.checksum(data);
        let written = if self.params.reflected { u16::from_le_bytes(written) } else { u16::from_be_bytes(written) };
        Finding::of(Check::Crc { computed, written }, &self.frame.data(llrs), computed == written).into_iter().collect()
    }
}
