//! What the log adds to the evidence's own result: persons' decisions, and conflicts with what was established before.

use super::files::{sha256, shown};
use super::log::{Event, Key, Log, State};
use crate::confidence::Level;
use crate::recovery::Outcome;
use crate::report::verdict::{PersonsDecision, ProgramVerdict};

/// A person's decision that does not apply to the present result, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct SetAside {
    pub program: Key,
    pub offset: usize,
    pub value: u8,
    pub why: String,
}

/// How the sentence on a conflict begins, among what stands in the way.
pub const CONFLICT: &str = "Conflict: ";

/// Advice where the evidence establishes something and a conflict stands against it.
const AGAINST: &str = "No play settles this by itself: compare what was established before, in history, with what the takes say \
                       now, and find out which of them are of this tape as it is meant.";

/// Bytes on either side by which the place of a decision is known again.
pub const AROUND: usize = 8;

/// What tells a program of the result from the others.
pub fn key(programs: &[ProgramVerdict], index: usize) -> Key {
    let of = |p: &ProgramVerdict| (p.name.clone(), p.kind, p.load_address, p.size);
    let own = of(&programs[index]);
    let nth = programs[..index].iter().filter(|p| of(p) == own).count();
    let (name, kind, load_address, size) = own;
    Key { name, kind, load_address, size, nth }
}

/// Applies what the log holds to a result that the evidence alone gave. A function of the two and nothing else.
pub fn lay(outcome: &mut Outcome, log: &Log) -> Vec<SetAside> {
    let hashes: Vec<String> = outcome.programs.iter().map(|p| sha256(&p.program.bytes)).collect();
    let evidence: Vec<Level> = outcome.verdict.programs.iter().map(|p| p.verdict).collect();
    let mut decided: &[State] = &[];
    for record in &log.records {
        if let Event::Decided { programs, .. } = &record.event {
            decided = programs;
        }
        if let Event::Conflict { program, established_sha256, what, .. } = &record.event {
            let alike = |p: &ProgramVerdict| {
                (&p.name, p.kind, p.load_address) == (&program.name, program.kind, program.load_address)
            };
            let programs = &mut outcome.verdict.programs;
            let own = (0..programs.len()).filter(|&i| alike(&programs[i])).nth(program.nth);
            let again = |i: usize| hashes[i] == *established_sha256 && evidence[i] == Level::Established;
            // under another name it may be another program with the same bytes, which was there before: one that is
            // found again makes them as many as they were
            let were = decided.iter().filter(|s| s.sha256 == *established_sha256 && s.verdict == Level::Established);
            if own.is_some_and(again) || (0..programs.len()).filter(|&i| again(i)).count() >= were.count().max(1) {
                continue;
            }
            if let Some(own) = own {
                let found = &mut programs[own];
                found.verdict = found.verdict.min(Level::Supported);
                let text = format!("{CONFLICT}{what}");
                found.obstacles.push(text.clone());
                found.notes.push(text);
                if found.advice.is_empty() {
                    found.advice.push(AGAINST.into());
                }
                outcome.rename_files(own);
            }
        }
    }
    let mut set_aside = Vec::new();
    for decision in standing(log) {
        if let Err(why) = apply(outcome, &decision) {
            let Standing { program, offset, value, .. } = decision;
            set_aside.push(SetAside { program, offset, value, why });
        }
    }
    for program in &mut outcome.verdict.programs {
        program.decisions.sort_by_key(|d| d.offset);
        for d in &program.decisions {
            program.notes.push(format!(
                "Byte 0x{:02X} at offset 0x{:04X} is the decision of {}, not of the evidence (0x{:02X}): {}",
                d.value,
                d.offset,
                shown(&d.by),
                d.evidence,
                shown(&d.because)
            ));
        }
    }
    set_aside
}

/// Puts back what the evidence has where persons decided.
pub fn undo(bytes: &mut [u8], decisions: &[PersonsDecision]) {
    for d in decisions {
        if let Some(byte) = bytes.get_mut(d.offset) {
            *byte = d.evidence;
        }
    }
}

/// What the evidence has in every program of a result, whatever is laid on it.
pub fn evidence(outcome: &Outcome) -> Vec<Vec<u8>> {
    let of = |(p, v): (&crate::recovery::RecoveredProgram, &ProgramVerdict)| {
        let mut bytes = p.program.bytes.clone();
        undo(&mut bytes, &v.decisions);
        bytes
    };
    outcome.programs.iter().zip(&outcome.verdict.programs).map(of).collect()
}

