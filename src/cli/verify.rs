//! `quorate verify`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{Done, screen};
use crate::Error;
use crate::dossier::verify::verify;
use crate::export::names::printable;
use crate::report::words::count;

/// The exit code for a dossier that is not as it was written.
const FAULTY: u8 = 7;
/// So many files of a person's are named.
const NAMED: usize = 12;

/// Checks that a dossier is as it was written: hashes, the chain of the log, and that the evidence and the log give the
/// same bytes once more
///
/// Exit code 7 if anything is not; each fault has its line. Files of your own in the folder are named, and are no fault.
#[derive(Args)]
pub struct Verify {
    /// A folder that `quorate recover` wrote
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// As JSON
    #[arg(long)]
    json: bool,
}

impl Verify {
    pub fn run(&self) -> Done {
        let report = verify(&self.dir)?;
        if self.json {
            let text = serde_json::to_string_pretty(&report);
            screen::say(&(text.map_err(|e| Error::write(Path::new("standard output"), e.into()))? + "\n"))?;
        } else if report.faults.is_empty() {
            let mut text = format!(
                "All is as it was written: {}, {} of the log, {}; decided again, {} the same.\n",
                count(report.files, "file", "files"),
                count(report.records, "record", "records"),
                count(report.takes, "take", "takes"),
                count(report.programs, "program comes out", "programs come out")
            );
            if let Some(version) = &report.other_version {
                let version = printable(version);
                text.push_str(&format!(
                    "Version {version} decided, this is {}: the bytes were compared, the verdicts were \
                                        not.\n",
                    env!("CARGO_PKG_VERSION")
                ));
            }
            screen::say(&text)?;
        }
        if !report.own.is_empty() && !self.json {
            let named = report.own.iter().take(NAMED).map(|name| printable(name)).collect::<Vec<_>>().join(", ");
            let more = report.own.len().saturating_sub(NAMED);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            screen::say(&format!("Not written by quorate, and let alone: {named}{more}.\n"))?;
        }
        for fault in &report.faults {
            let path = self.dir.join(&fault.file);
            screen::complain(&format!("{}: {}", path.display(), fault.what));
        }
        Ok(if report.faults.is_empty() { 0 } else { FAULTY })
    }
}
