//! Competing explanations of a block: that it obeys its checks, or that it never did.
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
}

impl Hypothesis {
    /// ln P(votes | hypothesis), up to a constant common to all hypotheses about the same votes.
    pub fn ln_evidence(&self) -> f64 {
        self.ln_valid - self.ln_share
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
