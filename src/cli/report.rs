//! `quorate report`.

use std::path::PathBuf;

use clap::Args;

use super::progress::Bar;
use super::{Done, screen};
use crate::Error;
use crate::dossier::{Dossier, Lock};
use crate::export::atomic::{self, Existing};
use crate::export::{folder, names, page_seal};
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
        let place = self.out.clone().unwrap_or_else(|| self.dir.join(page_seal::REPORT));
        let dir = std::fs::canonicalize(&self.dir).map_err(|e| Error::read(&self.dir, e))?;
        let inside = place.parent().and_then(|parent| std::fs::canonicalize(parent).ok()).as_ref() == Some(&dir)
            && place.file_name() == Some(page_seal::REPORT.as_ref());
        if inside {
            folder::outside(&self.dir, &dir)?;
        } else {
            folder::outside(&place, &place)?;
        }
        // the folder may be exchanged for its successor by another process, and this page would be lost with the old one
        let lock = if inside { Lock::take(&self.dir, "report")? } else { None };
        if lock.is_some() {
            folder::clean(&dir)?;
        }
        let bar = Bar::new(self.quiet);
        let dossier = Dossier::open(&self.dir)?;
        let existing = if page_seal::is_ours(&place)? { Existing::Replace } else { Existing::Keep };
        if existing == Existing::Keep && std::fs::symlink_metadata(&place).is_ok() {
            let what =
                "is there already, and is no report as quorate wrote it; name another file, or move this one away";
            return Err(Error::Refused { path: place, what: what.into() });
        }
        let page = evidence_report(&dossier, &|share, what| bar.tell(0.95 * share, what))?;
        bar.tell(0.97, "writing");
        let page = page_seal::sealed(&page);
        if inside {
            atomic::write_into(&dir, page_seal::REPORT, existing, page.as_bytes())?;
        } else {
            atomic::write(&place, existing, page.as_bytes())?;
        }
        drop(bar);
        screen::say(&format!("Written to {}\n", names::printable(&place.display().to_string())))?;
        Ok(0)
    }
}
