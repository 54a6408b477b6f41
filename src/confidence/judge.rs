//! From the evidence of one block to what may be claimed about it: bytes, classes, and the chance of error.

use serde::Serialize;

use super::apart::{self, Sides, Words, chances, groups};
use crate::consensus::Block;
use crate::correction::hypotheses::{
    APART_AND_WRONG, COPIES_DIFFER, Hypothesis, NOT_IN_FORMAT, OBEYS, OTHER_RECORDING, PRIOR_COPIES_DIFFER,
    PRIOR_NO_CHECKS, PRIOR_OTHER_RECORDING, PRIOR_WRONG_CHECKSUM, WRONG_CHECKSUM, Weighed, weigh,
};
use crate::correction::{
    Certificate, CheckMachine, Decoded, Posterior, certify, ln_probability, ln_share, ln_valid, most_probable,
    posteriors_of,
};
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

/// Why the readings of one place are of two blocks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Apart {
    /// The first copy was written with other bytes than the second.
    Copies,
    /// These takes hold another recording than the others.
    Recordings(Vec<usize>),
}

/// An explanation of a block other than the one it was decided by, where most of the doubt about it comes from that.
#[derive(Clone, Debug, PartialEq)]
pub struct Rivalling {
    /// Of [`crate::correction::hypotheses`].
    pub name: &'static str,
    /// What of the doubt it makes.
    pub chance: f64,
    /// How the readings would be parted, if it is one by two blocks.
    pub apart: Option<Apart>,
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
    /// Set if most of the doubt comes from another explanation than the one that was decided by.
    pub rivalling: Option<Rivalling>,
    /// Of each byte the explanation, other than the one decided by, from which most of the doubt about it comes; `None` if it
    /// comes from what was heard.
    pub doubt_from: Vec<Option<&'static str>>,
    /// Set when the readings are most probably of two blocks, with the chance of that: they are to be decided apart, and
    /// what is decided here is of both together.
    pub apart: Option<(Apart, f64)>,
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

/// Decides a block from its votes, each of which counts as its weight says (1 in full).
pub fn decide(format: &dyn Format, block: &Block, weights: &[f32]) -> Result<Decided, Error> {
    among(format, block, weights, true)
}

/// The same where it is known that there is one block, not two.
pub fn decide_as_one(format: &dyn Format, block: &Block, weights: &[f32]) -> Result<Decided, Error> {
    among(format, block, weights, false)
}

fn among(format: &dyn Format, block: &Block, weights: &[f32], may_be_two: bool) -> Result<Decided, Error> {
    let width = format.grammar().bits_per_byte;
    let checks = format.checks(block.bytes);
    let within = format.checks_within_bytes(block.bytes);
    let total = &block.weighed(weights)[..];
    let impossible =
        || Error::Usage("a block admits no valid word: this is a fault of quorate, please report it".into());
    // most blocks obey their checks, so that word comes first
    let (mut words, mut certificate) = certify(checks.as_ref(), total, CANDIDATES, WINDOW).ok_or_else(impossible)?;
    let of = |machine: &dyn CheckMachine, words: &[Decoded]| {
        let word = words.first().ok_or_else(impossible)?;
        posteriors_of(machine, total, &word.bits, width).ok_or_else(impossible)
    };
    let (valid, mut valid_bytes) = of(checks.as_ref(), &words)?;
    let (bytewise, mut bytewise_bytes) = of(within.as_ref(), &words)?;
    let share = |m: &dyn CheckMachine| ln_share(m, total.len()).unwrap_or(f64::NEG_INFINITY);
    let (ln_share, ln_share_within) = (share(checks.as_ref()), share(within.as_ref()));
    let mut hypotheses = vec![
        Hypothesis {
            name: OBEYS.into(),
            prior: 1.0 - PRIOR_WRONG_CHECKSUM - PRIOR_COPIES_DIFFER - PRIOR_OTHER_RECORDING - PRIOR_NO_CHECKS,
            ln_valid: valid.ln_valid,
            ln_share,
            ln_apart: 0.0,
        },
        Hypothesis {
            name: WRONG_CHECKSUM.into(),
            prior: PRIOR_WRONG_CHECKSUM,
            ln_valid: bytewise.ln_valid,
            ln_share: ln_share_within,
            ln_apart: 0.0,
        },
    ];
    let ln_most = ln_share_within - ln_share;
    let gain = Gain { ln_most, ln_together: ln_most + valid.ln_valid - bytewise.ln_valid };
    let two = if may_be_two { two_blocks(format, block, weights, gain) } else { Vec::new() };
    // two blocks that obey nothing but the checks of their bytes; what else they obey is in ln_apart
    let within_bytes = hypotheses[1].clone();
    hypotheses.extend(two.iter().map(|t| Hypothesis {
        name: t.name.into(),
        prior: t.prior,
        ln_apart: t.ln_apart,
        ..within_bytes.clone()
    }));
    // any word at all
    hypotheses.push(Hypothesis {
        name: NOT_IN_FORMAT.into(),
        prior: PRIOR_NO_CHECKS,
        ln_valid: 0.0,
        ln_share: 0.0,
        ln_apart: 0.0,
    });
    let hypotheses = weigh(&hypotheses).ok_or_else(impossible)?;
    let wrong_checksum = hypotheses[1].posterior > hypotheses[0].posterior;
    if wrong_checksum {
        (words, certificate) = certify(within.as_ref(), total, CANDIDATES, WINDOW).ok_or_else(impossible)?;
        (valid_bytes, bytewise_bytes) = (of(checks.as_ref(), &words)?.1, of(within.as_ref(), &words)?.1);
    }
    let word = words.first().ok_or_else(impossible)?;
    // the word may be right under either hypothesis
    let ln_word = ln_probability(total, &word.bits);
    let under = |h: &Weighed, p: &Posterior, obeys: bool| {
        if obeys { h.posterior * (ln_word - p.ln_valid).min(0.0).exp() } else { 0.0 }
    };
    let obeys = crate::correction::obeys(checks.as_ref(), &word.bits);
    // 1 - x loses digits where x is near 1: the parts of the doubt are added instead
    let doubt = |p: &Posterior| -(ln_word - p.ln_valid).min(0.0).exp_m1();
    let (own, instead) =
        if wrong_checksum { (&hypotheses[1], &hypotheses[0]) } else { (&hypotheses[0], &hypotheses[1]) };
    let p_wrong = if wrong_checksum {
        1.0 - under(&hypotheses[0], &valid, obeys) - under(&hypotheses[1], &bytewise, true)
    } else {
        let others: f64 = hypotheses[2..].iter().map(|h| h.posterior).sum();
        hypotheses[0].posterior * doubt(&valid) + hypotheses[1].posterior * doubt(&bytewise) + others
    };
    // the parts of that which other explanations make
    let names = [if wrong_checksum { OBEYS } else { WRONG_CHECKSUM }]
        .into_iter()
        .chain(two.iter().map(|t| t.name))
        .chain([NOT_IN_FORMAT]);
    let instead_wrong = match wrong_checksum {
        true => instead.posterior - under(instead, &valid, obeys),
        false => instead.posterior * doubt(&bytewise),
    };
    let parts = [instead_wrong].into_iter().chain(hypotheses[2..].iter().map(|h| h.posterior));
    let most = names.clone().zip(parts).reduce(|a, b| if b.1 > a.1 { b } else { a });
    let rivalling = most.filter(|(_, chance)| *chance > 0.5 * p_wrong).map(|(name, chance)| Rivalling {
        name,
        chance,
        apart: two.iter().find(|t| t.name == name).map(|t| t.apart.clone()),
    });
    let posterior: Vec<Llr> = mixed(&hypotheses, &valid.llr, &bytewise.llr);
    let bytes: Vec<u8> = word.bits.chunks(width).map(|c| format.byte(c)).collect();
    let foreign = hypotheses.last().map_or(0.0, |h| h.posterior);
    let mut classes = Vec::with_capacity(bytes.len());
    let mut byte_p_wrong = Vec::with_capacity(bytes.len());
    let mut doubt_from = Vec::with_capacity(bytes.len());
    for (i, bits) in word.bits.chunks(width).enumerate() {
        let at = i * width..i * width + bits.len();
        // by the explanations that obey checks, each for its part
        let (obeys, wrong) = (hypotheses[0].posterior, hypotheses[1].posterior);
        let p = (obeys * (1.0 - valid_bytes[i]) + wrong * (1.0 - bytewise_bytes[i]))
            / (obeys + wrong).max(f64::MIN_POSITIVE);
        // what is given out for a byte that differs is one of two; in what is not in the format no byte is known
        let apart: f64 = two.iter().zip(&hypotheses[2..]).map(|(t, h)| h.posterior * t.differs[i]).sum();
        let p = (p + apart + foreign).clamp(0.0, 1.0);
        byte_p_wrong.push(p);
        let right =
            if wrong_checksum { [bytewise_bytes[i], valid_bytes[i]] } else { [valid_bytes[i], bytewise_bytes[i]] };
        let parts = [instead.posterior * (1.0 - right[1])]
            .into_iter()
            .chain(two.iter().zip(&hypotheses[2..]).map(|(t, h)| h.posterior * t.differs[i]))
            .chain([foreign]);
        let most = names.clone().zip(parts).reduce(|a, b| if b.1 > a.1 { b } else { a });
        doubt_from.push(most.filter(|most| most.1 > own.posterior * (1.0 - right[0])).map(|most| most.0));
        classes.push(class(block, at, bits, p));
    }
    let apart =
        two.into_iter().zip(&hypotheses[2..]).find(|(_, h)| h.posterior > 0.5).map(|(t, h)| (t.apart, h.posterior));
    Ok(Decided {
        bytes,
        classes,
        byte_p_wrong,
        posterior,
        p_wrong: p_wrong.clamp(0.0, 1.0),
        wrong_checksum,
        hypotheses,
        rivalling,
        doubt_from,
        apart,
        certificate: Some(certificate),
    })
}

/// An explanation by two blocks.
struct Two {
    apart: Apart,
    name: &'static str,
    prior: f64,
    ln_apart: f64,
    /// Chance that each byte differs, if any do.
    differs: Vec<f64>,
}

impl Two {
    /// ln_apart of these two groups, and the chance that each byte differs.
    fn of(sides: &Sides, format: &dyn Format, words: &Words, bytes: usize, checks: Gain) -> (f64, Vec<f64>) {
        let width = format.grammar().bits_per_byte;
        let ratios = sides.ratios(words);
        let (mut ln_apart, differs) = (sides.ln_ratio(&ratios), chances(&ratios));
        let (whole, within) = (format.checks(bytes), format.checks_within_bytes(bytes));
        let payload = |own: &Own| Some(own.word.as_ref()?[..bytes.saturating_sub(1) * width].to_vec());
        let own = || sides.whole.each_ref().map(|sum| Own::of(sum, whole.as_ref(), within.as_ref(), checks.ln_most));
        match apart::visible(&differs).then(own) {
            // each obeys its own checks, or does not: given what differs, the one says nothing of the other
            Some([a, b]) if payload(&a).zip(payload(&b)).is_some_and(|(a, b)| a != b) => {
                ln_apart += a.ln_gain + b.ln_gain;
            }
            // a side that does not know what it says contradicts nobody; nor do two that say the same but for the check byte
            Some(_) => ln_apart = ln_apart.min(0.0) + checks.ln_together,
            None => ln_apart += checks.ln_together,
        }
        (ln_apart, differs)
    }
}

/// One side by itself.
struct Own {
    /// ln of what its checks are worth, if it may not obey them.
    ln_gain: f64,
    /// Its word, if it singles one out: more probable than all others together.
    word: Option<Vec<bool>>,
}

impl Own {
    fn of(sum: &[Llr], whole: &dyn CheckMachine, within: &dyn CheckMachine, ln_most: f64) -> Own {
        let (ln_whole, ln_within) = (ln_valid(whole, sum), ln_valid(within, sum));
        let obeys = (1.0 - APART_AND_WRONG) * (ln_most + ln_whole - ln_within).exp();
        let (machine, ln_all) = if obeys > APART_AND_WRONG { (whole, ln_whole) } else { (within, ln_within) };
        let word = most_probable(machine, sum).map(|word| word.bits);
        let word = word.filter(|bits| ln_probability(sum, bits) - ln_all > 0.5_f64.ln());
        Own { ln_gain: (obeys + APART_AND_WRONG).ln(), word }
    }
}

/// What the checks of the whole block are worth.
#[derive(Clone, Copy)]
struct Gain {
    /// ln of what they are worth where a block surely obeys them.
    ln_most: f64,
    /// ln of what they are worth for all readings together.
    ln_together: f64,
}

/// The explanations by two blocks that the readings allow for.
fn two_blocks(format: &dyn Format, block: &Block, weights: &[f32], checks: Gain) -> Vec<Two> {
    let (byte, width) = (format.checks_within_bytes(1), format.grammar().bits_per_byte);
    let words = Words::new(byte.as_ref(), width);
    let fit: Vec<bool> = block.votes.iter().map(|v| apart::testifies(v, block, byte.as_ref(), width)).collect();
    let mut out = Vec::new();
    if let Some(sides) = Sides::of(block, weights, &fit, |v| Some(v.copy.min(1))) {
        let prior = PRIOR_COPIES_DIFFER;
        let (ln_apart, differs) = Two::of(&sides, format, &words, block.bytes, checks);
        out.push(Two { apart: Apart::Copies, name: COPIES_DIFFER, prior, ln_apart, differs });
    }
    let takes = apart::takes(block, &fit);
    if takes.len() > 1 {
        let prior = PRIOR_OTHER_RECORDING;
        let differ = |t: usize, u: usize| {
            let pair = |take: usize| [t, u].iter().position(|&x| x == take);
            let sides = Sides::of(block, weights, &fit, |v| pair(v.take));
            sides.is_some_and(|s| !s.surely_one(&words) && s.ln_ratio(&s.ratios(&words)) > 0.0)
        };
        let groups = groups(&takes, differ);
        let ways = groups.len() as f64;
        // each way to part them is as likely as the others; the one that explains most is named
        let each = groups.into_iter().filter_map(|group| {
            let sides = Sides::of(block, weights, &fit, |v| Some(usize::from(group.contains(&v.take))))?;
            let (ln_apart, differs) = Two::of(&sides, format, &words, block.bytes, checks);
            let apart = Apart::Recordings(group);
            Some(Two { apart, name: OTHER_RECORDING, prior, ln_apart: ln_apart - ways.ln(), differs })
        });
        let best = each.reduce(|a, b| if b.ln_apart > a.ln_apart { b } else { a });
        out.extend(best);
    }
    out
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
