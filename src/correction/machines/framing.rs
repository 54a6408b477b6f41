//! Start and stop bits: known bits around every byte.

use super::super::{Check, CheckMachine, Finding};
use crate::Llr;

/// Every group of bits has known values at some places: start 0, stop 1. One state; knowledge alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Framing {
    /// One entry for each bit of a byte on tape: its value if known.
    pub pattern: Vec<Option<bool>>,
}

impl Framing {
    /// Start bit 0, eight data bits, `stop_bits` stop bits 1.
    pub fn start_stop(stop_bits: usize) -> Framing {
        let mut pattern = vec![Some(false)];
        pattern.extend([None; 8]);
        pattern.extend(std::iter::repeat_n(Some(true), stop_bits));
        Framing { pattern }
    }
}

impl CheckMachine for Framing {
    fn states(&self) -> usize {
        1
    }
    fn step(&self, _state: usize, _position: usize, _bit: bool) -> usize {
        0
    }
    fn accepts(&self, _state: usize) -> bool {
        true
    }
    fn known_bit(&self, position: usize) -> Option<bool> {
        self.pattern[position % self.pattern.len()]
    }
    fn phase(&self, position: usize) -> usize {
        position % self.pattern.len()
    }
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        let judge = |(position, llr): (usize, &Llr)| {
            let known = self.known_bit(position)?;
            Finding::of(Check::KnownBit { position, value: known }, &[*llr], llr.bit() == known)
        };
        llrs.iter().enumerate().filter_map(judge).collect()
    }
}
