//! The facts of every byte of a program: what it is, how sure, who says otherwise.

use std::ops::Range;

use super::Evidence;
use crate::Llr;
use crate::confidence::Class;
use crate::consensus::Vote;
use crate::dossier::explain;
use crate::recovery::{DecidedBlock, RecoveredProgram, Rival};
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
    /// Where most of the doubt about it comes from another explanation of its block: which.
    pub doubt_from: Option<&'static str>,
    /// The next best value of a byte that is notable. Where a person decided, what the evidence alone would put there; it did
    /// not lose. `None` for a byte that no block holds, and for one that is plainly agreed.
    pub rival: Option<Rival>,
    /// How many readings say this value, another one, or nothing.
    pub tally: Tally,
    pub decision: Option<PersonsDecision>,
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
        // a person's value stands against what the evidence alone would put there
        let rival = decision.as_ref().map(|d| Rival { value: d.evidence, loses_by: f64::NEG_INFINITY });
        ByteFact {
            offset,
            value,
            class: program.classes[offset],
            p_wrong: program.byte_p_wrong[offset],
            doubt_from: place
                .filter(|_| explain::in_doubt(program, offset))
                .and_then(|(block, byte)| block.decided.doubt_from[byte]),
            rival,
            tally: place.map_or(Tally::default(), |(block, byte)| tally(evidence, block, byte, value)),
            decision,
        }
    };
    let mut facts: Vec<ByteFact> = program.program.bytes.iter().enumerate().map(fact).collect();
    let told: Vec<usize> = facts.iter().filter(|f| f.notable() && f.decision.is_none()).map(|f| f.offset).collect();
    for (offset, rival) in evidence.outcome.rivals(evidence.format, index, &told) {
        facts[offset].rival = Some(rival);
    }
    facts
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
