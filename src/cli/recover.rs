//! `quorate recover`.

use std::path::{Path, PathBuf};
use std::time::Instant;

use clap::{Args, ValueEnum};

use super::progress::Bar;
use super::settings::Settings;
use super::{Done, screen, takes};
use crate::Error;
use crate::capture::Capture;
use crate::confidence::Level;
use crate::dossier::log::Event;
use crate::dossier::store::{Input, Seconds, Update};
use crate::dossier::{self, Dossier, Lock};
use crate::export::folder::{Holds, Target};
use crate::export::names;
use crate::recovery::{self, About, Intake, Outcome, Received};
use crate::report::summary::summary;
use crate::report::words;
use crate::tape::TwinCopy;

/// Weighs takes of one tape against each other and gives back its programs, each with a verdict and the reason for it
///
/// Takes are WAV or FLAC files or pulse images, in any order; each may start late, stop early or miss programs. One
/// take works, two or three are far better. A take that is no recording is named and left out.
#[derive(Args)]
#[command(after_long_help = AFTER_HELP)]
pub struct Recover {
    /// Recordings of one side of one tape
    #[arg(required = true, value_name = "TAKE")]
    takes: Vec<PathBuf>,
    /// Folder for the result: a new one, or one of an earlier run, which is replaced as a whole; its log goes on
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Replace an earlier result even if it holds evidence of takes that are not given now: it is lost then
    #[arg(long)]
    replace: bool,
    /// Go on without takes that are not there or can't be read
    #[arg(long)]
    skip_missing: bool,
    #[command(flatten)]
    said: Said,
    /// Exit with 3 if any program's verdict is below this
    #[arg(long, value_name = "LEVEL")]
    require: Option<LevelName>,
    /// Nothing on standard error but errors: no progress, no remarks
    #[arg(long, short)]
    quiet: bool,
    /// Threads to use; all processors if not given. The result does not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
    /// The verdict as JSON on standard output, the same bytes as verdict.json, instead of the table
    #[arg(long)]
    json: bool,
}

const AFTER_HELP: &str = "\
The station's tide tables, from three plays of a tape of 1986:

  quorate recover marsh-1.wav marsh-2.wav marsh-3.wav --out recovered

Verdicts:
  established  every byte was read alike or singled out by the checks, the
               chance of a wrong byte is under 1 in a million, and no check
               contradicts
  supported    the best reading is clear, but something keeps it from being
               established, and that is said
  open         bytes are missing or have rivals; the files hold best guesses

What is written to DIR:
  summary.txt   what the screen shows
  verdict.json  the same and more, for other programs
  run.json      when and how, and a hash of every file
  dossier.json, takes/, log.jsonl
                the evidence, to decide again without the audio: see add,
                explain, decide, verify and next
  programs/     of each program: .prg to load, .txt the listing of BASIC, .tap
                a pulse image, .wav a clean tape to record on a new cassette
                for the real machine, and pNN.bin, the bytes alone; the names
                of guesses say so: 02-RINGING-LOG.open.prg

The .wav files, like the tape itself, are loud and harsh: keep headphones low or off.

Programs may be protected by copyright: the law where you live decides. Use your own tapes, or have permission.

