//! Files for the user: programs that load, pulse images, clean audio for a new cassette.
//!
//! Everything goes through [`atomic`]: a file is there whole or not at all. Functions take plain data
//! ([`crate::tape::Program`], `&[Pulse]`); which data, and whether to write at all, is decided elsewhere.

pub mod atomic;
pub mod audio;
pub(crate) mod disk;
pub mod folder;
pub mod inventory;
pub mod listing;
pub mod names;
pub mod page_seal;
pub mod prg;
pub mod pulse_image;
pub mod record;
