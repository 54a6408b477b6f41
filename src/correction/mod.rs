//! Exact decoding under checks.

/// A check that can be computed by walking the bits of a block with a finite state (a trellis, Wolf 1978).
pub trait CheckMachine: Sync {
    /// Number of states. The walk starts in state 0.
    fn states(&self) -> usize;
    /// Next state after the bit at `position` (0 = first bit of the block on tape).
    fn step(&self, state: usize, position: usize, bit: bool) -> usize;
    /// True for a state in which a valid block may end.
    fn accepts(&self, state: usize) -> bool;
}
