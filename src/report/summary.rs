//! The result for people: the takes, the programs, and what stands in the way of those that are not established. The same text
//! goes to the screen and to `summary.txt`.

use comfy_table::Cell;

use super::table::{self, Look, right, trimmed};
use super::verdict::{ProgramVerdict, Take, Verdict};
use crate::confidence::{Level, score};
use crate::export::names::printable;
use crate::tape::Kind;

/// Everything there is to say, as lines that fit `look`.
pub fn summary(verdict: &Verdict, look: Look) -> String {
    let mut out = takes(&verdict.takes, look);
    let tapes: usize = verdict.programs.iter().map(|p| p.tape).max().unwrap_or(0);
    for tape in 1..=tapes {
        let programs: Vec<&ProgramVerdict> = verdict.programs.iter().filter(|p| p.tape == tape).collect();
        out.push('\n');
        if tapes > 1 {
            let of: Vec<&str> = verdict.takes.iter().filter(|t| t.tape == Some(tape)).map(|t| t.id.as_str()).collect();
            out.push_str(&format!(" Tape {tape} of {tapes}, heard by {}\n", of.join(", ")));
        }
        out.push_str(&table(&programs, look));
        for program in programs {
            out.push_str(&remarks(program, look));
        }
    }
    out.push('\n');
    out.push_str(&closing(verdict));
    out
}

fn takes(takes: &[Take], look: Look) -> String {
    let mut out = look.headed(&["Take", "File", "Length", "Speed", "Channel", "Note"]);
    for take in takes {
        let heard = take.sample_rate > 0;
        let blank_unless = |text: String| if heard { text } else { String::new() };
        out.add_row([
            take.id.clone(),
            printable(&take.file),
            blank_unless(minutes(take.duration_s)),
            take.speed_error.map_or(String::new(), |e| format!("{:+.1} %", 100.0 * e)),
            blank_unless(if take.channels == 1 {
                "mono".into()
            } else {
                format!("{} of {}", take.channel, take.channels)
            }),
            printable(take.note.as_deref().unwrap_or("")),
        ]);
    }
    right(&mut out, &[2, 3]);
    trimmed(&out)
}

fn table(programs: &[&ProgramVerdict], look: Look) -> String {
    let headings = ["#", "Name", "Kind", "Address", "Size", "Takes", "Verdict", "Wrong byte", "Corrected", "Weak"];
    let mut out = look.headed(&headings);
    for program in programs {
        let number = program.id.trim_start_matches('p').trim_start_matches('0');
        out.add_row([
            Cell::new(number),
            Cell::new(name(program)),
            Cell::new(kind(program.kind)),
            Cell::new(program.load_address.map_or("-".into(), |a| format!("{a:04X}"))),
            Cell::new(program.size),
            Cell::new(used(&program.takes)),
            table::verdict_cell(program.verdict),
            Cell::new(score::chance(program.p_wrong)),
            Cell::new(program.bytes.corrected),
            Cell::new(program.weak_bits),
        ]);
    }
    right(&mut out, &[0, 4, 8, 9]);
    trimmed(&out)
}

fn remarks(program: &ProgramVerdict, look: Look) -> String {
    let mut rows = Vec::new();
    let mut add = |word: &str, sentences: &[String]| {
        for (i, sentence) in sentences.iter().enumerate() {
            rows.push((if i == 0 { word.to_string() } else { String::new() }, printable(sentence)));
        }
    };
    add("in the way", &program.obstacles);
    add("would help", &program.advice);
    let more: Vec<String> = program.notes.iter().filter(|n| !program.obstacles.contains(n)).cloned().collect();
    add("note", &more);
    let guessed = program.bytes.inferred + program.bytes.unresolved;
    if guessed > 0 {
        add("in the files", &[format!("{} as they stand.", count(guessed, "byte is a guess", "bytes are guesses"))]);
    }
    if rows.is_empty() {
        return String::new();
    }
    let title = format!("\n {} {}: {}\n", program.id, name(program), table::word(program.verdict));
    title + &look.notes(&rows, 3, 14)
}

fn closing(verdict: &Verdict) -> String {
    let of = |level| verdict.programs.iter().filter(|p| p.verdict == level).count();
    let parts: Vec<String> = [Level::Established, Level::Supported, Level::Open]
        .into_iter()
        .filter(|&level| of(level) > 0)
        .map(|level| format!("{} {}", of(level), table::word(level)))
        .collect();
    format!(" {}: {}.\n", count(verdict.programs.len(), "program", "programs"), parts.join(", "))
}

fn name(program: &ProgramVerdict) -> String {
    if program.name.is_empty() { "(no name)".into() } else { program.name.clone() }
}

fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Basic => "basic",
        Kind::Code => "code",
        Kind::Data => "data",
        Kind::Unknown => "unknown",
    }
}

/// Numbers of takes, runs drawn together: `1-3, 5`.
fn used(takes: &[String]) -> String {
    let numbers = takes.iter().filter_map(|id| id.trim_start_matches("take-").parse::<usize>().ok());
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for n in numbers {
        match runs.last_mut() {
            Some((_, to)) if *to + 1 == n => *to = n,
            _ => runs.push((n, n)),
        }
    }
    let runs = runs.iter().map(|&(from, to)| match to - from {
        0 => format!("{from}"),
        1 => format!("{from}, {to}"),
        _ => format!("{from}-{to}"),
    });
    runs.collect::<Vec<_>>().join(", ")
}

fn minutes(seconds: f64) -> String {
    let whole = seconds.round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
