//! Whether a new take is of the tape that a dossier is of.
//!
//! Two tapes may hold the same program, and then a take of the one can be laid on the other by it. That first program in
//! common tells nothing: it only says where to lay the take. Every further one that lies in its place then speaks for the
//! same tape, since two tapes rarely have the same gaps; every other program that lies where the takes that were there
//! have theirs speaks against it. What lies where only one side has played says nothing, and neither does what one of
//! them could not make out.

use super::conflict::shares;
use super::{Dossier, Present};
use crate::Error;
use crate::confidence::{Class, Level};
use crate::export::names::printable;
use crate::receiver::Reception;
use crate::recovery::{self, DecidedTape, Intake, Outcome, Received};
use crate::report::words;
use crate::tape::Format;

/// What is known of where a take belongs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Belongs {
    /// Nothing speaks against this tape.
    Here,
    /// Most probably here, and what makes one doubt it.
    Perhaps(String),
    /// Of another tape, and why.
    Elsewhere(String),
}

/// Two programs lie in one place if they overlap for this share of the shorter.
const ONE_PLACE: f64 = 0.25;
/// Settled bytes without which a program says nothing about another.
const LEAST: usize = 16;
/// Share of them that may differ in one program. Misheard bytes are few; two versions of it, where a tape was recorded over,
/// are for the conflict that the log keeps, and no sign of another tape.
const MAY_DIFFER: f64 = 0.1;
/// A header that is wrong with more than this chance says nothing of which program it is.
const SURE: f64 = 0.01;
/// Programs that are named one by one.
const NAMED: usize = 3;

/// A program's part of the tape, in seconds of the tape.
type Part = (f64, f64);

/// Says where a take that came in belongs. `outcome` is of all takes together, `fresh` are those that came in, by their
/// numbers in it.
///
/// Errors: as [`recovery::decide_all`].
pub fn belongs(
    dossier: &Dossier,
    outcome: &Outcome,
    take: usize,
    fresh: &[usize],
    format: &dyn Format,
) -> Result<Belongs, Error> {
    let received = &outcome.intake.received;
    // of several files with the same samples the first by name stands for all, which may be a new one
    let was_there = |take: &usize| {
        let samples = &received[*take].samples_blake3;
        (0..received.len()).any(|i| received[i].samples_blake3 == *samples && !fresh.contains(&i))
    };
    // a take without data belongs nowhere, and does no harm
    let Some(tape) = outcome.tapes.iter().find(|t| t.takes.contains(&take)) else { return Ok(Belongs::Here) };
    if was_there(&take) {
        return Ok(Belongs::Here);
    }
    if !tape.takes.iter().any(was_there) {
        let what = "has no block in common with the takes that are there: another tape, or its other side? If it is of \
                    this side, from a part that no other take has, say --allow-foreign";
        return Ok(Belongs::Elsewhere(what.into()));
    }
    // what others of its tape have heard too is in common: then nothing is left to speak against it
    let of_it = tape.blocks.iter().map(|b| &b.block.votes).filter(|votes| votes.iter().any(|v| v.take == take));
    if of_it.into_iter().all(|votes| votes.iter().any(|v| was_there(&v.take))) {
        return Ok(Belongs::Here);
    }
    let alone = match recovery::decide_all(alone(outcome, take), format, &|_, _| ()) {
        Err(Error::NoData(_)) => return Ok(Belongs::Here),
        alone => alone?,
    };
    let ours: Vec<(&Present, Part)> =
        dossier.programs.iter().filter_map(|p| Some((p, part_of(p, dossier, outcome, tape)?))).collect();
    let mut common: Vec<&str> = Vec::new();
    let mut against: Vec<(String, String)> = Vec::new();
    let mut beyond = 0;
    for (i, theirs) in alone.verdict.programs.iter().enumerate() {
        let places = theirs.places.iter().map(|p| (p.from_s, p.to_s));
        let Some(part) = on_tape(places, take, outcome, tape) else { continue };
        let here: Vec<&Present> = ours.iter().filter(|(_, own)| overlap(*own, part)).map(|(p, _)| *p).collect();
        let found: Vec<(Alike, &Present)> = here.iter().map(|p| (alike(&alone, i, p), *p)).collect();
        if here.is_empty() {
            beyond += usize::from(theirs.verdict != Level::Open);
        } else if let Some((_, p)) = found.iter().find(|(a, _)| *a == Alike::Same) {
            common.push(words::name(p.name.trim_end()));
        } else if let Some((_, p)) = found.iter().find(|(a, _)| *a == Alike::Other) {
            let name = |name: &str| words::name(name.trim_end()).to_string();
            against.push((name(&theirs.name), name(&p.name)));
        }
    }
    Ok(judge(&common, &against, beyond))
}

