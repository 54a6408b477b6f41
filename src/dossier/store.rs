//! Writes the result folder with its dossier: new, or as the successor of an earlier one.

use std::collections::BTreeSet;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::files::json;
use super::log::{Event, Log, State};
use super::{
    Dossier, DossierRecord, FILE, SCHEMA, SkippedRecord, TakeEntry, VERDICT, conflict, log, overlay, sha256, take,
};
use crate::Error;
use crate::export::atomic::{self, Existing};
use crate::export::folder::{self, Listed, Staged, Target};
use crate::export::page_seal::{self, REPORT};
use crate::export::prg;
use crate::recovery::{Intake, Outcome, Received};
use crate::report;
use crate::report::summary::summary;
use crate::report::table::Look;
use crate::tape::Format;

/// A result folder in the making. Dropped before [`Update::commit`] it leaves nothing behind.
pub struct Update<'a> {
    staged: Staged,
    format: &'a dyn Format,
    old: Option<&'a Dossier>,
    record: DossierRecord,
    log: Log,
    date: String,
    /// Hashes of the captures that are in it.
    captures: BTreeSet<String>,
    /// Events of this update, in order.
    pub events: Vec<Event>,
}

/// The run record: when and how, apart from the result, which is the same on any day.
#[derive(Serialize)]
struct Run<'a, C: Serialize> {
    schema: &'static str,
    version: &'static str,
    /// UTC.
    started: &'a str,
    command: &'a C,
    inputs: &'a [Input],
    captures: Vec<CapturePlace>,
    seconds: Seconds,
    /// All files but this one.
    outputs: Vec<Listed>,
}

/// A file that the command was given.
#[derive(Clone, Debug, Serialize)]
pub struct Input {
    pub take: String,
    pub file: String,
    pub sha256: String,
}

/// Where a capture was when it was last heard, whichever command that was.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct CapturePlace {
    pub sha256: String,
    /// From the root of the file system.
    pub file: String,
}

/// How long it took.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Seconds {
    pub recover: f64,
    pub write: f64,
}

impl<'a> Update<'a> {
    /// Begins. `old` is what the folder holds by now, if it is to be continued; `date` is UTC.
    pub fn begin(target: Target, old: Option<&'a Dossier>, format: &'a dyn Format, date: &str) -> Result<Self, Error> {
        let record =
            DossierRecord { schema: SCHEMA.into(), format: format.id().into(), takes: Vec::new(), skipped: Vec::new() };
        let log = old.map_or(Log::default(), |o| o.log.clone());
        let (date, captures) = (date.into(), BTreeSet::new());
        let mut update =
            Update { staged: target.stage()?, format, old, record, log, date, captures, events: Vec::new() };
        if old.is_none() {
            update.event(Event::Created { tool: env!("CARGO_PKG_VERSION").into(), format: format.id().into() })?;
        }
        Ok(update)
    }

    /// Adds to the log.
    pub fn event(&mut self, event: Event) -> Result<(), Error> {
        self.events.push(event.clone());
        self.log.add(&self.date, event)
    }

    /// Writes the evidence of all takes: before it is decided on, which uses it up. Of takes that come from the dossier,
    /// the files are taken over.
    pub fn takes(&mut self, intake: &mut Intake) -> Result<(), Error> {
        let width = self.format.grammar().bits_per_byte;
        self.captures = intake.received.iter().map(|r| r.sha256.clone()).collect();
        let same: Vec<Option<usize>> = intake.received.iter().map(|r| r.same_as).collect();
        for i in (0..same.len()).filter(|&i| same[i].is_none()) {
            let (left, right) = intake.received.split_at_mut(i + 1);
            let Some(own) = left.last_mut() else { continue };
            let others: Vec<&Received> =
                right.iter().zip(&same[i + 1..]).filter(|(_, s)| **s == Some(i)).map(|(r, _)| r).collect();
            let name = take::folder(&own.samples_blake3);
            if self.record.takes.iter().any(|t| t.folder == name) {
                return Err(Error::Usage(format!(
                    "two takes have hashes that begin alike ({name}); leave {} out and please report this",
                    own.path.display()
                )));
            }
            self.record.takes.push(TakeEntry { folder: name.clone(), samples_blake3: own.samples_blake3.clone() });
            let old = self
                .old
                .filter(|_| own.wave.is_none())
                .and_then(|o| o.takes.iter().find(|t| t.samples_blake3 == own.samples_blake3).map(|t| (o, t)));
            let folder = self.staged.path().join(&name);
            let Some((dossier, record)) = old else {
                take::write(&folder, own, &others, width)?;
                continue;
            };
            let mut files = vec![take::FileRecord::of(own)];
            files.extend(others.iter().map(|o| take::FileRecord::of(o)));
            let inside = format!("{name}/");
            let same_files = files == record.files;
            for file in dossier.files().names().filter(|n| n.starts_with(&inside)) {
                let keeps = same_files || !file.ends_with(".json");
                if let Some(listed) = dossier.files().listed(file).filter(|_| keeps) {
                    self.staged.carry(dossier.folder(), listed)?;
                }
            }
            if !same_files {
                take::write_record(&folder, &take::TakeRecord { files, ..record.clone() })?;
            }
        }
        self.record.takes.sort();
        let skipped = |s: &crate::recovery::Skipped| SkippedRecord {
            file: s.path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
            reason: s.reason.clone(),
        };
        self.record.skipped = intake.skipped.iter().map(skipped).collect();
        Ok(())
    }

