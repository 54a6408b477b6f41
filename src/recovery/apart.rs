//! Blocks that share one place of a tape: copies that were written differently, takes of different recordings. Each is
//! decided by itself, from its own readings alone, and never mixed with the other.

use super::DecidedBlock;
use crate::Error;
use crate::confidence::{Apart, Rivalling};
use crate::consensus::{Block, Vote};
use crate::correction::hypotheses::{COPIES_DIFFER, OTHER_RECORDING};

/// Said of a block that shares its place with others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Beside {
    pub why: Why,
    /// 0 for the one that goes with the blocks around it, then the others.
    pub nth: usize,
    /// How many share the place.
    pub of: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    CopiesDiffer,
    OtherRecording,
}

/// Whether the readings of a block may be of two.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum MayBe {
    One,
    Two,
}

/// Two blocks that overlap for this share of the shorter lie in one place.
const ONE_PLACE: f64 = 0.5;
/// Least doubt about a block whose readings spoke for two that then said the same: it is not established. A judgement.
const SPLIT: f64 = 1e-4;
/// A block in more doubt than this contradicts nobody.
const CREDIBLE: f64 = 0.5;

/// Parts the blocks whose readings are of two blocks, and marks all that share a place. `decide` decides a block, which may be
/// two or is known to be one.
pub(super) fn part(
    blocks: Vec<DecidedBlock>,
    decide: &impl Fn(Block, MayBe) -> Result<DecidedBlock, Error>,
) -> Result<Vec<DecidedBlock>, Error> {
    let mut out = Vec::new();
    for block in blocks {
        part_one(block, decide, &mut out)?;
    }
    Ok(mark(out))
}

fn part_one(
    whole: DecidedBlock,
    decide: &impl Fn(Block, MayBe) -> Result<DecidedBlock, Error>,
    out: &mut Vec<DecidedBlock>,
) -> Result<(), Error> {
    let Some((apart, chance)) = &whole.decided.apart else {
        out.push(whole);
        return Ok(());
    };
    let why = if *apart == Apart::Copies { Why::CopiesDiffer } else { Why::OtherRecording };
    let second = |v: &Vote| match apart {
        Apart::Copies => v.copy > 0,
        Apart::Recordings(takes) => takes.contains(&v.take),
    };
    let side = |side: bool| {
        let votes: Vec<Vote> = whole.block.votes.iter().filter(|v| second(v) == side).cloned().collect();
        decide(Block { votes, ..whole.block.clone() }, MayBe::Two)
    };
    let sides = [side(false)?, side(true)?];
    if differing(&sides[0], &sides[1]) == 0 {
        // each by itself they say the same: one block, of which something in the readings still speaks for two
        let name = if why == Why::CopiesDiffer { COPIES_DIFFER } else { OTHER_RECORDING };
        let rivalling = Rivalling { name, chance: SPLIT, apart: Some(apart.clone()) };
        let mut one = decide(whole.block, MayBe::One)?;
        if one.decided.p_wrong < SPLIT {
            (one.decided.p_wrong, one.decided.rivalling) = (SPLIT, Some(rivalling));
        }
        out.push(one);
        return Ok(());
    }
    for mut part in sides {
        // if there is one block after all, it is the one that all readings together give
        if part.decided.bytes != whole.decided.bytes {
            part.decided.p_wrong = (part.decided.p_wrong + 1.0 - *chance).min(1.0);
        }
        let mut inner = Vec::new();
        part_one(part, decide, &mut inner)?;
        for mut part in inner {
            part.beside.get_or_insert(Beside { why, nth: 0, of: 1 });
            // what the readings of this place were weighed by
            part.decided.hypotheses = whole.decided.hypotheses.clone();
            out.push(part);
        }
    }
    Ok(())
}

