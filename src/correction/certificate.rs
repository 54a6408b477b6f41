//! The certificate of a decoded block: what was decided, against which votes, why, and what else it might be.

use serde::{Deserialize, Serialize};

use super::list::k_best;
use super::semiring::value;
use super::{CheckMachine, Decoded};
use crate::Llr;

/// One check of a block.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "check", rename_all = "kebab-case")]
pub enum Check {
    /// Parity of the bits of one group (twin-copy: one byte), counted from 0.
    Parity { group: usize },
    /// Even parity over one column of the XOR: the bits worth `value` in all bytes.
    XorColumn { value: u8 },
    /// Sum of the bytes against the one written.
    Sum { computed: u8, written: u8 },
    /// CRC of the bytes against the one written.
    Crc { computed: u16, written: u16 },
    /// A start or stop bit.
    KnownBit { position: usize, value: bool },
    /// All checks of the block as a whole.
    Block,
}

/// What the hard decisions say about a check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// The votes contradict the check: at least one of its bits is wrong, or the check itself is.
    Failed,
    /// A bit of the check is lost: the check can restore it, but cannot judge the others.
    Open,
}

/// A check that does not simply hold. A check computed over lost bits takes them as 0.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    #[serde(flatten)]
    pub check: Check,
    pub outcome: Outcome,
}

impl Finding {
    /// Judges a check over the soft bits it touches; `None` if it holds.
    pub fn of(check: Check, touched: &[Llr], holds: bool) -> Option<Finding> {
        if touched.iter().any(|&llr| value(llr) == 0.0) {
            Some(Finding { check, outcome: Outcome::Open })
        } else {
            (!holds).then_some(Finding { check, outcome: Outcome::Failed })
        }
    }
}

/// A bit decided against its vote.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Flip {
    pub position: usize,
    /// The value it has now.
    pub value: bool,
    /// |llr| of the vote that was overruled, in nats.
    pub weight: f64,
}

/// Evidence for one decoded block. Costs in nats, positions in bits from the start of the block.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Certificate {
    pub cost: f64,
    /// Cost of the next best valid block; `None` if there is only one.
    pub runner_up_cost: Option<f64>,
    /// Winner and runner-up cost the same: nothing singles the winner out.
    pub tie: bool,
    /// Where winner and runner-up differ.
    pub differs: Vec<usize>,
    pub flips: Vec<Flip>,
    /// Bits without a vote, filled in by the checks.
    pub lost: usize,
    /// Checks that failed, or stood open, before the correction.
    pub findings: Vec<Finding>,
    /// How far above the winner's cost rivals were counted.
    pub window: f64,
    /// Valid blocks, winner included, whose cost is at most `cost + window`…
    pub blocks_within: usize,
    /// … or at least so many: counting stopped at the number of blocks asked for.
    pub at_least: bool,
}

/// Decodes, and states the evidence. `k` (at least 2 is used) blocks are examined for rivals; `window` is in nats.
/// Returns the valid blocks found, most probable first, with the certificate of the first; `None` if no block is valid.
pub fn certify(machine: &dyn CheckMachine, llrs: &[Llr], k: usize, window: f64) -> Option<(Vec<Decoded>, Certificate)> {
    let k = k.max(2);
    let words = k_best(machine, llrs, k);
    let winner = words.first()?;
    let runner_up = words.get(1);
    let differs = runner_up.map_or(Vec::new(), |other| {
        let pairs = winner.bits.iter().zip(&other.bits).enumerate();
        pairs.filter(|(_, (a, b))| a != b).map(|(position, _)| position).collect()
    });
    let flip = |&position: &usize| Flip { position, value: winner.bits[position], weight: value(llrs[position]).abs() };
    let blocks_within = words.iter().filter(|word| word.cost <= winner.cost + window).count();
    let certificate = Certificate {
        cost: winner.cost,
        runner_up_cost: runner_up.map(|other| other.cost),
        tie: winner.tie,
        differs,
        flips: winner.flipped.iter().map(flip).collect(),
        lost: llrs.iter().filter(|&&llr| value(llr) == 0.0).count(),
        findings: machine.findings(llrs),
        window,
        blocks_within,
        at_least: blocks_within == k,
    };
    Some((words, certificate))
}
