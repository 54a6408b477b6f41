//! How text is laid out: the width to fit, colour or not. The screen and the plain file share it.

use comfy_table::{Attribute, Cell, CellAlignment, Color, ColumnConstraint, ContentArrangement, Table, Width};

use crate::confidence::Level;

/// The width of a screen that doesn't say, and of files.
pub const USUAL_WIDTH: u16 = 80;
/// Lines longer than this are hard to read.
const WIDEST: u16 = 120;

/// What the reader's screen can do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Columns of the screen.
    pub width: u16,
    /// Colour stands beside a word, never for one.
    pub colour: bool,
}

impl Look {
    /// For files and pipes.
    pub const PLAIN: Look = Look { width: USUAL_WIDTH, colour: false };

    /// An empty table without borders, fitted to the width.
    pub fn table(self) -> Table {
        let mut table = Table::new();
        table.load_preset(comfy_table::presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
        table.set_width(self.width.clamp(40, WIDEST));
        if self.colour {
            table.enforce_styling()
        } else {
            table.force_no_tty()
        };
        table
    }

    /// An empty table under a row of headings and a rule.
    pub fn headed(self, headings: &[&str]) -> Table {
        let mut table = self.table();
        // only the rule under the headings; the slot order is that of comfy-table's presets
        table.load_preset("     ──            ");
        table.set_header(headings.iter().map(|h| Cell::new(h).add_attribute(Attribute::Bold)));
        table
    }

    /// Text under a heading: short words on the left, sentences on the right.
    pub fn notes(self, rows: &[(String, String)], indent: u16, left: u16) -> String {
        let mut table = self.table();
        for (word, sentence) in rows {
            table.add_row(["".into(), word.clone(), sentence.clone()]);
        }
        let widths = [indent, left];
        for (column, width) in table.column_iter_mut().zip(widths) {
            column.set_padding((0, 0));
            column.set_constraint(ColumnConstraint::Absolute(Width::Fixed(width)));
        }
        if let Some(column) = table.column_mut(2) {
            column.set_padding((0, 0));
        }
        trimmed(&table)
    }
}

/// Numbers stand right.
pub fn right(table: &mut Table, columns: &[usize]) {
    for &index in columns {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
}

/// A verdict: a word, and its colour.
pub fn verdict_cell(level: Level) -> Cell {
    Cell::new(word(level)).fg(match level {
        Level::Established => Color::Green,
        Level::Supported => Color::Yellow,
        Level::Open => Color::Red,
    })
}

pub fn word(level: Level) -> &'static str {
    match level {
        Level::Established => "established",
        Level::Supported => "supported",
        Level::Open => "open",
    }
}

/// The table as lines without trailing blanks.
pub fn trimmed(table: &Table) -> String {
    table.lines().map(|line| format!("{}\n", line.trim_end())).collect()
}
