//! Parity per group of bits.

use super::super::{Check, CheckMachine, Finding};
use crate::Llr;

/// Parity over groups of `period` bits each, all bits of the group included: nine for eight data bits and their parity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Parity {
    pub period: usize,
    pub odd: bool,
}

impl CheckMachine for Parity {
    fn states(&self) -> usize {
        2
    }
    /// The parity so far; at the end of a group 0 says that it holds, which is where the next group starts.
    fn step(&self, state: usize, position: usize, bit: bool) -> usize {
        let last = position % self.period == self.period - 1;
        state ^ usize::from(bit) ^ usize::from(last && self.odd)
    }
    fn allows(&self, state: usize, position: usize) -> bool {
        position % self.period != self.period - 1 || state == 0
    }
    fn accepts(&self, state: usize) -> bool {
        state == 0
    }
    fn phase(&self, position: usize) -> usize {
        position % self.period
    }
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        let judge = |(group, llrs): (usize, &[Llr])| {
            let odd = llrs.iter().filter(|l| l.bit()).count() % 2 == 1;
            Finding::of(Check::Parity { group }, llrs, odd == self.odd)
        };
        llrs.chunks_exact(self.period).enumerate().filter_map(judge).collect()
    }
}

/// The twin-copy block whose checksum was never right: odd parity over each nine bits, and no other check.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ParityOnly;

const NINE: Parity = Parity { period: 9, odd: true };

impl CheckMachine for ParityOnly {
    fn states(&self) -> usize {
        NINE.states()
    }
    fn step(&self, state: usize, position: usize, bit: bool) -> usize {
        NINE.step(state, position, bit)
    }
    fn allows(&self, state: usize, position: usize) -> bool {
        NINE.allows(state, position)
    }
    fn accepts(&self, state: usize) -> bool {
        NINE.accepts(state)
    }
    fn phase(&self, position: usize) -> usize {
        NINE.phase(position)
    }
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        NINE.findings(llrs)
    }
}
