//! Competing explanations of a block: that it obeys its checks, that it never did, or that its readings are of two blocks.
//!
//! Given a hypothesis, every word that obeys its checks is equally likely to have been written. Bayes then gives the
//! evidence of the votes as the mean likelihood of those words,
//!
//! ```text
//! P(votes | H) = Σ over words w of H  P(votes | w) / |H|      (up to a factor common to all hypotheses)
//!              = P(a block drawn from the votes obeys H) / (share of all words that obey H)
//! ```
//!
//! because P(votes | bit) is proportional to P(bit | votes) for the even prior that a soft bit has. The second line is
//! [`Posterior::ln_valid`](super::Posterior::ln_valid) minus [`ln_share`](super::ln_share). The luck of checks is inside
//! it: with k more check bits than its rival a hypothesis can gain at most a factor 2^k, and when N equally good
//! corrections were to choose from, of which one passes, the gain is 2^k / N. A check that something would have passed
//! in any case gains nothing.

use serde::{Deserialize, Serialize};

/// Prior of a block written with a checksum that was never right: one in ten thousand.
///
/// A judgement, not a measurement: the machine computes the sum while it writes, so a wrong one needs a fault of the
/// machine during the save, or somebody who wanted it so. The ratio of evidence is reported beside every posterior, so
/// that a reader with another prior can put in that.
pub const PRIOR_WRONG_CHECKSUM: f64 = 1e-4;

/// Prior of a block that is not in the format at all, so that no check holds but by luck: one in a million.
///
/// A judgement too: the block was found by its leader and sync bytes, which other formats do not have.
pub const PRIOR_NO_CHECKS: f64 = 1e-6;

/// Prior of a block whose two copies were written with different bytes: one in a million.
///
/// A judgement: the machine writes both copies from one memory within seconds. They differ where a clock or a screen lay in the
/// memory that was saved, where somebody wrote a tape so on purpose, or where the second copy was recorded over by one of
/// another save. Much rarer than a wrong checksum; of the same order as a block not in the format.
pub const PRIOR_COPIES_DIFFER: f64 = 1e-6;

/// Prior of a block at which takes that were laid on one tape are of different recordings: one in a million.
///
/// A judgement: takes are of one tape when what they hold, its order and its times are the same in large part, and takes that
/// contradict each other plainly have been set apart by then. What is left is a block that was recorded over between
/// two takes, or a save of nearly the same bytes under the same name. Of the same order as a block not in the format.
pub const PRIOR_OTHER_RECORDING: f64 = 1e-6;

/// Chance that a block which is one of two (a second copy that was written differently, another recording) does not obey
/// its checks: one in a thousand. A judgement; higher than [`PRIOR_WRONG_CHECKSUM`], since what made it differ may have done so
/// while it was written.
pub const APART_AND_WRONG: f64 = 1e-3;

/// Names of the explanations.
pub const OBEYS: &str = "obeys its checks";
pub const WRONG_CHECKSUM: &str = "written with a wrong checksum";
pub const COPIES_DIFFER: &str = "written with copies that differ";
pub const OTHER_RECORDING: &str = "not the same recording in all takes";
pub const NOT_IN_FORMAT: &str = "not in this format";

/// An explanation of the block, and how well the votes fit it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hypothesis {
    pub name: String,
    /// Probability before the votes are seen. Priors are taken relative to each other.
    pub prior: f64,
    /// ln P(a block drawn from the votes obeys): see [`super::Posterior::ln_valid`]. −∞ if none can.
    #[serde(deserialize_with = "null_is_minus_infinity")]
    pub ln_valid: f64,
    /// ln of the share of all words that obey: see [`super::ln_share`].
    #[serde(deserialize_with = "null_is_minus_infinity")]
    pub ln_share: f64,
    /// For explanations by two blocks: ln of how much better two explain the votes than one that obeys the same. 0 for
    /// explanations by one block.
    #[serde(deserialize_with = "null_is_minus_infinity")]
    pub ln_apart: f64,
}

impl Hypothesis {
    /// ln P(votes | hypothesis), up to a constant common to all hypotheses about the same votes.
    pub fn ln_evidence(&self) -> f64 {
        self.ln_valid - self.ln_share + self.ln_apart
    }
}

/// JSON has no infinities: the logarithm of zero is written as null.
fn null_is_minus_infinity<'de, D: serde::Deserializer<'de>>(input: D) -> Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(input)?.unwrap_or(f64::NEG_INFINITY))
}

/// A hypothesis with its probability.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Weighed {
    #[serde(flatten)]
    pub hypothesis: Hypothesis,
    /// Probability given the votes.
    pub posterior: f64,
    /// ln of the probability, for those too small to tell from 0.
    #[serde(deserialize_with = "null_is_minus_infinity")]
    pub ln_posterior: f64,
    /// ln of its evidence against the first hypothesis: what the votes say whatever the priors.
    #[serde(deserialize_with = "null_is_minus_infinity")]
    pub ln_ratio: f64,
}

/// Probabilities of hypotheses of which exactly one is true, in the order given. `None` if none of them is possible.
pub fn weigh(hypotheses: &[Hypothesis]) -> Option<Vec<Weighed>> {
    let scores: Vec<f64> = hypotheses.iter().map(|h| h.prior.ln() + h.ln_evidence()).collect();
    let best = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !best.is_finite() {
        return None;
    }
    let ln_total = best + scores.iter().map(|score| (score - best).exp()).sum::<f64>().ln();
    let weighed = hypotheses.iter().zip(scores).map(|(hypothesis, score)| Weighed {
        hypothesis: hypothesis.clone(),
        posterior: (score - ln_total).exp(),
        ln_posterior: score - ln_total,
        ln_ratio: hypothesis.ln_evidence() - hypotheses[0].ln_evidence(),
    });
    Some(weighed.collect())
}
