//! Cuts a tape into its physical blocks: where on the tape each stretch of a reading lies says which block and which
//! copy it is of, and which byte it begins with.

use rayon::prelude::*;

use super::matching::{Members, same};
use super::similarity::{Similarity, best_lag};
use super::{TakeReadings, Times};
use crate::Llr;

/// A stretch of one reading that keeps its count, with its place on the tape.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    pub take: usize,
    pub reading: usize,
    /// Bytes of the reading.
    pub from: usize,
    pub to: usize,
    /// Which copy of the block it is of.
    pub copy: usize,
    /// Byte of the block at which it begins, as its frame or its time says; `None` where only its content can tell.
    pub place: Option<i64>,
    /// Begins right behind a sync sequence.
    pub framed: bool,
    /// Its place was counted by its own reading from the sync sequence, not told from other takes' times.
    pub counted: bool,
    /// Seconds of tape.
    pub from_s: f64,
    pub to_s: f64,
}

/// Tape between two blocks: a leader lasts longer. Lost stretches of half a second stay within a block.
const HOLE_S: f64 = 0.6;
/// Starts of one copy heard by several takes lie within this.
const ONE_START_S: f64 = 0.3;
/// A start may be this much later in another take.
const SLACK_S: f64 = 0.05;
/// A block lost in all takes for longer than a hole is joined again up to this length.
const JOIN_S: f64 = 3.0;
/// Mean size of the soft bits of a byte that was heard.
const HEARD: f32 = 0.4;

/// A stretch before it is known which block it is of.
struct Stretch {
    piece: Piece,
    /// Copy its sync sequence announced.
    copy: Option<usize>,
    /// Where the bytes that were heard lie.
    heard: (f64, f64),
    /// Ends with its block.
    ends: bool,
}

/// A piece of tape that holds one block.
struct Island {
    stretches: Vec<Stretch>,
    /// Where each copy begins, if anyone heard it.
    starts: Vec<Option<f64>>,
}

/// Whether the bits of one byte obey what every byte obeys.
pub type Sound<'a> = &'a (dyn Fn(&[bool]) -> bool + Sync);

/// The blocks of one tape in tape order, each with the pieces of readings that are of it.
pub fn blocks(takes: &[TakeReadings], members: &Members, bits: usize, times: &Times, sound: Sound) -> Vec<Vec<Piece>> {
    let stretches = stretches(takes, members, bits);
    let mut islands = islands(stretches, times);
    join(&mut islands, takes, bits, times);
    let of_island = |island: Island| apart(place(island, takes, times), takes, bits, sound);
    let mut out = islands.into_par_iter().map(of_island).collect::<Vec<_>>().concat();
    out.retain(|b| !b.is_empty());
    out
}

fn stretches(takes: &[TakeReadings], members: &Members, bits: usize) -> Vec<Stretch> {
    let mut out = Vec::new();
    for (&take, map) in members {
        for (reading, r) in takes[take].readings.iter().enumerate() {
            let at = |i: usize| map.at(r.starts_s[i] * takes[take].speed);
            let heard = |i: &usize| {
                let byte = &r.bits[i * bits..(i + 1) * bits];
                byte.iter().map(|l| l.0.abs()).sum::<f32>() > HEARD * bits as f32
            };
            let mut cuts = vec![0];
            cuts.extend(r.leaps.iter().copied().filter(|&l| l > 0 && l < r.bytes()));
            cuts.push(r.bytes());
            for w in cuts.windows(2) {
                let (Some(first), Some(last)) = ((w[0]..w[1]).find(heard), (w[0]..w[1]).rev().find(heard)) else {
                    continue;
                };
                let copy = r.copy.filter(|_| w[0] == 0);
                out.push(Stretch {
                    piece: Piece {
                        take,
                        reading,
                        from: w[0],
                        to: w[1],
                        copy: 0,
                        place: None,
                        framed: copy.is_some() && r.framed(),
                        counted: copy.is_some(),
                        from_s: at(w[0]),
                        to_s: at(w[1]),
                    },
                    copy,
                    heard: (at(first), at(last + 1)),
                    ends: r.end.is_some() && w[1] == r.bytes(),
                });
            }
        }
    }
    out.sort_by(|a, b| a.heard.0.total_cmp(&b.heard.0));
    out
}

