//! How text is laid out: the width to fit, colour or not. The screen and the plain file share it.

use comfy_table::{
    Attribute, Cell, CellAlignment, Color, ColumnConstraint, ContentArrangement, Table, TableComponent, Width,
};

use crate::confidence::Level;

/// The width of a screen that doesn't say, and of files.
pub const USUAL_WIDTH: u16 = 80;
/// Lines longer than this are hard to read.
const WIDEST: u16 = 120;
/// From here on columns need not stand close.
const ROOMY: u16 = 90;
/// On less, words would fall apart.
const NARROWEST: u16 = 40;

/// One column of a table.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    pub heading: &'static str,
    pub fit: Fit,
    /// Blanks after it; two on a wide screen, unless it is the last.
    pub gap: u16,
    /// Left out on a screen narrower than usual.
    pub spare: bool,
}

/// How the cells of a column stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fit {
    Left,
    /// For numbers.
    Right,
    /// On the left, and broken into lines where the width is short, but never narrower than this, gap included.
    Broken(u16),
}

pub const fn column(heading: &'static str, fit: Fit, gap: u16) -> Column {
    Column { heading, fit, gap, spare: false }
}

impl Column {
    pub const fn spare(self) -> Column {
        Column { spare: true, ..self }
    }
}

/// What the reader's screen can do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Columns of the screen.
    pub width: u16,
    /// Colour stands beside a word, never for one.
    pub colour: bool,
    /// Letters beyond ASCII: else marks are left out, and what else is beyond it is shown by what comes nearest.
    pub unicode: bool,
}

impl Look {
    /// For files and pipes.
    pub const PLAIN: Look = Look { width: USUAL_WIDTH, colour: false, unicode: true };

    /// An empty table without borders, fitted to the width.
    fn table(self) -> Table {
        let mut table = Table::new();
        table.load_preset(comfy_table::presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
        table.set_width(self.width.clamp(NARROWEST, WIDEST));
        if self.colour {
            table.enforce_styling()
        } else {
            table.force_no_tty()
        };
        table
    }

    /// A table under a row of headings and a rule.
    pub fn headed(self, columns: &[Column], rows: Vec<Vec<Cell>>) -> String {
        let kept: Vec<bool> = columns.iter().map(|c| !c.spare || self.width >= USUAL_WIDTH).collect();
        let columns: Vec<Column> = columns.iter().zip(&kept).filter(|(_, kept)| **kept).map(|(c, _)| *c).collect();
        let rows =
            rows.into_iter().map(|row| row.into_iter().zip(&kept).filter(|(_, kept)| **kept).map(|(cell, _)| cell));
        let mut table = self.table();
        table.set_style(TableComponent::HeaderLines, '─');
        table.set_header(columns.iter().map(|c| Cell::new(c.heading).add_attribute(Attribute::Bold)));
        table.add_rows(rows);
        let contents = table.column_max_content_widths();
        let least = |(column, content): (&Column, &u16)| match column.fit {
            Fit::Broken(least) => (content + column.gap).min(least),
            _ => content + column.gap,
        };
        // too narrow for whole words in every column: then all are broken alike
        let fits = self.width >= columns.iter().zip(&contents).map(least).sum::<u16>().min(USUAL_WIDTH);
        for ((column, Column { fit, gap, .. }), content) in table.column_iter_mut().zip(&columns).zip(contents) {
            let gap = if self.width >= ROOMY { 2 * (*gap).min(1) } else { *gap };
            column.set_padding((0, gap));
            if *fit == Fit::Right {
                column.set_cell_alignment(CellAlignment::Right);
            }
            let constraint = match fit {
                Fit::Broken(least) => {
                    let whole = content + gap;
                    Some(ColumnConstraint::LowerBoundary(Width::Fixed(whole.min(*least))))
                }
                _ => fits.then_some(ColumnConstraint::ContentWidth),
            };
            if let Some(constraint) = constraint {
                column.set_constraint(constraint);
            }
        }
        self.lines(&table)
    }

    /// Sentences, each with a word on its left.
    pub fn notes(self, rows: &[(String, String)]) -> String {
        let mut table = self.table();
        table.add_rows(rows.iter().map(|(word, sentence)| [word, sentence]));
        let paddings = [(2, 2), (0, 0)];
        for (column, padding) in table.column_iter_mut().zip(paddings) {
            column.set_padding(padding);
        }
        if let Some(words) = table.column_mut(0) {
            words.set_constraint(ColumnConstraint::ContentWidth);
        }
        self.lines(&table)
    }

    /// One line that stands out.
    pub fn title(self, text: &str) -> String {
        let mut table = self.table();
        table.add_row([Cell::new(text).add_attribute(Attribute::Bold)]);
        if let Some(column) = table.column_mut(0) {
            column.set_padding((0, 0));
        }
        self.lines(&table)
    }

    /// A verdict: its mark and hue as in the report, and the word.
    pub fn verdict(self, level: Level) -> Cell {
        let (mark, hue) = match level {
            Level::Established => ('●', Color::DarkCyan),
            Level::Supported => ('◐', Color::DarkCyan),
            Level::Open => ('○', Color::DarkYellow),
        };
        let word = word(level);
        Cell::new(if self.unicode { format!("{mark} {word}") } else { word.into() }).fg(hue)
    }

    /// The table as lines without trailing blanks.
    fn lines(self, table: &Table) -> String {
        let text: String = table.lines().map(|line| format!("{}\n", line.trim_end())).collect();
        if self.unicode { text } else { text.chars().map(ascii).collect() }
    }
}

/// What comes nearest to a letter, on a screen that knows no more; as wide as the letter.
fn ascii(letter: char) -> char {
    match letter {
        '\0'..='\x7F' => letter,
        '─' | '–' | '−' => '-',
        '×' => 'x',
        'µ' => 'u',
        '\u{a0}' => ' ',
        _ => '?',
    }
}

pub fn word(level: Level) -> &'static str {
    match level {
        Level::Established => "established",
        Level::Supported => "supported",
        Level::Open => "open",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COLUMNS: [Column; 3] =
        [column("Name", Fit::Broken(8), 2), column("Kind", Fit::Left, 1).spare(), column("Verdict", Fit::Left, 0)];

    fn drawn(look: Look) -> String {
        let row = |name, level| vec![Cell::new(name), Cell::new("basic"), look.verdict(level)];
        look.headed(&COLUMNS, vec![row("TIDE – ♣", Level::Established), row("KNOT", Level::Open)])
    }

    #[test]
    fn a_screen_that_knows_ascii_alone_gets_no_other_letter() {
        assert!(drawn(Look::PLAIN).contains("● established") && drawn(Look::PLAIN).contains("○ open"));
        let told = drawn(Look { unicode: false, ..Look::PLAIN });
        assert!(told.is_ascii() && told.contains("TIDE - ?  basic established\n"), "{told}");
    }

    #[test]
    fn a_narrow_screen_leaves_columns_out_and_breaks_no_verdict() {
        let told = drawn(Look { width: 40, ..Look::PLAIN });
        assert!(!told.contains("basic") && told.contains("● established\n"), "{told}");
    }

    #[test]
    fn colour_is_there_only_if_wanted() {
        assert!(!drawn(Look::PLAIN).contains('\u{1b}'));
        // ECMA-48: 38;5;6 is the terminal's own cyan, 38;5;3 its dark yellow
        let told = drawn(Look { colour: true, ..Look::PLAIN });
        assert!(told.contains("38;5;6m● established") && told.contains("38;5;3m○ open"), "{told}");
    }
}
