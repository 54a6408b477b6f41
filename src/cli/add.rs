//! `quorate add`.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Instant;

use clap::Args;

use super::progress::Bar;
use super::recover::{LevelName, Said, arrival, aside, below};
use super::settings::Settings;
use super::{Done, changes, screen, takes};
use crate::Error;
use crate::capture::Capture;
use crate::dossier::change::Change;
use crate::dossier::foreign::{Belongs, belongs};
use crate::dossier::log::Event;
use crate::dossier::store::{Input, Seconds, Update};
use crate::dossier::{Dossier, Lock};
use crate::export::folder::{Holds, Target};
use crate::export::names::printable;
use crate::recovery::{self, Intake, Received};
use crate::report::summary;

/// Adds fresh takes to a dossier, decides again with all the evidence, and says what changed
///
/// Only the new takes are listened to. Takes may come in any order, one by one or together, years apart: the result is
/// the same as from all at once.
#[derive(Args)]
#[command(after_long_help = AFTER_HELP)]
pub struct Add {
    /// A folder that `quorate recover` wrote
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// New recordings of the same side of the same tape
    #[arg(required = true, value_name = "TAKE")]
    takes: Vec<PathBuf>,
    /// Let in takes of another tape: they share nothing with those that are there, or hold other programs in their place
    #[arg(long)]
    allow_foreign: bool,
    /// Go on without takes that are not there or can't be read
    #[arg(long)]
    skip_missing: bool,
    #[command(flatten)]
    said: Said,
    /// Exit with 3 if any program's verdict is below this
    #[arg(long, value_name = "LEVEL")]
    require: Option<LevelName>,
    /// Nothing on standard error but errors
    #[arg(long, short)]
    quiet: bool,
    /// What changed as JSON on standard output
    #[arg(long)]
    json: bool,
}

const AFTER_HELP: &str = "\
A better deck has turned up:

  quorate add recovered marsh-4.wav --deck \"two heads, azimuth set by ear\"

A take that is there already is known by its samples and counted once. A take of another tape is refused. If a new take \
contradicts what was established before, that is logged, said, and stands in the verdict until it is resolved.";

