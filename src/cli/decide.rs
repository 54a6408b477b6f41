//! `quorate decide`.

use std::path::PathBuf;
use std::time::Instant;

use clap::Args;

use super::recover::aside;
use super::settings::Settings;
use super::{Done, place, screen};
use crate::Error;
use crate::confidence::{Class, Level};
use crate::dossier::log::Event;
use crate::dossier::store::{Seconds, Update};
use crate::dossier::{Dossier, Lock, explain, overlay};
use crate::export::folder::{Holds, Target};
use crate::export::names::printable;
use crate::recovery;
use crate::report::words;

/// Puts a value of your own into a program that is not established; it is marked as yours everywhere, and counts as
/// evidence for nothing
///
/// The verdict stays what the evidence makes it, and if the evidence has no doubt about the byte, that is said. An
/// established program can't be changed.
#[derive(Args)]
#[command(after_long_help = AFTER_HELP)]
pub struct Decide {
    /// A folder that `quorate recover` wrote
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// A byte by program (id, number or name) and offset (17, 0x11) or address (@C011), and its value: 65 or 0x41
    #[arg(value_name = "PROGRAM:OFFSET=VALUE")]
    what: String,
    /// The reason
    #[arg(long, value_name = "TEXT")]
    because: Option<String>,
    /// Who decides; the user's name if not given
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Withdraw the decision about PROGRAM:OFFSET
    #[arg(long)]
    withdraw: bool,
}

const AFTER_HELP: &str = "\
  quorate decide recovered p02:0x1f=0x41 --because \"the listing in the station's log book has an A here\"
  quorate decide recovered p02:0x1f --withdraw

Every decision and every withdrawal stays in log.jsonl with name, date and reason.";

impl Decide {
    pub fn run(&self, settings: Settings) -> Done {
        let (date, start) = (format!("{:.0}", jiff::Timestamp::now()), Instant::now());
        let by = self.person()?;
        let (what, value) = self.parts()?;
        let lock = Lock::take(&self.dir, "decide")?;
        let dossier = Dossier::open(&self.dir)?;
        let target = Target::new(&self.dir, Holds::Dossier)?;
        if lock.is_some() {
            target.clean()?;
        }
        let format = dossier.format()?;
        let mut intake = dossier.intake()?;
        let mut update = Update::begin(target, Some(&dossier), format.as_ref(), &date)?;
        update.takes(&mut intake)?;
        let mut outcome = recovery::decide_all(intake, format.as_ref(), &|_, _| ())?;
        let place = place::find(&outcome, &what)?;
        let offset =
            place.offset.ok_or_else(|| Error::Usage(format!("{what:?} names no byte: write PROGRAM:OFFSET")))?;
        let at = words::offset(offset);
        let (id, name) = {
            let p = &outcome.verdict.programs[place.program];
            (p.id.clone(), words::name(p.name.trim_end()).to_string())
        };
        let said = match value {
            None => {
                let program =
                    overlay::standing_key(&outcome, &dossier.log, place.program, offset).ok_or_else(|| {
                        Error::Usage(format!("nobody has decided the byte at offset {at} of {id} {name}"))
                    })?;
                update.event(Event::PersonWithdrew {
                    program,
                    offset,
                    by: by.clone(),
                    because: self.because.clone(),
                })?;
                format!("{id} {name}, offset {at}: the decision is withdrawn.")
            }
            Some(value) => {
                let because = self.because.clone().filter(|b| !b.trim().is_empty());
                let because =
                    because.ok_or_else(|| Error::Usage("a decision needs a reason: --because \"...\"".into()))?;
                let bytes = &outcome.programs[place.program].program.bytes;
                if outcome.verdict.programs[place.program].verdict == Level::Established {
                    let what = format!(
                        "{id} {name} is established: the evidence has decided every byte of it (this one as 0x{:02X})",
                        bytes[offset]
                    );
                    return Err(Error::Refused { path: self.dir.clone(), what });
                }
                let around_from = offset.saturating_sub(overlay::AROUND);
                let around = bytes[around_from..(offset + overlay::AROUND + 1).min(bytes.len())].to_vec();
                let evidence = bytes[offset];
                update.event(Event::PersonDecided {
                    program: overlay::key(&outcome.verdict.programs, place.program),
                    offset,
                    value,
                    evidence,
                    around_from,
                    around,
                    by: by.clone(),
                    because,
                })?;
                let recovered = &outcome.programs[place.program];
                let has = match recovered.classes[offset] {
                    Class::Unresolved => "knows nothing of it, and would put".into(),
                    Class::Inferred => "has, as its best guess,".to_string(),
                    Class::Agreed | Class::Corrected => "has".into(),
                };
                let sure = if explain::in_doubt(recovered, offset) { "" } else { ", and no doubt about it" };
                format!(
                    "{id} {name}, offset {at}: 0x{value:02X} as {by} decided; the evidence {has} \
                     0x{evidence:02X}{sure}."
                )
            }
        };
        let recovered = start.elapsed().as_secs_f64();
        let (_, set_aside) = update.decided(&mut outcome, &[])?;
        let seconds = Seconds { recover: recovered, write: start.elapsed().as_secs_f64() - recovered };
        update.commit(&settings.used("by", by), &[], seconds)?;
        set_aside.iter().for_each(|s| screen::remark(&aside(s)));
        screen::say(&format!("{}\n", printable(&said)))?;
        Ok(0)
    }

    fn person(&self) -> Result<String, Error> {
        let user = || ["USER", "LOGNAME", "USERNAME"].iter().find_map(|name| std::env::var(name).ok());
        let name = self.by.clone().or_else(user).filter(|name| !name.trim().is_empty());
        name.ok_or_else(|| Error::Usage("whose decision is it? Say --by NAME".into()))
    }

    /// The place, and the value if one is to be set.
    fn parts(&self) -> Result<(String, Option<u8>), Error> {
        match (self.what.rsplit_once('='), self.withdraw) {
            (None, true) => Ok((self.what.clone(), None)),
            // in the name of the program, not behind the offset
            (Some((_, rest)), true) if rest.contains(':') => Ok((self.what.clone(), None)),
            (Some((place, text)), false) => {
                let value = place::number(text).and_then(|v| u8::try_from(v).ok());
                let value = value
                    .ok_or_else(|| Error::Usage(format!("{text:?} is no byte: write 0 to 255, or 0x00 to 0xff")))?;
                Ok((place.into(), Some(value)))
            }
            (None, false) => Err(Error::Usage(format!("{:?} gives no value: write PROGRAM:OFFSET=VALUE", self.what))),
            (Some(_), true) => Err(Error::Usage("--withdraw wants no value: write PROGRAM:OFFSET".into())),
        }
    }
}
