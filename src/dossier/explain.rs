//! Why a byte is what it is: every reading's vote, the checks, the best rival and what it lost by.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use serde::Serialize;

use super::change::{ByteVote, byte_vote};
use super::log::Event;
use super::take::Waves;
use super::{Dossier, overlay};
use crate::confidence::Class;
use crate::correction::Finding;
use crate::recovery::{Outcome, RecoveredProgram, explanation};
use crate::report::verdict::PersonsDecision;
use crate::{Error, Llr};

/// Everything there is to say about one byte.
#[derive(Clone, Debug, Serialize)]
pub struct ByteStory {
    pub program: String,
    pub name: String,
    pub offset: usize,
    /// Where it sits in memory.
    pub address: Option<u32>,
    /// In the files.
    pub value: u8,
    /// What the evidence says; differs from `value` only where a person decided.
    pub evidence: u8,
    pub class: Class,
    pub p_wrong: f64,
    /// Where most of the doubt about it comes from another explanation of its block: what that says.
    pub explanation: Option<String>,
    /// Byte of its block, from 0, and how many the block has. `None` if no take holds the byte.
    pub place: Option<(usize, usize)>,
    pub votes: Vec<Vote>,
    pub rival: Option<Rival>,
    /// Checks that the summed votes fail or leave open: those of this byte, and those of its block as a whole.
    pub findings: Vec<Finding>,
    /// True if the block does not obey its checksum as decided: it was most probably written so.
    pub wrong_checksum: bool,
    pub decision: Option<PersonsDecision>,
}

/// One reading's part in it. All bits are lost where it has the place, but nothing was heard there.
#[derive(Clone, Debug, Serialize)]
pub struct Vote {
    #[serde(flatten)]
    pub vote: ByteVote,
    pub file: String,
    /// Seconds of the take.
    pub from_s: f64,
    pub to_s: f64,
    /// Soft bits in tape order, with the parity bit: ln P(1)/P(0).
    pub bits: Vec<Llr>,
    /// The waveform from `AROUND` of a byte before it to as much behind it, in parts of the reading's peak.
    pub wave: Vec<f32>,
}

/// Share of a byte's length that is drawn on either side.
pub const AROUND: f64 = 0.25;

/// The most probable block, valid under the same checks, in which this byte has another value.
#[derive(Clone, Debug, Serialize)]
pub struct Rival {
    pub value: u8,
    /// What that block loses by against the one decided, in nats; e to this power are the odds.
    pub loses_by: f64,
    /// Other bytes of the block that would have to change with it.
    pub with: Vec<usize>,
}

/// A stretch of a program that is in doubt.
#[derive(Clone, Debug, Serialize)]
pub struct Weak {
    /// True for a part of its header: the offsets count from the header's first byte.
    pub header: bool,
    /// Offsets, the last one included.
    pub from: usize,
    pub to: usize,
    /// The worst class in it, and the chance that any byte of it is wrong.
    pub class: Class,
    pub p_wrong: f64,
    /// Take (from 1) and seconds where it lies, of every take that has the block there.
    pub places: Vec<(usize, f64, f64)>,
}

/// Bytes with less doubt than this are not worth a line.
const DOUBT: f64 = 1e-6;
/// Doubtful bytes with at most so many good ones between them are one stretch.
const GAP: usize = 8;

