//! What this tape is, the verdict in plain words, and the programs as a table.

use std::collections::BTreeSet;

use maud::{Markup, html};

use super::{called, number, shown};
use crate::confidence::Level;
use crate::report::evidence::Evidence;
use crate::report::page::{badge, code_note};
use crate::report::verdict::ProgramVerdict;
use crate::report::words::{self, count, minutes};

/// Names that fit a title.
const NAMED: usize = 4;

/// The names on the tape; programs without one are only counted.
pub fn title(evidence: &Evidence) -> String {
    let programs = &evidence.outcome.verdict.programs;
    let mut names: Vec<String> = programs.iter().filter(|p| !p.name.is_empty()).map(|p| p.name.clone()).collect();
    let mut seen = BTreeSet::new();
    names.retain(|name| seen.insert(name.clone()));
    if names.is_empty() {
        return words::count(programs.len(), "program without a name", "programs without a name");
    }
    if programs.len() == names.len() && names.len() <= NAMED {
        return words::list(&names);
    }
    names.truncate(NAMED);
    format!("{} and {} more", names.join(", "), programs.len() - names.len())
}

pub fn header(evidence: &Evidence) -> Markup {
    let verdict = &evidence.outcome.verdict;
    let used = verdict.takes.iter().filter(|t| t.used).count();
    let longest = verdict.takes.iter().map(|t| t.duration_s).fold(0.0, f64::max);
    let tapes = evidence.outcome.tapes.len();
    html! {
        header {
            p class="over" { "Evidence report on a data cassette" }
            h1 { (title(evidence)) }
            p class="lead" { (in_short(&verdict.programs)) }
            p {
                (count(verdict.programs.len(), "program was", "programs were")) " found on "
                (if tapes == 1 { "this side".into() } else { count(tapes, "tape", "tapes") }) " from "
                (count(used, "take (a recording of a play)", "takes (recordings of a play)")) ", "
                @if used > 1 { "the longest " } (minutes(longest)) " long"
                @if used < verdict.takes.len() {
                    "; " (count(verdict.takes.len() - used, "more was", "more were")) " given and not used"
                }
                ". The tape is in the format " strong { (evidence.format.id()) } ": " (evidence.format.recording()) ". "
                "Written by: " (evidence.format.machines()) "."
            }
            p class="small soft" {
                "Offsets (counted from 0), addresses and values of bytes are hexadecimal, in sentences with 0x before them; all \
                 other numbers are decimal."
                @if let Some(note) = code_note(verdict.programs.iter().map(|p| p.name.as_str())) { " " (note) }
            }
            ul class="legend" {
                li { (badge(Level::Established)) "every byte is settled, under 1 in a million that any is wrong" }
                li { (badge(Level::Supported)) "the best reading is clear, something speaks against it" }
                li { (badge(Level::Open)) "bytes are missing or have rivals" }
            }
            nav aria-label="Parts of this report" {
                ul {
                    li { a href="#programs" { "Programs" } }
                    li { a href="#strip" { "The tape" } }
                    @if verdict.programs.iter().any(|p| p.size > 0) { li { a href="#reading" { "How to read" } } }
                    @for program in &verdict.programs {
                        li { a href={ "#" (program.id) } { (number(program)) " " (words::name(&program.name)) } }
                    }
                    li { a href="#takes" { "Takes" } }
                    li { a href="#sure" { "How sure is sure" } }
                    li { a href="#log" { "Log" } }
                    li { a href="#help" { "What would help" } }
                    li { a href="#files" { "Files" } }
                    li { a href="#software" { "Software" } }
                    li { a href="#cautions" { "Cautions" } }
                }
            }
        }
    }
}

