//! The listing of a BASIC program for people: over it how sure it is, under its lines which characters are guesses.

use std::fmt::Write;
use std::ops::Range;

use super::names::{for_screen, printable};
use crate::confidence::Level;
use crate::report::words;
use crate::tape::basic::{self, Row, Span};
use crate::tape::{Kind, Program};

/// How sure a program is, as its files tell it.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    pub level: Level,
    /// Chance that any byte is wrong.
    pub p_wrong: f64,
    /// The takes that it comes from.
    pub takes: Vec<String>,
    /// What stands in the way of established.
    pub obstacles: Vec<String>,
    /// By offset.
    pub doubts: Vec<Doubt>,
}

/// A byte that the evidence has not settled.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubt {
    pub offset: usize,
    pub kind: DoubtKind,
}

#[derive(Clone, Debug, PartialEq)]
pub enum DoubtKind {
    /// The best guess, and the next best value, if there is one.
    Guess(Option<u8>),
    /// Nothing is known of it.
    Unknown,
    /// A person's value, by whom, where the evidence has this one.
    Person { by: String, evidence: u8 },
}

impl DoubtKind {
    fn mark(&self) -> char {
        match self {
            DoubtKind::Guess(_) => '^',
            DoubtKind::Unknown => '?',
            DoubtKind::Person { .. } => '!',
        }
    }
}

/// The text of a BASIC program: a head that says how sure it is, the lines, and behind them what does not look as it should.
/// Under a line with doubtful bytes stand their marks. The lines that begin with a digit are the program, and no others do.
/// `None` for all but BASIC.
pub fn text(program: &Program, standing: &Standing) -> Option<String> {
    let address = program.load_address.filter(|_| program.kind == Kind::Basic)?;
    let listing = basic::list(&program.bytes, address);
    let mut out = head(&for_screen(&program.name), standing, &listing);
    for (line, row) in listing.text.lines().zip(&listing.rows) {
        out.push_str(line);
        out.push('\n');
        marks(&program.bytes, row, &standing.doubts, &mut out);
    }
    let notes: String = listing.notes.iter().map(|note| format!("Note: {note}.\n")).collect();
    Some(if notes.is_empty() { out } else { format!("{out}\n{notes}") })
}

fn head(name: &str, standing: &Standing, listing: &basic::Listing) -> String {
    let mut lines = vec![format!(
        "{}: {}. Chance of a wrong byte: {}. From {}.",
        words::name(name),
        words::level(standing.level),
        words::chance(standing.p_wrong),
        words::list(&standing.takes)
    )];
    lines.extend(standing.obstacles.iter().map(|o| format!("In the way: {o}")));
    let of = |mark: char| standing.doubts.iter().filter(|d| d.kind.mark() == mark).count();
    let legend = [
        ('^', "a best guess, with what else it may be"),
        ('?', "not known at all: any value stands there"),
        ('!', "the value of a person, not of the evidence"),
    ];
    for (mark, what) in legend.into_iter().filter(|(mark, _)| of(*mark) > 0) {
        lines.push(format!("{mark} under a character: {what} ({})", words::count(of(mark), "byte", "bytes")));
    }
    let listed = |d: &&Doubt| listing.rows.iter().any(|row| row.bytes.contains(&d.offset));
    let outside = standing.doubts.len() - standing.doubts.iter().filter(listed).count();
    if outside > 0 {
        lines.push(format!("{} in doubt in no line of this listing", words::count(outside, "byte is", "bytes are")));
    }
    if !standing.doubts.is_empty() {
        lines.push(
            "Offsets count from the first byte of the program; lines that begin with a digit are the program".into(),
        );
    }
    lines.iter().map(|line| format!("# {}\n", printable(line))).collect::<String>() + "\n"
}

/// A row with the marks under their characters, then a line for every run of bytes with one kind of doubt.
fn marks(bytes: &[u8], row: &Row, doubts: &[Doubt], out: &mut String) {
    let first = doubts.partition_point(|d| d.offset < row.bytes.start);
    let mine: Vec<&Doubt> = doubts[first..].iter().take_while(|d| d.offset < row.bytes.end).collect();
    if mine.is_empty() {
        return;
    }
    let span = |offset: usize| row.spans.iter().find(|s| s.offset == offset);
    let mut under: Vec<char> = Vec::new();
    for doubt in &mine {
        for column in span(doubt.offset).map_or(0..0, |s| s.columns.clone()) {
            under.resize(under.len().max(column + 1), ' ');
            // of two bytes in one place the worse
            if under[column] != '?' {
                under[column] = doubt.kind.mark();
            }
        }
    }
    if !under.is_empty() {
        let _ = writeln!(out, "{}", under.iter().collect::<String>());
    }
    for run in mine.chunk_by(|a, b| a.kind == DoubtKind::Unknown && b.kind == a.kind && a.offset + 1 == b.offset) {
        let (from, to) = (run[0].offset, run[run.len() - 1].offset);
        let part = if run.len() == 1 { part(row, from) } else { String::new() };
        let what = match &run[0].kind {
            DoubtKind::Unknown => String::new(),
            DoubtKind::Guess(rival) => format!(": {}", alternatives(bytes[from], *rival, span(from))),
            DoubtKind::Person { by, evidence } => {
                let other = shown(*evidence, span(from));
                format!(": {} as decided by {by}; the evidence has {other}", shown(bytes[from], span(from)))
            }
        };
        let _ = writeln!(out, "    {} {}{part}{}", run[0].kind.mark(), words::offsets(from, to), printable(&what));
    }
}

/// What a byte without a character of its own is.
fn part(row: &Row, offset: usize) -> String {
    let Range { start, end } = row.bytes;
    match offset {
        o if o < start + 2 => " (the link, which the machine makes anew)".into(),
        o if o < start + 4 => " (the line number)".into(),
        o if o + 1 == end && row.spans.last().is_some_and(|s| s.offset == o) => " (the end of the line)".into(),
        _ => String::new(),
    }
}

fn alternatives(byte: u8, rival: Option<u8>, span: Option<&Span>) -> String {
    let other = rival.map_or("something else".into(), |rival| shown(rival, span));
    format!("{} or {other}", shown(byte, span))
}

/// A byte as the listing would show it, with its value.
fn shown(byte: u8, span: Option<&Span>) -> String {
    match span {
        Some(span) if byte != 0 && byte != b' ' => format!("{} (0x{byte:02X})", basic::spelling(byte, span.text)),
        _ => format!("0x{byte:02X}"),
    }
}
