//! What would help most with a program that is not established, in sentences.

use std::ops::Range;

use super::apart::Why;
use super::{DecidedBlock, Received};
use crate::report::words::list;

/// What a program lacks.
pub(super) struct Missing {
    /// Other blocks lie in the same place.
    pub beside: Option<Why>,
    /// The checksum on the tape does not fit.
    pub checksum: bool,
    /// Nobody heard the header, or where the data begins.
    pub start: bool,
    /// Nobody heard the end of the data.
    pub end: bool,
    /// The last byte is not settled.
    pub last: bool,
    /// Bytes that were recorded are not settled.
    pub bytes: bool,
    /// There are more bytes than the header announces.
    pub other_length: bool,
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
    if missing.checksum {
        return one("Nothing on this tape can settle it; another recording of the same program could.");
    }
    if data.is_empty() {
        return one("Play the tape past this header again: no take holds the data that belongs to it.");
    }
    if missing.other_length {
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
                "{} too late for its header: start the tape well before this place.",
                verb(late, "starts", "start")
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
    let pulses = places.iter().all(|p| received[p.0].is_pulses());
    if pulses && (missing.bytes || out.is_empty()) {
        out.push(PULSES.into());
        return out;
    }
    let silent = silent(blocks, data);
    if silent > 0 && places.len() > 1 {
        let bytes = if silent == 1 { "1 byte is".into() } else { format!("{silent} bytes are") };
        out.push(format!(
            "{bytes} silent in every take: clean tape path and head, try a deck with a wider track or another azimuth, and \
             play it again."
        ));
    } else if missing.bytes || out.is_empty() {
        out.push(
            "Another play of the tape would help most, with the azimuth set by ear for the brightest tone.".into(),
        );
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
