//! Whether a take is of the tape that others are of.
//!
//! Two tapes may hold the same program, and then a take of the one can be laid on the other by it. That first program in
//! common tells nothing: it only says where to lay the take. Every further one that lies in its place then speaks for the
//! same tape, since two tapes rarely have the same gaps; every other program that lies where the other takes have theirs
//! speaks against it. What lies where only one side has played says nothing, and neither does what one of them could not
//! make out.

use super::{DecidedTape, Intake, Outcome, Received};
use crate::confidence::{Class, Level};
use crate::export::names::printable;
use crate::receiver::Reception;
use crate::report::words;

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

/// A part of the tape, in seconds of the tape.
pub type Part = (f64, f64);

/// A program of the other takes, as far as it tells whether a take is of their tape.
pub struct There<'a> {
    pub name: &'a str,
    pub load_address: Option<u16>,
    pub size: usize,
    pub level: Level,
    pub bytes: &'a [u8],
    /// Offsets that a person decided: evidence for nothing.
    pub decided: Vec<usize>,
    /// Chance that its header is wrong, if it has one.
    pub header_p_wrong: Option<f64>,
    pub part: Part,
}

/// What a take has in common with other takes, and what it has instead.
#[derive(Debug, Default)]
pub struct Comparison {
    common: Vec<String>,
    against: Vec<(String, String)>,
    /// Programs where no other take has played.
    pub beyond: usize,
}

/// Compares a take of `tape` with the programs of other takes. `outcome` is of all of them together, `alone` of this take by
/// itself.
pub fn compare(outcome: &Outcome, tape: &DecidedTape, take: usize, alone: &Outcome, there: &[There]) -> Comparison {
    let mut found = Comparison::default();
    let name = |name: &str| words::name(name.trim_end()).to_string();
    for (i, theirs) in alone.verdict.programs.iter().enumerate() {
        let places = theirs.places.iter().map(|p| (p.from_s, p.to_s));
        let Some(part) = on_tape(places, take, outcome, tape) else { continue };
        let here: Vec<(Alike, &There)> =
            there.iter().filter(|own| overlap(own.part, part)).map(|own| (alike(alone, i, own), own)).collect();
        if here.is_empty() {
            found.beyond += usize::from(theirs.verdict != Level::Open);
        } else if let Some((_, p)) = here.iter().find(|(a, _)| *a == Alike::Same) {
            found.common.push(name(p.name));
        } else if let Some((_, p)) = here.iter().find(|(a, _)| *a == Alike::Other) {
            found.against.push((name(&theirs.name), name(p.name)));
        }
    }
    found
}

impl Comparison {
    /// What follows from it; `others` is what the other takes are called.
    pub fn judge(&self, others: &str) -> Belongs {
        let Comparison { common, against, beyond } = self;
        let shared = match common.as_slice() {
            [] => format!("no whole program in common with {others}"),
            [one] => format!("{} alone in common with {others}", printable(one)),
            more => format!("{} programs in common with {others}", more.len()),
        };
        let instead: Vec<String> = against
            .iter()
            .take(NAMED)
            .map(|(theirs, ours)| match theirs == ours {
                true => printable(&format!("another {theirs} than theirs")),
                false => printable(&format!("{theirs} in the place of {ours}")),
            })
            .collect();
        let more = if against.len() > NAMED { format!(" and {} more", against.len() - NAMED) } else { String::new() };
        let instead = format!("{}{more}", words::list(&instead));
        if against.len() + 1 >= common.len() && !against.is_empty() {
            return Belongs::Elsewhere(format!(
                "has {shared}, and where both have played it holds {instead}: another tape, or this one before or after it was \
                 recorded over"
            ));
        }
        if !against.is_empty() {
            return Belongs::Perhaps(format!(
                "has {shared}, but holds {instead}: was the tape recorded over in between, or is it another? What differs is \
                 not mixed"
            ));
        }
        if *beyond > 0 && common.len() < 2 {
            return Belongs::Perhaps(format!(
                "has {shared}; {} on it where no other take has played: a longer play of this tape looks like that, and so does \
                 another tape with the same program",
                if *beyond == 1 { "1 program lies".into() } else { format!("{beyond} programs lie") }
            ));
        }
        Belongs::Here
    }
}

