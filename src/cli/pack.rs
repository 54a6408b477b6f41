//! `quorate pack`.

use std::path::PathBuf;

use clap::Args;

use super::progress::Bar;
use super::{Done, screen};
use crate::archive::pack::{self, Captures};
use crate::dossier::Dossier;
use crate::export::names::printable;
use crate::report::words;

/// Packs a dossier for the long term: a BagIt bag with captures, evidence, programs, report and a PREMIS record
///
/// Every file is listed with its SHA-256 and SHA-512. A capture that is not the one that was received is refused. If it is
/// interrupted, the same command goes on where it stopped; the bag appears under its name when it is whole.
#[derive(Args)]
#[command(after_long_help = AFTER_HELP)]
pub struct Pack {
    /// A folder that `quorate recover` wrote
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// The bag to make: a folder that is not there yet
    #[arg(long, value_name = "BAG")]
    out: PathBuf,
    /// Where the captures are, if neither where they were last heard nor beside DIR; may be given several times
    #[arg(long, value_name = "FOLDER", conflicts_with = "without_captures")]
    captures: Vec<PathBuf>,
    /// Keep the hashes of the captures, not the captures
    #[arg(long)]
    without_captures: bool,
    /// No progress on standard error
    #[arg(long, short)]
    quiet: bool,
}

const AFTER_HELP: &str = "\
The station's tape, captures and all:

  quorate pack recovered --out tide-tables-1986

Readers of BagIt 1.0 (RFC 8493) can check the bag; data/README.txt in it says what is what. The only date that packing adds \
is Bagging-Date in bag-info.txt; SOURCE_DATE_EPOCH, in seconds since 1970, stands for today if it is set.";

impl Pack {
    pub fn run(&self) -> Done {
        let date = today()?;
        let bar = Bar::new(self.quiet);
        let dossier = Dossier::open(&self.dir)?;
        let captures = if self.without_captures { Captures::HashesOnly } else { Captures::Include(&self.captures) };
        let packed = pack::pack(&dossier, &self.out, captures, &date, &|share, what| bar.tell(share, what))?;
        drop(bar);
        let bytes: u64 = packed.payload.iter().map(|f| f.bytes).sum();
        screen::say(&format!(
            "{}, {} bytes, packed into {}\n",
            words::count(packed.payload.len(), "file", "files"),
            words::thousands(bytes as usize),
            printable(&self.out.display().to_string())
        ))?;
        Ok(0)
    }
}

/// The date for the bag. SOURCE_DATE_EPOCH is the convention of reproducible-builds.org.
fn today() -> Result<String, crate::Error> {
    let now = match std::env::var("SOURCE_DATE_EPOCH") {
        Err(_) => jiff::Timestamp::now(),
        Ok(text) => text.parse().ok().and_then(|s| jiff::Timestamp::from_second(s).ok()).ok_or_else(|| {
            let what = "SOURCE_DATE_EPOCH is not a number of seconds since 1970; correct it, or take it away";
            crate::Error::Usage(what.into())
        })?,
    };
    // UTC, like all dates here: "2026-11-25T…"
    Ok(now.to_string().chars().take(10).collect())
}
