//! One program: the five questions answered in words, the byte map, the bytes with a story, the waveforms.

use std::collections::BTreeSet;
use std::ops::Range;

use maud::{Markup, html};

use super::bytemap::{columns, map};
use super::bytes::{links, most_doubtful, table};
use super::closing::more_takes;
use super::svg::{letter, mark, word};
use super::waves::{behind, figure};
use super::{Budget, Report, shown};
use crate::confidence::verdict::LEAST_P_WRONG;
use crate::confidence::{Class, ESTABLISHED_BELOW, Level};
use crate::report::evidence::Evidence;
use crate::report::evidence::bytes::{ByteFact, ByteVote, SAYS_NOTHING, decided_bits, facts, stretches, votes};
use crate::report::page::badge;
use crate::report::verdict::ProgramVerdict;
use crate::report::words::{self, count};

/// Bytes whose map is kept on one sheet of paper, with its heading.
const ON_A_SHEET: usize = 6_144;
/// Waveforms shown at once, and on paper. The others are folded away: they are long, and a reader with a question comes for them.
const SHOWN: usize = 3;
const PRINTED: usize = 2;
/// Agreed bytes that may lie inside a stretch.
const BRIDGED: usize = 2;

/// What is to be known before the first map and the first waveform.
pub fn reading(evidence: &Evidence) -> Markup {
    let sizes = || evidence.outcome.verdict.programs.iter().map(|p| p.size).filter(|&size| size > 0);
    let rows: BTreeSet<String> = sizes().map(|size| columns(size).to_string()).collect();
    html! {
        @if sizes().count() > 0 {
            section id="reading" {
                h2 { "How to read what follows" }
                p class="small" {
                    strong { "Byte map. " } "Each cell is a byte, in the order of memory, "
                    (rows.into_iter().collect::<Vec<_>>().join(" or ")) " to a row; its shape and colour tell its class. Point at a \
                     cell, or move to it with the keyboard, for its numbers; a cell with a line in the table below the \
                     map leads there. 3+ 1− 0∅ says that three readings say so, one says otherwise, and none \
                     says nothing."
                }
                p class="small" {
                    strong { "Waveforms. " } "What each reading heard at a byte, laid on each other bit by bit; a wave that is \
                     flat against its neighbourhood is a dropout. Bits stand in the order of the tape: the lowest first, parity \
                     last. Under each wave what it says of every bit: a square for the bit decided, a triangle against it, a \
                     dash for nothing. Shaded: the bits in which the rival, the next best value, differs."
                }
            }
        }
    }
}

pub fn section(report: &Report, index: usize, budget: Budget) -> Markup {
    let evidence = &report.evidence;
    let program = &evidence.outcome.verdict.programs[index];
    let facts = facts(evidence, index);
    let notable: Vec<&ByteFact> = facts.iter().filter(|f| f.notable()).collect();
    let lines = most_doubtful(&notable, budget.rows);
    let linked = links(&lines, budget.rows);
    html! {
        section id=(program.id) {
            h2 { (super::number(program)) ". " (words::name(&program.name)) " " (badge(program.verdict)) }
            (questions(report, index, &notable))
            @if facts.is_empty() {
                p { "No byte of it was found, so there is nothing to show." }
            } @else {
                div class=[(facts.len() <= ON_A_SHEET).then_some("map")] {
                    h3 { "Byte map" }
                    (legend(program, &facts, checks_hold(evidence, index)))
                    (map(&program.id, &facts, &linked, budget.titles))
                }
                (table(program, &facts, &lines, notable.len()))
                (waveforms(evidence, index, &facts, budget.figures))
            }
        }
    }
}