/// The verdict on all programs in a sentence or three.
fn in_short(programs: &[ProgramVerdict]) -> String {
    // the first begins a sentence: without a name it is "Program 1"
    let name = |(i, p): (usize, &ProgramVerdict)| match i {
        0 if p.name.is_empty() => format!("Program {}", number(p)),
        _ => called(programs, p),
    };
    let names =
        |level| -> Vec<String> { programs.iter().filter(|p| p.verdict == level).enumerate().map(name).collect() };
    let (sure, likely, open) = (names(Level::Established), names(Level::Supported), names(Level::Open));
    let total = programs.len();
    let decided: usize = programs.iter().map(|p| p.decisions.len()).sum();
    let mut out = match (sure.len(), total) {
        (1, 1) => "The program on it is recovered whole: every byte is settled.".to_string(),
        (2, 2) => "Both programs on it are recovered whole: every byte is settled.".into(),
        (n, total) if n == total => format!("All {total} programs on it are recovered whole: every byte is settled."),
        (0, 1) => String::new(),
        (0, _) => "None of the programs is established.".into(),
        (n, total) => format!("{n} of {total} programs are recovered whole, every byte settled."),
    };
    let many = |names: &[String], one: &str, many: &str| {
        if names.len() <= 3 {
            format!(" {} {}", words::list(names), if names.len() == 1 { one } else { many })
        } else {
            format!(" {} programs {many}", names.len())
        }
    };
    if !likely.is_empty() {
        let text = "clearly readable, but something speaks against calling it certain.";
        out.push_str(&many(&likely, &format!("is {text}"), &format!("are {}", text.replace(" it ", " them "))));
    }
    if !open.is_empty() {
        out.push_str(&many(
            &open,
            "is not whole: bytes are missing or in doubt.",
            "are not whole: bytes are missing or in doubt.",
        ));
    }
    if decided > 0 {
        out.push_str(&format!(" {} by a person.", count(decided, "byte was decided", "bytes were decided")));
    }
    out.trim().to_string()
}

pub fn programs(evidence: &Evidence) -> Markup {
    let programs = &evidence.outcome.verdict.programs;
    let weak = programs.iter().any(|p| p.weak_bits > 0);
    let columns = 9 + usize::from(weak);
    html! {
        section id="programs" {
            h2 { "The programs" }
            table {
                thead {
                    tr {
                        th scope="col" class="n" { "#" }
                        th scope="col" { "Name" }
                        th scope="col" class="wide" { "Kind" }
                        th scope="col" class="wide" { "Loads at" }
                        th scope="col" class="wide n" { "Bytes" }
                        th scope="col" { "Verdict" }
                        th scope="col" { "Chance of a wrong byte" }
                        th scope="col" class="wide n" { "Corrected" }
                        @if weak { th scope="col" class="wide n" { "In doubt" } }
                        th scope="col" class="wide" { "Takes" }
                    }
                }
                @for p in programs {
                    tbody {
                        tr {
                            td class="n" { (number(p)) }
                            th scope="row" class="name" { a href={ "#" (p.id) } { (words::name(&p.name)) } }
                            td class="wide v" { (words::kind(p.kind)) }
                            td class="wide mono" { (p.load_address.map_or("-".into(), |a| format!("{a:04X}"))) }
                            td class="wide n" { (words::thousands(p.size)) }
                            td { (badge(p.verdict)) }
                            td { (if p.size == 0 { "-".into() } else { words::chance(p.p_wrong) }) }
                            td class="wide n" { (p.bytes.corrected) }
                            @if weak { td class="wide n" { (p.bytes.inferred + p.bytes.unresolved) } }
                            td class="wide" { (if p.takes.is_empty() { "none".into() } else { words::takes(&p.takes) }) }
                        }
                        // the reason beside the verdict: a small chance of error alone would not explain it
                        @if p.verdict != Level::Established && !p.obstacles.is_empty() {
                            tr class="reason" {
                                td {}
                                td class="small soft" colspan=(columns - 1) { (shown(&p.obstacles.join(" "))) }
                            }
                        }
                    }
                }
            }
            @if programs.iter().any(|p| !p.decisions.is_empty()) {
                p { "Bytes that a person decided are marked; they count as evidence for nothing." }
            }
        }
    }
}
