//! Tells people, and other programs, what was found.

pub mod verdict;

pub use verdict::Verdict;