/// Is it right, how sure, why, what was changed, what would help.
fn questions(report: &Report, index: usize, notable: &[&ByteFact]) -> Markup {
    let evidence = &report.evidence;
    let program = &evidence.outcome.verdict.programs[index];
    let b = &program.bytes;
    let unsettled = b.inferred + b.unresolved;
    html! {
        dl class="five" {
            dt { "What it is" }
            dd {
                (words::kind(program.kind)) ", " (count(program.size, "byte", "bytes"))
                @if let Some(address) = program.load_address { ", loads at " (words::offset(address.into())) }
                @if !program.files.is_empty() {
                    ". Files: "
                    span class="mono small" {
                        @for (i, file) in program.files.iter().enumerate() {
                            @if i > 0 { " " }
                            span class="item" { (shown(file)) }
                        }
                    }
                }
            }
            dt { "Is it right?" }
            dd {
                @match program.verdict {
                    Level::Established => "Yes, as far as evidence can say: every byte is settled.",
                    Level::Supported => "Probably. The best reading is clear, but something speaks against calling it established.",
                    Level::Open if program.size == 0 => "Nothing but its header was found.",
                    Level::Open if unsettled > 0 => {
                        "Not all of it: " (count(unsettled, "byte is", "bytes are")) " missing or in doubt, of "
                        (words::thousands(program.size)) ". The files hold best guesses there."
                    }
                    Level::Open => "It may not be whole.",
                }
            }
            dt { "How sure?" }
            dd { (sure(program)) }
            dt { "Why?" }
            dd { (why(evidence, index)) }
            dt { "What was changed?" }
            dd { (changed(evidence, index, notable)) }
            dt { "What would help?" }
            dd {
                @if program.advice.is_empty() {
                    @if program.verdict == Level::Established { "Nothing is needed." } @else { "Nothing that is known." }
                }
                @for advice in &program.advice { p { (shown(advice)) } }
                @for advice in report.advice.iter().filter(|a| a.program == program.id) {
                    p { (more_takes(&advice.forecast)) " " a href="#help" { "Where it lies, and why" } "." }
                }
            }
        }
    }
}

fn sure(program: &ProgramVerdict) -> Markup {
    html! {
        @if program.size == 0 {
            "There is nothing to be sure of."
        } @else {
            @if program.p_wrong > 0.99 {
                "It is " strong { "almost certain" } " that some of its bytes are wrong."
            } @else {
                @let chance = words::chance(program.p_wrong);
                "The chance that any of its bytes is wrong is "
                @if chance.starts_with(|c: char| c.is_ascii_digit()) { "at most " }
                strong { (chance) } "."
            }
            @if program.p_wrong <= LEAST_P_WRONG { " No claim here goes beyond that, however good the evidence." }
            @else if program.p_wrong >= ESTABLISHED_BELOW { " Established would need under 1 in a million." }
            @if !program.decisions.is_empty() {
                " That is said of the evidence's own bytes; those that a person decided are no part of it."
            }
            @if program.verdict != Level::Established && program.p_wrong < ESTABLISHED_BELOW {
                " That is about misheard bytes alone, not about what stands in the way."
            }
        }
    }
}

