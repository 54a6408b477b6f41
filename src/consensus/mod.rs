//! Which readings are of the same physical block, how they lie on each other bit by bit, and their evidence added.
//!
//! Three steps: [`sightings`](sighting) pairs the copies that one take read of one block; [`matching`] finds the same
//! block in other takes by content, order and tape time together, never by name; [`align`] lays every reading on the
//! block, mends counts that slipped in a lost stretch, settles the length and adds the soft bits.

pub mod align;
pub mod matching;
pub mod sighting;
pub mod similarity;

pub use align::{Block, Vote, align};
pub use matching::{Grouping, Tape, group};
pub use sighting::{Sighting, sightings};

use crate::receiver::Reading;

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
