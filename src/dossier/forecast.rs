//! What more takes of the present quality would do: by simulation, from the evidence that is there.

mod plays;
mod words;

use std::ops::Range;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use serde::Serialize;

use crate::confidence::statistics::{Interval, clopper_pearson};
use crate::confidence::{Class, ESTABLISHED_BELOW};
use crate::consensus::Block;
use crate::correction::hypotheses::{
    Hypothesis, NOT_IN_FORMAT, OBEYS, PRIOR_NO_CHECKS, PRIOR_WRONG_CHECKSUM, WRONG_CHECKSUM, weigh,
};
use crate::correction::{CheckMachine, ln_probability, ln_share, ln_valid, posteriors};
use crate::recovery::{DecidedBlock, Outcome, Outlook, Progress};
use crate::tape::Format;
use crate::{Error, Llr};

use plays::{Plays, Share};
use words::drawn;

/// What more takes of the present quality would do.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Forecast {
    Simulated {
        seed: u64,
        trials: u64,
        /// For one more take, two, and so on.
        by_takes: Vec<Settled>,
    },
    /// Nothing that more soft bits could cure.
    NotByTakes { why: String },
    /// What the takes lack is not in their soft bits, so that no more of these can be made of them.
    Unknown { why: String },
}

/// How many trials settled with so many more takes.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Settled {
    pub takes: usize,
    pub settled: u64,
    /// 95 %.
    pub interval: Interval,
}

/// Most takes to look ahead.
const AHEAD: usize = 5;
/// Share of trials from which on so many takes are called enough.
pub const ENOUGH: f64 = 0.8;
pub const SEED: u64 = 1986;
/// Trials of every program in a round, and at most.
const ROUND: u64 = 6;
const MOST: u64 = 60;
/// An interval of this width tells enough.
const NARROW: f64 = 0.25;
/// Bytes that all programs together may walk through their checks before no further round begins: one or two seconds.
const BUDGET: u64 = 500_000;
/// A block whose chance of a fault is under this part of what may be claimed needs no more takes.
const NEGLIGIBLE: f64 = 0.1;

