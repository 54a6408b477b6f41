//! What speaks against a take as a whole, said of it and before all other advice: that it is of another tape, or cut off.

use super::belongs::{self, Belongs, There};
use super::{DecidedBlock, DecidedTape, Outcome, Outlook, weigh_all};
use crate::Error;
use crate::report::words;
use crate::tape::Format;

/// A block in more doubt than this lies in nobody's place.
const CREDIBLE: f64 = 0.5;

/// Says it of every take that it is true of, and as the first advice on every program that it has a part in.
///
/// Errors: as [`super::decide_all`].
pub(super) fn mark(outcome: &mut Outcome, format: &dyn Format) -> Result<(), Error> {
    let count = outcome.intake.received.len();
    let foreign = (0..count).map(|take| foreign(outcome, take, format)).collect::<Result<Vec<_>, Error>>()?;
    for (take, foreign) in foreign.into_iter().enumerate() {
        let id = format!("take-{}", take + 1);
        // the last that is put first stands first
        if let Some(share) = outcome.intake.received[take].cut_off().filter(|_| outcome.verdict.takes[take].used) {
            let much = format!("{:.0} % of its samples", 100.0 * share);
            note(
                outcome,
                take,
                &format!("Cut off: {much} are at the loudest that it holds. Lower the level and record it again."),
            );
            let text =
                format!("{id} was recorded too loudly and is cut off ({much}): lower the level and record it again.");
            advise(outcome, &id, &text);
        }
        match foreign {
            Some(Belongs::Elsewhere(what)) => {
                note(outcome, take, &format!("Most likely not of the same tape: {what}."));
                advise(
                    outcome,
                    &id,
                    &format!("{id} is most likely of another tape (see its note): recover without it."),
                );
            }
            Some(Belongs::Perhaps(what)) => {
                note(outcome, take, &format!("Perhaps not of the same tape: {what}."));
                advise(
                    outcome,
                    &id,
                    &format!("{id} may be of another tape (see its note): compare with a result without it."),
                );
            }
            Some(Belongs::Here) | None => {}
        }
    }
    Ok(())
}

fn note(outcome: &mut Outcome, take: usize, text: &str) {
    let note = &mut outcome.verdict.takes[take].note;
    let sentence = |before: String| if before.ends_with('.') { before } else { before + "." };
    *note = Some(note.take().map_or(text.into(), |before| format!("{} {text}", sentence(before))));
}

fn advise(outcome: &mut Outcome, take: &str, text: &str) {
    for (verdict, program) in outcome.verdict.programs.iter_mut().zip(&outcome.programs) {
        let may_help = !matches!(program.outlook, Outlook::Settled | Outlook::Never(_));
        let shared = program.outlook == Outlook::Never(super::advice::OTHER_RECORDINGS);
        if (may_help || shared) && verdict.takes.iter().any(|id| id == take) {
            verdict.advice.insert(0, text.into());
        }
    }
}

/// Whether a take is of another tape than the others.
fn foreign(outcome: &Outcome, take: usize, format: &dyn Format) -> Result<Option<Belongs>, Error> {
    let Some(tape) = outcome.tapes.iter().find(|t| t.takes.contains(&take)) else { return Ok(None) };
    let most = outcome.tapes.iter().map(|t| t.takes.len()).max().unwrap_or(0);
    let alone_with_most = outcome.tapes.iter().filter(|t| t.takes.len() == most).count() == 1;
    if outcome.tapes.len() > 1 && !(alone_with_most && tape.takes.len() == most) {
        let own = |t: &DecidedTape| std::ptr::eq(t, tape);
        let ids: Vec<String> = outcome
            .tapes
            .iter()
            .filter(|t| !own(t))
            .flat_map(|t| &t.takes)
            .map(|t| format!("take-{}", t + 1))
            .collect();
        let what = format!(
            "has no block in common with {}: another tape, its other side, or a part that no other take has",
            words::list(&ids)
        );
        // what plays another part of the same tape has nothing in common with the others either
        return Ok(Some(Belongs::Perhaps(what)));
    }
    if !is_alone_somewhere(tape, take) {
        return Ok(None);
    }
    let others: Vec<usize> = tape.takes.iter().copied().filter(|&t| t != take).collect();
    let decide = |takes: &[usize]| match weigh_all(belongs::apart(outcome, takes.iter().copied()), format, &|_, _| ()) {
        Err(Error::NoData(_)) => Ok(None),
        outcome => outcome.map(Some),
    };
    let (Some(alone), Some(theirs)) = (decide(&[take])?, decide(&others)?) else { return Ok(None) };
    let there = |i: usize| {
        let (verdict, program) = (&theirs.verdict.programs[i], &theirs.programs[i]);
        let place = |p: &crate::report::verdict::Place| {
            let number = p.take.strip_prefix("take-")?.parse::<usize>().ok()?.checked_sub(1)?;
            belongs::on_tape(std::iter::once((p.from_s, p.to_s)), *others.get(number)?, outcome, tape)
        };
        let parts = verdict.places.iter().filter_map(place);
        Some(There {
            name: &verdict.name,
            load_address: verdict.load_address,
            size: verdict.size,
            level: verdict.verdict,
            bytes: &program.program.bytes,
            decided: Vec::new(),
            header_p_wrong: verdict.blocks.iter().find(|b| b.role == "header").map(|b| b.p_wrong),
            part: parts.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?,
        })
    };
    let there: Vec<There> = (0..theirs.programs.len()).filter_map(there).collect();
    let mut compared = belongs::compare(outcome, tape, take, &alone, &there);
    // takes of one command may each have heard what no other has
    compared.beyond = 0;
    Ok(Some(compared.judge("the other takes")))
}

/// Whether a take has a block all by itself where others have another: without one nothing speaks against it.
fn is_alone_somewhere(tape: &DecidedTape, take: usize) -> bool {
    let credible = |b: &&DecidedBlock| b.decided.p_wrong < CREDIBLE;
    let of = |b: &DecidedBlock| b.block.votes.iter().any(|v| v.take == take);
    let only = |b: &&DecidedBlock| b.block.votes.iter().all(|v| v.take == take);
    let part = |b: &DecidedBlock| (b.block.from_s, b.block.to_s);
    tape.blocks.iter().filter(credible).filter(only).any(|own| {
        tape.blocks.iter().filter(credible).any(|other| !of(other) && belongs::overlap(part(own), part(other)))
    })
}
