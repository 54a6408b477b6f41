//! Turns samples into readings, for any grammar: soft bits with their places, found and framed by themselves.
//!
//! The way of a [`take`]: [`leader`] finds the tones, [`sync`] the known sequence behind each and a first waveform,
//! [`track`] follows the bytes by what is [`heard`] of each, [`phase`] sees that none lies half a cell aside, [`demodulate`] learns the waveform in its
//! neighbourhood and gives each bit its log-likelihood ratio (once more, where it is noisy, with the path from head to
//! file as [`response`] fits it to many runs together), [`framing`] cuts the run of bytes into copies of blocks. [`blocks`]
//! learns the waveform behind the purest leader and leads from one block to the next, never on through a leader; what lies
//! outside any leader is found by [`structure`]. All that is for grammars whose
//! bits last equally long; where a bit's length depends on its value, [`segmental`] gives the soft bits of a run whose
//! beginning is known.

mod blocks;
pub mod demodulate;
pub mod frame;
pub mod framing;
pub mod heard;
mod kalman;
pub mod leader;
pub mod lock;
pub mod phase;
pub mod response;
pub mod segmental;
pub mod shape;
pub mod signal;
pub mod structure;
pub mod sync;
pub mod track;

mod take;

pub use take::{Reading, Reception, receive};
