//! `quorate report`.

use std::path::PathBuf;

use clap::Args;

use super::progress::Bar;
use super::{Done, screen};
use crate::dossier::Dossier;
use crate::export::atomic::{self, Existing};
use crate::export::{names, page_seal};
use crate::report::evidence_report;

/// Writes the evidence report: one HTML page that shows what was found, how sure each byte is, and why
///
/// The page needs no network and no script, prints well, and is the same on any day. It decides again from the evidence
/// in the folder and draws the tape, every byte, the waveforms where readings differ, and how each take fared.
#[derive(Args)]
pub struct Report {
    /// A folder that `quorate recover` wrote
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// Where to write it; report.html in the folder if not given. Only an earlier report is replaced
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// No progress on standard error
    #[arg(long, short)]
    quiet: bool,
}

impl Report {
    pub fn run(&self) -> Done {
        let path = self.out.clone().unwrap_or_else(|| self.dir.join(page_seal::REPORT));
        let existing = if page_seal::is_ours(&path)? { Existing::Replace } else { Existing::Keep };
        let bar = Bar::new(self.quiet);
        let dossier = Dossier::open(&self.dir)?;
        let page = evidence_report(&dossier, &|share, what| bar.tell(0.95 * share, what))?;
        bar.tell(0.97, "writing");
        atomic::write(&path, existing, page_seal::sealed(&page).as_bytes())?;
        drop(bar);
        screen::say(&format!("Written to {}\n", names::printable(&path.display().to_string())))?;
        Ok(0)
    }
}
