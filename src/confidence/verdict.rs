//! The verdict on a program.

use serde::{Deserialize, Serialize};

use super::Class;

/// The three verdicts, weakest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Unresolved or inferred bytes.
    Open,
    /// The best word is clear, but something keeps it from being established.
    Supported,
    /// All bytes agreed or corrected, next to no chance of error, and no check contradicts.
    Established,
}

/// A program is established below this chance that any of its bytes is wrong.
pub const ESTABLISHED_BELOW: f64 = 1e-6;
/// A bit is weak when the chance that it is wrong is above this.
pub const WEAK_BIT: f64 = 1e-3;
/// No claim is stronger than this, however good the evidence: what no model of ours covers (a misread block boundary, a
/// fault of the machine that wrote, of ours) has some chance of its own. A judgement, far below what trials can show.
pub const LEAST_P_WRONG: f64 = 1e-9;

/// From this chance of a wrong byte on, the best word is not clear: even odds.
const CLEAR_BELOW: f64 = 0.5;

/// The verdict from the classes of all bytes, the chance that any is wrong, and whether anything contradicts.
pub fn level(classes: &[Class], p_wrong: f64, complete: bool, contradicted: bool) -> Level {
    let doubtful = classes.iter().any(|c| matches!(c, Class::Inferred | Class::Unresolved));
    // a word that is as likely wrong as right is not clear
    if doubtful || !complete || p_wrong >= CLEAR_BELOW {
        Level::Open
    } else if p_wrong < ESTABLISHED_BELOW && !contradicted {
        Level::Established
    } else {
        Level::Supported
    }
}
