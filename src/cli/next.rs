//! `quorate next`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::progress::Bar;
use super::{Done, screen};
use crate::Error;
use crate::dossier::next::{Advice, advise};
use crate::dossier::{Dossier, overlay};
use crate::export::names::printable;
use crate::recovery::Outcome;
use crate::report::advice::{faults, forecast, offsets, places};
use crate::report::table::{Look, word};
use crate::report::words;

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
        let bar = Bar::new(false);
        let outcome = dossier.decide(&|share, what| bar.tell(0.5 * share, what))?;
        let advice = advise(&outcome, dossier.format()?.as_ref(), &|share, what| bar.tell(0.5 + 0.5 * share, what))?;
        drop(bar);
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

/// Stretches with one fault that are told one by one.
const MOST: usize = 12;

fn program(advice: &Advice, outcome: &Outcome, look: Look) -> String {
    let name = words::name(advice.name.trim_end());
    let mut out = look.title(&printable(&format!("{} {name}: {}", advice.program, word(advice.verdict))));
    for fault in faults(advice, outcome) {
        let told = &fault.stretches[..fault.stretches.len().min(MOST)];
        let mut bytes = told.iter().map(|s| offsets(s)).collect::<Vec<_>>().join(", ");
        if fault.stretches.len() > MOST {
            bytes += &format!(" and {} more (--json lists all)", fault.stretches.len() - MOST);
        }
        let mut rows = vec![("offsets".to_string(), bytes), ("fault".into(), fault.cause)];
        let places = places(told);
        if !places.is_empty() {
            rows.push(("lies at".into(), places));
        }
        rows.push(("would help".into(), fault.cure));
        out.push_str(&look.notes(&rows));
        out.push('\n');
    }
    let program = outcome.verdict.programs.iter().find(|p| p.id == advice.program);
    let obstacles = program.iter().flat_map(|p| &p.obstacles);
    // where bytes are in doubt, that is said above
    let more = obstacles.filter(|o| advice.stretches.is_empty() || o.starts_with(overlay::CONFLICT));
    let mut rows: Vec<(String, String)> = more.map(|o| ("in the way".to_string(), printable(o))).collect();
    rows.push(("more takes".into(), forecast(&advice.forecast)));
    out + &look.notes(&rows)
}