/// Counts the blocks of every place, the one that speaks for it first.
fn mark(blocks: Vec<DecidedBlock>) -> Vec<DecidedBlock> {
    let mut places: Vec<Vec<DecidedBlock>> = Vec::new();
    for block in blocks {
        match places.last_mut() {
            Some(place) if shares(&place[0], &block) => place.push(block),
            _ => places.push(vec![block]),
        }
    }
    for place in places.iter_mut().filter(|p| p.len() > 1) {
        // the recording that most takes hold, then what obeys its checks, then the first copy
        place.sort_by_key(|b| {
            let copies = b.beside.as_ref().is_some_and(|b| b.why == Why::CopiesDiffer);
            let takes = if copies { 0 } else { b.block.takes().len() };
            let sound = !b.decided.wrong_checksum && b.decided.p_wrong < CREDIBLE;
            let copy = b.block.votes.iter().map(|v| v.copy).min();
            (std::cmp::Reverse(takes), !sound, copy, b.block.takes())
        });
        let of = place.len();
        for (nth, block) in place.iter_mut().enumerate() {
            let why = block.beside.as_ref().map_or(Why::OtherRecording, |b| b.why);
            block.beside = Some(Beside { why, nth, of });
        }
    }
    places.into_iter().flatten().collect()
}

/// Whether two blocks contradict each other in one place of the tape.
fn shares(a: &DecidedBlock, b: &DecidedBlock) -> bool {
    if a.beside.is_some() && b.beside.is_some() {
        // parted from one
        return (a.block.from_s, a.block.to_s) == (b.block.from_s, b.block.to_s);
    }
    let overlap = a.block.to_s.min(b.block.to_s) - a.block.from_s.max(b.block.from_s);
    let shorter = (a.block.to_s - a.block.from_s).min(b.block.to_s - b.block.from_s);
    let credible = |x: &DecidedBlock| x.decided.p_wrong < CREDIBLE;
    let takes = a.block.takes();
    let apart = b.block.takes().iter().all(|t| !takes.contains(t));
    apart && credible(a) && credible(b) && shorter > 0.0 && overlap > ONE_PLACE * shorter
}

/// The blocks that share a place with number `index`, itself included.
pub fn place(blocks: &[DecidedBlock], index: usize) -> std::ops::Range<usize> {
    match blocks.get(index).and_then(|b| b.beside.as_ref()) {
        Some(beside) => index - beside.nth..index - beside.nth + beside.of,
        None => index..index + 1,
    }
}

/// One way to put the tape together: the main blocks, and ways in which all that are apart for one reason are taken
/// instead. Numbers of blocks in tape order; in the first list the block that speaks for each place.
pub(super) fn ways(blocks: &[DecidedBlock]) -> Vec<Vec<usize>> {
    let main: Vec<usize> =
        (0..blocks.len()).filter(|&i| blocks[i].beside.as_ref().is_none_or(|b| b.nth == 0)).collect();
    // second copies together; recordings by the takes that hold them
    let key = |i: usize| {
        let beside = blocks[i].beside.as_ref()?;
        let takes = if beside.why == Why::CopiesDiffer { Vec::new() } else { blocks[i].block.takes() };
        Some((beside.nth, takes))
    };
    let mut keys: Vec<_> = (0..blocks.len()).filter_map(key).filter(|k| k.0 > 0).collect();
    keys.sort();
    keys.dedup();
    let way = |k: &(usize, Vec<usize>)| {
        main.iter().map(|&i| place(blocks, i).find(|&j| key(j).as_ref() == Some(k)).unwrap_or(i)).collect()
    };
    let others: Vec<Vec<usize>> = keys.iter().map(way).collect();
    std::iter::once(main).chain(others).collect()
}

