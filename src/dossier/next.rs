//! What would help most: where the doubt lies, whether the tape or a take is at fault, and what more takes would do.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use serde::Serialize;

use super::explain::{self, Weak};
use crate::confidence::statistics::{Interval, clopper_pearson};
use crate::confidence::{Class, ESTABLISHED_BELOW, Level, decide};
use crate::consensus::Vote;
use crate::recovery::{DecidedBlock, Outcome, RecoveredProgram};
use crate::tape::{Format, Grammar};
use crate::{Error, Llr};

/// Advice on one program that is not established.
#[derive(Clone, Debug, Serialize)]
pub struct Advice {
    pub program: String,
    pub name: String,
    pub verdict: Level,
    pub stretches: Vec<Stretch>,
    pub forecast: Forecast,
}

/// A stretch in doubt, and why.
#[derive(Clone, Debug, Serialize)]
pub struct Stretch {
    /// Offsets, the last one included.
    pub from: usize,
    pub to: usize,
    /// Take (from 1) and seconds where it lies.
    pub places: Vec<(usize, f64, f64)>,
    pub cause: Cause,
    pub heard: Vec<Heard>,
}

/// How one take heard a stretch.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Heard {
    /// From 1.
    pub take: usize,
    pub how: How,
    /// |ln P(1)/P(0)| of the weakest bit of the worst byte.
    pub strength: f64,
    /// Level of that byte against the usual level of its reading.
    pub level: f64,
    /// True if a bit of the stretch is heard well and otherwise than it was decided.
    pub against: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    Well,
    /// Signal, but with too much noise.
    Noisily,
    /// The level has dropped.
    Faintly,
    /// Next to nothing can be said though the level is there: the place or the speed was lost.
    Lost,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Bad in all of several takes, at the same place.
    Tape,
    /// Bad in some takes, good in others.
    Take,
    /// Only one take has it, so that tape and take can't be told apart.
    OneTake,
    /// Heard well, and a take is sure of something else than what was decided.
    Contradiction,
    /// Heard well enough by nobody to be sure, by nobody badly.
    Thin,
    /// No take has it.
    Unheard,
}

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

/// A bit under this says little (odds of 20 to 1).
const WEAK: f64 = 3.0;
/// Under this next to nothing.
const SILENT: f64 = 0.5;
/// A level under this part of the take's own is a dropout.
const DROPPED: f64 = 0.5;
/// Most takes to look ahead.
const AHEAD: usize = 5;
/// Share of trials from which on so many takes are called enough.
pub const ENOUGH: f64 = 0.8;
pub const SEED: u64 = 1986;
/// Mean number of bytes that a new take is like one earlier take, before it is like another: some 100 ms.
const LIKENESS: f64 = 12.0;

/// Advice on every program that is not established, in the order of the tape.
///
/// Errors: as [`decide`].
pub fn advise(outcome: &Outcome, format: &dyn Format) -> Result<Vec<Advice>, Error> {
    let gains = usual_gains(outcome);
    let programs = outcome.verdict.programs.iter().enumerate();
    let open = programs.filter(|(_, p)| p.verdict != Level::Established);
    open.map(|(i, p)| {
        let stretch = |w: Weak| {
            let heard = heard(outcome, &gains, &outcome.programs[i], &w, format.grammar().bits_per_byte);
            Stretch { from: w.from, to: w.to, places: w.places, cause: cause(&heard), heard }
        };
        Ok(Advice {
            program: p.id.clone(),
            name: p.name.clone(),
            verdict: p.verdict,
            stretches: explain::weak(outcome, i).into_iter().map(stretch).collect(),
            forecast: forecast(outcome, i, format)?,
        })
    })
    .collect()
}

fn cause(heard: &[Heard]) -> Cause {
    let bad = heard.iter().filter(|h| h.how != How::Well).count();
    match (heard.len(), bad) {
        (0, _) => Cause::Unheard,
        _ if heard.iter().any(|h| h.against) => Cause::Contradiction,
        (_, 0) => Cause::Thin,
        (1, _) => Cause::OneTake,
        (n, b) if n == b => Cause::Tape,
        _ => Cause::Take,
    }
}

/// Median gain of every reading of every take.
fn usual_gains(outcome: &Outcome) -> Vec<Vec<f64>> {
    outcome.takes.iter().map(|t| t.readings.iter().map(|r| median(&r.gain)).collect()).collect()
}

