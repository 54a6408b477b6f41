//! What changed, in words.

use std::fmt::Write;
use std::path::Path;

use crate::Error;
use crate::confidence::Class;
use crate::dossier::change::{ByteChange, Change, ProgramChange};
use crate::export::names::printable;
use crate::report::table::{Look, word};
use crate::report::words;

/// Bytes of one program that are told one by one.
const MOST_BYTES: usize = 6;

/// The change as text, or as JSON.
pub fn text(change: &Change, json: bool, look: Look) -> Result<String, Error> {
    if json {
        let text = serde_json::to_string_pretty(change);
        return Ok(text.map_err(|e| Error::write(Path::new("standard output"), e.into()))? + "\n");
    }
    let mut out = String::new();
    for conflict in &change.conflicts {
        out.push_str(&look.title(&printable(&format!("Conflict: {conflict}"))));
    }
    let mut rows: Vec<(String, String)> = Vec::new();
    let (mut same, mut told_bytes) = (0, false);
    for program in &change.programs {
        match sentence(program) {
            Some(sentence) => {
                rows.push((label(program), sentence));
                let told = program.bytes.iter().take(MOST_BYTES).map(byte);
                rows.extend(told.map(|text| (String::new(), text)));
                told_bytes |= !program.bytes.is_empty();
                if program.bytes.len() > MOST_BYTES {
                    let rest = program.bytes.len() - MOST_BYTES;
                    rows.push((String::new(), format!("and {rest} more; --json lists all")));
                }
            }
            None => same += 1,
        }
    }
    if !rows.is_empty() {
        out.push_str(&look.notes(&rows));
    }
    if told_bytes {
        let what = "nats for the value now against the one before: by 2.3 it is ten times as probable";
        out.push_str(&look.notes(&[("in brackets".into(), what.into())]));
    }
    match (rows.len(), same) {
        (0, 0) => out.push_str("Nothing has changed.\n"),
        (0, n) => {
            _ = writeln!(out, "Nothing has changed: {n} {} as before.", if n == 1 { "program" } else { "programs" })
        }
        (_, 0) => {}
        (_, n) => _ = writeln!(out, "{n} {} as before.", if n == 1 { "program" } else { "programs" }),
    }
    Ok(out)
}

fn label(program: &ProgramChange) -> String {
    let name = printable(words::name(program.name.trim_end()));
    match (&program.now, &program.before) {
        (Some(now), _) => format!("{} {name}", now.id),
        // another program may bear its number now
        (None, Some(before)) => format!("(was {}) {name}", before.id),
        (None, None) => name,
    }
}

/// What became of a program; `None` if nothing did.
fn sentence(program: &ProgramChange) -> Option<String> {
    let count = |n: usize| format!("{n} {}", if n == 1 { "byte" } else { "bytes" });
    let mut text = match (&program.before, &program.now) {
        (None, Some(now)) => format!("found: {}, {}", word(now.verdict), count(now.size)),
        (Some(before), None) => format!("not found any more (was {}, {})", word(before.verdict), count(before.size)),
        (Some(before), Some(now)) => {
            let mut parts = Vec::new();
            if before.verdict < now.verdict {
                parts.push(format!("rose from {} to {}", word(before.verdict), word(now.verdict)));
            } else if before.verdict > now.verdict {
                parts.push(format!("fell from {} to {}", word(before.verdict), word(now.verdict)));
            }
            if before.size != now.size {
                parts.push(format!("{} before, {} now", count(before.size), now.size));
            }
            if !program.bytes.is_empty() {
                parts.push(format!("{} decided differently", count(program.bytes.len())));
            }
            if parts.is_empty() {
                return None;
            }
            parts.join("; ")
        }
        (None, None) => return None,
    };
    text.push('.');
    Some(text)
}

/// A byte, before and now, with who says what.
fn byte(change: &ByteChange) -> String {
    let vote = |v: &crate::dossier::change::ByteVote| {
        let value = v.value.map_or("only a part".into(), |b| format!("0x{b:02X}"));
        format!("{} copy {} says {value} ({:+.1})", v.take, v.copy, v.ln_odds * f64::from(v.weight))
    };
    let votes: Vec<String> = change.votes.iter().map(vote).collect();
    let votes = if votes.is_empty() { "no reading heard it".into() } else { votes.join(", ") };
    let guess = match change.class {
        Class::Agreed | Class::Corrected => "",
        Class::Inferred => " (a best guess)",
        Class::Unresolved => " (nothing is known of it)",
    };
    format!("offset {}: 0x{:02X} -> 0x{:02X}{guess}; {votes}", words::offset(change.offset), change.before, change.now)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::confidence::Level;
    use crate::dossier::change::Stand;

    /// A number that passes to another program is not told twice.
    #[test]
    fn what_is_gone_gives_up_its_number() {
        let stand = Some(Stand { id: "p01".into(), verdict: Level::Open, size: 7 });
        let of = |before, now| ProgramChange { before, now, name: String::new(), bytes: Vec::new() };
        assert_eq!(label(&of(None, stand.clone())), "p01 (no name)");
        assert_eq!(label(&of(stand.clone(), None)), "(was p01) (no name)");
        assert_eq!(sentence(&of(stand, None)).as_deref(), Some("not found any more (was open, 7 bytes)."));
    }
}
