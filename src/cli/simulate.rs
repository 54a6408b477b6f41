//! `quorate simulate`.

use std::path::PathBuf;

use clap::Args;
use comfy_table::Cell;

use super::progress::Bar;
use super::{Done, screen};
use crate::Error;
use crate::channel::{self, recipe::TrueProgram};
use crate::dossier::Lock;
use crate::export::folder;
use crate::report::table::{Column, Fit, column};

/// Makes takes of a tape that never was, from a recipe: with known truth, for trying things out
///
/// The recipe (JSON) names the programs, the deck with its faults, and the takes. The same recipe and seed give the
/// same samples on every machine. What is already there is never overwritten.
#[derive(Args)]
#[command(after_long_help = AFTER_HELP)]
pub struct Simulate {
    /// The recipe file
    recipe: PathBuf,
    /// Folder for the takes; the programs and truth.json go to its folder `truth`
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Another seed than the recipe's: other speed, noise and dropouts
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// No progress on standard error
    #[arg(long, short)]
    quiet: bool,
}

const AFTER_HELP: &str = "\
A small recipe, marsh.json:

  { \"seed\": 7,
    \"files\": [ { \"name\": \"TIDE TABLE\", \"kind\": \"basic\",
                 \"path\": \"tide-table.prg\" } ],
    \"deck\":  { \"wow_rms\": 0.002, \"shared_dropouts_per_s\": 0.3 },
    \"takes\": [ { \"name\": \"marsh-1\" },
               { \"name\": \"marsh-2\", \"knobs\": { \"snr_db\": 8 } } ] }

  quorate simulate marsh.json --out marsh
  quorate recover marsh/marsh-1.flac marsh/marsh-2.flac --out recovered

Every knob of deck and take, with its unit, stands in the documentation of quorate::channel::Knobs; truth.json lists \
all of them with the values used.

Data tones are loud and harsh: mind the volume before you play a take.";

const TAKES: [Column; 3] =
    [column("Take", Fit::Broken(12), 2), column("File", Fit::Left, 2), column("Seed", Fit::Right, 0)];
const PROGRAMS: [Column; 3] =
    [column("Program", Fit::Broken(12), 2), column("Size", Fit::Right, 2), column("Truth", Fit::Left, 0)];

impl Simulate {
    pub fn run(&self) -> Done {
        // a file more, and a dossier, an overview or a bag is none as it was
        folder::outside(&self.out, &self.out.join("take"))?;
        // takes may go into a folder beside which nothing can be written
        let lock = match Lock::take(&self.out, "simulate") {
            Err(Error::Write { .. }) => None,
            lock => lock?,
        };
        if lock.is_some() {
            folder::clean_within(&self.out)?;
        }
        let bar = Bar::new(self.quiet);
        let truth = channel::run(&self.recipe, &self.out, self.seed, &mut |number, all, name| {
            bar.tell(number as f64 / all.max(1) as f64, &format!("playing {name}"));
        })?;
        drop(bar);
        let look = screen::look();
        let cells = |texts: [&str; 3]| texts.map(Cell::new).to_vec();
        let takes = truth.takes.iter().map(|t| cells([&t.name, &t.file, &t.seed.to_string()])).collect();
        let mut text = look.headed(&TAKES, takes);
        if !truth.programs.is_empty() {
            let row = |p: &TrueProgram| cells([&p.name, &p.size.to_string(), &format!("truth/{}", p.file)]);
            let programs = truth.programs.iter().map(row).collect();
            text.push('\n');
            text.push_str(&look.headed(&PROGRAMS, programs));
        }
        let out = crate::export::names::printable(&self.out.display().to_string());
        text.push_str(&format!("\nSeed {}, {:.1} s of tape, written to {out}\n", truth.seed, truth.seconds));
        screen::say(&text)?;
        Ok(0)
    }
}
