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
/// Cells that share one element, so that the page of a long tape stays small; without titles of single cells it must be smaller.
const GROUP: usize = 16;
const LARGE_GROUP: usize = 32;
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
    let together = if titles { GROUP } else { LARGE_GROUP };
    html! {
        figure {
            figcaption { (format!("{first:04X}–{last:04X}")) }
            svg width=(width) height=(full) viewBox={ "0 0 " (width) " " (full) } role="group" aria-label=(label) {
                @for (i, row) in page.chunks(grid.columns).enumerate() {
                    @let y = i * grid.cell;
                    @for (k, group) in row.chunks(together).enumerate() {
                        (agreed_cells(grid, k * together * grid.cell, y, group))
                    }
                    // over the groups: each shape covers its cell
                    @for (k, fact) in row.iter().enumerate().filter(|(_, fact)| fact.notable()) {
                        @let link = linked.get(&fact.offset).copied();
                        @if titles || link.is_some() { (notable_cell(id, grid, (k * grid.cell, y), fact, height, link)) }
                    }
                }
                @if !titles { (untitled_cells(grid, page, linked)) }
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
        } @else {
            use href=(shape) x=(x) y=(y) { title { (line(fact)) } }
        }
    }
}

/// The cells that are not plainly agreed and lead nowhere: squares filled with the pattern of their shape, all of one class in one
/// element, which takes a third of an element each. Pointing at one gives what its group has.
fn untitled_cells(grid: &Grid, page: &[ByteFact], linked: &BTreeMap<usize, usize>) -> Markup {
    let mut squares: BTreeMap<&str, String> = BTreeMap::new();
    for (i, fact) in page.iter().enumerate().filter(|(_, f)| f.notable() && !linked.contains_key(&f.offset)) {
        let (x, y, side) = (i % grid.columns * grid.cell, i / grid.columns * grid.cell, grid.cell);
        let path = squares.entry(letter(fact.class, fact.decision.is_some())).or_default();
        let _ = write!(path, "M{x} {y}h{side}v{side}h-{side}z");
    }
    let small = if grid.cell == 5 { "5" } else { "" };
    html! { @for (letter, path) in &squares { path class={ "through r" (letter) (small) } d=(path) {} } }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::evidence::bytes::Tally;

    /// A side of 45 minutes holds some 130,000 bytes. With 20 programs of 6,500 bytes, a fifth of them corrected (as simulated at
    /// 0 dB), the maps may take 1.5 MB of the 3 MB of the page.
    #[test]
    fn the_map_of_a_long_bad_program_is_small() {
        let fact = |offset: usize| ByteFact {
            offset,
            value: 0x4e,
            class: if offset % 5 == 0 { Class::Corrected } else { Class::Agreed },
            p_wrong: 1e-12,
            doubt_from: None,
            rival: None,
            tally: Tally { with: 3, against: 1, silent: 0 },
            decision: None,
        };
        let facts: Vec<ByteFact> = (0..6_500).map(fact).collect();
        let page = map("p01", &facts, &BTreeMap::new(), false).into_string();
        assert!(page.len() < 1_500_000 / 20, "{}", page.len());
        // and every cell is there, as a square of the pattern of its class
        assert_eq!(page.matches("h10v10h-10z").count(), 1_300);
    }
}
