//! `quorate shelf`.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::settings::Settings;
use super::{Done, screen};
use crate::Error;
use crate::confidence::Level;
use crate::dossier::Lock;
use crate::export::atomic::{self, Existing};
use crate::export::folder::{self, Holds, Listed, Target};
use crate::export::names;
use crate::report::{shelf, words};

/// An overview over many tapes: an index to read, and a table for other programs
///
/// Takes the folders that `quorate recover` made and writes index.html, one page without anything from outside, and
/// programs.jsonl, one JSON object a line and program, which databases and data frames read as they are. Every field is
/// in every line and keeps its type; `quorate schema shelf-row` describes them.
#[derive(Args)]
pub struct Shelf {
    /// Folders of results
    #[arg(required = true, value_name = "DIR")]
    folders: Vec<PathBuf>,
    /// Folder for the overview: a new one, or an earlier overview, which is replaced as a whole
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

/// The run record of an overview.
#[derive(Serialize)]
struct Run {
    schema: &'static str,
    version: &'static str,
    /// UTC.
    started: String,
    command: Settings,
    /// All files but this one.
    outputs: Vec<Listed>,
}

impl Shelf {
    pub fn run(&self, settings: Settings) -> Done {
        let started = format!("{:.0}", jiff::Timestamp::now());
        let lock = Lock::take(&self.out, "shelf")?;
        let target = Target::new(&self.out, Holds::Shelf)?;
        if let Some(folder) = self.folders.iter().find(|folder| target.holds(folder)) {
            let what = "lies in the folder for the overview, which is replaced as a whole; name another folder";
            return Err(Error::Refused { path: folder.clone(), what: what.into() });
        }
        if lock.is_some() {
            target.clean()?;
        }
        let folders = each_once(&self.folders);
        let (mut rows, mut broken) = (Vec::new(), Vec::new());
        for folder in &folders {
            match shelf::rows(folder) {
                Ok(more) => rows.extend(more),
                Err(error) => broken.push(error),
            }
        }
        // an overview that leaves tapes out would be taken for whole; all that is wrong is said at once
        if broken.len() > 1 {
            return Err(Error::Usage(broken.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")));
        }
        if let Some(error) = broken.pop() {
            return Err(error);
        }
        let staged = target.stage()?;
        let put = |name: &str, text: &str| atomic::write(&staged.path().join(name), Existing::Keep, text.as_bytes());
        put("index.html", &shelf::index(&rows))?;
        put("programs.jsonl", &shelf::lines(&rows).map_err(unwritten)?)?;
        let run = Run {
            schema: folder::SCHEMA,
            version: env!("CARGO_PKG_VERSION"),
            started,
            command: settings,
            outputs: staged.listed()?,
        };
        put(folder::RECORD, &folder::sealed(&run)?)?;
        staged.commit()?;
        let of = |level| rows.iter().filter(|row| row.verdict == level).count();
        screen::say(&format!(
            "{} on {}: {} established, {} supported, {} open.\nWritten to {}\n",
            words::count(rows.len(), "program", "programs"),
            words::count(folders.len(), "tape side", "tape sides"),
            of(Level::Established),
            of(Level::Supported),
            of(Level::Open),
            names::printable(&self.out.display().to_string())
        ))?;
        Ok(0)
    }
}

/// The folders in their order, each where it is named first.
fn each_once(folders: &[PathBuf]) -> Vec<&Path> {
    let mut seen = BTreeSet::new();
    let new = |folder: &&PathBuf| seen.insert(std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_path_buf()));
    folders.iter().filter(new).map(PathBuf::as_path).collect()
}

/// Cannot happen: no map here has keys that are not text.
fn unwritten(error: serde_json::Error) -> Error {
    Error::write(Path::new(folder::RECORD), error.into())
}
