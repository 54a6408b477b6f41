//! Tells people, and other programs, what was found.

pub mod summary;
pub mod table;
pub mod verdict;

pub use verdict::Verdict;