/// What is said of a block that shares its place.
pub(super) fn words(blocks: &[DecidedBlock], index: usize, header: bool) -> String {
    let Some(beside) = &blocks[index].beside else { return String::new() };
    let others: Vec<usize> = place(blocks, index).filter(|&i| i != index).collect();
    let part = if header { "header" } else { "data" };
    let differ: Vec<usize> = others.iter().map(|&i| differing(&blocks[index], &blocks[i])).collect();
    let most = differ.iter().copied().max().unwrap_or(0);
    let bytes = format!("{most} {}", if most == 1 { "byte differs" } else { "bytes differ" });
    let copy = |b: &DecidedBlock| b.block.votes.first().map_or(0, |v| v.copy);
    let checksum =
        |b: &DecidedBlock| if b.decided.wrong_checksum { "fails its checksum" } else { "obeys its checksum" };
    match beside.why {
        Why::CopiesDiffer => {
            let which = |b: &DecidedBlock| if copy(b) == 0 { "first" } else { "second" };
            let sound: Vec<String> = place(blocks, index)
                .map(|i| format!("the {} copy {}", which(&blocks[i]), checksum(&blocks[i])))
                .collect();
            format!(
                "The two copies of the {part} on this tape were written differently: {bytes}, and {}. This is the {} copy \
                 as recorded; the other is given out beside it.",
                sound.join(", "),
                which(&blocks[index])
            )
        }
        Why::OtherRecording => {
            let takes = |i: usize| {
                let ids: Vec<String> = blocks[i].block.takes().iter().map(|t| format!("take-{}", t + 1)).collect();
                ids.join(", ")
            };
            let theirs: Vec<String> = others.iter().map(|&i| takes(i)).collect();
            format!(
                "The takes hold different recordings of the {part}: {bytes} ({} against {}). This is what {} heard, and it \
                 {}; the other is given out beside it. They were not mixed.",
                takes(index),
                theirs.join(" and "),
                takes(index),
                checksum(&blocks[index])
            )
        }
    }
}

/// Bytes of the payload in which two blocks differ.
fn differing(a: &DecidedBlock, b: &DecidedBlock) -> usize {
    let payload = |b: &DecidedBlock| b.decided.bytes[..b.decided.bytes.len().saturating_sub(1)].to_vec();
    let (a, b) = (payload(a), payload(b));
    a.iter().zip(&b).filter(|(x, y)| x != y).count() + a.len().abs_diff(b.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Llr;
    use crate::confidence;
    use crate::tape::{TwinCopy, twin_copy};

    fn vote(copy: usize, payload: &[u8]) -> Vote {
        let check = payload.iter().fold(0, |sum, byte| sum ^ byte);
        let bits = payload.iter().chain([&check]).flat_map(|&byte| twin_copy::byte_bits(byte));
        let bits = bits.map(|bit| Llr(if bit { 6.0 } else { -6.0 })).collect();
        Vote { take: 0, reading: copy, copy, stretches: vec![(0, payload.len() + 1, 0)], bits }
    }

    fn decided(block: Block, two: bool) -> DecidedBlock {
        let weights = vec![1.0; block.votes.len()];
        let mut decided = confidence::decide_as_one(&TwinCopy::default(), &block, &weights).unwrap();
        decided.apart = two.then_some((Apart::Copies, 0.9));
        DecidedBlock { block, decided, weights, beside: None }
    }

    /// A block said to be of two, whose copies hold these payloads.
    fn parted(first: &[u8], second: &[u8]) -> Vec<DecidedBlock> {
        let votes = vec![vote(0, first), vote(1, second)];
        let block = Block { votes, bytes: first.len() + 1, length_known: true, from_s: 1.0, to_s: 2.0 };
        let decide = |block: Block, may_be| {
            let two = may_be == MayBe::Two && block.votes.len() == 2;
            Ok(decided(block, two))
        };
        part(vec![decided(block, true)], &decide).unwrap()
    }

    /// What spoke for two blocks leaves a doubt that keeps the one from being established.
    #[test]
    fn two_blocks_that_say_the_same_are_one() {
        let out = parted(b"AVOCET", b"AVOCET");
        assert_eq!(out.len(), 1);
        assert_eq!(&out[0].decided.bytes[..6], b"AVOCET");
        assert!(out[0].beside.is_none() && out[0].decided.apart.is_none());
        assert_eq!(out[0].block.votes.len(), 2, "decided from both");
        assert!(out[0].decided.p_wrong >= confidence::ESTABLISHED_BELOW, "{}", out[0].decided.p_wrong);
        assert_eq!(out[0].decided.rivalling.as_ref().map(|r| r.name), Some(COPIES_DIFFER), "and it is said why");
    }

    #[test]
    fn two_blocks_that_differ_stay_two() {
        let out = parted(b"AVOCET", b"DUNLIN");
        let payloads: Vec<&[u8]> = out.iter().map(|b| &b.decided.bytes[..6]).collect();
        assert_eq!(payloads, [&b"AVOCET"[..], &b"DUNLIN"[..]]);
        assert!(out.iter().all(|b| b.beside.as_ref().is_some_and(|b| b.of == 2)));
    }
}