/// Explains the byte at `offset` of program number `index` (from 0).
pub fn byte(dossier: &Dossier, outcome: &Outcome, index: usize, offset: usize) -> Result<ByteStory, Error> {
    let format = dossier.format()?;
    let width = format.grammar().bits_per_byte;
    let (verdict, recovered) = (&outcome.verdict.programs[index], &outcome.programs[index]);
    let Some(&value) = recovered.program.bytes.get(offset) else {
        let size = recovered.program.bytes.len();
        return Err(Error::Usage(format!("{} has {size} bytes: offsets are 0 to {}", verdict.id, size.max(1) - 1)));
    };
    let decision = verdict.decisions.iter().find(|d| d.offset == offset).cloned();
    let evidence = decision.as_ref().map_or(value, |d| d.evidence);
    let mut story = ByteStory {
        program: verdict.id.clone(),
        name: verdict.name.clone(),
        offset,
        address: recovered.program.load_address.map(|a| u32::from(a) + offset as u32),
        value,
        evidence,
        class: recovered.classes[offset],
        p_wrong: recovered.byte_p_wrong[offset],
        explanation: None,
        place: None,
        votes: Vec::new(),
        rival: None,
        findings: Vec::new(),
        wrong_checksum: false,
        decision,
    };
    let Some((block, byte)) = recovered.place(offset) else { return Ok(story) };
    let block = &outcome.tapes[recovered.tape].blocks[block];
    let total = block.total();
    story.place = Some((byte, block.block.bytes));
    let decided = &block.decided;
    let rivalling = decided.rivalling.as_ref().filter(|r| decided.doubt_from[byte] == Some(r.name));
    let told = in_doubt(recovered, offset);
    story.explanation = rivalling.filter(|_| told).map(|r| explanation::sentence(r, "data"));
    story.wrong_checksum = block.decided.wrong_checksum;
    story.rival = block.rivals(format.as_ref(), &[byte]).pop().flatten().map(|rival| Rival {
        value: rival.value,
        loses_by: rival.loses_by,
        with: block.change_with(format.as_ref(), byte, rival.value),
    });
    let checks = format.checks(block.block.bytes);
    story.findings = checks.findings(&total).into_iter().filter(|f| concerns(f, byte, width)).collect();
    let against = story.rival.as_ref().map_or(!evidence, |r| r.value);
    let mut waves: BTreeMap<usize, Option<Waves>> = BTreeMap::new();
    for (vote, &weight) in block.block.votes.iter().zip(&block.weights) {
        let reading = &outcome.takes[vote.take].readings[vote.reading];
        let bits = &vote.bits[byte * width..(byte + 1) * width];
        let at = vote.stretches.iter().find(|s| (s.2..s.2 + s.1 - s.0).contains(&byte)).map(|s| s.0 + byte - s.2);
        // one that has the place and hears nothing is shown, one that has not is no witness
        if at.is_none() && bits.iter().all(|l| l.is_lost()) {
            continue;
        }
        let (from_s, to_s) = at.map_or((0.0, 0.0), |i| (reading.starts_s[i], reading.starts_s[i + 1]));
        if let Entry::Vacant(place) = waves.entry(vote.take) {
            place.insert(dossier.record_of(outcome, vote.take).map(|record| dossier.waves(record)).transpose()?);
        }
        let around = AROUND * (to_s - from_s);
        let kept = waves.get(&vote.take).and_then(Option::as_ref);
        let wave = kept.map_or(Vec::new(), |w| w.cut(vote.reading, from_s - around, to_s + around));
        story.votes.push(Vote {
            vote: byte_vote(vote, weight, byte, [against, evidence], width),
            file: outcome.intake.received[vote.take].file(),
            from_s,
            to_s,
            bits: bits.to_vec(),
            wave,
        });
    }
    Ok(story)
}

/// Whether a finding is about this byte, or about its block as a whole.
fn concerns(finding: &Finding, byte: usize, width: usize) -> bool {
    use crate::correction::Check;
    match finding.check {
        Check::Parity { group } => group == byte,
        Check::KnownBit { position, .. } => position / width == byte,
        _ => true,
    }
}

/// Whether the byte at this offset is in doubt.
pub fn in_doubt(program: &RecoveredProgram, offset: usize) -> bool {
    doubtful(program.classes[offset], program.byte_p_wrong[offset])
}

fn doubtful(class: Class, p_wrong: f64) -> bool {
    matches!(class, Class::Inferred | Class::Unresolved) || p_wrong > DOUBT
}