/// Cuts at every hole, and wherever a first copy begins.
fn islands(stretches: Vec<Stretch>, times: &Times) -> Vec<Island> {
    let mut cuts: Vec<f64> = starts(&stretches, 0).into_iter().map(|s| s - SLACK_S).collect();
    let mut reach = f64::INFINITY;
    for s in &stretches {
        if s.heard.0 - reach > HOLE_S {
            cuts.push(0.5 * (s.heard.0 + reach));
        }
        reach = if reach.is_finite() { reach.max(s.heard.1) } else { s.heard.1 };
    }
    cuts.sort_by(f64::total_cmp);
    let mut parts: Vec<Vec<Stretch>> = (0..=cuts.len()).map(|_| Vec::new()).collect();
    for s in stretches {
        // a reading may have run on past its block: the middle says where it belongs
        let at = if s.piece.framed { s.piece.from_s } else { 0.5 * (s.heard.0 + s.heard.1) };
        parts[cuts.partition_point(|&c| c <= at)].push(s);
    }
    parts.into_iter().filter(|p| !p.is_empty()).map(|p| Island::new(p, times)).collect()
}

/// Where copy `copy` of a block begins, as one or more takes heard it.
fn starts(stretches: &[Stretch], copy: usize) -> Vec<f64> {
    let mut all: Vec<f64> = stretches.iter().filter(|s| s.copy == Some(copy)).map(|s| s.piece.from_s).collect();
    all.sort_by(f64::total_cmp);
    let clusters = all.chunk_by(|a, b| b - a < ONE_START_S);
    clusters.map(|c| c[c.len() / 2]).collect()
}

impl Island {
    fn new(stretches: Vec<Stretch>, times: &Times) -> Island {
        let starts = (0..times.copies).map(|c| starts(&stretches, c).first().copied()).collect();
        Island { stretches, starts }
    }
}

/// A block that all takes lost for a while: what comes after the hole joins what comes before, if its content says so.
fn join(islands: &mut Vec<Island>, takes: &[TakeReadings], bits: usize, times: &Times) {
    let mut i = 1;
    while i < islands.len() {
        let (a, b) = (&islands[i - 1], &islands[i]);
        let reach = a.stretches.iter().map(|s| s.heard.1).fold(f64::NEG_INFINITY, f64::max);
        let first = b.stretches.iter().map(|s| s.heard.0).fold(f64::INFINITY, f64::min);
        let twice = a.starts.iter().zip(&b.starts).any(|(x, y)| x.is_some() && y.is_some());
        let reading = |s: &Stretch| &takes[s.piece.take].readings[s.piece.reading];
        let fits = b.starts.first().is_none_or(|s| s.is_none())
            && !twice
            && first - reach < JOIN_S
            && a.stretches.iter().any(|x| b.stretches.iter().any(|y| same(reading(x), reading(y), bits).is_some()));
        if fits {
            let mut stretches = std::mem::take(&mut islands[i - 1].stretches);
            stretches.append(&mut islands[i].stretches);
            islands[i - 1] = Island::new(stretches, times);
            islands.remove(i);
        } else {
            i += 1;
        }
    }
}