/// How every take that has the bytes `from..=to` hears the worst of them; of two copies of a byte the better one counts.
fn heard(outcome: &Outcome, gains: &[Vec<f64>], program: &RecoveredProgram, w: &Weak, width: usize) -> Vec<Heard> {
    let blocks = &outcome.tapes[program.tape].blocks;
    let of_byte = |take: usize, block: usize, byte: usize| -> Option<(f64, f64, bool)> {
        let DecidedBlock { block, decided, .. } = &blocks[block];
        let bits = byte * width..(byte + 1) * width;
        let copies = block.votes.iter().filter(|v| v.take == take).filter_map(|vote| {
            let stretch = vote.stretches.iter().find(|s| (s.2..s.2 + s.1 - s.0).contains(&byte))?;
            let gain = *outcome.takes[take].readings[vote.reading].gain.get(stretch.0 + byte - stretch.2)?;
            let usual = gains[take][vote.reading];
            let bits = vote.bits[bits.clone()].iter().zip(&decided.posterior[bits.clone()]);
            let strength = bits.clone().map(|(l, _)| f64::from(l.0.abs())).fold(f64::INFINITY, f64::min);
            let against = bits.clone().any(|(l, p)| f64::from(l.0.abs()) >= WEAK && l.bit() != p.bit());
            Some((strength, if usual > 0.0 { f64::from(gain) / usual } else { 0.0 }, against))
        });
        copies.reduce(|a, b| {
            let better = if a.0 >= b.0 { a } else { b };
            (better.0, better.1, a.2 || b.2)
        })
    };
    let of_take = |take: usize| -> Option<Heard> {
        let bytes = (w.from..=w.to).filter_map(|offset| program.place(offset));
        let (strength, level, against) =
            bytes.filter_map(|(block, byte)| of_byte(take, block, byte)).reduce(|a, b| {
                let worse = if a.0 <= b.0 { a } else { b };
                (worse.0, worse.1, a.2 || b.2)
            })?;
        let how = match (strength, level) {
            (s, _) if s >= WEAK => How::Well,
            (_, l) if l < DROPPED => How::Faintly,
            (s, _) if s < SILENT => How::Lost,
            _ => How::Noisily,
        };
        Some(Heard { take: take + 1, how, strength, level, against })
    };
    (0..outcome.takes.len()).filter_map(of_take).collect()
}

fn median(values: &[f32]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f32::total_cmp);
    f64::from(sorted.get(sorted.len() / 2).copied().unwrap_or(0.0))
}

/// Simulates more takes of the present quality.
///
/// A new take is made of the soft bits of the present ones. At every place it is for some bytes like one of the takes
/// that have the place, chosen at random, or, with the weight of one take more, like any place of this program: with n
/// takes that are all bad at a place, a new one is good there with a chance of about 1 in n + 1 (the predictive rule of a
/// Dirichlet process of concentration 1; Blackwell & MacQueen, Ann. Stat. 1:353, 1973). From the soft bit there the new
/// one takes the magnitude m, and the value decided with the probability 1/(1 + exp(-m)), which is what the soft bit says
/// of itself.
fn forecast(outcome: &Outcome, index: usize, format: &dyn Format) -> Result<Forecast, Error> {
    let program = &outcome.programs[index];
    let blocks = &outcome.tapes[program.tape].blocks;
    let no = |why: &str| Ok(Forecast::NotByTakes { why: why.into() });
    let unknown = |why: &str| Ok(Forecast::Unknown { why: why.into() });
    let members: Vec<usize> = program.header.iter().copied().chain(program.data.iter().map(|d| d.0)).collect();
    if program.data.is_empty() {
        return unknown("no take holds its data");
    }
    if members.iter().any(|&m| blocks[m].beside.is_some()) {
        return no("its copies or its takes say two different things, each of them surely");
    }
    if members.iter().any(|&m| blocks[m].decided.wrong_checksum) {
        return no("the checksum on the tape does not fit the bytes on the tape, however often it is played");
    }
    let Some(header) = program.header else {
        return unknown("its header was not heard; a take that hears it may settle it");
    };
    let kept: usize = program.data.iter().map(|d| d.1.len()).sum();
    if kept < program.program.bytes.len() {
        return unknown("no take has as many bytes as the header announces");
    }
    let decided = &blocks[header].decided;
    let announced = format.announced_bytes(&decided.bytes[..decided.bytes.len().saturating_sub(1)]);
    if let ([(data, _)], Some(n)) = (program.data.as_slice(), announced)
        && blocks[*data].block.bytes != n
    {
        return match decided.p_wrong < 0.01 {
            true => no("the header announces another length than the data has, however often it is played"),
            false => unknown("the header is not heard well enough to tell how long the data is"),
        };
    }
    let bytes: usize = members.iter().map(|&m| blocks[m].block.bytes).sum();
    // some seconds at most: a block of 1,000 bytes is decided in 25 ms
    let trials = (60_000 / bytes.max(1)).clamp(10, 40) as u64;
    let firsts: Result<Vec<Option<usize>>, Error> = (0..trials)
        .into_par_iter()
        .map(|trial| {
            let mut random = ChaCha8Rng::seed_from_u64(SEED);
            random.set_stream(trial * outcome.programs.len() as u64 + index as u64);
            first_settled(program, blocks, &members, format, &mut random)
        })
        .collect();
    let firsts = firsts?;
    let by_takes = (1..=AHEAD).filter_map(|takes| {
        let settled = firsts.iter().flatten().filter(|&&first| first <= takes).count() as u64;
        Some(Settled { takes, settled, interval: clopper_pearson(settled, trials, 0.95)? })
    });
    Ok(Forecast::Simulated { seed: SEED, trials, by_takes: by_takes.collect() })
}

