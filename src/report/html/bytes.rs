//! The bytes with a story: a line each, the most doubtful ones if they are many.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use maud::{Markup, html};

use super::bytemap::anchor;
use super::svg::{letter, mark, word};
use super::waves::behind;
use crate::confidence::Class;
use crate::report::evidence::bytes::ByteFact;
use crate::report::verdict::ProgramVerdict;
use crate::report::words::{self, count};

/// Lines of bytes on paper: there no cell leads to a line, and hundreds of them would bury the rest.
const ON_PAPER: usize = 24;

/// The lines of bytes that most need looking at: persons' decisions first, then the least sure. Neighbours that nobody heard
/// share a line: hundreds of lines that say nothing would bury the others.
pub fn most_doubtful(notable: &[&ByteFact], most: usize) -> Vec<Range<usize>> {
    let runs = notable.chunk_by(|a, b| unheard(a) && unheard(b) && a.offset + 1 == b.offset && a.tally == b.tally);
    let mut by_doubt: Vec<&[&ByteFact]> = runs.collect();
    by_doubt.sort_by(|a, b| {
        let (a, b) = (a[0], b[0]);
        let decided = b.decision.is_some().cmp(&a.decision.is_some());
        decided.then(b.p_wrong.total_cmp(&a.p_wrong)).then(a.offset.cmp(&b.offset))
    });
    by_doubt.iter().take(most).map(|run| run[0].offset..run[0].offset + run.len()).collect()
}

/// Of such a byte there is nothing to say but that.
fn unheard(fact: &ByteFact) -> bool {
    fact.class == Class::Unresolved && fact.decision.is_none() && fact.tally.with + fact.tally.against == 0
}

/// For the bytes whose cells lead to a line, the offset at which it begins; so many cells at most.
pub fn links(lines: &[Range<usize>], most: usize) -> BTreeMap<usize, usize> {
    // every line can be reached by its first cell
    let firsts = lines.iter().map(|line| (line.start, line.start));
    let others = lines.iter().flat_map(|line| line.clone().skip(1).map(|offset| (offset, line.start)));
    firsts.chain(others).take(most).collect()
}

/// The bytes that are not plainly agreed.
///
/// `by_doubt`: the lines told, the most doubtful first.
pub fn table(program: &ProgramVerdict, facts: &[ByteFact], by_doubt: &[Range<usize>], notable: usize) -> Markup {
    if by_doubt.is_empty() {
        return html! {};
    }
    let printed: BTreeSet<usize> = by_doubt.iter().take(ON_PAPER).map(|line| line.start).collect();
    let mut lines = by_doubt.to_vec();
    lines.sort_by_key(|line| line.start);
    let bytes = |lines: &[Range<usize>]| lines.iter().map(Range::len).sum::<usize>();
    let (on_screen, on_paper) = (bytes(by_doubt), bytes(&by_doubt[..printed.len()]));
    html! {
        details open[lines.len() <= ON_PAPER] {
            @let least = |told: usize| html! {
                @if told < notable {
                    "The " (words::thousands(told)) " least sure of " (words::thousands(notable)) " bytes that are not plainly agreed"
                } @else {
                    (count(notable, "byte that is", "bytes that are")) " not plainly agreed"
                }
            };
            summary {
                @if printed.len() < lines.len() {
                    span class="screen" { (least(on_screen)) }
                    span class="paper" { (least(on_paper)) }
                } @else { (least(on_screen)) }
            }
            @if printed.len() < lines.len() {
                p class="paper small" {
                    "The map above shows every byte. On a screen this page tells of " (words::thousands(on_screen)) " of them; "
                    code { "quorate explain DIR " (program.id) } " lists every stretch in doubt, and with an offset behind it ("
                    code { (program.id) ":0x" (format!("{:04X}", by_doubt[0].start)) } ") every vote on a byte; "
                    code { "--json" } " gives it to other programs."
                }
            }
            table {
                thead {
                    tr {
                        th scope="col" { "Offset" }
                        th scope="col" { "Value" }
                        th scope="col" { "Class" }
                        th scope="col" { "Chance it is wrong" }
                        th scope="col" { "Votes" }
                        th scope="col" class="wide" { "Rival" }
                    }
                }
                tbody {
                    @for line in &lines {
                        @let fact = &facts[line.start];
                        @let decided = fact.decision.is_some();
                        @let last = line.end - 1;
                        tr class=[(!printed.contains(&fact.offset)).then_some("screen")] id=(anchor(&program.id, fact.offset)) {
                            th scope="row" class="mono" {
                                (format!("{:04X}", fact.offset)) @if last > line.start { "–" (format!("{last:04X}")) }
                            }
                            td class="mono" {
                                @if facts[line.clone()].iter().all(|f| f.value == fact.value) { (format!("{:02X}", fact.value)) }
                                @else { "various" }
                            }
                            td class="class" { (mark(letter(fact.class, decided))) " " (word(fact.class, decided)) }
                            td {
                                @if decided { "not for the evidence to say" }
                                @else if fact.class == Class::Unresolved { "no basis" }
                                @else { (words::chance(fact.p_wrong.max(1e-12))) }
                            }
                            td class="mono v" {
                                (fact.tally.with) "+ " (fact.tally.against) "− " (fact.tally.silent) "∅"
                            }
                            td class="wide" {
                                @if unheard(fact) { "heard by nobody: any value" }
                                @else if let Some(rival) = fact.rival {
                                    @if decided { "the evidence alone: " }
                                    span class="mono" { (format!("{:02X}", rival.value)) }
                                    @if !decided { ", " (behind(rival.loses_by)) }
                                    @if let Some(name) = fact.doubt_from { "; another explanation of the block: " (name) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}
