//! Puts the machine-readable result together.

use std::collections::BTreeMap;

use super::advice::Outlook;
use super::programs::{self, Claimed};
use super::{DecidedBlock, Intake, Rival};
use crate::confidence::{Class, Level, Shared};
use crate::consensus::{Members, Rejected, TakeReadings};
use crate::export::listing::{Doubt, DoubtKind, Standing};
use crate::report::verdict::{self, Place, ProgramVerdict, RejectedReading, SCHEMA, Tool, Verdict};
use crate::report::words;
use crate::tape::{Format, Kind, Program, Pulse};
use crate::{Error, export};

/// A program with its bytes and its verdict.
pub struct RecoveredProgram {
    pub program: Program,
    /// Bytes of the header after the name, if the header was read.
    pub header_rest: Vec<u8>,
    /// Class of every byte, in order.
    pub classes: Vec<Class>,
    pub byte_p_wrong: Vec<f64>,
    /// Number of its tape in [`Outcome::tapes`].
    pub tape: usize,
    /// Its header block, and its data blocks with the payload range of each that belongs to it: numbers in
    /// [`DecidedTape::blocks`].
    pub header: Option<usize>,
    /// The part of the header that tells name, place and size.
    pub header_fields: std::ops::Range<usize>,
    pub data: Vec<(usize, std::ops::Range<usize>)>,
    /// Whether it is known which byte of the program each is.
    pub placed: bool,
    /// Whether more plays can settle it, by the evidence alone.
    pub outlook: Outlook,
    /// Whether a clean tape of it can be made.
    pub has_tape: bool,
}

impl RecoveredProgram {
    /// The data block that holds the byte at `offset` of the program, and the byte's number in the block. `None` for
    /// bytes that the header announces but no take holds.
    pub fn place(&self, offset: usize) -> Option<(usize, usize)> {
        let mut left = offset;
        for (block, range) in &self.data {
            if left < range.len() {
                return Some((*block, range.start + left));
            }
            left -= range.len();
        }
        None
    }
}

/// The blocks of one tape, in tape order.
pub struct DecidedTape {
    /// Takes of it.
    pub takes: Vec<usize>,
    /// When on this tape each moment of a take was.
    pub times: Members,
    pub blocks: Vec<DecidedBlock>,
    /// How far its takes are independent witnesses.
    pub shared: Shared,
}

/// From here on a take is named as no witness of its own.
const ALIKE: f64 = 0.3;

impl DecidedTape {
    /// The take that this one shares most with, if that is a fair part.
    fn alike(&self, take: usize) -> Option<usize> {
        let others = self.takes.iter().copied().filter(|&t| t != take);
        let most = others
            .max_by(|&a, &b| self.shared.between(take, a).total_cmp(&self.shared.between(take, b)).then(b.cmp(&a)))?;
        (self.shared.between(take, most) > ALIKE).then_some(most)
    }
}

pub struct Outcome {
    pub verdict: Verdict,
    pub programs: Vec<RecoveredProgram>,
    /// What was received. The soft bits are in `takes`.
    pub intake: Intake,
    /// The readings as they were weighed: those that were rejected are empty.
    pub takes: Vec<TakeReadings>,
    pub tapes: Vec<DecidedTape>,
}

fn files(number: usize, level: Level, program: &Program, has_tape: bool) -> Vec<String> {
    let names = export::prg::file_names(number, level, program, has_tape);
    names.into_iter().map(|f| format!("programs/{f}")).collect()
}

impl Outcome {
    /// Gives the files of program number `index` the names that its verdict asks for, when that has changed.
    pub fn rename_files(&mut self, index: usize) {
        let (verdict, program) = (&mut self.verdict.programs[index], &self.programs[index]);
        verdict.files = files(index + 1, verdict.verdict, &program.program, program.has_tape);
    }

    /// The clean tape of program number `index`.
    pub fn tape(&self, format: &dyn Format, index: usize) -> Option<Vec<Pulse>> {
        let program = &self.programs[index];
        program.has_tape.then(|| format.rewrite(&program.program, &program.header_rest)).flatten()
    }

