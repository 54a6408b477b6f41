//! The commands: the only part that prints.

mod add;
mod changes;
mod decide;
mod drawing;
mod explain;
mod formats;
mod next;
mod pack;
mod place;
mod progress;
mod recover;
mod report;
mod schema;
mod screen;
mod settings;
mod shelf;
mod simulate;
mod takes;
mod verify;

use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

use self::settings::Settings;
use crate::Error;

/// Several recordings of one data cassette in, its programs out, each with a measured statement of how sure it is.
#[derive(Parser)]
#[command(version, arg_required_else_help = true, after_help = AFTER_HELP)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

/// Running text is one line each, and wrapped for the screen; the rest keeps within 78 columns.
const AFTER_HELP: &str = "\
A take is one recording of one side of a tape. Play the same side two or three times, record each play as a file, and \
give all of them: what one take lost, another has.

  quorate recover marsh-1.wav marsh-2.wav marsh-3.wav --out recovered

Each command explains itself: quorate help recover

Programs on old tapes may still be protected by copyright: the law where you live decides. Use your own tapes, or have \
permission.

Exit codes:
  0  done, whatever the verdicts
  2  bad usage, or input that can't be read
  3  a verdict below --require
  4  an output could not be written
  5  no data found on any take
  7  verify found something that is not as it was written";

#[derive(Subcommand)]
enum Command {
    Recover(recover::Recover),
    Add(add::Add),
    Explain(explain::Explain),
    Decide(decide::Decide),
    Verify(verify::Verify),
    Next(next::Next),
    Simulate(simulate::Simulate),
    Report(report::Report),
    Pack(pack::Pack),
    Shelf(shelf::Shelf),
    Formats(formats::Formats),
    Schema(schema::Schema),
}

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let mut root = Cli::command();
    let parsed = root.try_get_matches_from_mut(std::env::args_os()).and_then(|matches| {
        let cli = Cli::from_arg_matches(&matches).map_err(|e| e.format(&mut root))?;
        Ok((cli, Settings::of(&root, &matches)))
    });
    let (cli, settings) = match parsed {
        Ok(parsed) => parsed,
        Err(told) => {
            // Help and the version arrive here too. A reader that has gone away is no error.
            let _ = told.print();
            return ExitCode::from(told.exit_code() as u8);
        }
    };
    let done = match cli.command {
        Command::Recover(command) => command.run(&settings),
        Command::Add(command) => command.run(settings),
        Command::Explain(command) => command.run(),
        Command::Decide(command) => command.run(settings),
        Command::Verify(command) => command.run(),
        Command::Next(command) => command.run(),
        Command::Simulate(command) => command.run(),
        Command::Report(command) => command.run(),
        Command::Pack(command) => command.run(),
        Command::Shelf(command) => command.run(settings),
        Command::Formats(command) => command.run(),
        Command::Schema(command) => command.run(),
    };
    match done {
        Ok(code) => ExitCode::from(code),
        Err(error) => {
            screen::complain(&error.to_string());
            ExitCode::from(error.exit_code())
        }
    }
}

/// What a command comes to: an exit code, or an error that has one.
type Done = Result<u8, Error>;
