//! `quorate formats`.

use clap::Args;
use comfy_table::Cell;

use super::{Done, screen};
use crate::report::table::{Column, Fit, column};
use crate::tape::{self, Format};

/// Lists the tape formats that can be read, and which machines wrote them
#[derive(Args)]
pub struct Formats {}

const COLUMNS: [Column; 3] =
    [column("Format", Fit::Left, 2), column("On tape", Fit::Broken(20), 2), column("Written by", Fit::Broken(20), 0)];

impl Formats {
    pub fn run(&self) -> Done {
        let row = |f: &dyn Format| [f.id(), f.recording(), f.machines()].map(Cell::new).to_vec();
        let rows = tape::formats().iter().map(|format| row(format.as_ref())).collect();
        screen::say(&screen::look().headed(&COLUMNS, rows))?;
        Ok(0)
    }
}
