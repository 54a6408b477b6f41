//! `quorate next`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::explain::span;
use super::{Done, screen};
use crate::Error;
use crate::dossier::Dossier;
use crate::dossier::next::{Advice, Cause, ENOUGH, Forecast, Heard, How, Stretch, advise};
use crate::export::names::printable;
use crate::recovery::Outcome;
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

fn cause(stretch: &Stretch) -> String {
    let how = |h: &Heard| {
        let word = match h.how {
            How::Well => "well",
            How::Noisily => "noisily",
            How::Faintly => "faintly",
            How::Lost => "not at all",
        };
        format!("take-{} hears it {word}", h.take)
    };
    let all: Vec<String> = stretch.heard.iter().map(how).collect();
    let all = all.join(", ");
    match stretch.cause {
        Cause::Tape => format!("every take is bad at the same place, so the tape is: {all}"),
        Cause::Take => format!("some takes are bad here, the tape need not be: {all}"),
        Cause::OneTake => format!("only one take has it, so tape and take can't be told apart: {all}"),
        Cause::Contradiction => format!("what is heard contradicts itself or the checks: {all}"),
        Cause::Thin => format!("heard, but not surely enough: {all}"),
        Cause::Unheard => "on no take".into(),
    }
}

/// In plain words.
fn cure(stretch: &Stretch, outcome: &Outcome) -> String {
    let bad: Vec<&Heard> = stretch.heard.iter().filter(|h| h.how != How::Well).collect();
    let faint = bad.iter().any(|h| h.how == How::Faintly);
    match stretch.cause {
        Cause::Unheard => "Play the tape over this part: start earlier, stop later.".into(),
        Cause::Tape if faint => {
            "Clean the head and the tape path, look at the tape there for a crease or dirt, and try a \
                                 deck whose head reads another width of the track."
                .into()
        }
        Cause::Tape | Cause::OneTake | Cause::Take if !faint => {
            let (mut quiet, mut clipped) = (false, false);
            for h in &bad {
                let take = &outcome.intake.received[h.take - 1];
                if let Some(level) = take.levels.get(usize::from(take.channel)) {
                    quiet |= level.peak < 0.05;
                    clipped |= level.clipped > 100;
                }
            }
            match (quiet, clipped) {
                (true, _) => "It was recorded very quietly: raise the level and play it again.".into(),
                (_, true) => "It was recorded too loudly and is cut off: lower the level and play it again.".into(),
                _ => "Set the azimuth by ear for the brightest tone just before it, and play it again.".into(),
            }
        }
        Cause::OneTake | Cause::Take => {
            "Clean the head and play it again: a dropout that moves is dust, and one that stays \
                                         is the tape."
                .into()
        }
        Cause::Thin => "Another play adds what is missing.".into(),
        _ => "Another play, if possible on another deck, would show which of them is right.".into(),
    }
}

fn forecast(forecast: &Forecast) -> String {
    match forecast {
        Forecast::NotByTakes { why } => format!("can't settle it: {why}."),
        Forecast::Simulated { trials, by_takes, .. } => {
            let enough = by_takes.iter().find(|s| s.settled as f64 >= ENOUGH * *trials as f64);
            let Some(told) = enough.or(by_takes.last()) else { return "nothing to simulate.".into() };
            let takes = if told.takes == 1 { "1 more take".into() } else { format!("{} more takes", told.takes) };
            let range = format!("{:.0} to {:.0} %", 100.0 * told.interval.low, 100.0 * told.interval.high);
            let share = format!("in {} of {trials} simulated cases ({range} at 95 %)", told.settled);
            match enough {
                Some(_) => format!("{takes} like these would settle it {share}."),
                None => format!("even {takes} like these would settle it only {share}: change something first."),
            }
        }
    }
}