    /// How sure program number `index` is, as its files tell it.
    pub fn standing(&self, format: &dyn Format, index: usize) -> Standing {
        let (verdict, program) = (&self.verdict.programs[index], &self.programs[index]);
        let person = |offset: usize| verdict.decisions.iter().find(|d| d.offset == offset);
        let class = |offset: usize| program.classes[offset];
        let all = 0..program.program.bytes.len();
        // only a listing has a place for them
        let own = |i: usize| {
            // the next best value of one block is not what another explanation has there
            program
                .place(i)
                .is_some_and(|(block, byte)| self.tapes[program.tape].blocks[block].decided.doubt_from[byte].is_none())
        };
        let guess = |i: usize| class(i) == Class::Inferred && person(i).is_none() && own(i);
        let guesses: Vec<usize> = all.clone().filter(|&i| program.program.kind == Kind::Basic && guess(i)).collect();
        let rivals: BTreeMap<usize, Rival> = self.rivals(format, index, &guesses).into_iter().collect();
        let kind = |offset: usize| match (person(offset), class(offset)) {
            (Some(d), _) => Some(DoubtKind::Person { by: d.by.clone(), evidence: d.evidence }),
            (None, Class::Inferred) => Some(DoubtKind::Guess(rivals.get(&offset).map(|rival| rival.value))),
            (None, Class::Unresolved) => Some(DoubtKind::Unknown),
            (None, Class::Agreed | Class::Corrected) => None,
        };
        Standing {
            level: verdict.verdict,
            p_wrong: verdict.p_wrong,
            takes: verdict.takes.clone(),
            obstacles: verdict.obstacles.clone(),
            doubts: all.filter_map(|offset| Some(Doubt { offset, kind: kind(offset)? })).collect(),
        }
    }
}

pub(super) fn build(
    intake: Intake,
    takes: Vec<TakeReadings>,
    tapes: Vec<DecidedTape>,
    rejected: Vec<Rejected>,
    format: &dyn Format,
) -> Result<Outcome, Error> {
    let total: usize = takes.iter().map(|t| t.readings.len()).sum();
    let mut tape_of = vec![None; takes.len()];
    let mut claimed: Vec<(usize, Claimed)> = Vec::new();
    for (number, DecidedTape { takes: members, blocks, .. }) in tapes.iter().enumerate() {
        members.iter().for_each(|&t| tape_of[t] = Some(number + 1));
        claimed.extend(programs::claim(blocks, format, &takes, &intake.received).into_iter().map(|c| (number + 1, c)));
    }
    if claimed.is_empty() {
        return Err(nothing(&intake));
    }
    let id = |t: usize| format!("take-{}", t + 1);
    let several = tapes.len() > 1;
    let mut programs = Vec::new();
    let mut verdicts = Vec::new();
    for (i, (tape, c)) in claimed.into_iter().enumerate() {
        let number = i + 1;
        let mut notes = c.notes;
        if several {
            let members: Vec<String> = tapes[tape - 1].takes.iter().map(|&t| id(t)).collect();
            notes.push(format!("On tape {tape} of {}, heard by {}.", tapes.len(), members.join(", ")));
        }
        let used_takes = c.takes.iter().map(|&t| id(t)).collect();
        let has_tape = export::prg::worth_a_tape(&c.classes) && format.rewrite(&c.program, &c.header_rest).is_some();
        verdicts.push(ProgramVerdict {
            id: format!("p{number:02}"),
            name: export::names::for_screen(&c.program.name),
            format: format.id().into(),
            kind: c.program.kind,
            load_address: c.program.load_address,
            size: c.program.bytes.len(),
            verdict: c.level,
            p_wrong: c.p_wrong,
            bytes: c.counts,
            takes: used_takes,
            data: format!("programs/p{number:02}.bin"),
            files: files(number, c.level, &c.program, has_tape),
            notes,
            tape,
            weak_bits: c.weak_bits,
            obstacles: c.obstacles,
            advice: c.advice,
            places: c.places.into_iter().map(|(t, from_s, to_s)| Place { take: id(t), from_s, to_s }).collect(),
            blocks: c.blocks,
            decisions: Vec::new(),
        });
        programs.push(RecoveredProgram {
            program: c.program,
            header_rest: c.header_rest,
            classes: c.classes,
            byte_p_wrong: c.byte_p_wrong,
            tape: tape - 1,
            header: c.header,
            header_fields: c.header_fields,
            placed: c.placed,
            data: c.data,
            outlook: c.outlook,
            has_tape,
        });
    }
    let rejected: Vec<RejectedReading> = rejected
        .into_iter()
        .map(|r| {
            let reading = &intake.received[r.take].reception.readings[r.reading];
            RejectedReading {
                take: id(r.take),
                from_s: round(reading.from_s()),
                to_s: round(reading.to_s()),
                code: r.code.into(),
                reason: r.reason,
            }
        })
        .collect();
    // by construction every reading is used or rejected
    let used = total - rejected.len();
    let verdict = Verdict {
        schema: SCHEMA.into(),
        tool: Tool { model: crate::confidence::score::MODEL.into(), version: env!("CARGO_PKG_VERSION").into() },
        takes: takes_of(&intake, &takes, &tape_of, &tapes),
        programs: verdicts,
        readings: verdict::Readings { total, used, rejected },
    };
    Ok(Outcome { verdict, programs, intake, takes, tapes })
}