/// One forecast for each of `programs`, numbers in [`Outcome::programs`].
///
/// A new take is made of the soft bits of the present ones. What is on the tape is drawn first, from all words that obey
/// the checks, by what the evidence says: what is taken for right may be wrong, and a forecast that takes it for granted
/// is too hopeful where much is open. As often as the evidence gives room for another explanation (a wrong checksum, two
/// blocks in one place) the trial fails. Then a dropout is the tape's, and in every new take too, or the take's, and somewhere
/// else in the next one. Where several takes have the same copy they tell; of the rest a share is the tape's that is drawn
/// for every trial from what those tell of it (with one take: any share is as likely). So many trials are many tapes, and
/// what all takes would share is not counted as so many chances to escape it. Away from the tape's dropouts the new take is
/// for some bytes as good as any place of this block in any take. Within such a stretch
/// noise falls anew: a bit is as strong as any bit of the byte or its neighbours, and as often right as a soft bit of this
/// strength says of itself, 1/(1 + exp(-m)).
///
/// Held against what happened (`scripts/attack-dossier forecasts_at_length`: three programs of 273 to 998 bytes, four tapes of
/// six takes each, every second of them the first of a dossier of one or two, and three others added one by one; share of
/// programs established, forecast and found; with the receiver of 26 November 2026, calibration model 5):
///
/// | tape | takes | cases | one more | two more | three more |
/// | --- | --- | --- | --- | --- | --- |
/// | noise, -5 dB | 1 | 36 | 0.96, 0.97 | 1.00, 1.00 | 1.00, 1.00 |
/// | noise, -6 dB | 1 | 34 | 0.69, 0.88 | 1.00, 1.00 | 1.00, 1.00 |
/// | noise, -7 dB | 1 | 28 | 0.01, 0.04 | 0.97, 1.00 | 1.00, 1.00 |
/// | noise, -7 dB | 2 | 35 | 0.98, 1.00 | 1.00, 1.00 | 1.00, 1.00 |
/// | noise, -8 dB | 2 | 33 | 0.29, 0.42 | 0.99, 1.00 | 1.00, 1.00 |
/// | 4 dropouts a second up to 60 ms, each take its own | 1 | 15 | 0.62, 1.00 | 0.67, 1.00 | 0.68, 1.00 |
/// | 2 dropouts a second of each take, 1 of the tape | 1 | 12 | 0.80, 1.00 | 0.83, 0.92 | 0.85, 0.92 |
/// | 3 dropouts a second of the tape | 1 | 9 | 0.59, 0.22 | 0.64, 0.56 | 0.67, 0.56 |
/// | 3 dropouts a second of the tape | 2 | 7 | 0.09, 0.43 | 0.24, 0.43 | 0.31, 0.57 |
///
/// Whose a dropout is one take can't tell: where all move the forecast is too careful, and where all stay too hopeful. Two
/// takes know, and are rather too careful.
///
/// Programs share one budget. Trials come in rounds; a program leaves when its intervals are narrow or clear of
/// [`ENOUGH`]. Stopping by what is seen makes the 95 % of an interval a little less.
///
/// Errors: [`Error::Usage`] if a block admits no valid word, which would be a fault of ours.
pub fn forecasts(
    outcome: &Outcome,
    programs: &[usize],
    format: &dyn Format,
    progress: Progress,
) -> Result<Vec<Forecast>, Error> {
    let (width, copies) = (format.grammar().bits_per_byte, format.layout().sync.len());
    let of_tape: Vec<Share> = outcome.tapes.iter().map(|t| Share::of(&t.blocks, width, copies)).collect();
    let mut cases: Vec<Result<Case, Forecast>> =
        programs.par_iter().map(|&i| Case::of(outcome, i, format, &of_tape)).collect();
    let mut spent = 0;
    for round in 0..MOST / ROUND {
        let open: Vec<(usize, u64)> = cases
            .iter()
            .enumerate()
            .filter(|(_, case)| case.as_ref().is_ok_and(|c| !c.is_told()))
            .flat_map(|(i, _)| (round * ROUND..(round + 1) * ROUND).map(move |trial| (i, trial)))
            .collect();
        if open.is_empty() || (round > 0 && spent >= BUDGET) {
            break;
        }
        progress(spent as f64 / BUDGET as f64, "simulating more takes");
        let one = |&(i, trial): &(usize, u64)| match &cases[i] {
            Ok(case) => case.first_settled(trial, outcome.programs.len(), format).map(|found| Some((i, found))),
            Err(_) => Ok(None),
        };
        let found = open.par_iter().map(one).collect::<Result<Vec<Option<(usize, Tried)>>, Error>>()?;
        for (i, tried) in found.into_iter().flatten() {
            spent += tried.walked;
            if let Ok(case) = &mut cases[i] {
                case.firsts.push(tried.first);
            }
        }
    }
    progress(1.0, "simulating more takes");
    Ok(cases.into_iter().map(|case| case.map_or_else(|forecast| forecast, |case| case.told())).collect())
}

/// A block that more takes have to settle.
struct Part<'a> {
    old: &'a DecidedBlock,
    /// What a vote of a new take counts.
    weight: f32,
    /// What all votes say by now.
    sum: Vec<Llr>,
    /// Of a header: the bytes that matter.
    fields: Option<Range<usize>>,
    /// For every trial what is on the tape. `None`: what does not obey its checks, or two blocks.
    truths: Vec<Option<Vec<bool>>>,
    plays: Plays<'a>,
    doubt: Doubt,
}

/// A program in the simulation.
struct Case<'a> {
    index: usize,
    parts: Vec<Part<'a>>,
    /// Chance of a fault in the blocks that need no more takes.
    p_rest: f64,
    /// How many faults are of the tape.
    of_tape: Share,
    /// Of every trial the number of new takes after which it was settled.
    firsts: Vec<Option<usize>>,
}

/// What came of a trial.
struct Tried {
    /// The number of new takes after which the program was settled.
    first: Option<usize>,
    /// Bytes that were walked through.
    walked: u64,
}

