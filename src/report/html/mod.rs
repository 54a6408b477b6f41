//! The evidence report: one HTML page for the collector who wants to see what was saved and for the archivist who must be
//! able to trust it. No script, nothing from outside; dates stand in the decision log alone.

mod bytemap;
mod bytes;
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
use crate::report::verdict::ProgramVerdict;

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

/// How much is shown, so that the page stays under 3 MB however bad the tape. Cells of the byte map are never left out.
#[derive(Clone, Copy, Debug)]
struct Budget {
    /// Lines of bytes for a program.
    rows: usize,
    /// Waveform figures for a program.
    figures: usize,
    /// Whether every cell that is not agreed has its own numbers.
    titles: bool,
}

/// Bytes that are not plainly agreed, in all, from which on they share the titles of their groups.
const MANY: usize = 8_000;
/// What lines and figures may take, in bytes, with the maps: 3 MB, less some for all else and a reserve.
const ROOM: usize = 2_100_000;
/// Bytes of the page for a line with its cell, for a title, for a cell without one, and for 16 or 32 cells that share one.
const LINE: usize = 650;
const TITLE: usize = 100;
const CELL: usize = 18;
const GROUPS: (usize, usize) = (190, 230);

impl Budget {
    fn of(evidence: &Evidence) -> Budget {
        let programs = &evidence.outcome.verdict.programs;
        let share = |most: usize, all: usize, least: usize| (all / programs.len().max(1)).clamp(least, most);
        let notable: usize = programs.iter().map(|p| p.bytes.corrected + p.bytes.inferred + p.bytes.unresolved).sum();
        let bytes: usize = programs.iter().map(|p| p.size).sum();
        let titles = notable < MANY;
        let maps =
            if titles { bytes / 16 * GROUPS.0 + notable * TITLE } else { bytes / 32 * GROUPS.1 + notable * CELL };
        // where the maps themselves take much, there is less room for the rest
        let room = ROOM.saturating_sub(maps);
        let lanes = evidence.received() * evidence.format.layout().sync.len();
        let (rows, kilobytes) = ((room / 2 / LINE).min(1_000), (room / 2_000).min(640));
        let figures = share(12, kilobytes / figure_kilobytes(lanes), 1);
        Budget { rows: share(300, rows, 10), figures, titles }
    }
}

/// What a figure of so many readings takes, in kB. Measured on simulated tapes at 0 dB: 5.4 kB for 2 readings, 9.2 for 4, 13.0
/// for 6.
fn figure_kilobytes(lanes: usize) -> usize {
    2 + 2 * lanes
}

/// The page.
pub fn render(report: &Report) -> String {
    let evidence = &report.evidence;
    let budget = Budget::of(evidence);
    let body = html! {
        (svg::symbols())
        (opening::header(evidence))
        main {
            (opening::programs(evidence))
            (strip::section(evidence))
            (program::reading(evidence))
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

/// What to call a program in running text: its name, with its number where other programs have the same or it has none.
fn called(programs: &[ProgramVerdict], program: &ProgramVerdict) -> String {
    let alike = programs.iter().filter(|p| p.name == program.name).count();
    match (program.name.is_empty(), alike) {
        (true, _) => format!("program {}", number(program)),
        (_, 1) => shown(&program.name),
        _ => format!("{} (program {})", shown(&program.name), number(program)),
    }
}

/// `1` for the program `p01`.
fn number(program: &ProgramVerdict) -> &str {
    program.id.trim_start_matches(['p', '0'])
}

/// Text from outside: nothing in it can hide, or turn the direction of writing. Escaping is the template's work.
fn shown(text: &str) -> String {
    printable(text)
}

#[cfg(test)]
mod tests {
    use super::figure_kilobytes;

    /// The largest figures found on pages of simulated tapes, in bytes.
    #[test]
    fn no_figure_is_larger_than_it_is_reckoned() {
        for (lanes, bytes) in [(2, 5_370), (3, 7_224), (4, 9_193), (5, 11_073), (6, 13_014)] {
            assert!(bytes <= 1_000 * figure_kilobytes(lanes), "{lanes}");
        }
    }
}
