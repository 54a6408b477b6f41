//! The result for people: the takes, the programs, and what stands in the way of those that are not established. The same text
//! goes to the screen and to `summary.txt`.

use comfy_table::Cell;

use super::certificate::certificate;
use super::table::{self, Column, Fit, Look, column};
use super::verdict::{BlockVerdict, ProgramVerdict, Take, Verdict};
use super::words;
use crate::confidence::{Level, score};
use crate::export::names::printable;
use crate::tape::Kind;

const TAKES: [Column; 6] = [
    column("Take", Fit::Left, 2),
    column("File", Fit::Broken(14), 2),
    column("Length", Fit::Right, 2),
    column("Speed", Fit::Right, 2).spare(),
    column("Channel", Fit::Left, 2).spare(),
    column("Note", Fit::Broken(24), 0),
];

/// With names of up to 11 characters these fit 80 columns.
const PROGRAMS: [Column; 10] = [
    column("#", Fit::Right, 1),
    column("Name", Fit::Broken(11), 2),
    column("Kind", Fit::Left, 1).spare(),
    column("Load\nat", Fit::Left, 1).spare(),
    column("Size", Fit::Right, 1),
    column("Takes", Fit::Left, 2).spare(),
    column("Verdict", Fit::Left, 2),
    column("Chance of a\nwrong byte", Fit::Broken(18), 2),
    column("Cor-\nrected", Fit::Right, 1).spare(),
    column("Weak\nbits", Fit::Right, 0).spare(),
];

/// Everything there is to say, as lines that fit `look`.
pub fn summary(verdict: &Verdict, look: Look) -> String {
    let mut out = takes(&verdict.takes, look);
    let tapes = verdict.programs.iter().map(|p| p.tape).max().unwrap_or(0);
    for tape in 1..=tapes {
        let programs: Vec<&ProgramVerdict> = verdict.programs.iter().filter(|p| p.tape == tape).collect();
        out.push('\n');
        if tapes > 1 {
            let takes: Vec<&str> =
                verdict.takes.iter().filter(|t| t.tape == Some(tape)).map(|t| t.id.as_str()).collect();
            out.push_str(&look.title(&format!("Tape {tape} of {tapes}, heard by {}", takes.join(", "))));
        }
        out.push_str(&table(&programs, look));
        programs.iter().for_each(|program| out.push_str(&remarks(program, look)));
    }
    out.push('\n');
    out.push_str(&totals(verdict));
    if verdict.programs.iter().flat_map(|p| &p.files).any(|file| file.ends_with(".wav")) {
        out.push_str("The .wav files are clean tapes to record anew: loud and harsh, volume low.\n");
    }
    out
}

/// The table of the takes, those among `new` marked.
pub fn takes_with_new(verdict: &Verdict, new: &[String], look: Look) -> String {
    let mark = |take: &Take| {
        let note = match &take.note {
            _ if !new.contains(&take.id) => take.note.clone(),
            Some(note) => Some(format!("New. {note}")),
            None => Some("New.".into()),
        };
        Take { note, ..take.clone() }
    };
    takes(&verdict.takes.iter().map(mark).collect::<Vec<_>>(), look)
}

/// How many witnesses the takes are, and how many programs have which verdict.
pub fn totals(verdict: &Verdict) -> String {
    let tapes = verdict.programs.iter().map(|p| p.tape).max().unwrap_or(0);
    let witnesses: String = (1..=tapes).map(|tape| witnesses(verdict, tape)).collect();
    witnesses + &levels(verdict)
}

fn takes(takes: &[Take], look: Look) -> String {
    let row = |take: &Take| {
        let heard = take.sample_rate > 0;
        let channel = if take.channels == 1 { "mono".into() } else { format!("{} of {}", take.channel, take.channels) };
        let cells = [
            take.id.clone(),
            printable(&take.file),
            if heard { minutes(take.duration_s) } else { "-".into() },
            take.speed_error.map_or("-".into(), percent),
            if heard { channel } else { "-".into() },
            printable(take.note.as_deref().unwrap_or("")),
        ];
        cells.map(Cell::new).to_vec()
    };
    look.headed(&TAKES, takes.iter().map(row).collect())
}