/// Chance that a block, or what matters of a header, is wrong.
fn p_wrong(block: &DecidedBlock, fields: Option<&Range<usize>>) -> f64 {
    let of = |fields: &Range<usize>| block.decided.byte_p_wrong[fields.clone()].iter().sum::<f64>();
    fields.map_or(block.decided.p_wrong, |f| of(f).min(block.decided.p_wrong))
}

impl<'a> Case<'a> {
    fn of(outcome: &'a Outcome, index: usize, format: &dyn Format, of_tape: &[Share]) -> Result<Case<'a>, Forecast> {
        let program = &outcome.programs[index];
        match &program.outlook {
            Outlook::Plays => {}
            Outlook::Never(why) => return Err(Forecast::NotByTakes { why: why.to_string() }),
            Outlook::Part(why) => return Err(Forecast::Unknown { why: why.to_string() }),
            Outlook::Settled => {
                let why = "the evidence establishes it already, and what was established before stands against it";
                return Err(Forecast::NotByTakes { why: why.into() });
            }
        }
        let blocks = &outcome.tapes[program.tape].blocks;
        let header = program.header.map(|h| (h, Some(program.header_fields.clone())));
        let members = header.into_iter().chain(program.data.iter().map(|d| (d.0, None)));
        let (mut parts, mut p_rest) = (Vec::new(), 0.0);
        for (member, fields) in members {
            let old = &blocks[member];
            let p = p_wrong(old, fields.as_ref());
            let used = program.data.iter().filter(|d| d.0 == member).map(|d| d.1.clone());
            let settled = |c: &Class| matches!(c, Class::Agreed | Class::Corrected);
            if p < NEGLIGIBLE * ESTABLISHED_BELOW && used.flat_map(|r| &old.decided.classes[r]).all(settled) {
                p_rest += p;
                continue;
            }
            let weight = old.weights.iter().sum::<f32>() / old.weights.len().max(1) as f32;
            let (doubt, sum) = (Doubt::of(format, &old.block), old.block.weighed(&old.weights));
            let mut random = ChaCha8Rng::seed_from_u64(SEED);
            random.set_stream(u64::MAX - member as u64);
            let width = format.grammar().bits_per_byte;
            let truths = drawn(format.checks(old.block.bytes).as_ref(), &sum, width, MOST as usize, &mut random);
            let obeys = old.decided.hypotheses.iter().find(|h| h.hypothesis.name == OBEYS).map_or(0.0, |h| h.posterior);
            let truths = truths.into_iter().map(|t| (random.random::<f64>() < obeys).then_some(t)).collect();
            let plays = Plays::of(&old.block, width, format.layout().sync.len());
            parts.push(Part { old, weight, sum, fields, truths, plays, doubt });
        }
        if parts.is_empty() {
            let why = "what keeps it from being established is not in its soft bits";
            return Err(Forecast::Unknown { why: why.into() });
        }
        Ok(Case { index, parts, p_rest, of_tape: of_tape[program.tape], firsts: Vec::new() })
    }

    fn by_takes(&self) -> Vec<Settled> {
        let of = |takes| {
            let settled = self.firsts.iter().flatten().filter(|&&first| first <= takes).count() as u64;
            let interval = clopper_pearson(settled, self.firsts.len() as u64, 0.95)?;
            Some(Settled { takes, settled, interval })
        };
        (1..=AHEAD).filter_map(of).collect()
    }

    /// Whether more trials would tell little.
    fn is_told(&self) -> bool {
        let clear = |s: &Settled| {
            let Interval { low, high, .. } = s.interval;
            low >= ENOUGH || high < ENOUGH || high - low < NARROW
        };
        !self.firsts.is_empty() && self.by_takes().iter().all(clear)
    }

    fn told(&self) -> Forecast {
        Forecast::Simulated { seed: SEED, trials: self.firsts.len() as u64, by_takes: self.by_takes() }
    }

    /// Adds new takes until the program is settled.
    fn first_settled(&self, trial: u64, programs: usize, format: &dyn Format) -> Result<Tried, Error> {
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        random.set_stream(trial * programs as u64 + self.index as u64);
        let (width, copies) = (format.grammar().bits_per_byte, format.layout().sync.len());
        let bytes: u64 = self.parts.iter().map(|p| p.old.block.bytes as u64).sum();
        let share = self.of_tape.drawn(&mut random);
        let mut trials = Vec::with_capacity(self.parts.len());
        for part in &self.parts {
            // what was written wrong no take establishes
            let Some(truth) = &part.truths[trial as usize] else { return Ok(Tried { first: None, walked: 0 }) };
            let faults = part.plays.faults(share, copies, &mut random);
            trials.push((part, truth, part.sum.clone(), faults));
        }
        for takes in 1..=AHEAD {
            for (part, truth, sum, faults) in &mut trials {
                for copy in 0..copies {
                    let bits = part.plays.another(copy, truth, faults, &mut random);
                    sum.iter_mut().zip(bits).for_each(|(s, b)| *s += b * part.weight);
                }
            }
            let mut p_all = self.p_rest;
            for (part, truth, sum, _) in &trials {
                p_all += part.doubt.that_it_is(format, truth, sum, part.fields.as_ref(), width)?;
                if p_all >= ESTABLISHED_BELOW {
                    break;
                }
            }
            if p_all < ESTABLISHED_BELOW {
                return Ok(Tried { first: Some(takes), walked: bytes * (1 + takes as u64) });
            }
        }
        Ok(Tried { first: None, walked: bytes * (1 + AHEAD as u64) })
    }
}

/// What [`decide`](crate::confidence::decide) would say of the chance of a fault, but for the possibility of two blocks in
/// one: new takes are made of one.
struct Doubt {
    bytes: usize,
    ln_share: f64,
    ln_share_within: f64,
}

impl Doubt {
    fn of(format: &dyn Format, block: &Block) -> Doubt {
        let (checks, within) = (format.checks(block.bytes), format.checks_within_bytes(block.bytes));
        let bits = block.votes.first().map_or(0, |v| v.bits.len());
        let share = |m: &dyn CheckMachine| ln_share(m, bits).unwrap_or(f64::NEG_INFINITY);
        let (ln_share, ln_share_within) = (share(checks.as_ref()), share(within.as_ref()));
        Doubt { bytes: block.bytes, ln_share, ln_share_within }
    }

