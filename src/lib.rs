//! quorate: several recordings of one data cassette in, its programs out, each byte with a measured statement of how
//! sure it is.
//!
//! The flow, one folder a step:
//!
//! 1. [`capture`] reads a file into samples of one channel, with provenance.
//! 2. [`receiver`] turns samples into readings: soft bits ([`Llr`]) with their places on the tape. Where a bit's length
//!    depends on its value, [`receiver::segmental`] does it.
//! 3. [`consensus`] finds which readings are of the same physical block and adds their evidence.
//! 4. [`correction`] finds the most probable block that obeys the checks, the runner-up and every bit's posterior.
//! 5. [`confidence`] turns that into classes, verdicts and words.
//! 6. [`export`] writes files that load, [`report`] tells people, [`archive`] packs everything for the long term.
//!
//! [`recovery`] runs this line from files to verdicts; [`dossier`] keeps the evidence, so that it can be run again.
//!
//! [`tape`] is the domain: what a format looks like on tape and which checks it obeys; writer and receiver share it.
//! [`channel`] is a physical model of tape, deck and capture that makes takes with known truth. [`cli`] holds the
//! commands, and is the only part that prints.

pub mod archive;
pub mod capture;
pub mod channel;
pub mod cli;
pub mod confidence;
pub mod consensus;
pub mod correction;
pub mod dossier;
pub mod error;
pub mod export;
pub mod llr;
pub mod receiver;
pub mod recovery;
pub mod report;
pub mod tape;

pub use error::Error;
pub use llr::Llr;