/// That there is no data, with what of the takes was no sound.
fn nothing(intake: &Intake) -> Error {
    let seconds: f64 = intake.received.iter().map(|r| r.duration_s).sum();
    let takes = if intake.received.len() == 1 { "1 take".into() } else { format!("{} takes", intake.received.len()) };
    let lost = intake.received.iter().filter_map(|r| {
        let lost = r.level()?.lost?;
        let samples = words::count(lost.samples as usize, "sample is", "samples are");
        Some(format!(". Of {} {}", r.file(), words::lost(lost, &samples).trim_end_matches('.')))
    });
    Error::NoData(format!(
        "no data found in {takes} of {seconds:.1} s: no leader tone with a sync sequence behind it, and no run of bytes. Check \
         that this is the side with data, the level, and that the format is one that `quorate formats` lists{}",
        lost.collect::<String>()
    ))
}

fn takes_of(
    intake: &Intake,
    takes: &[TakeReadings],
    tape_of: &[Option<usize>],
    tapes: &[DecidedTape],
) -> Vec<verdict::Take> {
    let mut out: Vec<verdict::Take> = intake
        .received
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let mut notes = r.notes.clone();
            if let Some(j) = r.same_as {
                let rate = r.sample_rate != intake.received[j].sample_rate;
                let rate = if rate { ", though the file names another sample rate" } else { "" };
                notes.push(format!("The same samples as take-{}{rate}: counted once.", j + 1));
            } else if tape_of[i].is_none() {
                notes.push("No data was found on this take.".into());
            }
            let tape = tape_of[i].map(|number| &tapes[number - 1]);
            if let Some(other) = tape.and_then(|tape| tape.alike(i)) {
                notes.push(format!("Errs and hesitates like take-{}: they do not count as two.", other + 1));
            }
            verdict::Take {
                id: format!("take-{}", i + 1),
                file: r.file(),
                sha256: r.sha256.clone(),
                duration_s: r.duration_s,
                sample_rate: r.sample_rate,
                used: tape_of[i].is_some(),
                note: (!notes.is_empty()).then(|| notes.join(" ")),
                channel: r.channel + 1,
                channels: r.channels,
                tape: tape_of[i],
                speed_error: tape_of[i].map(|_| round(takes[i].speed - 1.0)),
                counts_as: tape.map(|tape| round(f64::from(tape.shared.weight(i, &tape.takes)))),
                readings: takes[i].readings.len(),
            }
        })
        .collect();
    for (k, s) in intake.skipped.iter().enumerate() {
        let file = s.path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        out.push(verdict::Take {
            id: format!("take-{}", intake.received.len() + k + 1),
            file: file.clone(),
            sha256: String::new(),
            duration_s: 0.0,
            sample_rate: 0,
            used: false,
            // the name stands beside it
            note: Some(format!("Skipped: {}", s.reason.strip_prefix(&format!("{file}: ")).unwrap_or(&s.reason))),
            channel: 0,
            channels: 0,
            tape: None,
            speed_error: None,
            counts_as: None,
            readings: 0,
        });
    }
    out
}

/// To the microsecond: finer digits mean nothing.
pub(super) fn round(x: f64) -> f64 {
    (x * 1e6).round() / 1e6
}