    /// The chance that the block is not this word, or that one of the bytes that matter is not.
    fn that_it_is(
        &self,
        format: &dyn Format,
        word: &[bool],
        sum: &[Llr],
        fields: Option<&Range<usize>>,
        width: usize,
    ) -> Result<f64, Error> {
        let ln_word = ln_probability(sum, word);
        let checks = format.checks(self.bytes);
        let whole = ln_valid(checks.as_ref(), sum);
        let within = ln_valid(format.checks_within_bytes(self.bytes).as_ref(), sum);
        let hypothesis = |name: &str, prior, ln_valid, ln_share| Hypothesis {
            name: name.into(),
            prior,
            ln_valid,
            ln_share,
            ln_apart: 0.0,
        };
        let weighed = weigh(&[
            hypothesis(OBEYS, 1.0 - PRIOR_WRONG_CHECKSUM - PRIOR_NO_CHECKS, whole, self.ln_share),
            hypothesis(WRONG_CHECKSUM, PRIOR_WRONG_CHECKSUM, within, self.ln_share_within),
            hypothesis(NOT_IN_FORMAT, PRIOR_NO_CHECKS, 0.0, 0.0),
        ]);
        let weighed = weighed.ok_or_else(impossible)?;
        let doubt = |ln_valid: f64| -(ln_word - ln_valid).min(0.0).exp_m1();
        let p = weighed[0].posterior * doubt(whole) + weighed[1].posterior * doubt(within) + weighed[2].posterior;
        let Some(fields) = fields.filter(|_| p >= ESTABLISHED_BELOW) else { return Ok(p) };
        let bits = posteriors(checks.as_ref(), sum).ok_or_else(impossible)?.llr;
        let wrong = |k: usize| (if word[k] { -bits[k] } else { bits[k] }).p_one();
        Ok(p.min((fields.start * width..fields.end * width).map(wrong).sum()))
    }
}

fn impossible() -> Error {
    Error::Usage("a block admits no valid word: this is a fault of quorate, please report it".into())
}
