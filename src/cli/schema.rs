//! `quorate schema`.

use clap::Args;
use comfy_table::Cell;

use super::{Done, screen};
use crate::Error;
use crate::report::schema;
use crate::report::table::{Column, Fit, column};

/// Prints the JSON Schema (2020-12) of a document that quorate writes; without a name, lists them
#[derive(Args)]
pub struct Schema {
    /// Name of the schema, such as verdict
    name: Option<String>,
}

const COLUMNS: [Column; 2] = [column("Schema", Fit::Left, 2), column("Describes", Fit::Broken(20), 0)];

impl Schema {
    pub fn run(&self) -> Done {
        let all = schema::all();
        let Some(name) = &self.name else {
            let rows = all.iter().map(|s| vec![Cell::new(s.name), Cell::new(s.title())]).collect();
            screen::say(&screen::look().headed(&COLUMNS, rows))?;
            return Ok(0);
        };
        let Some(found) = all.iter().find(|schema| schema.name == name) else {
            let names: Vec<&str> = all.iter().map(|s| s.name).collect();
            return Err(Error::Usage(format!("no schema {name:?}; there are {}", names.join(", "))));
        };
        screen::say(found.text)?;
        Ok(0)
    }
}
