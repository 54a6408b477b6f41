//! What may be claimed.

pub mod score;
pub mod statistics;
