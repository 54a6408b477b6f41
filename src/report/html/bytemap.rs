//! The byte map: every byte a cell, in pages like those of the machine's memory.

use std::fmt::Write;

use maud::{Markup, html};

use super::svg::{letter, px, word};
use crate::confidence::Class;
use crate::report::evidence::bytes::ByteFact;
use crate::report::words;

/// How a page is laid out.
struct Grid {
    columns: usize,
    rows: usize,
    /// Side of a cell in pixels.
    cell: usize,
}

/// Up to 16 KiB cells are large enough to point at one by one.
const SMALL: usize = 16_384;
/// Agreed bytes that share one cell group, so that the page of a long tape stays small.
const GROUP: usize = 16;
/// Room under a page for the numbers of the cell in focus.
const STATUS: usize = 18;

/// The map of a program. Cells of the bytes in `linked` lead to their row in the table below.
pub fn map(id: &str, facts: &[ByteFact], linked: &[usize]) -> Markup {
    let grid = if facts.len() <= SMALL {
        Grid { columns: 32, rows: 32, cell: 10 }
    } else {
        Grid { columns: 64, rows: 64, cell: 5 }
    };
    html! {
        div class="pages" {
            @for page in facts.chunks(grid.columns * grid.rows) { (one_page(id, &grid, page, linked)) }
        }
    }
}

fn one_page(id: &str, grid: &Grid, page: &[ByteFact], linked: &[usize]) -> Markup {
    let (first, last) = (page[0].offset, page[page.len() - 1].offset);
    let height = page.len().div_ceil(grid.columns) * grid.cell;
    let (width, full) = (grid.columns * grid.cell, height + STATUS);
    let notable = page.iter().filter(|f| f.notable()).count();
    let label =
        format!("Bytes {first:04X} to {last:04X}: {} agreed, {notable} others", words::thousands(page.len() - notable));
    html! {
        figure {
            figcaption { (format!("{first:04X}–{last:04X}")) }
            svg width=(width) height=(full) viewBox={ "0 0 " (width) " " (full) } role="group" aria-label=(label) {
                @for row in page.chunks(grid.columns) {
                    @for run in runs(row) {
                        @if run[0].notable() {
                            (notable_cell(id, grid, first, &run[0], height, linked.contains(&run[0].offset)))
                        } @else {
                            (agreed_cells(grid, first, run))
                        }
                    }
                }
            }
        }
    }
}

/// Agreed bytes in groups that end at multiples of [`GROUP`]; every other byte alone.
fn runs(row: &[ByteFact]) -> Vec<&[ByteFact]> {
    row.chunk_by(|a, b| !a.notable() && !b.notable() && b.offset % GROUP != 0).collect()
}

fn place(grid: &Grid, first: usize, offset: usize) -> (usize, usize) {
    let at = offset - first;
    (at % grid.columns * grid.cell, at / grid.columns * grid.cell)
}

fn agreed_cells(grid: &Grid, first: usize, run: &[ByteFact]) -> Markup {
    let (x, y) = place(grid, first, run[0].offset);
    let mut title = format!("{:04X}:", run[0].offset);
    for f in run {
        let _ = write!(title, " {:02X}", f.value);
    }
    let worst = run.iter().map(|f| f.p_wrong).fold(0.0, f64::max);
    let heard = run.iter().map(|f| f.tally.with).min().unwrap_or(0);
    // a posterior at the end of the scale has no meaning beyond it
    let _ = write!(title, " agreed by {heard} or more; each wrong {}", words::chance(worst.max(1e-12)));
    let class = if grid.cell == 5 { "g5" } else { "g" };
    html! {
        rect class=(class) x=(x) y=(y) width=(run.len() * grid.cell) height=(grid.cell) { title { (title) } }
    }
}

fn notable_cell(id: &str, grid: &Grid, first: usize, fact: &ByteFact, bottom: usize, linked: bool) -> Markup {
    let (x, y) = place(grid, first, fact.offset);
    let scale = grid.cell as f64 / 10.0;
    let decided = fact.decision.is_some();
    let shape = html! {
        @if grid.cell == 10 {
            use href={ "#s" (letter(fact.class, decided)) } x=(x) y=(y) {}
        } @else {
            use href={ "#s" (letter(fact.class, decided)) }
                transform={ "translate(" (x) " " (y) ") scale(" (px(scale)) ")" } {}
        }
        rect class="hit" x=(x) y=(y) width=(grid.cell) height=(grid.cell) {}
    };
    let text = line(fact);
    html! {
        @if linked {
            a class="k" href={ "#" (anchor(id, fact.offset)) } {
                title { (text) }
                (shape)
                text class="tip" x="0" y=(bottom + STATUS - 5) { (text) }
            }
        } @else {
            g { title { (text) } (shape) }
        }
    }
}

/// Where the row of a byte is.
pub fn anchor(id: &str, offset: usize) -> String {
    format!("{id}-{offset:04X}")
}

/// The numbers of a byte in a line of some 48 characters.
fn line(fact: &ByteFact) -> String {
    let tally = fact.tally;
    let chance = match fact.class {
        Class::Unresolved => String::new(),
        _ => format!(", wrong {}", words::chance(fact.p_wrong.max(1e-12))),
    };
    format!(
        "{:04X} {:02X} {}{chance} · {}+ {}− {}∅",
        fact.offset,
        fact.value,
        word(fact.class, fact.decision.is_some()),
        tally.with,
        tally.against,
        tally.silent
    )
}