/// The stretches of a program that are in doubt, in order: of its header what tells name, place and size, then its bytes.
pub fn weak(outcome: &Outcome, index: usize) -> Vec<Weak> {
    let recovered = &outcome.programs[index];
    let mut out = Vec::new();
    if let Some(header) = recovered.header {
        let decided = &outcome.tapes[recovered.tape].blocks[header].decided;
        let doubtful = |&i: &usize| doubtful(decided.classes[i], decided.byte_p_wrong[i]);
        let runs = runs(recovered.header_fields.clone().filter(doubtful), |_| true);
        let of = |(from, to)| {
            let part = Weak::of(&decided.classes, &decided.byte_p_wrong, from, to);
            Weak { header: true, places: places(outcome, index, true, from, to), ..part }
        };
        out.extend(runs.into_iter().map(of));
    }
    let held = |i: usize| recovered.place(i).is_some();
    let doubtful = (0..recovered.classes.len()).filter(|&i| in_doubt(recovered, i));
    let of = |(from, to)| {
        let part = Weak::of(&recovered.classes, &recovered.byte_p_wrong, from, to);
        Weak { places: places(outcome, index, false, from, to), ..part }
    };
    out.extend(runs(doubtful, held).into_iter().map(of));
    out
}

/// Doubtful bytes as stretches. What no take holds is another matter than what one holds badly.
fn runs(doubtful: impl Iterator<Item = usize>, held: impl Fn(usize) -> bool) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for i in doubtful {
        match runs.last_mut() {
            Some((from, to)) if i - *to <= GAP && held(*from) == held(i) => *to = i,
            _ => runs.push((i, i)),
        }
    }
    runs
}

impl Weak {
    /// Without its places.
    fn of(classes: &[Class], p_wrong: &[f64], from: usize, to: usize) -> Weak {
        let rank = |c: &Class| {
            [Class::Agreed, Class::Corrected, Class::Inferred, Class::Unresolved].iter().position(|x| x == c)
        };
        Weak {
            header: false,
            from,
            to,
            class: classes[from..=to].iter().copied().max_by_key(|c| rank(c)).unwrap_or(Class::Unresolved),
            p_wrong: 1.0 - p_wrong[from..=to].iter().map(|p| 1.0 - p).product::<f64>(),
            places: Vec::new(),
        }
    }
}

/// The block and the byte in it that hold this offset of a program or of its header.
pub(super) fn block_of(program: &RecoveredProgram, header: bool, offset: usize) -> Option<(usize, usize)> {
    if header { program.header.map(|block| (block, offset)) } else { program.place(offset) }
}

/// Where the bytes `from..=to` of a program or its header lie, in seconds of every take that has them. Both copies of a
/// block together.
pub fn places(outcome: &Outcome, index: usize, header: bool, from: usize, to: usize) -> Vec<(usize, f64, f64)> {
    let recovered = &outcome.programs[index];
    let mut out: Vec<(usize, f64, f64)> = Vec::new();
    for offset in from..=to {
        let Some((block, byte)) = block_of(recovered, header, offset) else { continue };
        for vote in &outcome.tapes[recovered.tape].blocks[block].block.votes {
            let reading = &outcome.takes[vote.take].readings[vote.reading];
            for &(first, last, place) in &vote.stretches {
                if !(place..place + last - first).contains(&byte) {
                    continue;
                }
                let (a, b) = (reading.starts_s[first + byte - place], reading.starts_s[first + byte - place + 1]);
                match out.iter_mut().rev().find(|p| p.0 == vote.take + 1 && a - p.2 < 1.0 && p.1 - b < 1.0) {
                    Some(p) => (p.1, p.2) = (p.1.min(a), p.2.max(b)),
                    None => out.push((vote.take + 1, a, b)),
                }
            }
        }
    }
    out.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    out
}

/// The log's records of what persons decided about a byte: date, what and who, oldest first.
pub fn history(dossier: &Dossier, outcome: &Outcome, index: usize, offset: usize) -> Vec<String> {
    let about = overlay::keys(outcome, &dossier.log, index, offset);
    let line = |r: &super::log::Record| match &r.event {
        Event::PersonDecided { program, offset: o, value, by, because, .. }
            if *o == offset && about.contains(program) =>
        {
            Some(format!("{}: {by} decided 0x{value:02X}: {because}", r.date))
        }
        Event::PersonWithdrew { program, offset: o, by, because } if *o == offset && about.contains(program) => {
            let why = because.as_ref().map_or(String::new(), |b| format!(": {b}"));
            Some(format!("{}: {by} withdrew the decision{why}", r.date))
        }
        _ => None,
    };
    dossier.log.records.iter().filter_map(line).collect()
}