/// Says of each stretch which copy it is of and at which byte it begins.
fn place(island: Island, takes: &[TakeReadings], times: &Times) -> Vec<Piece> {
    let mut starts = island.starts;
    // where nobody heard the second copy begin, but the first one end, it begins at a known distance
    for c in 1..starts.len() {
        if starts[c].is_none() && starts[c - 1].is_some() {
            let ended = |s: &&Stretch| s.ends && s.copy == Some(c - 1);
            let end = island.stretches.iter().filter(ended).map(|s| s.piece.to_s).reduce(f64::min);
            starts[c] = end.map(|e| e + times.between_s);
        }
    }
    let mut out = Vec::new();
    for s in island.stretches {
        let mut piece = s.piece;
        // one without a sync sequence may hold what is left of one before its first byte
        let middle = 0.5 * (s.heard.0 + s.heard.1);
        let begun = |c: &usize| starts[*c].is_some_and(|t| middle >= t - SLACK_S);
        piece.copy = s.copy.unwrap_or_else(|| (0..starts.len()).rev().find(begun).unwrap_or(0));
        piece.place = if piece.framed {
            Some(0)
        } else {
            starts[piece.copy].map(|t| {
                let timed = ((piece.from_s - t) / times.byte_s).round() as i64;
                // the receiver's own count is by time too, and knows nothing of other takes
                let counted = piece.from as i64;
                let own = takes[piece.take].readings[piece.reading].copy == Some(piece.copy);
                piece.counted = own && (timed - counted).abs() <= 3;
                if piece.counted { counted } else { timed }
            })
        };
        out.push(piece);
    }
    out
}

/// Takes that contradict each other from the first byte on are of different recordings, though they lie in one place. Only
/// readings of one copy are compared: the two copies of a block may have been written differently.
fn apart(pieces: Vec<Piece>, takes: &[TakeReadings], bits: usize, sound: Sound) -> Vec<Vec<Piece>> {
    let mut out = Vec::new();
    let mut rest = pieces;
    while !rest.is_empty() {
        let sure = |p: &Piece| {
            let part = &takes[p.take].readings[p.reading].bits[p.from * bits..p.to * bits];
            part.iter().map(|l| l.0.abs().min(8.0)).sum::<f32>()
        };
        let framed = rest.iter().filter(|p| p.framed);
        let lead =
            framed.max_by(|a, b| sure(a).total_cmp(&sure(b)).then((b.take, b.reading).cmp(&(a.take, a.reading))));
        let Some(lead) = lead.cloned() else {
            out.push(rest);
            return out;
        };
        let other: Vec<usize> = rest
            .iter()
            .filter(|p| {
                p.framed && p.take != lead.take && p.copy == lead.copy && contradict(&lead, p, takes, bits, sound)
            })
            .map(|p| p.take)
            .collect();
        let (theirs, ours) = rest.into_iter().partition(|p| other.contains(&p.take));
        out.push(ours);
        rest = theirs;
    }
    out
}