    /// Writes all but the run record: lays conflicts and persons' decisions on what the evidence gave, then programs,
    /// verdict, history and log. `added` are the files that came in. Returns the text of verdict.json and the decisions
    /// that do not apply.
    pub fn decided(
        &mut self,
        outcome: &mut Outcome,
        added: &[String],
    ) -> Result<(String, Vec<overlay::SetAside>), Error> {
        for event in self.old.map_or(Vec::new(), |o| conflict::conflicts(&o.programs, outcome, added)) {
            self.event(event)?;
        }
        let set_aside = overlay::lay(outcome, &self.log);
        self.programs(outcome)?;
        let verdict = json(&self.staged.path().join(VERDICT), &outcome.verdict)?;
        let superseded = self.history(&verdict)?;
        let states = outcome.verdict.programs.iter().zip(&outcome.programs).map(|(v, p)| State {
            id: v.id.clone(),
            name: v.name.clone(),
            verdict: v.verdict,
            sha256: sha256(&p.program.bytes),
        });
        self.event(Event::Decided {
            tool: env!("CARGO_PKG_VERSION").into(),
            verdict_sha256: sha256(verdict.as_bytes()),
            programs: states.collect(),
            superseded,
        })?;
        self.put("summary.txt", &summary(&outcome.verdict, Look::PLAIN))?;
        self.put(VERDICT, &verdict)?;
        self.put(log::FILE, self.log.text())?;
        self.put(FILE, &json(&self.staged.path().join(FILE), &self.record)?)?;
        Ok((verdict, set_aside))
    }

    /// Takes over earlier verdicts, and adds the one before if it was another. Returns its name.
    fn history(&mut self, verdict: &str) -> Result<Option<String>, Error> {
        let Some(old) = self.old else { return Ok(None) };
        let earlier: Vec<Listed> = old
            .files()
            .names()
            .filter(|n| n.starts_with("history/"))
            .filter_map(|n| old.files().listed(n).cloned())
            .collect();
        for listed in &earlier {
            self.staged.carry(old.folder(), listed)?;
        }
        if old.verdict == verdict {
            return Ok(None);
        }
        let name = format!("history/{:04}-verdict.json", earlier.len() + 1);
        atomic::folder(&self.staged.path().join("history"))?;
        self.put(&name, &old.verdict)?;
        Ok(Some(name))
    }

    fn put(&self, name: &str, text: &str) -> Result<(), Error> {
        atomic::write(&self.staged.path().join(name), Existing::Keep, text.as_bytes())
    }

    fn programs(&self, outcome: &Outcome) -> Result<(), Error> {
        let programs = self.staged.path().join("programs");
        atomic::folder(&programs)?;
        outcome.programs.par_iter().enumerate().try_for_each(|(i, p)| {
            let (tape, standing) = (outcome.tape(self.format, i), outcome.standing(self.format, i));
            prg::write(&programs, Existing::Keep, i + 1, &p.program, &standing, tape.as_deref()).map(drop)
        })
    }

    /// Where every capture is, as far as is known: those given now, and of the others what was known before.
    fn places(&self, inputs: &[Input]) -> Result<Vec<CapturePlace>, Error> {
        let given = inputs.iter().map(|i| {
            let file = std::path::absolute(&i.file).map_or(i.file.clone(), |path| path.display().to_string());
            CapturePlace { sha256: i.sha256.clone(), file }
        });
        let before = self.old.map(Dossier::captures).transpose()?.unwrap_or_default();
        let given: BTreeSet<CapturePlace> = given.collect();
        let anew = |place: &CapturePlace| given.iter().any(|g| g.sha256 == place.sha256);
        let mut all: BTreeSet<CapturePlace> = before.into_iter().filter(|p| !anew(p)).collect();
        all.extend(given.iter().cloned());
        Ok(all.into_iter().filter(|p| self.captures.contains(&p.sha256)).collect())
    }

    /// Writes the run record, draws the evidence report anew if the folder had one, and puts the folder in place.
    pub fn commit(self, command: &impl Serialize, inputs: &[Input], seconds: Seconds) -> Result<(), Error> {
        let run = Run {
            schema: folder::SCHEMA,
            version: env!("CARGO_PKG_VERSION"),
            started: &self.date,
            command,
            inputs,
            captures: self.places(inputs)?,
            seconds,
            outputs: self.staged.listed()?,
        };
        let text = folder::sealed(&run)?;
        atomic::write(&self.staged.path().join(folder::RECORD), Existing::Keep, text.as_bytes())?;
        if self.staged.target().has_report() {
            let made = Dossier::open(self.staged.path())?;
            self.put(REPORT, &page_seal::sealed(&report::evidence_report(&made, &|_, _| ())?))?;
        }
        self.staged.commit()
    }
}
