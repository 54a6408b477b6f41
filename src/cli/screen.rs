//! Standard output and standard error.

use std::io::{self, IsTerminal, Write};
use std::path::Path;

use crate::Error;
use crate::export::names::printable;
use crate::report::table::{Look, USUAL_WIDTH};

/// Writes text to standard output. A reader that has closed the pipe has read enough: no error.
pub fn say(text: &str) -> Result<(), Error> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(Error::write(Path::new("standard output"), e)),
        _ => Ok(()),
    }
}

/// One line on standard error. If even that can't be written, the exit code has to do.
pub fn complain(text: &str) {
    let _ = writeln!(io::stderr(), "error: {}", printable(text));
}

/// One line on standard error about what is no error.
pub fn remark(text: &str) {
    let _ = writeln!(io::stderr(), "{}", printable(text));
}

/// What standard output can show: its width and colour if it is a terminal, else neither.
pub fn look() -> Look {
    if !io::stdout().is_terminal() {
        return Look::PLAIN;
    }
    let columns = comfy_table::Table::new().width().unwrap_or(USUAL_WIDTH);
    Look { width: columns, colour: colour_wanted(), unicode: unicode() }
}

/// Whether the terminal is said to show letters beyond ASCII, by the first of these that is set (POSIX, chapter 8.2);
/// without any it is not.
pub fn unicode() -> bool {
    let set = |name: &&str| std::env::var(name).ok().filter(|value| !value.is_empty());
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].iter().find_map(set).unwrap_or_default().to_ascii_lowercase();
    cfg!(windows) || locale.contains("utf-8") || locale.contains("utf8")
}

/// NO_COLOR, if set to anything, and terminals that call themselves dumb want none.
pub fn colour_wanted() -> bool {
    let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
    set("NO_COLOR").is_none() && set("TERM").is_none_or(|term| term != "dumb")
}
