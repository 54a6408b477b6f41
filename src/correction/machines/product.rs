//! Two checks at once.

use super::super::{CheckMachine, Finding};
use crate::Llr;

/// A block that obeys both machines. The state is `a.states()` × (state of `b`) + (state of `a`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Product<A, B> {
    pub a: A,
    pub b: B,
}

impl<A: CheckMachine, B: CheckMachine> Product<A, B> {
    fn split(&self, state: usize) -> (usize, usize) {
        (state % self.a.states(), state / self.a.states())
    }
}

impl<A: CheckMachine, B: CheckMachine> CheckMachine for Product<A, B> {
    fn states(&self) -> usize {
        self.a.states() * self.b.states()
    }
    fn step(&self, state: usize, position: usize, bit: bool) -> usize {
        let (a, b) = self.split(state);
        self.a.step(a, position, bit) + self.a.states() * self.b.step(b, position, bit)
    }
    fn accepts(&self, state: usize) -> bool {
        let (a, b) = self.split(state);
        self.a.accepts(a) && self.b.accepts(b)
    }
    fn allows(&self, state: usize, position: usize) -> bool {
        let (a, b) = self.split(state);
        let knowledge = (self.a.known_bit(position), self.b.known_bit(position));
        let contradicted = matches!(knowledge, (Some(x), Some(y)) if x != y);
        !contradicted && self.a.allows(a, position) && self.b.allows(b, position)
    }
    fn known_bit(&self, position: usize) -> Option<bool> {
        self.a.known_bit(position).or(self.b.known_bit(position))
    }
    fn phase(&self, position: usize) -> usize {
        // Both phases side by side: a block has less than 2^32 bits.
        self.a.phase(position) << 32 | self.b.phase(position)
    }
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        [self.a.findings(llrs), self.b.findings(llrs)].concat()
    }
}