fn judge(common: &[&str], against: &[(String, String)], beyond: usize) -> Belongs {
    let shared = match common {
        [] => "no whole program in common with the takes that are there".into(),
        [one] => format!("{} alone in common with the takes that are there", printable(one)),
        more => format!("{} programs in common with the takes that are there", more.len()),
    };
    let others: Vec<String> = against
        .iter()
        .take(NAMED)
        .map(|(theirs, ours)| match theirs == ours {
            true => printable(&format!("another {theirs} than theirs")),
            false => printable(&format!("{theirs} in the place of {ours}")),
        })
        .collect();
    let more = if against.len() > NAMED { format!(" and {} more", against.len() - NAMED) } else { String::new() };
    let others = format!("{}{more}", words::list(&others));
    if against.len() + 1 >= common.len() && !against.is_empty() {
        return Belongs::Elsewhere(format!(
            "has {shared}, and where both have played it holds {others}: another tape, or this one before or after it was \
             recorded over. To let it in all the same, say --allow-foreign: nothing that differs is mixed"
        ));
    }
    if !against.is_empty() {
        return Belongs::Perhaps(format!(
            "has {shared}, but holds {others}: was the tape recorded over in between, or is it another? What differs is \
             not mixed"
        ));
    }
    if beyond > 0 && common.len() < 2 {
        return Belongs::Perhaps(format!(
            "has {shared}; {} on it where no other take has played: a longer play of this tape looks like that, and so does \
             another tape with the same program",
            if beyond == 1 { "1 program lies".into() } else { format!("{beyond} programs lie") }
        ));
    }
    Belongs::Here
}

/// The take as if it were the only one.
fn alone(outcome: &Outcome, take: usize) -> Intake {
    let (of, none) = (&outcome.intake.received[take], Received::default());
    let reception = Reception { readings: outcome.takes[take].readings.clone(), ..none.reception };
    let (path, duration_s) = (of.path.clone(), of.duration_s);
    Intake::of(vec![Received { path, duration_s, sample_rate: of.sample_rate, reception, ..none }], Vec::new())
}

/// Where on a tape these places of a take lie together.
fn on_tape(places: impl Iterator<Item = Part>, take: usize, outcome: &Outcome, tape: &DecidedTape) -> Option<Part> {
    let map = tape.times.get(&take)?;
    let at = |s: f64| map.at(s * outcome.takes[take].speed);
    places.map(|(from, to)| (at(from), at(to))).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
}

/// Where a program of before lies on a tape of now.
fn part_of(program: &Present, dossier: &Dossier, outcome: &Outcome, tape: &DecidedTape) -> Option<Part> {
    let received = &outcome.intake.received;
    let parts = program.places.iter().filter_map(|place| {
        let then = dossier.present_takes.iter().find(|t| t.id == place.take)?;
        let now = received.iter().position(|r| r.sha256 == then.sha256 && r.file() == then.file)?;
        let now = received[now].same_as.unwrap_or(now);
        on_tape(std::iter::once((place.from_s, place.to_s)), now, outcome, tape)
    });
    parts.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
}

fn overlap(a: Part, b: Part) -> bool {
    let shorter = (a.1 - a.0).min(b.1 - b.0);
    a.1.min(b.1) - a.0.max(b.0) > ONE_PLACE * shorter
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Alike {
    Same,
    Other,
    Unclear,
}

/// Whether a program of the take alone is the one of before.
fn alike(alone: &Outcome, index: usize, before: &Present) -> Alike {
    let (verdict, program) = (&alone.verdict.programs[index], &alone.programs[index]);
    let bytes = &program.program.bytes;
    let clear = verdict.verdict != Level::Open && before.verdict != Level::Open;
    let settled: Vec<usize> = (0..bytes.len().min(before.bytes.len()))
        .filter(|&i| matches!(program.classes[i], Class::Agreed | Class::Corrected))
        // what a person decided is evidence for nothing
        .filter(|&i| before.decisions.iter().all(|d| d.offset != i))
        .collect();
    let wrong = settled.iter().filter(|&&i| bytes[i] != before.bytes[i]).count();
    // without a header nothing says with which byte a piece begins
    let framed = !verdict.name.is_empty() && !before.name.is_empty();
    if framed && settled.len() >= LEAST && wrong as f64 <= MAY_DIFFER * settled.len() as f64 {
        return Alike::Same;
    }
    // a count that slipped leaves the bytes behind it where others were
    if bytes == &before.bytes || shares(bytes, &before.bytes) || shares(&before.bytes, bytes) {
        return Alike::Same;
    }
    let theirs = verdict.blocks.iter().any(|b| b.role == "header" && b.p_wrong < SURE);
    let ours = before.blocks.iter().any(|b| b.role == "header" && b.p_wrong < SURE);
    let headers =
        (&verdict.name, verdict.load_address, verdict.size) != (&before.name, before.load_address, before.size);
    match settled.len() >= LEAST && (clear || (framed && headers && theirs && ours)) {
        true => Alike::Other,
        false => Alike::Unclear,
    }
}
