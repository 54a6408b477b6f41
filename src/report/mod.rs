//! Tells people, and other programs, what was found.

pub mod page;
pub mod schema;
pub mod shelf;
pub mod summary;
pub mod table;
pub mod verdict;
pub mod words;

pub use verdict::Verdict;
