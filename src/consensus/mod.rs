//! Which readings are of the same physical block, how they lie on each other bit by bit, and their evidence added.
//!
//! Three steps: [`matching`] finds the takes that are of one tape and lays them on one time by what they share, never by
//! name; [`timeline`] cuts that tape into blocks and says of every stretch of a reading which block, copy and byte it
//! is; [`align`] lays the stretches on their block bit by bit, mends counts that slipped in a lost stretch, settles the
//! length and adds the soft bits.

pub mod align;
pub mod matching;
pub mod similarity;
pub mod timeline;

pub use align::{Block, Vote, align};
pub use matching::{Members, tapes};
pub use timeline::{Piece, blocks};

use crate::receiver::Reading;
use crate::tape::{Grammar, Layout};

/// What one take brings to the consensus.
#[derive(Clone, Debug)]
pub struct TakeReadings {
    pub readings: Vec<Reading>,
    /// Playing speed against the nominal: 1.02 plays 2 % fast. Turns seconds of the take into seconds of tape.
    pub speed: f64,
}

/// A reading that was not used, with a code for machines and a sentence for people.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Rejected {
    pub take: usize,
    pub reading: usize,
    pub code: &'static str,
    pub reason: String,
}

/// Distances on a tape at its nominal speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Times {
    pub copies: usize,
    pub byte_s: f64,
    /// From the end of the last byte of a copy to the first byte of the next copy's payload.
    pub between_s: f64,
}

impl Times {
    pub fn of(grammar: &Grammar, layout: &Layout) -> Times {
        let byte_s = grammar.seconds(&grammar.byte_symbols(0));
        let sync = layout.sync.get(1).map_or(0, Vec::len) as f64 * byte_s;
        let between = layout.between as f64 * grammar.symbols[grammar.leader].cycle;
        Times { copies: layout.sync.len(), byte_s, between_s: grammar.seconds(&layout.end) + between + sync }
    }
}
