//! What the report shows, computed from the decided blocks: facts of every byte, of every take, and where things lie in
//! the time of the tape. Numbers only; [`super::html`] draws them.

pub mod bytes;
pub mod strip;
pub mod takes;

use crate::recovery::Outcome;
use crate::tape::Format;

/// A stretch of the waveform of one reading: take, reading, from, to (seconds of the take). Values in parts of the
/// reading's peak, -1 to 1; empty where nothing was kept.
pub type Waveforms<'a> = dyn Fn(usize, usize, f64, f64) -> Vec<f32> + 'a;

/// All there is to show of one result.
pub struct Evidence<'a> {
    pub outcome: &'a Outcome,
    pub format: &'a dyn Format,
    pub waveforms: &'a Waveforms<'a>,
}

impl Evidence<'_> {
    /// `take-1` for the first.
    pub fn take_id(&self, take: usize) -> String {
        format!("take-{}", take + 1)
    }

    /// Bits per byte on tape.
    pub fn width(&self) -> usize {
        self.format.grammar().bits_per_byte
    }

    /// Takes that belong to a tape, by number.
    pub fn received(&self) -> usize {
        self.outcome.intake.received.len()
    }
}
