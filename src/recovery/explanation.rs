//! Another explanation of a block than the one it was decided by, where most of the doubt comes from it: in words, and what would
//! tell which is true.

use crate::confidence::{Apart, Rivalling, score};
use crate::correction::hypotheses::{COPIES_DIFFER, NOT_IN_FORMAT, OTHER_RECORDING, WRONG_CHECKSUM};
use crate::report::words;

/// What may be true of a block, `part` of a program, instead.
pub fn sentence(rivalling: &Rivalling, part: &str) -> String {
    let what = match rivalling.name {
        OTHER_RECORDING => format!("The takes may hold different recordings of the {part}{}", against(rivalling)),
        COPIES_DIFFER => format!("The two copies of the {part} may have been written differently"),
        WRONG_CHECKSUM => format!("The {part} may have been written with a wrong checksum"),
        NOT_IN_FORMAT => format!("The {part} may not be in this format at all"),
        _ => format!("A byte of the {part} may be misheard and its checksum right"),
    };
    format!("{what} (chance: {}): most of the doubt comes from that.", score::chance(rivalling.chance))
}

/// What would show which explanation is true.
pub fn cure(rivalling: &Rivalling) -> String {
    match rivalling.name {
        OTHER_RECORDING => {
            let without = takes(rivalling).map_or(String::new(), |takes| format!(" without {takes}"));
            format!(
                "Find out whether all takes are of one recording: recover it again{without} and compare, and play the tape \
                 once more."
            )
        }
        COPIES_DIFFER => {
            "Play it again: a take that hears both copies well shows whether they were written alike.".into()
        }
        NOT_IN_FORMAT => {
            "Look whether a machine that `quorate formats` lists wrote this part of the tape; if one did, a clearer \
                          take shows it."
                .into()
        }
        _ => {
            "Play it again: only then will it show whether the checksum was written wrong or a byte is misheard.".into()
        }
    }
}

fn against(rivalling: &Rivalling) -> String {
    takes(rivalling).map_or(String::new(), |takes| format!(", {takes} against the others"))
}

/// The takes that may hold another recording.
fn takes(rivalling: &Rivalling) -> Option<String> {
    let Some(Apart::Recordings(takes)) = &rivalling.apart else { return None };
    let ids: Vec<String> = takes.iter().map(|take| format!("take-{}", take + 1)).collect();
    Some(words::list(&ids))
}
