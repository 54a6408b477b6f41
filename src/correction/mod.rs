//! Exact decoding under checks.
//!
//! A check that a finite state can compute by walking the bits of a block is a trellis (Wolf, IEEE Trans. Inf. Theory
//! 24:76, 1978). [`CheckMachine`] describes such a check; exact algorithms are written once against it:
//!
//! - [`most_probable`]: the most probable valid block (Viterbi): the set of flipped bits of least total |llr|;
//! - [`k_best`]: the K most probable valid blocks in order (list Viterbi), so that rivals and ties are seen;
//! - [`rivals`]: what a byte is in the best block in which it is another;
//! - [`posteriors`]: what each bit is given all votes and all checks, and how probable a valid block was at all
//!   (forward–backward: Bahl, Cocke, Jelinek, Raviv 1974).
//!
//! ```
//! use quorate::Llr;
//! use quorate::correction::{ParityOnly, most_probable};
//!
//! // Nine votes for a byte of eight ones and a parity bit that must be 1: the third vote is weak and wrong.
//! let votes = [5.0, 5.0, -0.5, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0].map(Llr);
//! let block = most_probable(&ParityOnly, &votes).unwrap();
//! assert_eq!(block.bits, [true; 9]);
//! assert_eq!((block.cost, block.flipped), (0.5, vec![2]));
//! ```
//!
//! Costs and probabilities are in nats. Position 0 is the first bit of the block on tape.

mod certificate;
pub mod hypotheses;
mod list;
pub mod machines;
mod posterior;
mod rival;
mod semiring;
mod trellis;

pub use certificate::{Certificate, Check, Finding, Flip, Outcome, certify};
pub use list::{Decoded, TIE, k_best, most_probable};
pub use machines::*;
pub use posterior::{MAX_POSTERIOR, Posterior, ln_probability, ln_share, ln_valid, posteriors, posteriors_of};
pub use rival::{Rival, rivals};

use crate::Llr;

/// A check that can be computed by walking the bits of a block with a finite state.
///
/// Worked example, odd parity over three bits: two states, `step = state ^ bit`, `accepts(1)`. The word 100 walks
/// 0 → 1 → 1 → 1 and is valid.
pub trait CheckMachine: Sync {
    /// Number of states. The walk starts in state 0.
    fn states(&self) -> usize;
    /// Next state after the bit at `position` (0 = first bit of the block on tape).
    fn step(&self, state: usize, position: usize, bit: bool) -> usize;
    /// True for a state in which a valid block may end.
    fn accepts(&self, state: usize) -> bool;
    /// Whether a valid block may be in `state` just after the bit at `position`: for checks that close before the end
    /// of the block, such as parity per byte. Saves a state for "has failed already".
    fn allows(&self, _state: usize, _position: usize) -> bool {
        true
    }
    /// The value every valid block has at `position`, whatever the state: start and stop bits.
    fn known_bit(&self, _position: usize) -> Option<bool> {
        None
    }
    /// Positions of equal phase have the same `step` and `allows`. The default is always right; a machine that repeats
    /// every byte says so here, and its tables are built once instead of once a bit.
    fn phase(&self, position: usize) -> usize {
        position
    }
    /// The single checks that the hard decisions fail or, because bits are lost, leave open: what forced a correction.
    /// A machine that knows its parts names them; the default speaks of the block.
    fn findings(&self, llrs: &[Llr]) -> Vec<Finding> {
        let bits: Vec<bool> = llrs.iter().map(|l| l.bit()).collect();
        Finding::of(Check::Block, llrs, obeys(self, &bits)).into_iter().collect()
    }
}

/// Walks whole words: whether `bits` obey the checks. The slow, plain reading of the trait, for tests and evidence.
pub fn obeys<M: CheckMachine + ?Sized>(machine: &M, bits: &[bool]) -> bool {
    let mut state = 0;
    for (position, &bit) in bits.iter().enumerate() {
        if machine.known_bit(position).is_some_and(|known| known != bit) {
            return false;
        }
        state = machine.step(state, position, bit);
        if !machine.allows(state, position) {
            return false;
        }
    }
    machine.accepts(state)
}
