//! What may be claimed: how far a witness is to be believed ([`temper`]) and is independent ([`shared`]), whether
//! readings speak of two blocks ([`apart`]), the decision on a block with its doubt ([`judge`]), the verdict on a program ([`verdict`]),
//! scores and words ([`score`]), the trials behind them ([`calibration`]), and the statistics that hold claims against outcomes ([`statistics`]).

pub mod apart;
pub mod calibration;
pub mod judge;
pub mod score;
pub mod shared;
pub mod statistics;
pub mod temper;
pub mod verdict;

pub use judge::{Apart, Class, Decided, Rivalling, decide, decide_as_one};
pub use shared::Shared;
pub use temper::temper;
pub use verdict::{ESTABLISHED_BELOW, Level, WEAK_BIT, level};