/// Whether two framed pieces are of different bytes: where both are sure and differ, damage mostly leaves bytes that can't
/// be, another recording never does. A stretch that fits better a few bytes further on is a count that slipped.
fn contradict(a: &Piece, b: &Piece, takes: &[TakeReadings], bits: usize, sound: Sound) -> bool {
    const WINDOW: usize = 32;
    const SLIP: i64 = 3;
    const SURE: f32 = 3.0;
    let of = |p: &Piece| &takes[p.take].readings[p.reading].bits[p.from * bits..p.to * bits];
    let (x, y) = (of(a), of(b));
    let (mut different, mut damaged) = (0, 0);
    let n = x.len().min(y.len()) / bits;
    for from in (0..n).step_by(WINDOW) {
        let to = (from + WINDOW).min(n);
        let (here, there) = (&x[from * bits..to * bits], &y[from * bits..to * bits]);
        let stay = Similarity::of(there, here);
        let back = SLIP.min(from as i64);
        let moved = best_lag(there, &x[(from - back as usize) * bits..], bits, 0..=back + SLIP);
        if moved.is_some_and(|m| m.1.against_random > stay.against_random.max(0.0) + 8.0) {
            continue;
        }
        for (p, q) in here.chunks(bits).zip(there.chunks(bits)) {
            let decided = |byte: &[Llr]| byte.iter().map(|l| l.bit()).collect::<Vec<bool>>();
            let sure = p.iter().chain(q).all(|l| l.0.abs() > SURE);
            let (p, q) = (decided(p), decided(q));
            if sure && p != q {
                // a fade, or half a cell of slip, reads as bits that are all alike
                let whole = |byte: &[bool]| sound(byte) && byte.iter().any(|&b| b != byte[0]);
                if whole(&p) && whole(&q) { different += 1 } else { damaged += 1 }
            }
        }
    }
    different >= 3 && different > 2 * damaged
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::consensus::tapes;
    use crate::receiver::Reading;
    use crate::tape::twin_copy;

    const BYTE_S: f64 = 0.01;
    const TIMES: Times = Times { copies: 2, byte_s: BYTE_S, between_s: 0.1 };

    /// A reading of `bytes` that begins `from_s` into its take.
    fn reading(copy: Option<usize>, bytes: &[u8], from_s: f64, leaps: &[usize]) -> Reading {
        let bit = |b: bool| Llr(if b { 9.0 } else { -9.0 });
        Reading {
            copy,
            sync: copy.map_or(0.0, |_| 50.0),
            bits: bytes.iter().flat_map(|&b| twin_copy::byte_bits(b)).map(bit).collect(),
            starts_s: (0..=bytes.len()).map(|i| from_s + i as f64 * BYTE_S).collect(),
            end: None,
            leaps: leaps.to_vec(),
            gain: vec![1.0; bytes.len()],
            noise: vec![0.1; bytes.len()],
        }
    }

    fn bytes(seed: u8, n: usize) -> Vec<u8> {
        (0..n).map(|i| (i as u8).wrapping_mul(37).wrapping_add(seed).rotate_left(u32::from(seed) % 7)).collect()
    }

    fn take(readings: Vec<Reading>) -> TakeReadings {
        TakeReadings { readings, speed: 1.0 }
    }

    fn of_one_tape(takes: &[TakeReadings]) -> Vec<Vec<Piece>> {
        let all = tapes(takes, 9, &TIMES);
        assert_eq!(all.len(), 1, "one tape");
        blocks(takes, &all[0], 9, &TIMES, &|byte| byte.iter().filter(|b| **b).count() % 2 == 1)
    }

    /// One take hears both copies; the other starts 5 s later, misses the first sync and runs on into the second copy.
    #[test]
    fn a_reading_that_runs_on_is_cut_where_the_second_copy_begins() {
        let block = bytes(3, 100);
        let whole = take(vec![
            reading(Some(0), &block, 10.0, &[]),
            reading(Some(1), &block, 11.1, &[]),
            reading(Some(0), &bytes(5, 80), 14.0, &[]),
        ]);
        // from byte 40 of the first copy; found again at byte 10 of the second
        let mut run = block[40..].to_vec();
        run.extend(&block[10..]);
        let mut run = reading(None, &run, 5.4, &[60]);
        for (i, s) in run.starts_s.iter_mut().enumerate().skip(60) {
            *s = 6.2 + (i - 60) as f64 * BYTE_S;
        }
        let other = take(vec![run, reading(Some(0), &bytes(5, 80), 9.0, &[])]);
        let found = of_one_tape(&[whole, other]);
        assert_eq!(found.len(), 2);
        let theirs: Vec<_> = found[0].iter().filter(|p| p.take == 1).map(|p| (p.from, p.copy, p.place)).collect();
        assert_eq!(theirs, [(0, 0, Some(40)), (60, 1, Some(10))]);
    }

    #[test]
    fn blocks_a_leader_apart_are_two_though_their_bytes_are_the_same() {
        let block = bytes(3, 60);
        let one = take(vec![reading(Some(0), &block, 1.0, &[]), reading(Some(0), &block, 4.0, &[])]);
        assert_eq!(of_one_tape(&[one.clone(), one]).len(), 2);
    }

    /// One tape was recorded over in part: the same place, other bytes.
    #[test]
    fn takes_that_contradict_each_other_are_not_merged() {
        let shared = reading(Some(0), &bytes(3, 100), 1.0, &[]);
        let a = take(vec![shared.clone(), reading(Some(0), &bytes(5, 100), 4.0, &[])]);
        let b = take(vec![shared, reading(Some(0), &bytes(6, 100), 4.0, &[])]);
        let found = of_one_tape(&[a, b]);
        let takes: Vec<Vec<usize>> = found.iter().map(|b| b.iter().map(|p| p.take).collect()).collect();
        assert_eq!(takes, [vec![0, 1], vec![0], vec![1]]);
    }
}
