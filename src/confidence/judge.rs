//! From the evidence of one block to what may be claimed about it: bytes, classes, and the chance of error.

use serde::Serialize;

use crate::consensus::Block;
use crate::correction::hypotheses::{Hypothesis, PRIOR_WRONG_CHECKSUM, Weighed, weigh};
use crate::correction::{Certificate, certify, ln_probability, ln_share, posteriors};
use crate::tape::Format;
use crate::{Error, Llr};

/// How a byte was settled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Class {
    /// Every reading that saw it says the same and the checks hold.
    Agreed,
    /// The checks and the votes single out one value.
    Corrected,
    /// Best guess, a rival remains.
    Inferred,
    /// No basis.
    Unresolved,
}

/// A block with a decision on every byte.
#[derive(Clone, Debug)]
pub struct Decided {
    /// Payload and check byte.
    pub bytes: Vec<u8>,
    pub classes: Vec<Class>,
    /// Chance that each byte is wrong.
    pub byte_p_wrong: Vec<f64>,
    /// ln P(bit = 1)/P(bit = 0) of every bit on tape given all votes and checks.
    pub posterior: Vec<Llr>,
    /// Chance that any byte is wrong.
    pub p_wrong: f64,
    /// True when the block was most probably written with a wrong checksum.
    pub wrong_checksum: bool,
    pub hypotheses: Vec<Weighed>,
    /// Cost, rival and flipped bits of the decision.
    pub certificate: Option<Certificate>,
}

/// A vote under this says nothing: e^1.5 is odds of 4.5 to 1.
const SAW: f32 = 1.5;
/// A byte with more doubt than this has a rival worth naming.
const RIVAL: f64 = 1e-4;
/// A byte as doubtful as this has no basis: two candidates are about even, or all are.
const NO_BASIS: f64 = 0.4;
/// How many candidates the certificate looks at, and the window of cost (nats) in which it counts them.
const CANDIDATES: usize = 16;
const WINDOW: f64 = 20.0;

/// Decides a block from the sum of its votes. `total` is that sum, discounted for shared causes.
pub fn decide(format: &dyn Format, block: &Block, total: &[Llr]) -> Result<Decided, Error> {
    let width = format.grammar().bits_per_byte;
    let checks = format.checks(block.bytes);
    let within = format.checks_within_bytes(block.bytes);
    let impossible =
        || Error::Usage("a block admits no valid word: this is a fault of quorate, please report it".into());
    let valid = posteriors(checks.as_ref(), total).ok_or_else(impossible)?;
    let bytewise = posteriors(within.as_ref(), total).ok_or_else(impossible)?;
    let share = |m: &dyn crate::correction::CheckMachine| ln_share(m, total.len()).unwrap_or(f64::NEG_INFINITY);
    let hypotheses = weigh(&[
        Hypothesis {
            name: "obeys its checks".into(),
            prior: 1.0 - PRIOR_WRONG_CHECKSUM,
            ln_valid: valid.ln_valid,
            ln_share: share(checks.as_ref()),
        },
        Hypothesis {
            name: "written with a wrong checksum".into(),
            prior: PRIOR_WRONG_CHECKSUM,
            ln_valid: bytewise.ln_valid,
            ln_share: share(within.as_ref()),
        },
    ])
    .ok_or_else(impossible)?;
    let wrong_checksum = hypotheses[1].posterior > 0.5;
    let machine = if wrong_checksum { within.as_ref() } else { checks.as_ref() };
    let (words, certificate) = certify(machine, total, CANDIDATES, WINDOW).ok_or_else(impossible)?;
    let word = words.first().ok_or_else(impossible)?;
    // the word may be right under either hypothesis
    let ln_word = ln_probability(total, &word.bits);
    let under = |h: &Weighed, p: &crate::correction::Posterior, obeys: bool| {
        if obeys { h.posterior * (ln_word - p.ln_valid).min(0.0).exp() } else { 0.0 }
    };
    let obeys = crate::correction::obeys(checks.as_ref(), &word.bits);
    // 1 - x loses digits where x is near 1: the parts of the doubt are added instead
    let doubt = |p: &crate::correction::Posterior| -(ln_word - p.ln_valid).min(0.0).exp_m1();
    let p_wrong = if wrong_checksum {
        1.0 - under(&hypotheses[0], &valid, obeys) - under(&hypotheses[1], &bytewise, true)
    } else {
        hypotheses[0].posterior * doubt(&valid) + hypotheses[1].posterior * doubt(&bytewise)
    };
    let posterior: Vec<Llr> = mixed(&hypotheses, &valid.llr, &bytewise.llr);
    let value = format.data_bits();
    let bytes: Vec<u8> = word.bits.chunks(width).map(|c| format.byte(c)).collect();
    let mut classes = Vec::with_capacity(bytes.len());
    let mut byte_p_wrong = Vec::with_capacity(bytes.len());
    for (i, bits) in word.bits.chunks(width).enumerate() {
        let at = i * width..i * width + bits.len();
        let p: f64 = 1.0
            - value
                .clone()
                .map(|k| {
                    let llr = f64::from(posterior[at.start + k].0);
                    let right = if bits[k] { llr } else { -llr };
                    1.0 / (1.0 + (-right).exp())
                })
                .product::<f64>();
        let p = p.clamp(0.0, 1.0);
        byte_p_wrong.push(p);
        classes.push(class(block, at, bits, p));
    }
    Ok(Decided {
        bytes,
        classes,
        byte_p_wrong,
        posterior,
        p_wrong: p_wrong.clamp(0.0, 1.0),
        wrong_checksum,
        hypotheses,
        certificate: Some(certificate),
    })
}

fn class(block: &Block, at: std::ops::Range<usize>, bits: &[bool], p_wrong: f64) -> Class {
    if p_wrong > NO_BASIS {
        return Class::Unresolved;
    }
    if p_wrong > RIVAL {
        return Class::Inferred;
    }
    let mut saw = false;
    for vote in &block.votes {
        let part = &vote.bits[at.clone()];
        if part.iter().zip(bits).any(|(v, &b)| v.0.abs() >= SAW && v.bit() != b) {
            return Class::Corrected;
        }
        saw |= part.iter().all(|v| v.0.abs() >= SAW);
    }
    if saw { Class::Agreed } else { Class::Corrected }
}

/// Posterior of every bit over both hypotheses.
fn mixed(hypotheses: &[Weighed], valid: &[Llr], bytewise: &[Llr]) -> Vec<Llr> {
    if hypotheses[1].posterior < 1e-12 {
        return valid.to_vec();
    }
    if hypotheses[0].posterior < 1e-12 {
        return bytewise.to_vec();
    }
    let (a, b) = (hypotheses[0].posterior, hypotheses[1].posterior);
    valid
        .iter()
        .zip(bytewise)
        .map(|(x, y)| {
            let one = a * x.p_one() + b * y.p_one();
            let zero = a * (-*x).p_one() + b * (-*y).p_one();
            Llr((one.max(1e-300).ln() - zero.max(1e-300).ln()) as f32)
        })
        .collect()
}
