//! `quorate simulate`.

use std::path::PathBuf;

use clap::Args;

use super::progress::Bar;
use super::{Done, screen};
use crate::channel;
use crate::report::table::{right, trimmed};

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
    \"files\": [ { \"name\": \"TIDE TABLE\", \"kind\": \"basic\", \"path\": \"tide-table.prg\" } ],
    \"deck\":  { \"wow_rms\": 0.002, \"shared_dropouts_per_s\": 0.3 },
    \"takes\": [ { \"name\": \"marsh-1\" }, { \"name\": \"marsh-2\", \"knobs\": { \"snr_db\": 8 } } ] }

  quorate simulate marsh.json --out marsh
  quorate recover marsh/marsh-1.flac marsh/marsh-2.flac --out recovered

Data tones are loud and harsh: mind the volume before you play a take.";

impl Simulate {
    pub fn run(&self) -> Done {
        let bar = Bar::new(self.quiet);
        let truth = channel::run(&self.recipe, &self.out, self.seed, &mut |number, all, name| {
            bar.tell(number as f64 / all.max(1) as f64, &format!("playing {name}"));
        })?;
        drop(bar);
        let look = screen::look();
        let mut takes = look.headed(&["Take", "File", "Seed"]);
        for take in &truth.takes {
            takes.add_row([take.name.clone(), take.file.clone(), take.seed.to_string()]);
        }
        right(&mut takes, &[2]);
        let mut text = trimmed(&takes);
        if !truth.programs.is_empty() {
            let mut programs = look.headed(&["Program", "Size", "Truth"]);
            for program in &truth.programs {
                programs.add_row([&program.name, &program.size.to_string(), &format!("truth/{}", program.file)]);
            }
            right(&mut programs, &[1]);
            text.push('\n');
            text.push_str(&trimmed(&programs));
        }
        let out = crate::export::names::printable(&self.out.display().to_string());
        text.push_str(&format!("\n Seed {}, {:.1} s of tape, written to {out}\n", truth.seed, truth.seconds));
        screen::say(&text)?;
        Ok(0)
    }
}