/// A decision that was not withdrawn.
struct Standing {
    program: Key,
    offset: usize,
    value: u8,
    around_from: usize,
    around: Vec<u8>,
    by: String,
    because: String,
}

/// The key under which a decision about this byte stands in the log, if one does.
pub fn standing_key(outcome: &Outcome, log: &Log, program: usize, offset: usize) -> Option<Key> {
    let found = standing(log).into_iter().find(|s| s.offset == offset && find(outcome, s) == Some(program));
    found.map(|s| s.program)
}

/// The keys under which the log speaks of the byte at this offset of a program: those of decisions that are found to be
/// about this program, withdrawn ones too. Of twins with one name each has its own.
pub fn keys(outcome: &Outcome, log: &Log, program: usize, offset: usize) -> Vec<Key> {
    let decisions = log.records.iter().filter_map(|r| decision(&r.event));
    decisions.filter(|s| s.offset == offset && find(outcome, s) == Some(program)).map(|s| s.program).collect()
}

/// In the order in which they were made; a later one about the same byte replaces the earlier.
fn standing(log: &Log) -> Vec<Standing> {
    let mut out: Vec<Standing> = Vec::new();
    for record in &log.records {
        if let Event::PersonDecided { program, offset, .. } | Event::PersonWithdrew { program, offset, .. } =
            &record.event
        {
            out.retain(|s| (&s.program, s.offset) != (program, *offset));
        }
        out.extend(decision(&record.event));
    }
    out
}

/// A person's decision, if the event is one.
fn decision(event: &Event) -> Option<Standing> {
    let Event::PersonDecided { program, offset, value, around_from, around, by, because, .. } = event else {
        return None;
    };
    let (program, around, by, because) = (program.clone(), around.clone(), by.clone(), because.clone());
    Some(Standing { program, offset: *offset, value: *value, around_from: *around_from, around, by, because })
}

fn apply(outcome: &mut Outcome, decision: &Standing) -> Result<(), String> {
    let index = find(outcome, decision).ok_or("no program with this name, place and size is in the result any more")?;
    let verdict = &mut outcome.verdict.programs[index];
    if verdict.verdict == Level::Established {
        return Err("the evidence has established this program meanwhile".into());
    }
    // two that were about twins may be about one program now: the later one stands
    let earlier = verdict.decisions.iter().position(|d| d.offset == decision.offset);
    let earlier = earlier.map(|at| verdict.decisions.remove(at).evidence);
    let bytes = &mut outcome.programs[index].program.bytes;
    let byte = bytes.get_mut(decision.offset).ok_or("the program is shorter now")?;
    let evidence = earlier.unwrap_or(*byte);
    *byte = decision.value;
    verdict.decisions.push(PersonsDecision {
        offset: decision.offset,
        value: decision.value,
        evidence,
        by: decision.by.clone(),
        because: decision.because.clone(),
    });
    Ok(())
}

/// The program a decision is about: same name, kind, place and size, and of several such the one whose bytes around the
/// place are most like what they were; of several of these the one with the same number among its like.
fn find(outcome: &Outcome, decision: &Standing) -> Option<usize> {
    let programs = &outcome.verdict.programs;
    let wanted = &decision.program;
    let alike = |i: &usize| Key { nth: wanted.nth, ..key(programs, *i) } == *wanted;
    // by what the evidence has there: a value that a person put nearby makes no other program of it
    let evidence = |i: usize, offset: usize| {
        let decided = programs[i].decisions.iter().find(|d| d.offset == offset).map(|d| d.evidence);
        decided.or_else(|| outcome.programs[i].program.bytes.get(offset).copied())
    };
    let score = |i: usize| {
        let around = decision.around.iter().enumerate();
        around.filter(|(k, b)| evidence(i, decision.around_from + k) == Some(**b)).count()
    };
    let candidates: Vec<usize> = (0..programs.len()).filter(alike).collect();
    let best = candidates.iter().map(|&i| score(i)).max()?;
    let best: Vec<usize> = candidates.into_iter().filter(|&i| score(i) == best).collect();
    best.iter().copied().find(|&i| key(programs, i).nth == wanted.nth).or(best.first().copied())
}