impl Add {
    pub fn run(&self, settings: Settings) -> Done {
        let (date, start) = (format!("{:.0}", jiff::Timestamp::now()), Instant::now());
        takes::all_there(&self.takes, self.skip_missing)?;
        let lock = Lock::take(&self.dir, "add")?;
        let dossier = Dossier::open(&self.dir)?;
        let target = Target::new(&self.dir, Holds::Dossier)?;
        if let Some(take) = self.takes.iter().find(|take| target.holds(take)) {
            let what = "lies in the folder of the dossier: what quorate made there is no evidence, and a recording of yours belongs \
                        outside; move it";
            return Err(Error::Refused { path: take.clone(), what: what.into() });
        }
        if lock.is_some() {
            target.clean()?;
        }
        let format = dossier.format()?;
        let fresh = self.not_there_yet(&dossier)?;
        if fresh.is_empty() {
            screen::say(&changes::text(&Change::none(), self.json, screen::look())?)?;
            return Ok(below(self.require, dossier.programs.iter().map(|p| p.verdict), self.quiet));
        }
        let bar = Bar::new(self.quiet);
        let mut new = Intake::receive(&fresh, format.as_ref(), &|share, what| bar.tell(0.9 * share, what))?;
        takes::none_lost(&mut new, self.skip_missing)?;
        self.said.tell(&mut new.received);
        let came: Vec<(String, String)> = new.received.iter().map(|r| (r.file(), r.sha256.clone())).collect();
        let skipped: Vec<String> = new.skipped.iter().map(|s| s.reason.clone()).collect();
        let paths: Vec<PathBuf> = new.received.iter().map(|r| r.path.clone()).collect();
        let Intake { mut received, skipped: mut left_out, .. } = dossier.intake()?;
        received.extend(new.received);
        left_out.extend(new.skipped);
        let mut intake = Intake::of(received, left_out);

        let mut update = Update::begin(target, Some(&dossier), format.as_ref(), &date)?;
        update.takes(&mut intake)?;
        let is_new = |r: &Received| came.iter().any(|(file, sha256)| *file == r.file() && *sha256 == r.sha256);
        let fresh_takes: Vec<usize> = (0..intake.received.len()).filter(|&i| is_new(&intake.received[i])).collect();
        let mut arrivals: Vec<Event> = fresh_takes.iter().map(|&i| arrival(&intake.received[i], None)).collect();
        let mut outcome = recovery::decide_all(intake, format.as_ref(), &|share, what| bar.tell(share, what))?;
        let mut doubts: Vec<String> = Vec::new();
        for (event, &take) in arrivals.iter_mut().zip(&fresh_takes) {
            let received = &outcome.intake.received[take];
            match belongs(&dossier, &outcome, take, &fresh_takes, format.as_ref())? {
                Belongs::Here => {}
                Belongs::Perhaps(what) => doubts.push(format!("{} {what}", received.file())),
                Belongs::Elsewhere(what) if !self.allow_foreign => {
                    let path = paths.iter().find(|p| p.ends_with(received.path.file_name().unwrap_or_default()));
                    return Err(Error::Refused { path: path.unwrap_or(&received.path).clone(), what });
                }
                Belongs::Elsewhere(_) => {
                    if let Event::TakeAdded { foreign, .. } = event {
                        *foreign = true;
                    }
                }
            }
        }
        arrivals.into_iter().try_for_each(|event| update.event(event))?;
        let recovered = start.elapsed().as_secs_f64();
        let files: Vec<String> = came.iter().map(|(file, _)| file.clone()).collect();
        let (_, set_aside) = update.decided(&mut outcome, &files)?;
        let change = Change::between(&dossier, &outcome, format.grammar().bits_per_byte, &update.events);
        let inputs: Vec<Input> = fresh_takes
            .iter()
            .map(|&i| Input {
                take: format!("take-{}", i + 1),
                file: outcome.intake.received[i].path.display().to_string(),
                sha256: outcome.intake.received[i].sha256.clone(),
            })
            .collect();
        let seconds = Seconds { recover: recovered, write: start.elapsed().as_secs_f64() - recovered };
        update.commit(&settings, &inputs, seconds)?;
        drop(bar);

        if !self.quiet {
            skipped.iter().for_each(|s| screen::remark(&format!("skipped: {s}")));
            doubts.iter().for_each(|doubt| screen::remark(doubt));
            let received = &outcome.intake.received;
            for (i, j) in received.iter().enumerate().filter_map(|(i, r)| Some((i, r.same_as?))) {
                if fresh_takes.contains(&i) || fresh_takes.contains(&j) {
                    let (one, other) = (received[i].file(), received[j].file());
                    screen::remark(&format!("{one} and {other} have the same samples: counted once"));
                }
            }
            set_aside.iter().for_each(|s| screen::remark(&aside(s)));
        }
        let mut text = changes::text(&change, self.json, screen::look())?;
        if !self.json {
            let ids: Vec<String> = inputs.into_iter().map(|i| i.take).collect();
            text = format!(
                "{}\n{text}\n{}",
                summary::takes_with_new(&outcome.verdict, &ids, screen::look()),
                summary::totals(&outcome.verdict)
            );
        }
        screen::say(&text)?;
        Ok(below(self.require, outcome.verdict.programs.iter().map(|p| p.verdict), self.quiet))
    }

    /// The takes that the dossier does not have under the same name with the same content.
    fn not_there_yet(&self, dossier: &Dossier) -> Result<Vec<PathBuf>, Error> {
        let mut fresh = Vec::new();
        let mut told = BTreeSet::new();
        for path in &self.takes {
            let Ok(survey) = Capture::open(path).and_then(|c| c.survey()) else {
                // said when it is received
                fresh.push(path.clone());
                continue;
            };
            dossier.not_ours(path, &survey.sha256)?;
            let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
            let mut files = dossier.takes.iter().flat_map(|t| &t.files);
            if files.any(|f| f.sha256 == survey.sha256 && f.file == name) {
                if !self.quiet && told.insert((survey.sha256, name.clone())) {
                    screen::remark(&format!("{} is there already: nothing to add", printable(&name)));
                }
            } else {
                fresh.push(path.clone());
            }
        }
        Ok(fresh)
    }
}
