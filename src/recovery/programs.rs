//! From decided blocks to programs with verdicts and reasons.

use super::advice::{CLEAR, Checksum, Missing, OtherLength, Outlook, WRITTEN, advice, outlook};
use super::apart;
use super::explanation;
use super::outcome::round;
use super::{DecidedBlock, Received, block_bytes};
use crate::confidence::verdict::LEAST_P_WRONG;
use crate::confidence::{Class, ESTABLISHED_BELOW, Level, Rivalling, WEAK_BIT, level, score};
use crate::consensus::TakeReadings;
use crate::correction::hypotheses::{OBEYS, WRONG_CHECKSUM};
use crate::report::verdict::{BlockVerdict, ByteCounts};
use crate::report::words;
use crate::tape::{Assembly, Format, Kind, Program, basic};

/// Chance that bytes stand in the wrong place where no take heard their block begin or end. A judgement: as well as not.
const NOWHERE: f64 = 0.5;
/// Chance that what the tape itself contradicts, by a checksum or a length, was misread in a way that no vote shows, such as a
/// byte that the play skipped in both copies. A judgement.
const CONTRADICTED: f64 = 0.01;

/// A program with everything that is said of it.
pub(super) struct Claimed {
    pub program: Program,
    pub header_rest: Vec<u8>,
    pub level: Level,
    pub p_wrong: f64,
    pub counts: ByteCounts,
    pub classes: Vec<Class>,
    pub byte_p_wrong: Vec<f64>,
    pub weak_bits: usize,
    pub takes: Vec<usize>,
    pub notes: Vec<String>,
    pub obstacles: Vec<String>,
    pub advice: Vec<String>,
    pub outlook: Outlook,
    pub places: Vec<(usize, f64, f64)>,
    pub blocks: Vec<BlockVerdict>,
    pub header: Option<usize>,
    pub header_fields: std::ops::Range<usize>,
    pub data: Vec<(usize, std::ops::Range<usize>)>,
    pub placed: bool,
}

/// All programs on one tape, in tape order. Where several blocks lie in one place, each has a program of its own.
pub(super) fn claim(
    blocks: &[DecidedBlock],
    format: &dyn Format,
    takes: &[TakeReadings],
    received: &[Received],
) -> Vec<Claimed> {
    let bytes: Vec<_> = blocks.iter().map(block_bytes).collect();
    let ways = apart::ways(blocks);
    let mut all: Vec<(usize, usize, Assembly)> = Vec::new();
    for (number, way) in ways.iter().enumerate() {
        let theirs: Vec<_> = way.iter().map(|&i| bytes[i].clone()).collect();
        for mut assembly in format.assemble(&theirs) {
            assembly.header = assembly.header.map(|h| way[h]);
            assembly.data.iter_mut().for_each(|d| d.0 = way[d.0]);
            // the blocks that are the same in every way make the same programs
            let new = |i: &usize| !ways[0].contains(i);
            let first = members(&assembly).first().map(|&i| apart::place(blocks, i).start);
            if number == 0 || members(&assembly).iter().any(new) {
                all.push((first.unwrap_or(0), number, assembly));
            }
        }
    }
    all.sort_by_key(|(first, number, _)| (*first, *number));
    all.into_iter().map(|(_, _, a)| one(a, blocks, format, takes, received)).collect()
}

/// Its blocks, header first.
fn members(assembly: &Assembly) -> Vec<usize> {
    assembly.header.iter().copied().chain(assembly.data.iter().map(|d| d.0)).collect()
}