fn table(programs: &[&ProgramVerdict], look: Look) -> String {
    let row = |program: &&ProgramVerdict| {
        vec![
            Cell::new(program.id.trim_start_matches(['p', '0'])),
            Cell::new(name(program)),
            Cell::new(kind(program.kind)),
            Cell::new(program.load_address.map_or("-".into(), |a| format!("{a:04X}"))),
            Cell::new(program.size),
            Cell::new(words::takes(&program.takes)),
            look.verdict(program.verdict),
            Cell::new(chance(program)),
            Cell::new(program.bytes.corrected),
            Cell::new(program.weak_bits),
        ]
    };
    look.headed(&PROGRAMS, programs.iter().map(row).collect())
}

/// What keeps a program from being established, what would help, and what else is to be said of it.
fn remarks(program: &ProgramVerdict, look: Look) -> String {
    // which tape it is on stands over the table
    let said = |n: &String| program.obstacles.contains(n) || n.starts_with("On tape ");
    let notes: Vec<String> = program.notes.iter().filter(|n| !said(n)).cloned().collect();
    let guessed = program.bytes.inferred + program.bytes.unresolved;
    let guesses = count(guessed, "byte of its files is a guess.", "bytes of its files are guesses.");
    let places = program.places.iter().map(|p| match (minutes(p.from_s), minutes(p.to_s)) {
        (from, to) if from == to => format!("{} at {from}", p.take),
        (from, to) => format!("{} {from}-{to}", p.take),
    });
    let places = places.collect::<Vec<_>>().join(", ");
    let short = program.verdict != Level::Established;
    let width = words::bits_per_byte(&program.format);
    let certified = |b: &BlockVerdict| Some(format!("{}: {}", b.role, certificate(b, width)?));
    let corrected: Vec<String> = program.blocks.iter().filter_map(certified).collect();
    let all: [(&str, &[String]); 6] = [
        ("in the way", &program.obstacles),
        ("would help", &program.advice),
        ("files", if guessed > 0 { &[guesses] } else { &[] }),
        ("lies at", if short { &[places] } else { &[] }),
        ("corrected", &corrected),
        ("note", &notes),
    ];
    let mut rows = Vec::new();
    for (word, sentences) in all {
        for (i, sentence) in sentences.iter().enumerate() {
            rows.push((if i == 0 { word.to_string() } else { String::new() }, printable(sentence)));
        }
    }
    if rows.is_empty() {
        return String::new();
    }
    let title = format!("{} {}: {}", program.id, name(program), table::word(program.verdict));
    format!("\n{}{}", look.title(&title), look.notes(&rows))
}

/// "3 takes count as 2.9": what is left of several witnesses when what they share is taken off.
fn witnesses(verdict: &Verdict, tape: usize) -> String {
    let counts: Vec<f64> = verdict.takes.iter().filter(|t| t.tape == Some(tape)).filter_map(|t| t.counts_as).collect();
    if counts.len() < 2 {
        return String::new();
    }
    format!("{} takes count as {:.1} independent ones.\n", counts.len(), counts.iter().sum::<f64>())
}

fn levels(verdict: &Verdict) -> String {
    let of = |level| verdict.programs.iter().filter(|p| p.verdict == level).count();
    let parts: Vec<String> = [Level::Established, Level::Supported, Level::Open]
        .into_iter()
        .filter(|&level| of(level) > 0)
        .map(|level| format!("{} {}", of(level), table::word(level)))
        .collect();
    format!("{}: {}.\n", count(verdict.programs.len(), "program", "programs"), parts.join(", "))
}

fn name(program: &ProgramVerdict) -> String {
    if program.name.is_empty() { "(no name)".into() } else { program.name.clone() }
}

fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Basic => "basic",
        Kind::Code => "code",
        Kind::Data => "data",
        Kind::Unknown => "-",
    }
}

/// A speed error, without a sign before nothing.
fn percent(error: f64) -> String {
    let tenths = (1_000.0 * error).round() / 10.0;
    if tenths == 0.0 { "0.0 %".into() } else { format!("{tenths:+.1} %") }
}

fn chance(program: &ProgramVerdict) -> String {
    match program.p_wrong {
        _ if program.size == 0 => "-".into(),
        // beyond this, "all but 1 in 1,000" tells nobody more
        p if p > 0.99 => "almost certain".into(),
        p => score::chance(p),
    }
}

fn minutes(seconds: f64) -> String {
    let whole = seconds.round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