/// Some of the takes by themselves, with nothing but what is weighed.
pub fn apart(outcome: &Outcome, takes: impl Iterator<Item = usize>) -> Intake {
    let of = |take: usize| {
        let (of, none) = (&outcome.intake.received[take], Received::default());
        let reception = Reception { readings: outcome.takes[take].readings.clone(), ..none.reception };
        Received {
            path: of.path.clone(),
            sha256: of.sha256.clone(),
            samples_blake3: of.samples_blake3.clone(),
            duration_s: of.duration_s,
            sample_rate: of.sample_rate,
            reception,
            ..none
        }
    };
    Intake::of(takes.map(of).collect(), Vec::new())
}

/// Where on a tape these places of a take lie together.
pub fn on_tape(places: impl Iterator<Item = Part>, take: usize, outcome: &Outcome, tape: &DecidedTape) -> Option<Part> {
    let map = tape.times.get(&take)?;
    let at = |s: f64| map.at(s * outcome.takes[take].speed);
    places.map(|(from, to)| (at(from), at(to))).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
}

/// Whether two parts of a tape lie in one place.
pub fn overlap(a: Part, b: Part) -> bool {
    let shorter = (a.1 - a.0).min(b.1 - b.0);
    a.1.min(b.1) - a.0.max(b.0) > ONE_PLACE * shorter
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Alike {
    Same,
    Other,
    Unclear,
}

/// Whether a program of the take alone is one of the others'.
fn alike(alone: &Outcome, index: usize, before: &There) -> Alike {
    let (verdict, program) = (&alone.verdict.programs[index], &alone.programs[index]);
    let bytes = &program.program.bytes;
    let clear = verdict.verdict != Level::Open && before.level != Level::Open;
    let settled: Vec<usize> = (0..bytes.len().min(before.bytes.len()))
        .filter(|&i| matches!(program.classes[i], Class::Agreed | Class::Corrected))
        // what a person decided is evidence for nothing
        .filter(|i| !before.decided.contains(i))
        .collect();
    let wrong = settled.iter().filter(|&&i| bytes[i] != before.bytes[i]).count();
    // without a header nothing says with which byte a piece begins
    let framed = !verdict.name.is_empty() && !before.name.is_empty();
    if framed && settled.len() >= LEAST && wrong as f64 <= MAY_DIFFER * settled.len() as f64 {
        return Alike::Same;
    }
    // a count that slipped leaves the bytes behind it where others were
    if bytes == before.bytes || shares(bytes, before.bytes) || shares(before.bytes, bytes) {
        return Alike::Same;
    }
    let theirs = verdict.blocks.iter().any(|b| b.role == "header" && b.p_wrong < SURE);
    let ours = before.header_p_wrong.is_some_and(|p| p < SURE);
    let headers =
        (verdict.name.as_str(), verdict.load_address, verdict.size) != (before.name, before.load_address, before.size);
    match settled.len() >= LEAST && (clear || (framed && headers && theirs && ours)) {
        true => Alike::Other,
        false => Alike::Unclear,
    }
}

/// Whether half of what is in `piece` is in `whole` too, by runs of twelve bytes that are not all alike.
pub fn shares(piece: &[u8], whole: &[u8]) -> bool {
    const RUN: usize = 12;
    let telling = |run: &&[u8]| run.iter().any(|b| *b != run[0]);
    let known: std::collections::HashSet<&[u8]> = whole.windows(RUN).filter(telling).collect();
    let runs: Vec<&[u8]> = piece.windows(RUN).filter(telling).collect();
    !runs.is_empty() && runs.iter().filter(|run| known.contains(*run)).count() * 2 >= runs.len()
}
