//! The domain: what a tape format looks like on tape, and which checks its blocks obey.
//!
//! A format is data plus two small functions: a [`Grammar`] (how bits become pulses), a [`Layout`] (sync, copies,
//! gaps) and a check machine ([`crate::correction::CheckMachine`]). The same description drives the writer (used by
//! [`crate::channel`] and [`crate::export`]) and the receiver. Adding a format touches this folder alone.

pub mod basic;
pub mod charset;
pub mod format;
pub mod grammar;
pub mod program;
pub mod twin_copy;
mod twin_copy_programs;

pub use format::{Assembly, BlockBytes, Format};
pub use grammar::{Grammar, Layout, Symbol};
pub use program::{Kind, Program};
pub use twin_copy_programs::TwinCopy;

/// Every format that can be read, by the order in which people look for them.
pub fn formats() -> Vec<Box<dyn Format>> {
    vec![Box::new(TwinCopy::default())]
}

/// What the recorder head is told to do: the tape as the machine writes it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pulse {
    /// One full cycle of a square wave (high half, then low half of the same length), in seconds.
    Cycle(f64),
    /// Nothing written, in seconds.
    Silence(f64),
}

impl Pulse {
    /// Length in seconds.
    pub fn seconds(self) -> f64 {
        match self {
            Pulse::Cycle(s) | Pulse::Silence(s) => s,
        }
    }
}