/// The number of new takes after which the program is settled in one trial.
fn first_settled(
    program: &RecoveredProgram,
    blocks: &[DecidedBlock],
    members: &[usize],
    format: &dyn Format,
    random: &mut ChaCha8Rng,
) -> Result<Option<usize>, Error> {
    let copies = format.layout().sync.len();
    let mut trial: Vec<DecidedBlock> = members.iter().map(|&m| blocks[m].clone()).collect();
    for takes in 1..=AHEAD {
        let mut p_wrong = 0.0;
        let mut settled = true;
        for (own, &member) in trial.iter_mut().zip(members) {
            let old = &blocks[member];
            let weight = old.weights.iter().sum::<f32>() / old.weights.len().max(1) as f32;
            for copy in 0..copies {
                let bits = invented(old, copy, format.grammar(), random);
                let stretches = vec![(0, old.block.bytes, 0)];
                own.block.votes.push(Vote { take: usize::MAX, reading: takes, copy, stretches, bits });
                own.weights.push(weight);
            }
            let decided = decide(format, &own.block, &own.weights)?;
            p_wrong += decided.p_wrong;
            settled &= !decided.wrong_checksum;
            for (_, range) in program.data.iter().filter(|d| d.0 == member) {
                let classes = &decided.classes[range.clone()];
                settled &= classes.iter().all(|c| matches!(c, Class::Agreed | Class::Corrected));
            }
        }
        if settled && p_wrong < ESTABLISHED_BELOW {
            return Ok(Some(takes));
        }
    }
    Ok(None)
}

/// The soft bits of one copy of a block in a take that was never made.
fn invented(old: &DecidedBlock, copy: usize, grammar: &Grammar, random: &mut ChaCha8Rng) -> Vec<Llr> {
    let (block, width) = (&old.block, grammar.bits_per_byte);
    let covers = |v: &Vote, byte: usize| v.stretches.iter().any(|s| (s.2..s.2 + s.1 - s.0).contains(&byte));
    let mut out = vec![Llr::LOST; block.bytes * width];
    // the vote it is like, and by how many bytes that lies elsewhere
    let mut like: Option<(usize, usize)> = None;
    for byte in 0..block.bytes {
        let lost = like.is_none_or(|(vote, shift)| !covers(&block.votes[vote], (byte + shift) % block.bytes));
        if lost || random.random::<f64>() < 1.0 / LIKENESS {
            let here: Vec<usize> = (0..block.votes.len())
                .filter(|&v| block.votes[v].copy == copy && covers(&block.votes[v], byte))
                .collect();
            let pick = random.random_range(0..=here.len());
            like = match here.get(pick) {
                Some(&vote) => Some((vote, 0)),
                None => {
                    let vote = random.random_range(0..block.votes.len());
                    let shift = random.random_range(0..block.bytes);
                    covers(&block.votes[vote], (byte + shift) % block.bytes).then_some((vote, shift))
                }
            };
        }
        let Some((vote, shift)) = like else { continue };
        let from = (byte + shift) % block.bytes * width;
        // the word decided, which obeys the checks; single bits at their most probable need not
        for (k, decided) in (grammar.byte_bits)(old.decided.bytes[byte]).into_iter().enumerate() {
            let strength = block.votes[vote].bits[from + k].0.abs();
            let right = random.random::<f64>() < Llr(strength).p_one();
            out[byte * width + k] = Llr(if decided == right { strength } else { -strength });
        }
    }
    out
}