In a script; exit code 3 if any program is not established:

  quorate recover a/*.flac --out a/out -q --json --require established";

/// What is to be kept with the takes of this command.
#[derive(Args)]
pub struct Said {
    /// The deck that played these takes, to be kept with them
    #[arg(long, value_name = "TEXT")]
    deck: Option<String>,
    /// Who played them
    #[arg(long, value_name = "TEXT")]
    operator: Option<String>,
    /// A note to be kept with them; may be given several times
    #[arg(long, value_name = "TEXT")]
    note: Vec<String>,
}

impl Said {
    /// Puts it beside every take.
    pub fn tell(&self, takes: &mut [Received]) {
        for take in takes {
            take.about = About { deck: self.deck.clone(), operator: self.operator.clone(), notes: self.note.clone() };
        }
    }
}

#[derive(Clone, Copy, ValueEnum)]
pub enum LevelName {
    Open,
    Supported,
    Established,
}

impl LevelName {
    fn level(self) -> Level {
        match self {
            LevelName::Open => Level::Open,
            LevelName::Supported => Level::Supported,
            LevelName::Established => Level::Established,
        }
    }
}

impl Recover {
    pub fn run(&self, settings: &Settings) -> Done {
        let mut pool = rayon::ThreadPoolBuilder::new();
        if let Some(threads) = self.threads {
            pool = pool.num_threads(threads.into());
        }
        let pool = pool.build().map_err(|e| Error::Usage(format!("--threads: {e}; ask for fewer")))?;
        pool.install(|| self.work(settings))
    }

    fn work(&self, settings: &Settings) -> Done {
        let (date, start) = (format!("{:.0}", jiff::Timestamp::now()), Instant::now());
        takes::all_there(&self.takes, self.skip_missing)?;
        let lock = Lock::take(&self.out, "recover")?;
        let target = Target::new(&self.out, Holds::Dossier)?;
        if let Some(take) = self.takes.iter().find(|take| target.holds(take)) {
            let what = "lies in the folder for the result, which is replaced as a whole; name another folder";
            return Err(Error::Refused { path: take.clone(), what: what.into() });
        }
        if lock.is_some() {
            target.clean()?;
        }
        let old = self.continued(&target)?;
        let format = TwinCopy::default();
        let bar = Bar::new(self.quiet);
        let mut intake = match Intake::receive(&self.takes, &format, &|share, what| bar.tell(0.95 * share, what)) {
            Ok(intake) => intake,
            Err(error) => {
                drop(bar);
                return Err(self.complain_of_others(error));
            }
        };
        takes::none_lost(&mut intake, self.skip_missing)?;
        self.said.tell(&mut intake.received);
        let inputs = inputs(&intake);
        let mut update = Update::begin(target, old.as_ref(), &format, &date)?;
        update.takes(&mut intake)?;
        let added: Vec<String> = intake.received.iter().map(Received::file).collect();
        for take in intake.received.iter() {
            update.event(arrival(take, old.as_ref()))?;
        }
        let mut outcome = recovery::decide_all(intake, &format, &|share, what| bar.tell(0.95 * share, what))?;
        let recovered = start.elapsed().as_secs_f64();

        bar.tell(0.95, "writing");
        let (verdict, set_aside) = update.decided(&mut outcome, &added)?;
        let conflicts = conflicts(&update.events);
        let seconds = Seconds { recover: recovered, write: start.elapsed().as_secs_f64() - recovered };
        let settings = settings.clone().used("threads", rayon::current_num_threads());
        update.commit(&settings, &inputs, seconds)?;
        drop(bar);

        if !self.quiet {
            conflicts.iter().for_each(|c| screen::remark(c));
            set_aside.iter().for_each(|s| screen::remark(&aside(s)));
            let twice = self.takes.len().saturating_sub(inputs.len());
            if twice > 0 {
                screen::remark(&format!("{twice} of the takes given are the same file, by name and content: left out"));
            }
        }
        self.tell(&outcome, &verdict)
    }

    /// The dossier in the folder, which this result will continue: its log goes on. A dossier with takes that are not
    /// given now is not thrown away unasked: it may be all that is left of a tape.
    fn continued(&self, target: &Target) -> Result<Option<Dossier>, Error> {
        let file = target.folder().join(dossier::FILE);
        if self.replace || !(target.lists(dossier::FILE) || file.exists()) {
            return Ok(None);
        }
        let old = Dossier::open(target.folder()).map_err(|e| match e {
            Error::Input { path, what } => {
                let more = "or say --replace if all evidence, decisions and history in the folder may go";
                Error::Input { path, what: format!("{what}, {more}") }
            }
            e => e,
        })?;
        let mut given: Vec<String> = Vec::new();
        for take in &self.takes {
            // what can't be read is said when it is received
            let Ok(survey) = Capture::open(take).and_then(|c| c.survey()) else { continue };
            old.not_ours(take, &survey.sha256)?;
            given.push(survey.samples_blake3);
        }
        let mut missing: Vec<String> =
            old.takes.iter().filter(|t| !given.contains(&t.samples_blake3)).map(|t| t.name()).collect();
        missing.sort();
        if missing.is_empty() {
            return Ok(Some(old));
        }
        let what = format!(
            "holds the evidence of takes that are not given now ({}); add the new ones to it with `quorate add`, name \
             another folder, or say --replace if that evidence may go",
            missing.join(", ")
        );
        Err(Error::Refused { path: self.out.clone(), what })
    }

    /// When no take can be read, each has its line.
    fn complain_of_others(&self, error: Error) -> Error {
        if !matches!(error, Error::Read { .. } | Error::Input { .. } | Error::Limit { .. }) {
            return error;
        }
        let mut errors: Vec<Error> =
            self.takes.iter().filter_map(|take| Capture::open(take).and_then(|c| c.survey().map(drop)).err()).collect();
        let last = errors.pop();
        errors.iter().for_each(|e| screen::complain(&e.to_string()));
        last.unwrap_or(error)
    }

    /// The screen, and the exit code.
    fn tell(&self, outcome: &Outcome, verdict: &str) -> Done {
        if self.json {
            if !self.quiet {
                outcome.intake.skipped.iter().for_each(|s| screen::remark(&format!("skipped: {}", s.reason)));
            }
            screen::say(verdict)?;
        } else {
            let out = names::printable(&self.out.display().to_string());
            screen::say(&format!("{}Written to {out}\n", summary(&outcome.verdict, screen::look())))?;
        }
        Ok(below(self.require, outcome.verdict.programs.iter().map(|p| p.verdict), self.quiet))
    }
}

/// The exit code by `--require`, and a remark on what is below it.
pub fn below(under: Option<LevelName>, verdicts: impl ExactSizeIterator<Item = Level>, quiet: bool) -> u8 {
    let all = verdicts.len();
    let below = under.map_or(0, |under| verdicts.filter(|v| *v < under.level()).count());
    if below > 0 && !quiet {
        screen::remark(&format!("{below} of {all} programs below --require"));
    }
    if below > 0 { 3 } else { 0 }
}

/// The log's record of a take that came in.
pub fn arrival(take: &Received, old: Option<&Dossier>) -> Event {
    let (file, sha256, samples_blake3) = (take.file(), take.sha256.clone(), take.samples_blake3.clone());
    if old.is_some_and(|o| o.takes.iter().any(|t| t.samples_blake3 == samples_blake3)) {
        return Event::TakeReceivedAgain { file, sha256, samples_blake3 };
    }
    Event::TakeAdded { file, sha256, samples_blake3, foreign: false }
}

/// Sentences about conflicts among events.
pub fn conflicts(events: &[Event]) -> Vec<String> {
    let sentence = |e: &Event| match e {
        Event::Conflict { program, what, .. } => {
            Some(format!("conflict: {}: {what}", words::name(program.name.trim_end())))
        }
        _ => None,
    };
    events.iter().filter_map(sentence).collect()
}

/// A sentence about a decision that does not apply.
pub fn aside(s: &dossier::SetAside) -> String {
    let name = words::name(s.program.name.trim_end());
    format!("set aside: the decision on {name} at offset {} (0x{:02X}): {}", words::offset(s.offset), s.value, s.why)
}

fn inputs(intake: &Intake) -> Vec<Input> {
    let path = |path: &Path| path.display().to_string();
    let received = intake.received.iter().map(|r| (path(&r.path), r.sha256.clone()));
    let skipped = intake.skipped.iter().map(|s| (path(&s.path), String::new()));
    let numbered = received.chain(skipped).enumerate();
    numbered.map(|(i, (file, sha256))| Input { take: format!("take-{}", i + 1), file, sha256 }).collect()
}
