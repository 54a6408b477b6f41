//! Programs before and after, and whether new evidence contradicts what was established.

use super::log::{Event, Key};
use super::overlay::{self, key};
use super::{Present, sha256};
use crate::confidence::Level;
use crate::recovery::Outcome;
use crate::recovery::belongs::shares;

/// Whether a program of before may have become the one of now with this number.
type Fits<'a> = &'a dyn Fn(&Present, usize) -> bool;

/// For every program of before the one of now that it has become: the same bytes under the same name first, and of several
/// such the one in the same place among them, before one that is less sure than it was; then the same name, kind and place
/// in the order of the tape, then the same bytes under another name (a header was found), then what holds half of an
/// unnamed piece.
pub fn pairs(before: &[Present], now: &Outcome) -> Vec<Option<usize>> {
    let mut out = vec![None; before.len()];
    let mut taken = vec![false; now.programs.len()];
    let named = |b: &Present, i: usize| {
        let p = &now.verdict.programs[i];
        (&b.name, b.kind, b.load_address) == (&p.name, p.kind, p.load_address)
    };
    let evidence = overlay::evidence(now);
    let same = |b: &Present, i: usize| !b.bytes.is_empty() && b.bytes == evidence[i];
    // of twins, by the count of those before them
    let nth = |b: &Present, i: usize| {
        let mut alike =
            before.iter().filter(|o| (&o.name, o.kind, o.load_address) == (&b.name, b.kind, b.load_address));
        let number = alike.position(|o| std::ptr::eq(o, b));
        number == Some((0..i).filter(|&k| named(b, k)).count())
    };
    let stands = |b: &Present, i: usize| named(b, i) && same(b, i) && now.verdict.programs[i].verdict >= b.verdict;
    // a program without a name is known by its content alone
    let name = |b: &Present, i: usize| !b.name.is_empty() && named(b, i);
    let part = |b: &Present, i: usize| b.name.is_empty() && shares(&b.bytes, &now.programs[i].program.bytes);
    let rounds: [Fits; 6] =
        [&|b, i| nth(b, i) && stands(b, i), &stands, &|b, i| named(b, i) && same(b, i), &name, &same, &part];
    for fits in rounds {
        for (place, b) in out.iter_mut().zip(before) {
            if place.is_none()
                && let Some(i) = (0..taken.len()).find(|&i| !taken[i] && fits(b, i))
            {
                taken[i] = true;
                *place = Some(i);
            }
        }
    }
    out
}

/// What was established and is not any more, or with other bytes: events for the log. `takes` are the files that came in.
pub fn conflicts(before: &[Present], now: &Outcome, takes: &[String]) -> Vec<Event> {
    let mut out = Vec::new();
    for (b, place) in before.iter().zip(pairs(before, now)) {
        if b.verdict != Level::Established {
            continue;
        }
        let with = if takes.is_empty() { String::new() } else { format!(" with {}", takes.join(", ")) };
        let key_before = Key { name: b.name.clone(), kind: b.kind, load_address: b.load_address, size: b.size, nth: 0 };
        let (program, what) = match place {
            None => (key_before, format!("it was established before, and is not found any more{with}.")),
            Some(i) => {
                let verdict = &now.verdict.programs[i];
                let bytes = &now.programs[i].program.bytes;
                let differ =
                    b.bytes.iter().zip(bytes).filter(|(x, y)| x != y).count() + b.bytes.len().abs_diff(bytes.len());
                let what = match (differ, verdict.verdict) {
                    (0, Level::Established) => continue,
                    (0, _) => format!("it was established before, and the evidence{with} no longer bears that out."),
                    (1, _) => format!("it was established before with other bytes: 1 byte differs{with}."),
                    (n, _) => format!("it was established before with other bytes: {n} bytes differ{with}."),
                };
                // counted as the overlay will look for it: among all of its name, kind and place
                let alike = |p: &&crate::report::verdict::ProgramVerdict| {
                    (&p.name, p.kind, p.load_address) == (&verdict.name, verdict.kind, verdict.load_address)
                };
                let nth = now.verdict.programs[..i].iter().filter(alike).count();
                (Key { nth, ..key(&now.verdict.programs, i) }, what)
            }
        };
        out.push(Event::Conflict { program, established_sha256: sha256(&b.bytes), what, takes: takes.to_vec() });
    }
    out
}
