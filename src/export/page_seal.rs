//! A mark by which a page is known for one of ours that nobody has changed: a comment at its end with the SHA-256 of all
//! before it. Only such a page is ever replaced.

use std::fs;
use std::io;
use std::path::Path;

use sha2::{Digest, Sha256};

use super::disk;
use crate::Error;

/// The report in a result folder. It is made from the folder's evidence and may be made again at any time, so the run
/// record does not list it.
pub const REPORT: &str = "report.html";

const BEGIN: &str = "<!-- quorate/report/1 sha256 ";
const END: &str = " -->\n";

/// The page with its seal.
pub fn sealed(page: &str) -> String {
    format!("{page}{BEGIN}{}{END}", hash(page))
}

/// Whether a plain file is there, ours, and unchanged.
pub fn is_ours(path: &Path) -> Result<bool, Error> {
    // a pipe would be waited for
    if !disk::is_plain(path) {
        return Ok(false);
    }
    match fs::read(path) {
        Ok(bytes) => Ok(holds(&bytes)),
        Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => Ok(false),
        Err(e) => Err(Error::read(path, e)),
    }
}

fn holds(bytes: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else { return false };
    let Some((page, seal)) = text.rfind(BEGIN).map(|at| text.split_at(at)) else { return false };
    seal.strip_prefix(BEGIN).and_then(|rest| rest.strip_suffix(END)) == Some(hash(page).as_str())
}

fn hash(page: &str) -> String {
    Sha256::digest(page.as_bytes()).iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_changed_letter_breaks_the_seal() {
        let page = sealed("<!DOCTYPE html>\n<p>high water 6.12</p>\n");
        assert!(holds(page.as_bytes()));
        assert!(holds(sealed(&page).as_bytes()));
        for (before, after) in [("6.12", "6.13"), ("report/1", "report/2"), ("-->\n", "-->")] {
            assert!(!holds(page.replacen(before, after, 1).as_bytes()), "{before}");
        }
        assert!(!holds(b"<!DOCTYPE html>\n<p>of the user</p>\n"));
        assert!(!holds(b""));
    }
}
