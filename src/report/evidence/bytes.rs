//! The facts of every byte of a program: what it is, how sure, who says otherwise.

use std::ops::Range;

use super::Evidence;
use crate::Llr;
use crate::confidence::Class;
use crate::consensus::Vote;
use crate::recovery::{DecidedBlock, RecoveredProgram};
use crate::report::verdict::PersonsDecision;

/// Votes weaker than this on every bit say nothing of a byte: odds of 4.5 to 1, as the classes have it.
pub const SAYS_NOTHING: f32 = 1.5;

/// One byte of a program.
#[derive(Clone, Debug)]
pub struct ByteFact {
    pub offset: usize,
    /// What stands in the files.
    pub value: u8,
    /// Class and chance are those of the evidence, also where a person decided.
    pub class: Class,
    pub p_wrong: f64,
    /// What it would be if its least sure bit were the other way, and by how much that lost (nats of odds). Where a person
    /// decided, what the evidence alone would put there; it did not lose. `None` for a byte that no block holds.
    pub rival: Option<Rival>,
    /// How many readings say this value, another one, or nothing.
    pub tally: Tally,
    pub decision: Option<PersonsDecision>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rival {
    pub value: u8,
    pub lost_by: f64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    pub with: usize,
    pub against: usize,
    pub silent: usize,
}

impl ByteFact {
    /// Whether it has a story: anything but a byte that all readings agree on.
    pub fn notable(&self) -> bool {
        self.class != Class::Agreed || self.decision.is_some()
    }
}

/// One reading's part in one byte.
#[derive(Clone, Debug)]
pub struct ByteVote {
    pub take: usize,
    pub copy: usize,
    pub reading: usize,
    /// What its bits say on their own; `None` if they say nothing.
    pub value: Option<u8>,
    /// Its evidence for the value decided, summed over the bits, in nats; negative speaks against it.
    pub nats: f64,
    /// What it counted: 1 in full.
    pub weight: f32,
    pub bits: Vec<Llr>,
    /// Seconds of the take.
    pub seconds: Range<f64>,
}

/// The facts of all bytes of program number `index`.
pub fn facts(evidence: &Evidence, index: usize) -> Vec<ByteFact> {
    let program = &evidence.outcome.programs[index];
    let decisions = &evidence.outcome.verdict.programs[index].decisions;
    let fact = |(offset, &value): (usize, &u8)| {
        let place = block_of(evidence, program, offset);
        let decision = decisions.iter().find(|d| d.offset == offset).cloned();
        let value = decision.as_ref().map_or(value, |d| d.value);
        let against = |(block, byte)| match &decision {
            // a person's value stands against what the evidence alone would put there
            Some(d) => Rival { value: d.evidence, lost_by: f64::NEG_INFINITY },
            None => rival(evidence, block, byte),
        };
        ByteFact {
            offset,
            value,
            class: program.classes[offset],
            p_wrong: program.byte_p_wrong[offset],
            rival: place.map(against),
            tally: place.map_or(Tally::default(), |(block, byte)| tally(evidence, block, byte, value)),
            decision,
        }
    };
    program.program.bytes.iter().enumerate().map(fact).collect()
}

/// What every reading says about the byte at `offset`, in the order of takes and copies.
pub fn votes(evidence: &Evidence, index: usize, offset: usize) -> Vec<ByteVote> {
    let program = &evidence.outcome.programs[index];
    let Some((block, byte)) = block_of(evidence, program, offset) else { return Vec::new() };
    let width = evidence.width();
    let decided = decided_bits(evidence, block.decided.bytes[byte]);
    let of = |(vote, &weight): (&Vote, &f32)| {
        let bits = vote.bits[byte * width..(byte + 1) * width].to_vec();
        let nats = bits.iter().zip(&decided).map(|(l, &bit)| f64::from(if bit { l.0 } else { -l.0 })).sum();
        let seconds = seconds(evidence, vote, byte)?;
        let value = says(evidence, &bits);
        Some(ByteVote { take: vote.take, copy: vote.copy, reading: vote.reading, value, nats, weight, bits, seconds })
    };
    block.block.votes.iter().zip(&block.weights).filter_map(of).collect()
}

/// The bits of a byte in tape order.
pub fn decided_bits(evidence: &Evidence, value: u8) -> Vec<bool> {
    (evidence.format.grammar().byte_bits)(value)
}

fn block_of<'a>(
    evidence: &'a Evidence,
    program: &RecoveredProgram,
    offset: usize,
) -> Option<(&'a DecidedBlock, usize)> {
    let (block, byte) = program.place(offset)?;
    Some((&evidence.outcome.tapes[program.tape].blocks[block], byte))
}

fn rival(evidence: &Evidence, block: &DecidedBlock, byte: usize) -> Rival {
    let width = evidence.width();
    let posterior = &block.decided.posterior[byte * width..(byte + 1) * width];
    let mut bits = decided_bits(evidence, block.decided.bytes[byte]);
    // how much each bit is for the value decided: the least of them gives way first
    let lead = |k: usize| f64::from(if bits[k] { posterior[k].0 } else { -posterior[k].0 });
    let least = evidence.format.data_bits().min_by(|&a, &b| lead(a).total_cmp(&lead(b))).unwrap_or(0);
    let lost_by = lead(least);
    bits[least] = !bits[least];
    Rival { value: evidence.format.byte(&bits), lost_by }
}

fn tally(evidence: &Evidence, block: &DecidedBlock, byte: usize, value: u8) -> Tally {
    let width = evidence.width();
    let mut tally = Tally::default();
    for vote in &block.block.votes {
        match says(evidence, &vote.bits[byte * width..(byte + 1) * width]) {
            Some(said) if said == value => tally.with += 1,
            Some(_) => tally.against += 1,
            None => tally.silent += 1,
        }
    }
    tally
}

fn says(evidence: &Evidence, bits: &[Llr]) -> Option<u8> {
    if bits.iter().all(|l| l.0.abs() < SAYS_NOTHING) {
        return None;
    }
    Some(evidence.format.byte(&bits.iter().map(|l| l.bit()).collect::<Vec<_>>()))
}

/// Where a byte of the block lies in the take of the vote, if the reading reaches it.
pub fn seconds(evidence: &Evidence, vote: &Vote, byte: usize) -> Option<Range<f64>> {
    let starts = &evidence.outcome.takes[vote.take].readings[vote.reading].starts_s;
    let &(from, _, place) =
        vote.stretches.iter().find(|(from, to, place)| (*place..place + (to - from)).contains(&byte))?;
    let at = from + byte - place;
    Some(*starts.get(at)?..*starts.get(at + 1)?)
}

/// Runs of notable bytes; gaps of up to `gap` agreed bytes are bridged.
pub fn stretches(facts: &[ByteFact], gap: usize) -> Vec<Range<usize>> {
    let mut out: Vec<Range<usize>> = Vec::new();
    for fact in facts.iter().filter(|fact| fact.notable()) {
        match out.last_mut() {
            Some(last) if fact.offset <= last.end + gap => last.end = fact.offset + 1,
            _ => out.push(fact.offset..fact.offset + 1),
        }
    }
    out
}
