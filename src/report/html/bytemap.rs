//! The byte map: every byte a cell, in pages like those of the machine's memory.

use std::collections::BTreeMap;
use std::fmt::Write;

use maud::{Markup, html};

use super::svg::{letter, word};
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
/// Cells that share one element, so that the page of a long tape stays small.
const GROUP: usize = 16;
/// Room under a page for the numbers of the cell in focus.
const STATUS: usize = 18;

/// Cells in a row of the map of a program of so many bytes.
pub fn columns(size: usize) -> usize {
    if size <= SMALL { 32 } else { 64 }
}

/// The map of a program. Cells of the bytes in `linked` lead to their line in the table below, which
/// begins at the offset given; the others have their numbers
/// as a title, if `titles`, and else those of their group.
pub fn map(id: &str, facts: &[ByteFact], linked: &BTreeMap<usize, usize>, titles: bool) -> Markup {
    let columns = columns(facts.len());
    let grid = Grid { columns, rows: columns, cell: 320 / columns };
    html! {
        div class="pages" {
            @for page in facts.chunks(grid.columns * grid.rows) { (one_page(id, &grid, page, linked, titles)) }
        }
    }
}

fn one_page(id: &str, grid: &Grid, page: &[ByteFact], linked: &BTreeMap<usize, usize>, titles: bool) -> Markup {
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
                @for (i, row) in page.chunks(grid.columns).enumerate() {
                    @let y = i * grid.cell;
                    @for (k, group) in row.chunks(GROUP).enumerate() { (agreed_cells(grid, k * GROUP * grid.cell, y, group)) }
                    // over the groups: each shape covers its cell
                    @for (k, fact) in row.iter().enumerate().filter(|(_, fact)| fact.notable()) {
                        @let link = linked.get(&fact.offset).copied();
                        (notable_cell(id, grid, (k * grid.cell, y), fact, height, link, titles))
                    }
                }
            }
        }
    }
}

/// A group of cells, drawn as if all were agreed, with the values of all.
fn agreed_cells(grid: &Grid, x: usize, y: usize, group: &[ByteFact]) -> Markup {
    let mut title = format!("{:04X}:", group[0].offset);
    for f in group {
        let _ = write!(title, " {:02X}", f.value);
    }
    let agreed = || group.iter().filter(|f| !f.notable());
    let count = agreed().count();
    if count > 0 {
        let worst = agreed().map(|f| f.p_wrong).fold(0.0, f64::max);
        let heard = agreed().map(|f| f.tally.with).min().unwrap_or(0);
        let who = if count == group.len() { String::new() } else { format!("{count} ") };
        // a posterior at the end of the scale has no meaning beyond it
        let _ = write!(title, " {who}agreed by {heard} or more, wrong {}", words::chance(worst.max(1e-12)));
    }
    let class = if grid.cell == 5 { "g5" } else { "g" };
    html! {
        rect class=(class) x=(x) y=(y) width=(group.len() * grid.cell) height=(grid.cell) { title { (title) } }
    }
}

fn notable_cell(
    id: &str,
    grid: &Grid,
    (x, y): (usize, usize),
    fact: &ByteFact,
    bottom: usize,
    line_at: Option<usize>,
    titles: bool,
) -> Markup {
    let decided = fact.decision.is_some();
    let shape = format!("#s{}{}", letter(fact.class, decided), if grid.cell == 5 { "5" } else { "" });
    html! {
        @if let Some(at) = line_at {
            @let text = line(fact);
            a class="k" href={ "#" (anchor(id, at)) } {
                title { (text) }
                use href=(shape) x=(x) y=(y) {}
                rect class="hit" x=(x) y=(y) width=(grid.cell) height=(grid.cell) {}
                text class="tip" x="0" y=(bottom + STATUS - 5) { (text) }
            }
        } @else if titles {
            use href=(shape) x=(x) y=(y) { title { (line(fact)) } }
        } @else {
            use class="through" href=(shape) x=(x) y=(y) {}
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
        _ if fact.decision.is_some() => String::new(),
        Class::Unresolved => String::new(),
        // said of most corrected bytes, and of no use
        _ if fact.p_wrong < 1e-9 => String::new(),
        _ => format!(", wrong {}", words::chance(fact.p_wrong.max(1e-12))),
    };
    format!(
        "{:04X} {:02X} {}{chance}, {}+ {}− {}∅",
        fact.offset,
        fact.value,
        word(fact.class, fact.decision.is_some()),
        tally.with,
        tally.against,
        tally.silent
    )
}
