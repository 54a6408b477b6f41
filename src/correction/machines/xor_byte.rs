//! XOR of all bytes, check byte included, is zero.

use super::super::{CheckMachine, Finding};
use super::{ByteFrame, columns};
use crate::Llr;

/// The last byte is the XOR of all before it. 256 states: the XOR so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct XorByte {
    pub frame: ByteFrame,
}

impl CheckMachine for XorByte {
    fn states(&self) -> usize {
        256
    }
    fn step(&self, state: usize, position: usize, bit: bool) -> usize {
        match self.frame.locate(position).1 {
            Some(index) if bit => state ^ self.frame.order.mask(index),
            _ => state,
        }
    }
    fn accepts(&self, state: usize) -> bool {
        state == 0
    }
    fn phase(&self, position: usize) -> usize {
        position % self.frame.bits()
    }
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        columns(self.frame, llrs)
    }
}
