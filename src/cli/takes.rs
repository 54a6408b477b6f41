//! Takes that are not there. What was named and can't be had may be a slip of the pen or a disk that is not plugged in: a
//! result without it would be taken for whole.

use std::path::PathBuf;

use super::screen;
use crate::Error;
use crate::capture::{self, Capture};
use crate::recovery::Intake;

/// Before anything is listened to.
///
/// Errors: [`Error::Usage`], after a line for each take that is missing.
pub fn all_there(takes: &[PathBuf], skip: bool) -> Result<(), Error> {
    let missing: Vec<Error> = takes.iter().filter_map(|take| capture::is_there(take).err()).collect();
    // if none can be read, that is said of each when they are received
    if skip || missing.is_empty() || takes.iter().all(|take| Capture::open(take).is_err()) {
        return Ok(());
    }
    refuse(missing)
}

/// After it: a disk may fail while it is read.
pub fn none_lost(intake: &mut Intake, skip: bool) -> Result<(), Error> {
    let missing = std::mem::take(&mut intake.missing);
    if skip { Ok(()) } else { refuse(missing) }
}

fn refuse(mut missing: Vec<Error>) -> Result<(), Error> {
    let Some(last) = missing.pop() else { return Ok(()) };
    missing.iter().for_each(|error| screen::complain(&error.to_string()));
    screen::complain(&last.to_string());
    Err(Error::Usage(
        "nothing was written; correct this, or say --skip-missing to go on without what is missing".into(),
    ))
}
