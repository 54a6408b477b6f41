//! What would help most with a program that is not established, in sentences, and whether more plays can settle it: told
//! once here, for the verdict, `quorate next` and the report alike.

use std::ops::Range;

use super::apart::Why;
use super::{DecidedBlock, Received, explanation};
use crate::confidence::Rivalling;
use crate::report::words::list;

/// What a program lacks.
pub(super) struct Missing {
    /// Other blocks lie in the same place.
    pub beside: Option<Why>,
    /// Another explanation, from which most of the doubt about a block comes.
    pub rivalling: Option<Rivalling>,
    /// The checksum on the tape does not fit.
    pub checksum: Option<Checksum>,
    /// Nobody heard the header, or where the data begins.
    pub start: bool,
    /// Nobody heard the end of the data.
    pub end: bool,
    /// The last byte is not settled.
    pub last: bool,
    /// Bytes that were recorded are not settled.
    pub bytes: bool,
    /// There are fewer or more bytes than the header announces.
    pub other_length: Option<OtherLength>,
}

/// A checksum that does not fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Checksum {
    /// What was recorded is clear: it was written wrong.
    Written,
    /// It may as well be that a byte is misheard.
    Unclear,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OtherLength {
    Missing,
    /// There are more, and the header is clear.
    More,
    /// There are more, and the header is not clear.
    Unclear,
}

