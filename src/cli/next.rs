//! `quorate next`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::explain::span;
use super::{Done, screen};
use crate::Error;
use crate::dossier::Dossier;
use crate::dossier::next::{Advice, advise};
use crate::export::names::printable;
use crate::recovery::Outcome;
use crate::report::advice::{cause, cure, forecast};
use crate::report::table::{Look, word};

/// Says what would help most: which stretches of tape are in doubt, whether tape or take is at fault, what is likely to
/// cure it, and how many more takes would settle it
#[derive(Args)]
pub struct Next {
    /// A folder that `quorate recover` wrote
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// As JSON
    #[arg(long)]
    json: bool,
}

impl Next {
    pub fn run(&self) -> Done {
        let dossier = Dossier::open(&self.dir)?;
        let outcome = dossier.decide(&|_, _| ())?;
        let advice = advise(&outcome, dossier.format()?.as_ref())?;
        if self.json {
            let text = serde_json::to_string_pretty(&advice);
            screen::say(&(text.map_err(|e| Error::write(Path::new("standard output"), e.into()))? + "\n"))?;
            return Ok(0);
        }
        if advice.is_empty() {
            screen::say("Every program is established: nothing is left to do.\n")?;
            return Ok(0);
        }
        let text: Vec<String> = advice.iter().map(|a| program(a, &outcome, screen::look())).collect();
        screen::say(&text.join("\n"))?;
        Ok(0)
    }
}

/// Stretches of one program that are told one by one.
const MOST: usize = 12;

fn program(advice: &Advice, outcome: &Outcome, look: Look) -> String {
    let title = format!("{} {}: {}", advice.program, advice.name.trim_end(), word(advice.verdict));
    let mut rows: Vec<(String, String)> = Vec::new();
    for stretch in advice.stretches.iter().take(MOST) {
        let at = if stretch.from == stretch.to {
            format!("byte {}", stretch.from)
        } else {
            format!("bytes {}-{}", stretch.from, stretch.to)
        };
        let places: Vec<String> = stretch.places.iter().map(span).collect();
        let places = if places.is_empty() { String::new() } else { format!(" ({})", places.join(", ")) };
        rows.push((at, format!("{}{places}", cause(stretch))));
        rows.push((String::new(), cure(stretch, outcome)));
    }
    if advice.stretches.len() > MOST {
        rows.push((String::new(), format!("and {} more stretches; --json lists all", advice.stretches.len() - MOST)));
    }
    if advice.stretches.is_empty() {
        let program = outcome.verdict.programs.iter().find(|p| p.id == advice.program);
        rows.extend(program.iter().flat_map(|p| &p.obstacles).map(|o| ("in the way".to_string(), printable(o))));
    }
    rows.push(("more takes".into(), forecast(&advice.forecast)));
    format!("{}{}", look.title(&printable(&title)), look.notes(&rows))
}
