//! `quorate recover`.

use std::path::{Path, PathBuf};
use std::time::Instant;

use clap::{Args, ValueEnum};
use rayon::prelude::*;
use serde::Serialize;

use super::progress::Bar;
use super::{Done, screen};
use crate::Error;
use crate::capture::Capture;
use crate::confidence::Level;
use crate::export::atomic::{self, Existing};
use crate::export::folder::{self, Listed, Staged, Target};
use crate::export::{names, prg};
use crate::recovery::{self, Outcome};
use crate::report::summary::summary;
use crate::report::table::Look;
use crate::tape::{Format, TwinCopy};

/// Weighs takes of one tape against each other and gives back its programs, each with a verdict and the reason for it
///
/// Takes are WAV or FLAC files or pulse images, in any order; each may start late, stop early or miss programs. One
/// take works, two or three are far better. A take that can't be read is named and left out.
#[derive(Args)]
#[command(after_long_help = AFTER_HELP)]
pub struct Recover {
    /// Recordings of one side of one tape
    #[arg(required = true, value_name = "TAKE")]
    takes: Vec<PathBuf>,
    /// Folder for the result: a new one, or one of an earlier run, which is replaced as a whole
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Exit with 3 if any program's verdict is below this
    #[arg(long, value_name = "LEVEL")]
    fail_under: Option<LevelName>,
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
  programs/     of each program: .prg to load, .txt the listing of BASIC, .tap
                a pulse image, .wav a clean tape to record on a new cassette
                for the real machine, and pNN.bin, the bytes alone

The .wav files, like the tape itself, are loud and harsh: keep headphones low or off.

Programs may be protected by copyright: the law where you live decides. Use your own tapes, or have permission.

In a script; exit code 3 if any program is not established:

  quorate recover a/*.flac --out a/out -q --json --fail-under established";

#[derive(Clone, Copy, ValueEnum, Serialize)]
#[serde(rename_all = "lowercase")]
enum LevelName {
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

/// The run record: when and how, apart from the result, which is the same on any day.
#[derive(Serialize)]
struct Run<'a> {
    schema: &'static str,
    version: &'static str,
    /// UTC.
    started: String,
    command: CommandLine<'a>,
    inputs: Vec<Input>,
    seconds: Seconds,
    /// All files but this one.
    outputs: Vec<Listed>,
}

/// The command line with all defaults.
#[derive(Serialize)]
struct CommandLine<'a> {
    name: &'static str,
    takes: Vec<String>,
    out: String,
    fail_under: &'a Option<LevelName>,
    quiet: bool,
    threads: usize,
    json: bool,
}

#[derive(Serialize)]
struct Input {
    take: String,
    file: String,
    sha256: String,
}

#[derive(Serialize)]
struct Seconds {
    recover: f64,
    write: f64,
}

impl Recover {
    pub fn run(&self) -> Done {
        let mut pool = rayon::ThreadPoolBuilder::new();
        if let Some(threads) = self.threads {
            pool = pool.num_threads(threads.into());
        }
        let pool = pool.build().map_err(|e| Error::Usage(format!("--threads: {e}; ask for fewer")))?;
        pool.install(|| self.work())
    }

    fn work(&self) -> Done {
        let (date, start) = (jiff::Timestamp::now(), Instant::now());
        let target = Target::new(&self.out)?;
        if let Some(take) = self.takes.iter().find(|take| target.holds(take)) {
            let what = "lies in the folder for the result, which is replaced as a whole; name another folder";
            return Err(Error::Refused { path: take.clone(), what: what.into() });
        }
        let format = TwinCopy::default();
        let bar = Bar::new(self.quiet);
        let outcome = match recovery::recover(&self.takes, &format, &|share, what| bar.tell(0.95 * share, what)) {
            Ok(outcome) => outcome,
            Err(error) => {
                drop(bar);
                return Err(self.complain_of_others(error));
            }
        };
        let recovered = start.elapsed().as_secs_f64();

        bar.tell(0.95, "writing");
        let verdict = json(&outcome.verdict)?;
        let staged = target.stage()?;
        write_result(&staged, &outcome, &format, &verdict)?;
        let run = Run {
            schema: folder::SCHEMA,
            version: env!("CARGO_PKG_VERSION"),
            started: format!("{date:.0}"),
            command: self.command_line(),
            inputs: inputs(&outcome),
            seconds: Seconds { recover: recovered, write: start.elapsed().as_secs_f64() - recovered },
            outputs: staged.listed()?,
        };
        atomic::write(&staged.path().join(folder::RECORD), Existing::Keep, json(&run)?.as_bytes())?;
        staged.commit()?;
        drop(bar);

        self.tell(&outcome, &verdict)
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

    fn command_line(&self) -> CommandLine<'_> {
        CommandLine {
            name: "recover",
            takes: self.takes.iter().map(|take| take.display().to_string()).collect(),
            out: self.out.display().to_string(),
            fail_under: &self.fail_under,
            quiet: self.quiet,
            threads: rayon::current_num_threads(),
            json: self.json,
        }
    }

    /// The screen, and the exit code.
    fn tell(&self, outcome: &Outcome, verdict: &str) -> Done {
        let programs = &outcome.verdict.programs;
        let below = self.fail_under.map_or(0, |under| programs.iter().filter(|p| p.verdict < under.level()).count());
        if self.json {
            if !self.quiet {
                outcome.intake.skipped.iter().for_each(|s| screen::remark(&format!("skipped: {}", s.error)));
            }
            screen::say(verdict)?;
        } else {
            let out = names::printable(&self.out.display().to_string());
            screen::say(&format!("{}Written to {out}\n", summary(&outcome.verdict, screen::look())))?;
        }
        if below > 0 && !self.quiet {
            screen::remark(&format!("{below} of {} programs below --fail-under", programs.len()));
        }
        Ok(if below > 0 { 3 } else { 0 })
    }
}

fn write_result(staged: &Staged, outcome: &Outcome, format: &dyn Format, verdict: &str) -> Result<(), Error> {
    let programs = staged.path().join("programs");
    atomic::folder(&programs)?;
    outcome.programs.par_iter().enumerate().try_for_each(|(i, p)| {
        let tape = prg::worth_a_tape(&p.classes).then(|| format.rewrite(&p.program, &p.header_rest)).flatten();
        prg::write(&programs, Existing::Keep, i + 1, &p.program, tape.as_deref()).map(drop)
    })?;
    let put = |name: &str, text: &str| atomic::write(&staged.path().join(name), Existing::Keep, text.as_bytes());
    put("summary.txt", &summary(&outcome.verdict, Look::PLAIN))?;
    put("verdict.json", verdict)
}

fn inputs(outcome: &Outcome) -> Vec<Input> {
    let path = |path: &Path| path.display().to_string();
    let received = outcome.intake.received.iter().map(|r| (path(&r.path), r.sha256.clone()));
    let skipped = outcome.intake.skipped.iter().map(|s| (path(&s.path), String::new()));
    let numbered = received.chain(skipped).enumerate();
    numbered.map(|(i, (file, sha256))| Input { take: format!("take-{}", i + 1), file, sha256 }).collect()
}

fn json(value: &impl Serialize) -> Result<String, Error> {
    let text = serde_json::to_string_pretty(value);
    // cannot happen: no map here has keys that are not text
    let text = text.map_err(|e| Error::write(Path::new("verdict.json"), e.into()))?;
    Ok(text + "\n")
}