/// Whether more plays of the tape can settle a program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outlook {
    /// The evidence has established it.
    Settled,
    /// Every further play adds to what is there already.
    Plays,
    /// A part is missing that a play may bring, so that none can be made up from what is there; which.
    Part(&'static str),
    /// No play of this tape, and why.
    Never(&'static str),
}

/// Why no play settles what takes of different recordings hold.
pub(super) const OTHER_RECORDINGS: &str = "its takes hold different recordings, each of them surely";

/// From this chance on a wrong checksum is taken as written.
pub(super) const WRITTEN: f64 = 0.99;
/// A header in more doubt than this announces nothing.
pub(super) const CLEAR: f64 = 0.01;

/// What can be expected of more plays. `data`: whether any take holds the program's data.
pub(super) fn outlook(missing: &Missing, data: bool, header: bool) -> Outlook {
    match missing.beside {
        Some(Why::CopiesDiffer) => return Outlook::Never("its two copies were written differently, and both are read"),
        Some(Why::OtherRecording) => {
            return Outlook::Never(OTHER_RECORDINGS);
        }
        None => {}
    }
    match (missing.checksum, missing.other_length) {
        (Some(Checksum::Written), _) => {
            Outlook::Never("the checksum on the tape does not fit the bytes on the tape, however often it is played")
        }
        _ if !data => Outlook::Part("no take holds its data"),
        (_, Some(OtherLength::More)) => {
            Outlook::Never("the header announces another length than the data has, however often it is played")
        }
        (_, Some(OtherLength::Unclear)) => {
            Outlook::Part("the header is not heard well enough to tell how long the data is")
        }
        (_, Some(OtherLength::Missing)) => Outlook::Part("no take has as many bytes as the header announces"),
        _ if !header => Outlook::Part("its header was not heard; a take that hears it may settle it"),
        _ if missing.start => Outlook::Part("no take heard where its data begins"),
        _ if missing.end => Outlook::Part("no take heard where its data ends"),
        (Some(Checksum::Unclear), _) => {
            Outlook::Part("its checksum was written wrong or a byte is misheard: that has to be known first")
        }
        (None, None) => Outlook::Plays,
    }
}

/// Seconds that a header takes before its data, at least: in the twin-copy format two copies of 202 bytes of 9.57 ms and a
/// leader of 2 s. A take that begins later than this before the data has missed it.
const HEADER_S: f64 = 6.0;
/// A reading that ends so near the end of its take was cut off by it.
const CUT_S: f64 = 0.5;
const PULSES: &str = "A pulse image has lost the waveform: record the sound of the tape itself.";

/// What would help most, the first thing first. `data` are the program's data blocks with the bytes of each that belong to
/// it, `places` where it lies: take, seconds from and to.
pub(super) fn advice(
    missing: &Missing,
    outlook: &Outlook,
    blocks: &[DecidedBlock],
    data: &[(usize, Range<usize>)],
    places: &[(usize, f64, f64)],
    received: &[Received],
) -> Vec<String> {
    let one = |text: &str| vec![text.to_string()];
    match missing.beside {
        Some(Why::CopiesDiffer) => {
            return one("Playing it again settles nothing: both copies are read. Try both, and keep both.");
        }
        Some(Why::OtherRecording) => {
            return one(
                "Find out which takes are of this tape as it is meant: one may be of another tape, or made before or \
                 after this one was recorded over. Takes of one recording alone can establish it.",
            );
        }
        None => {}
    }
    if missing.checksum == Some(Checksum::Written) {
        return one("Nothing on this tape can settle it; another recording of the same program could.");
    }
    if data.is_empty() {
        return one("Play the tape past this header again: no take holds the data that belongs to it.");
    }
    if matches!(outlook, Outlook::Never(_)) {
        return one("No play of this tape can settle it; another recording of the same program could.");
    }
    let mut out = Vec::new();
    let takes = |wanted: &dyn Fn(&(usize, f64, f64)) -> bool| -> Vec<String> {
        places.iter().filter(|p| wanted(p)).map(|p| format!("take-{}", p.0 + 1)).collect()
    };
    let verb = |takes: &[String], one: &str, many: &str| {
        format!("{} {}", list(takes), if takes.len() == 1 { one } else { many })
    };
    if missing.start {
        let late = takes(&|&(_, from_s, _)| from_s < HEADER_S);
        out.push(match late.as_slice() {
            [] => "Play it again from well before this place: what stands before the data was not heard.".into(),
            late => format!(
                "{} too late for what stands before its data: start the tape well before this place.",
                verb(late, "may start", "may start")
            ),
        });
    }
    let early = takes(&|&(take, _, to_s)| received[take].duration_s - to_s < CUT_S);
    if missing.end || (missing.last && !early.is_empty()) {
        out.push(match early.as_slice() {
            [] => "Play this place again: where its data ends was not heard.".into(),
            early => format!("{} too early: let the tape run on past this place.", verb(early, "stops", "stop")),
        });
    }
    if let Some(rivalling) = missing.rivalling.as_ref().filter(|_| missing.checksum.is_none()) {
        out.push(explanation::cure(rivalling));
        return out;
    }
    let pulses = places.iter().all(|p| received[p.0].is_pulses());
    if pulses && (missing.bytes || out.is_empty()) {
        out.push(PULSES.into());
        return out;
    }
    if missing.checksum.is_some() {
        out.push(
            "Play it again: only then will it show whether the checksum was written wrong or a byte is misheard."
                .into(),
        );
        return out;
    }
    let silent = silent(blocks, data);
    if silent > 0 && places.len() > 1 {
        let bytes = if silent == 1 { "1 byte is".to_string() } else { format!("{silent} bytes are") };
        out.push(format!(
            "{bytes} silent in every take that covers them: clean tape path and head, try a deck with a wider track or \
             another azimuth, and play it again."
        ));
    } else if missing.bytes || out.is_empty() {
        out.push("Another play of the tape would help most.".into());
    }
    out
}

/// Bytes of which no vote of any take says anything: damage of the tape, or outside all takes.
fn silent(blocks: &[DecidedBlock], data: &[(usize, Range<usize>)]) -> usize {
    let of_block = |(block, range): &(usize, Range<usize>)| {
        let block = &blocks[*block].block;
        let width = block.votes.first().map_or(9, |v| v.bits.len() / block.bytes.max(1));
        let says_nothing = |byte: &usize| {
            let bits = byte * width..(byte + 1) * width;
            block.votes.iter().all(|v| v.bits[bits.clone()].iter().all(|l| l.0.abs() < 0.5))
        };
        range.clone().filter(says_nothing).count()
    };
    data.iter().map(of_block).sum()
}
