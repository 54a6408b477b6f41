//! The machine-readable result: what `verdict.json` holds.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use crate::confidence::Level;
use crate::tape::Kind;

pub const SCHEMA: &str = "quorate/verdict/1";

/// The whole result of one tape side (or several, if takes of other tapes were among them).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Verdict {
    pub schema: Cow<'static, str>,
    pub tool: Tool,
    pub takes: Vec<Take>,
    pub programs: Vec<ProgramVerdict>,
    pub readings: Readings,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Tool {
    /// Version of the model behind the chances, which `reports/calibration.json` holds against the truth.
    pub model: Cow<'static, str>,
    pub version: Cow<'static, str>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Take {
    pub id: String,
    /// File name without its folder.
    pub file: String,
    pub sha256: String,
    pub duration_s: f64,
    pub sample_rate: u32,
    pub used: bool,
    pub note: Option<String>,
    /// Channel that was read, from 1, and how many there are.
    pub channel: u16,
    pub channels: u16,
    /// Tape this take is of: takes of one tape carry one number.
    pub tape: Option<usize>,
    /// Speed against the nominal, as a fraction: 0.02 plays 2 % fast.
    pub speed_error: Option<f64>,
    /// What it counts as a witness among the takes of its tape, discounted for what they share: 1 in full.
    pub counts_as: Option<f64>,
    pub readings: usize,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ProgramVerdict {
    pub id: String,
    pub name: String,
    pub format: Cow<'static, str>,
    pub kind: Kind,
    pub load_address: Option<u16>,
    pub size: usize,
    pub verdict: Level,
    /// Probability that at least one byte is wrong.
    pub p_wrong: f64,
    pub bytes: ByteCounts,
    pub takes: Vec<String>,
    pub data: String,
    pub files: Vec<String>,
    pub notes: Vec<String>,
    pub tape: usize,
    /// Bits whose posterior stays under the threshold after everything was weighed.
    pub weak_bits: usize,
    /// What stands in the way of `established`, and what would help most.
    pub obstacles: Vec<String>,
    pub advice: Vec<String>,
    /// Where it lies, in seconds of each take that heard it.
    pub places: Vec<Place>,
    pub blocks: Vec<BlockVerdict>,
    /// Bytes that a person decided: they stand in the files, and count as evidence for nothing.
    pub decisions: Vec<PersonsDecision>,
}

/// A byte that a person decided where the evidence did not.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PersonsDecision {
    pub offset: usize,
    pub value: u8,
    /// What the evidence alone would put there.
    pub evidence: u8,
    pub by: String,
    pub because: String,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ByteCounts {
    pub agreed: usize,
    pub corrected: usize,
    pub inferred: usize,
    pub unresolved: usize,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Place {
    pub take: String,
    pub from_s: f64,
    pub to_s: f64,
}

/// One block of a program: what was decided and why.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct BlockVerdict {
    pub role: Cow<'static, str>,
    pub bytes: usize,
    pub readings: usize,
    pub p_wrong: f64,
    pub hypotheses: Vec<crate::correction::hypotheses::Weighed>,
    pub certificate: Option<crate::correction::Certificate>,
}

/// Every reading is used or rejected with a reason.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Readings {
    pub total: usize,
    pub used: usize,
    pub rejected: Vec<RejectedReading>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RejectedReading {
    pub take: String,
    pub from_s: f64,
    pub to_s: f64,
    pub code: Cow<'static, str>,
    pub reason: String,
}
