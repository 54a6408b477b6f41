//! `quorate formats`.

use clap::Args;

use super::{Done, screen};
use crate::report::table::trimmed;
use crate::tape;

/// Lists the tape formats that can be read, and which machines wrote them
#[derive(Args)]
pub struct Formats {}

impl Formats {
    pub fn run(&self) -> Done {
        let mut table = screen::look().headed(&["Format", "On tape", "Written by"]);
        for format in tape::formats() {
            table.add_row([format.id(), format.recording(), format.machines()]);
        }
        screen::say(&trimmed(&table))?;
        Ok(0)
    }
}
