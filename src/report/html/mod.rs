//! The evidence report: one HTML page for the collector who wants to see what was saved and for the archivist who must be
//! able to trust it. No script, nothing from outside; dates stand in the decision log alone.

mod bytemap;
mod closing;
mod opening;
mod program;
mod strip;
mod svg;
mod takes;
mod waves;

use maud::html;
use serde_json::Value;

use super::evidence::Evidence;
use super::page::page;
use crate::dossier::Log;
use crate::dossier::next::Advice;
use crate::export::folder::Listed;
use crate::export::names::printable;

const STYLE: &str = include_str!("style.css");

/// What the report is made of.
pub struct Report<'a> {
    pub evidence: Evidence<'a>,
    pub log: &'a Log,
    /// The run record: `run.json`.
    pub run: &'a Value,
    /// The files of the folder, with hashes.
    pub files: Vec<&'a Listed>,
    /// On programs that are not established.
    pub advice: &'a [Advice],
}

/// How much is shown of one program, so that the page stays under 3 MB however bad the tape.
#[derive(Clone, Copy, Debug)]
struct Budget {
    /// Lines of bytes.
    rows: usize,
    /// Waveform figures.
    figures: usize,
}

impl Budget {
    /// A line takes some 600 bytes, a figure some 12 kB: in all about 1 MB each.
    fn of(programs: usize) -> Budget {
        let share = |most: usize, all: usize, least: usize| (all / programs.max(1)).clamp(least, most);
        Budget { rows: share(300, 1_600, 12), figures: share(12, 90, 2) }
    }
}

/// The page.
pub fn render(report: &Report) -> String {
    let evidence = &report.evidence;
    let budget = Budget::of(evidence.outcome.programs.len());
    let body = html! {
        (svg::symbols())
        (opening::header(evidence))
        main {
            (opening::programs(evidence))
            (strip::section(evidence))
            @for index in 0..evidence.outcome.programs.len() { (program::section(report, index, budget)) }
            (takes::section(evidence))
            (closing::sure(evidence))
            (closing::log(report))
            (closing::help(report))
            (closing::files(report))
            (closing::software(report))
            (closing::cautions())
        }
    };
    page(&format!("{} · evidence report", opening::title(evidence)), STYLE, body)
}

/// Text from outside: nothing in it can hide, or turn the direction of writing. Escaping is the template's work.
fn shown(text: &str) -> String {
    printable(text)
}