fn one(
    assembly: Assembly,
    blocks: &[DecidedBlock],
    format: &dyn Format,
    takes: &[TakeReadings],
    received: &[Received],
) -> Claimed {
    let width = format.grammar().bits_per_byte;
    let value = format.data_bits();
    let placed =
        |index: usize| assembly.header.is_none() || begins(&blocks[index], takes) || ends(&blocks[index], takes);
    let (mut bytes, mut classes, mut byte_p_wrong) = (Vec::new(), Vec::new(), Vec::new());
    let mut weak_bits = 0;
    let mut right = 1.0f64;
    let mut doubt = 0.0f64;
    let mut add = |p: f64| {
        doubt += p;
        right *= 1.0 - p;
    };
    for (index, range) in &assembly.data {
        let d = &blocks[*index].decided;
        bytes.extend_from_slice(&d.bytes[range.clone()]);
        if !placed(*index) {
            // what stands there was read, but which byte of the program it is nobody knows
            classes.extend(std::iter::repeat_n(Class::Unresolved, range.len()));
            byte_p_wrong.extend(d.byte_p_wrong[range.clone()].iter().map(|p| p.max(NOWHERE)));
            weak_bits += range.len() * value.len();
            add(d.p_wrong.max(NOWHERE));
            continue;
        }
        classes.extend_from_slice(&d.classes[range.clone()]);
        byte_p_wrong.extend_from_slice(&d.byte_p_wrong[range.clone()]);
        for byte in range.clone() {
            let bits = &d.posterior[byte * width..(byte + 1) * width];
            weak_bits += value.clone().filter(|&k| bits[k].p_wrong() > WEAK_BIT).count();
        }
        add(d.p_wrong);
    }
    let header = assembly.header.map(|h| &blocks[h].decided);
    // only the fields that name, place and size hang on; the filler behind them is kept but claims nothing
    let header_doubt = header
        .map_or(0.0, |h| h.byte_p_wrong[assembly.header_fields.clone()].iter().sum::<f64>().min(h.p_wrong).min(1.0));
    add(header_doubt);
    let missing = assembly.announced.filter(|&n| n > bytes.len()).map_or(0, |n| n - bytes.len());
    if missing > 0 {
        bytes.resize(bytes.len() + missing, 0);
        classes.resize(classes.len() + missing, Class::Unresolved);
        byte_p_wrong.resize(byte_p_wrong.len() + missing, 255.0 / 256.0);
        weak_bits += missing * value.len();
        add(1.0);
    }
    let members = members(&assembly);
    let wrong_checksum = members.iter().any(|&m| blocks[m].decided.wrong_checksum);
    let other_length = assembly.announced.filter(|&n| n != bytes.len());
    if wrong_checksum || other_length.is_some() {
        add(CONTRADICTED);
    }
    // the sum is exact where it matters (small), the product bounds it where it is not
    let p_wrong = doubt.min(1.0 - right + 1e-12).clamp(LEAST_P_WRONG, 1.0);
    let mut notes = assembly.notes.clone();
    let mut obstacles = Vec::new();
    if wrong_checksum {
        let text = "The bytes are as recorded, but the checksum on the tape does not fit them: most probably it was \
                    written wrong.";
        notes.push(text.into());
        obstacles.push(text.into());
    }
    let shared: Vec<usize> = members.iter().copied().filter(|&m| blocks[m].beside.is_some()).collect();
    for &m in &shared {
        let text = apart::words(blocks, m, Some(m) == assembly.header);
        notes.push(text.clone());
        obstacles.push(text);
    }
    let cut = assembly.data.iter().any(|(i, _)| !blocks[*i].block.length_known);
    if cut {
        obstacles.push("No take heard the end of the data: bytes may be missing.".into());
    }
    if !assembly.ended {
        obstacles.push("The data has no end mark: blocks behind the last that was read may be missing.".into());
    }
    // without its header nothing outside the block itself says how long it is: a slip of whole bytes can pass its checks
    let headless = assembly.header.is_none();
    if headless {
        obstacles.push("The header was not found, so nothing confirms where the data begins and ends.".into());
    }
    let unframed = assembly.data.iter().any(|(i, _)| !begins(&blocks[*i], takes));
    let placed = assembly.data.iter().all(|(i, _)| placed(*i));
    if !placed {
        let text = "No take heard where the data begins or where it ends: all of it may lie some bytes aside.";
        obstacles.push(text.into());
    } else if unframed {
        obstacles.push("No take heard where the data begins: the first bytes may be missing.".into());
    }
    if let Some(n) = other_length {
        let text = format!("The header announces {n} bytes, the data block holds {}.", bytes.len());
        notes.push(text.clone());
        obstacles.push(text);
    }
    let contradicted = headless || wrong_checksum || !shared.is_empty() || other_length.is_some();
    let complete = !cut && assembly.ended && !unframed && missing == 0 && !bytes.is_empty();
    let level = level(&classes, p_wrong, complete, contradicted);
    let count = |class: Class| classes.iter().filter(|&&c| c == class).count();
    let counts = ByteCounts {
        agreed: count(Class::Agreed),
        corrected: count(Class::Corrected),
        inferred: count(Class::Inferred),
        unresolved: count(Class::Unresolved),
    };
    if assembly.kind == Kind::Basic
        && let Some(address) = assembly.load_address
    {
        let listing = basic::list(&bytes, address);
        if !listing.links_hold {
            notes.push(
                "The line links do not all hold: the text was moved, edited by a program, or is not BASIC.".into(),
            );
        }
    }
    let used: Vec<usize> = {
        let mut t: Vec<usize> = members.iter().flat_map(|&m| blocks[m].block.votes.iter().map(|v| v.take)).collect();
        t.sort_unstable();
        t.dedup();
        t
    };
    if level != Level::Established && header_doubt >= ESTABLISHED_BELOW {
        let wrong = words::chance(header_doubt);
        obstacles.push(format!(
            "Name, kind, place and size hang on a header that is in doubt (a wrong byte in it: {wrong})."
        ));
    }
    // a block that shares its place is told of above
    let doubted = |&m: &usize| {
        let doubt = if Some(m) == assembly.header { header_doubt } else { blocks[m].decided.p_wrong };
        blocks[m].beside.is_none() && doubt >= ESTABLISHED_BELOW
    };
    // that the checksum may be right after all is said with the checksum
    let rivalling: Vec<(usize, &Rivalling)> = members
        .iter()
        .copied()
        .filter(|m| level != Level::Established && doubted(m))
        .filter_map(|m| Some((m, blocks[m].decided.rivalling.as_ref().filter(|r| r.name != OBEYS)?)))
        .collect();
    for &(m, rivalling) in &rivalling {
        obstacles.push(explanation::sentence(rivalling, if Some(m) == assembly.header { "header" } else { "data" }));
    }
    if counts.inferred + counts.unresolved > 0 {
        obstacles.push(format!(
            "{} not settled{}.",
            plural(counts.inferred + counts.unresolved, "byte is", "bytes are"),
            first_doubt(&classes).map_or(String::new(), |at| format!(", the first at offset {}", words::offset(at)))
        ));
    } else if level != Level::Established && p_wrong >= ESTABLISHED_BELOW {
        obstacles.push(format!("The chance of a wrong byte is {}.", score::chance(p_wrong)));
    }
    let places: Vec<(usize, f64, f64)> = used
        .iter()
        .map(|&t| {
            let mine = || {
                members.iter().flat_map(|&m| &blocks[m].block.votes).filter(|v| v.take == t).map(|v| {
                    let r = &takes[t].readings[v.reading];
                    (r.from_s(), r.to_s())
                })
            };
            let from = mine().map(|p| p.0).fold(f64::INFINITY, f64::min);
            let to = mine().map(|p| p.1).fold(0.0, f64::max);
            (t, round(from), round(to))
        })
        .collect();
    let written = |&&m: &&usize| {
        let weighed = &blocks[m].decided.hypotheses;
        weighed.iter().any(|h| h.hypothesis.name == WRONG_CHECKSUM && h.posterior > WRITTEN)
    };
    let faulty: Vec<usize> = members.iter().copied().filter(|&m| blocks[m].decided.wrong_checksum).collect();
    let unsettled = counts.inferred + counts.unresolved;
    let missing = Missing {
        beside: members.iter().find_map(|&m| blocks[m].beside.as_ref().map(|b| b.why)),
        rivalling: rivalling.iter().map(|(_, r)| *r).reduce(|a, b| if b.chance > a.chance { b } else { a }).cloned(),
        checksum: match faulty.iter().filter(written).count() == faulty.len() && unsettled == 0 {
            _ if !wrong_checksum => None,
            true => Some(Checksum::Written),
            false => Some(Checksum::Unclear),
        },
        start: headless || unframed,
        end: cut || !assembly.ended || missing > 0,
        last: matches!(classes.last(), Some(Class::Inferred | Class::Unresolved)),
        bytes: unsettled > missing,
        other_length: match assembly.announced {
            Some(_) if missing > 0 => Some(OtherLength::Missing),
            Some(n) if n < bytes.len() => {
                let clear = header.is_none_or(|h| h.p_wrong < CLEAR);
                Some(if clear { OtherLength::More } else { OtherLength::Unclear })
            }
            _ => None,
        },
    };
    let (outlook, advice) = if level == Level::Established {
        (Outlook::Settled, Vec::new())
    } else {
        let outlook = outlook(&missing, !assembly.data.is_empty(), !headless);
        let advice = advice(&missing, &outlook, blocks, &assembly.data, &places, received);
        (outlook, advice)
    };
    let block_verdicts = members
        .iter()
        .map(|&m| {
            let b = &blocks[m];
            BlockVerdict {
                role: if Some(m) == assembly.header { "header".into() } else { "data".into() },
                bytes: b.block.bytes,
                readings: b.block.votes.len(),
                p_wrong: b.decided.p_wrong,
                hypotheses: b.decided.hypotheses.clone(),
                certificate: b.decided.certificate.clone(),
            }
        })
        .collect();
    let header_rest = header.map_or(Vec::new(), |h| h.bytes.get(21..192).unwrap_or(&[]).to_vec());
    Claimed {
        program: Program { kind: assembly.kind, name: assembly.name, load_address: assembly.load_address, bytes },
        header_rest,
        level,
        p_wrong,
        counts,
        classes,
        byte_p_wrong,
        weak_bits,
        takes: used,
        notes,
        obstacles,
        advice,
        outlook,
        places,
        blocks: block_verdicts,
        header: assembly.header,
        header_fields: assembly.header_fields,
        data: assembly.data,
        placed,
    }
}

/// Whether a take heard the first byte of a block behind its sync sequence.
fn begins(block: &DecidedBlock, takes: &[TakeReadings]) -> bool {
    block.block.votes.iter().any(|v| takes[v.take].readings[v.reading].framed())
}

/// Whether a take heard the block end at its last byte.
fn ends(block: &DecidedBlock, takes: &[TakeReadings]) -> bool {
    block.block.votes.iter().any(|v| {
        let r = &takes[v.take].readings[v.reading];
        let last =
            |&(from, to, place): &(usize, usize, usize)| to == r.bytes() && place + to - from == block.block.bytes;
        r.end.is_some() && v.stretches.iter().any(last)
    })
}

fn first_doubt(classes: &[Class]) -> Option<usize> {
    classes.iter().position(|c| matches!(c, Class::Inferred | Class::Unresolved))
}

fn plural(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
