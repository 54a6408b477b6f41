//! Whether a new take is of the tape that a dossier is of: see [`recovery::belongs`].

use super::{Dossier, Present};
use crate::Error;
pub use crate::recovery::belongs::Belongs;
use crate::recovery::belongs::{self, Part, There};
use crate::recovery::{self, DecidedTape, Outcome};
use crate::tape::Format;

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
    let alone = match recovery::weigh_all(belongs::apart(outcome, std::iter::once(take)), format, &|_, _| ()) {
        Err(Error::NoData(_)) => return Ok(Belongs::Here),
        alone => alone?,
    };
    let there: Vec<There> =
        dossier.programs.iter().filter_map(|p| Some(there(p, part_of(p, dossier, outcome, tape)?))).collect();
    Ok(match belongs::compare(outcome, tape, take, &alone, &there).judge("the takes that are there") {
        Belongs::Elsewhere(what) => Belongs::Elsewhere(format!(
            "{what}. To let it in all the same, say --allow-foreign: nothing that differs is mixed"
        )),
        other => other,
    })
}

fn there(program: &Present, part: Part) -> There<'_> {
    let headers = program.blocks.iter().filter(|b| b.role == "header").map(|b| b.p_wrong);
    There {
        name: &program.name,
        load_address: program.load_address,
        size: program.size,
        level: program.verdict,
        bytes: &program.bytes,
        decided: program.decisions.iter().map(|d| d.offset).collect(),
        header_p_wrong: headers.reduce(f64::min),
        part,
    }
}

/// Where a program of before lies on a tape of now.
fn part_of(program: &Present, dossier: &Dossier, outcome: &Outcome, tape: &DecidedTape) -> Option<Part> {
    let received = &outcome.intake.received;
    let parts = program.places.iter().filter_map(|place| {
        let then = dossier.present_takes.iter().find(|t| t.id == place.take)?;
        let now = received.iter().position(|r| r.sha256 == then.sha256 && r.file() == then.file)?;
        let now = received[now].same_as.unwrap_or(now);
        belongs::on_tape(std::iter::once((place.from_s, place.to_s)), now, outcome, tape)
    });
    parts.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
}
