//! What a new decision changed.

use serde::Serialize;

use super::log::Event;
use super::{Dossier, conflict, overlay};
use crate::confidence::{Class, Level};
use crate::consensus::Vote;
use crate::recovery::Outcome;
use crate::report::words;

pub const SCHEMA: &str = "quorate/change/1";

/// Everything that is different from before.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    pub schema: &'static str,
    /// Programs in the order of the tape, those that are gone last.
    pub programs: Vec<ProgramChange>,
    /// Sentences.
    pub conflicts: Vec<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ProgramChange {
    /// `None`: not there before, or not now.
    pub before: Option<Stand>,
    pub now: Option<Stand>,
    pub name: String,
    pub bytes: Vec<ByteChange>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stand {
    pub id: String,
    pub verdict: Level,
    pub size: usize,
}

/// A byte that was decided differently, by the evidence: a person's value is none.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ByteChange {
    pub offset: usize,
    pub before: u8,
    pub now: u8,
    /// How the value now was settled: it may be a guess.
    pub class: Class,
    pub votes: Vec<ByteVote>,
}

/// What one reading says about a byte.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ByteVote {
    pub take: String,
    pub copy: usize,
    /// The value that the reading makes most probable; `None` where a bit of it is lost.
    pub value: Option<u8>,
    /// ln of how much more probable the reading makes the value decided than the one before, in nats.
    pub ln_odds: f64,
    /// What it counts: 1 in full.
    pub weight: f32,
}

impl Change {
    /// Nothing is different.
    pub fn none() -> Change {
        Change { schema: SCHEMA, programs: Vec::new(), conflicts: Vec::new() }
    }

    /// Compares a dossier with what was decided after it; `events` are those that the decision added to the log.
    pub fn between(before: &Dossier, now: &Outcome, bits_per_byte: usize, events: &[Event]) -> Change {
        let (pairs, evidence) = (conflict::pairs(&before.programs, now), overlay::evidence(now));
        let stand = |id: &str, verdict, size| Some(Stand { id: id.into(), verdict, size });
        let mut programs = Vec::new();
        for (i, verdict) in now.verdict.programs.iter().enumerate() {
            let old = pairs.iter().position(|p| *p == Some(i)).map(|k| &before.programs[k]);
            let own = &evidence[i];
            // bytes of a piece without a header have no fixed place: compared only while they begin alike
            let comparable = |o: &&super::Present| !o.name.is_empty() || o.size == verdict.size;
            let bytes = old.filter(comparable).map_or(Vec::new(), |old| {
                let differ = old.bytes.iter().zip(own).enumerate().filter(|(_, (a, b))| a != b);
                let change = |(offset, (&before, &after)): (usize, (&u8, &u8))| ByteChange {
                    offset,
                    before,
                    now: after,
                    class: now.programs[i].classes[offset],
                    votes: votes(now, i, offset, [before, after], bits_per_byte),
                };
                differ.map(change).collect()
            });
            programs.push(ProgramChange {
                before: old.and_then(|o| stand(&o.id, o.verdict, o.size)),
                now: stand(&verdict.id, verdict.verdict, verdict.size),
                name: verdict.name.clone(),
                bytes,
            });
        }
        for (old, _) in before.programs.iter().zip(&pairs).filter(|(_, place)| place.is_none()) {
            let before = stand(&old.id, old.verdict, old.size);
            programs.push(ProgramChange { before, now: None, name: old.name.clone(), bytes: Vec::new() });
        }
        let conflicts = events.iter().filter_map(|e| match e {
            Event::Conflict { program, what, .. } => Some(format!("{}: {what}", words::name(program.name.trim_end()))),
            _ => None,
        });
        Change { schema: SCHEMA, programs, conflicts: conflicts.collect() }
    }
}

/// What every reading says about a byte of a program: how much more probable it makes the second of two values.
pub fn votes(outcome: &Outcome, program: usize, offset: usize, values: [u8; 2], width: usize) -> Vec<ByteVote> {
    let recovered = &outcome.programs[program];
    let Some((block, byte)) = recovered.place(offset) else { return Vec::new() };
    let block = &outcome.tapes[recovered.tape].blocks[block];
    let heard = |vote: &Vote| !vote.bits[byte * width..(byte + 1) * width].iter().all(|l| l.is_lost());
    let voters = block.block.votes.iter().zip(&block.weights).filter(|(v, _)| heard(v));
    voters.map(|(vote, &weight)| byte_vote(vote, weight, byte, values, width)).collect()
}

/// What one reading says about a byte of its block.
pub(super) fn byte_vote(vote: &Vote, weight: f32, byte: usize, values: [u8; 2], width: usize) -> ByteVote {
    let bits = &vote.bits[byte * width..(byte + 1) * width];
    let value = bits[..8].iter().enumerate().map(|(k, l)| u8::from(l.bit()) << k).sum();
    let differs = (0..8).filter(|k| (values[0] ^ values[1]) >> k & 1 == 1);
    let for_second = differs.map(|k| f64::from(if values[1] >> k & 1 == 1 { bits[k].0 } else { -bits[k].0 }));
    ByteVote {
        take: format!("take-{}", vote.take + 1),
        copy: vote.copy + 1,
        value: bits[..8].iter().all(|l| !l.is_lost()).then_some(value),
        ln_odds: for_second.sum(),
        weight,
    }
}