fn why(evidence: &Evidence, index: usize) -> Markup {
    let program = &evidence.outcome.verdict.programs[index];
    let b = &program.bytes;
    let data: usize = program.blocks.iter().filter(|b| b.role == "data").map(|b| b.readings).sum();
    let heard = heard(evidence, index);
    html! {
        @if !heard.is_empty() {
            p {
                "Its data was heard by " (words::list(&heard)) ": " (count(data, "reading", "readings")) "."
                @if heard != program.takes { " Its header was heard by " (words::list(&program.takes)) "." }
            }
        } @else if !program.takes.is_empty() {
            p { "Its header was heard by " (words::list(&program.takes)) "." }
        }
        @if program.size > 0 {
            p {
                @if b.agreed > 0 {
                    (count(b.agreed, "byte", "bytes")) ": every reading that heard it says the same"
                    // of a block whose checksum does not fit, that would be untrue
                    (if checks_hold(evidence, index) { ", and the checks hold. " } else { ". " })
                }
                @if b.corrected > 0 {
                    (count(b.corrected, "byte", "bytes")) ": readings differ or are silent, but "
                    (single_out(checks_hold(evidence, index))) ". "
                }
                @if b.inferred > 0 { (count(b.inferred, "byte", "bytes")) ": best guess, a rival remains. " }
                @if b.unresolved > 0 { (count(b.unresolved, "byte", "bytes")) ": no basis. " }
            }
        }
        @for obstacle in &program.obstacles { p { strong { "In the way: " } (shown(obstacle)) } }
        @for note in program.notes.iter().filter(|n| !program.obstacles.contains(n)) { p { (shown(note)) } }
        details {
            summary { "Blocks, checks and the next best reading" }
            table {
                thead {
                    tr {
                        th scope="col" { "Block" }
                        th scope="col" { "Next best block" }
                        th scope="col" { "Explanations" }
                    }
                }
                tbody {
                    @for block in &program.blocks {
                        tr {
                            th scope="row" {
                                (block.role)
                                p class="small soft" {
                                    (count(block.bytes, "byte", "bytes")) ", "
                                    (count(block.readings, "reading", "readings"))
                                }
                            }
                            td {
                                @if let Some(c) = &block.certificate {
                                    @match c.runner_up_cost {
                                        Some(_) if c.tie => "a tie: just as likely",
                                        Some(other) => {
                                            (behind(other - c.cost)) ", differs in " (count(c.differs.len(), "bit", "bits"))
                                        }
                                        None => "no other obeys the checks",
                                    }
                                    ". "
                                    @if !c.findings.is_empty() {
                                        (count(c.findings.len(), "check", "checks")) " failed or stood open before correction. "
                                    }
                                    @if !c.flips.is_empty() {
                                        (count(c.flips.len(), "bit", "bits")) " decided against the sum of votes. "
                                    }
                                    @if c.lost > 0 { (count(c.lost, "bit", "bits")) " without any vote, filled in by the checks." }
                                }
                            }
                            td {
                                @let (rare, told): (Vec<_>, Vec<_>) =
                                    block.hypotheses.iter().partition(|h| h.posterior < RARE);
                                @for h in &told { p { (h.hypothesis.name) ": " (percent(h.posterior)) } }
                                @if !rare.is_empty() {
                                    @let names: Vec<String> = rare.iter().map(|h| h.hypothesis.name.to_string()).collect();
                                    p class="soft" { "under 0.01\u{a0}% each: " (words::list(&names)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The takes that heard data of the program; its header alone may have been heard by others.
fn heard(evidence: &Evidence, index: usize) -> Vec<String> {
    let program = &evidence.outcome.programs[index];
    let blocks = &evidence.outcome.tapes[program.tape].blocks;
    let votes = program.data.iter().flat_map(|(block, _)| &blocks[*block].block.votes);
    let takes: BTreeSet<usize> = votes.map(|vote| vote.take).collect();
    takes.into_iter().map(|take| evidence.take_id(take)).collect()
}

/// Whether the checks of all data blocks fit what was decided.
fn checks_hold(evidence: &Evidence, index: usize) -> bool {
    let program = &evidence.outcome.programs[index];
    let blocks = &evidence.outcome.tapes[program.tape].blocks;
    program.data.iter().all(|(block, _)| !blocks[*block].decided.wrong_checksum)
}

/// What singled out a corrected byte: not the checks, where the checksum does not fit.
fn single_out(checks_hold: bool) -> &'static str {
    if checks_hold { "votes and checks single out one value" } else { "the votes single out one value" }
}

/// Explanations under this chance are only named.
const RARE: f64 = 0.0001;

fn percent(p: f64) -> String {
    match p {
        p if p > 1.0 - RARE => "over 99.99\u{a0}%".into(),
        // kept together with its sign
        p => format!("{:.2}\u{a0}%", 100.0 * p),
    }
}

fn changed(evidence: &Evidence, index: usize, notable: &[&ByteFact]) -> Markup {
    const NAMED: usize = 12;
    let program = &evidence.outcome.verdict.programs[index];
    let corrected: Vec<&&ByteFact> =
        notable.iter().filter(|f| f.class == Class::Corrected && f.decision.is_none()).collect();
    html! {
        @if corrected.is_empty() && program.decisions.is_empty() {
            "Nothing: no reading was overruled and nothing was filled in"
            @if program.bytes.inferred + program.bytes.unresolved > 0 { ", apart from the bytes in doubt" } "."
        }
        @if !corrected.is_empty() {
            p {
                "At " (count(corrected.len(), "offset", "offsets"))
                " a reading was overruled, or a gap was filled (offset, the byte decided, what was overruled; "
                "“parity”: its check bit alone): "
                span class="mono" {
                    @for (i, fact) in corrected.iter().take(NAMED).enumerate() {
                        @if i > 0 { " " }
                        span class="item" {
                            (format!("{:04X} {:02X}", fact.offset, fact.value)) " " (overruled(evidence, index, fact))
                            (if i + 1 < corrected.len() { ";" } else { "." })
                        }
                    }
                }
                @if corrected.len() > NAMED { " and " (corrected.len() - NAMED) " more, in the table below the map." }
            }
        }
        @for d in &program.decisions {
            p {
                "At offset " span class="mono" { (words::offset(d.offset)) } ", " (shown(&d.by)) " decided on "
                span class="mono" { (format!("0x{:02X}", d.value)) } " where the evidence alone would put "
                span class="mono" { (format!("0x{:02X}", d.evidence)) } ": " (shown(&d.because))
            }
        }
    }
}

/// What readings say that was overruled at a byte: `not 20, 60`; `parity`, if they differ in that bit alone; or that none says
/// otherwise and a gap was filled.
fn overruled(evidence: &Evidence, index: usize, fact: &ByteFact) -> String {
    let votes = votes(evidence, index, fact.offset);
    let said = votes.iter().filter_map(|vote| vote.value);
    let others: BTreeSet<String> = said.filter(|&v| v != fact.value).map(|v| format!("{v:02X}")).collect();
    if !others.is_empty() {
        return format!("not {}", others.into_iter().collect::<Vec<_>>().join(", "));
    }
    let decided = decided_bits(evidence, fact.value);
    let differs = |vote: &ByteVote| {
        vote.bits.iter().zip(&decided).any(|(llr, &bit)| llr.0.abs() >= SAYS_NOTHING && llr.bit() != bit)
    };
    if votes.iter().any(differs) { "parity".into() } else { "gap".into() }
}

fn legend(program: &ProgramVerdict, facts: &[ByteFact], checks_hold: bool) -> Markup {
    let b = &program.bytes;
    let all = [
        (Class::Agreed, b.agreed, if checks_hold { "all readings and checks agree" } else { "all readings agree" }),
        (Class::Corrected, b.corrected, single_out(checks_hold)),
        (Class::Inferred, b.inferred, "best guess, a rival remains"),
        (Class::Unresolved, b.unresolved, "no basis"),
    ];
    html! {
        ul class="legend" {
            @for (class, n, what) in all {
                @if n > 0 {
                    li { (mark(letter(class, false))) span { strong { (word(class, false)) } " " (words::thousands(n)) ": " (what) } }
                }
            }
            @if facts.iter().any(|f| f.decision.is_some()) {
                li { (mark("p")) span { strong { "decided by a person" } " " (program.decisions.len()) } }
            }
        }
    }
}

/// The least sure byte of every stretch, the least sure stretches first.
fn waveforms(evidence: &Evidence, index: usize, facts: &[ByteFact], most: usize) -> Markup {
    let mut stretches = stretches(facts, BRIDGED);
    if stretches.is_empty() {
        return html! {};
    }
    let worst = |r: &Range<usize>| {
        let notable = facts[r.clone()].iter().filter(|f| f.notable());
        notable.max_by(|a, b| a.p_wrong.total_cmp(&b.p_wrong).then(b.offset.cmp(&a.offset)))
    };
    let all = stretches.len();
    stretches.sort_by(|a, b| {
        let doubt = |r| worst(r).map_or(0.0, |f| f.p_wrong);
        doubt(b).total_cmp(&doubt(a)).then(a.start.cmp(&b.start))
    });
    let mut drawn: Vec<(usize, Markup)> = Vec::new();
    for stretch in &stretches {
        if drawn.len() == most {
            break;
        }
        let Some(fact) = worst(stretch) else { continue };
        let about = if stretch.len() == 1 {
            String::new()
        } else {
            format!("The least sure of {}, {} bytes.", words::offsets(stretch.start, stretch.end - 1), stretch.len())
        };
        if let Some(figure) = figure(evidence, index, fact, &about, drawn.len() < PRINTED) {
            drawn.push((fact.offset, figure));
        }
    }
    let mut folded = drawn.split_off(drawn.len().min(SHOWN));
    drawn.sort_by_key(|(offset, _)| *offset);
    folded.sort_by_key(|(offset, _)| *offset);
    let told = drawn.len() + folded.len();
    html! {
        h3 { "Waveforms" }
        @if drawn.is_empty() {
            p { "No reading kept a waveform at the bytes in question." }
        } @else {
            @if told < all {
                p class="small soft screen" { "Drawn are " (told) " of " (all) " stretches, the least sure ones." }
            }
            @if all > PRINTED {
                p class="small soft paper" {
                    "Printed are " (drawn.len().min(PRINTED)) " of " (all) " stretches, the least sure ones"
                    @if told > PRINTED { "; on a screen this page has " (told) } "."
                }
            }
            div class="waves" { @for (_, figure) in &drawn { (figure) } }
            @if !folded.is_empty() {
                details class="screen" {
                    summary { "Waveforms of " (count(folded.len(), "more stretch", "more stretches")) }
                    div class="waves" { @for (_, figure) in &folded { (figure) } }
                }
            }
        }
    }
}
