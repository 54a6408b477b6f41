//! Which takes are of one tape, and when on that tape each moment of a take was: found by content, order and time.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::similarity::{Similarity, best_lag};
use super::{TakeReadings, Times};
use crate::Llr;
use crate::receiver::Reading;

/// From seconds of a take, its speed taken off, to seconds of tape.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TimeMap {
    /// Moments of the take and what to add there, in order.
    anchors: Vec<(f64, f64)>,
}

/// Takes of one tape, each with its place in time.
pub type Members = BTreeMap<usize, TimeMap>;

/// Tape seconds by which the same block may lie elsewhere in another take, beside a constant: at the start and for
/// every second of tape since a block that matched (speed drifts).
const SLACK_S: f64 = 1.5;
const SLACK_RATE: f64 = 0.03;
/// Readings that begin this close together are of one place.
const ONE_PLACE_S: f64 = 0.1;
/// What begins this close together in two takes of one tape is the same.
const ONE_START_S: f64 = 0.25;
/// Evidence of a pair counts for so much per kind of byte in it, up to a limit: two headers share all their spaces.
const PER_KIND: f64 = 8.0;
/// Pairs of readings that are too many to compare each.
const MANY: usize = 40_000;
/// Kinds of bytes that make a block unlike all others.
const DISTINCT: usize = 40;
const MOST: f64 = 200.0;
/// What two copies that begin in one place count against a chain.
const FAULT: f64 = 150.0;
/// Bytes compared at a time where two takes overlap, and the most they count.
const WINDOW: usize = 64;
const MOST_OF_WINDOW: f64 = 60.0;
/// A further chain, behind a stop of the recorder, must say this much.
const FURTHER: f64 = 250.0;
/// Evidence for a tape that is enough even if most of what was heard does not match: takes may be in pieces.
const ENOUGH: f64 = 1000.0;
/// Pairs tried as the one whose offset the others share.
const ANCHORS: usize = 24;

impl TimeMap {
    /// Seconds of tape at `t`. Between two anchors a straight line; across a stop of the recorder the nearer anchor.
    pub fn at(&self, t: f64) -> f64 {
        let i = self.anchors.partition_point(|a| a.0 <= t);
        let offset = match (i.checked_sub(1).map(|j| self.anchors[j]), self.anchors.get(i)) {
            (None, None) => 0.0,
            (Some(a), None) => a.1,
            (None, Some(b)) => b.1,
            (Some(a), Some(b)) => {
                let share = (t - a.0) / (b.0 - a.0);
                if (a.1 - b.1).abs() < SLACK_S {
                    a.1 + share * (b.1 - a.1)
                } else if share < 0.5 {
                    a.1
                } else {
                    b.1
                }
            }
        };
        t + offset
    }

    fn new(mut anchors: Vec<(f64, f64)>) -> TimeMap {
        anchors.sort_by(|a, b| a.0.total_cmp(&b.0));
        anchors.dedup_by(|b, a| b.0 - a.0 < 0.05);
        TimeMap { anchors }
    }
}

/// Sorts takes by the tape they are of. `bits` is the number of bits per byte on tape.
pub fn tapes(takes: &[TakeReadings], bits: usize, times: &Times) -> Vec<Members> {
    let mut tapes = Vec::new();
    // the take that saw most leads; ties go to the earlier one, so the order of work is fixed
    let weight = |t: usize| takes[t].readings.iter().map(|r| r.bytes()).sum::<usize>();
    let mut waiting: Vec<usize> = (0..takes.len()).filter(|&t| weight(t) > 0).collect();
    waiting.sort_by_key(|&t| (std::cmp::Reverse(weight(t)), t));
    while let Some(&lead) = waiting.first() {
        let mut members = Members::from([(lead, TimeMap::default())]);
        waiting.remove(0);
        // takes that match now may let others match later
        loop {
            let joined =
                waiting.iter().enumerate().find_map(|(i, &take)| Some((i, join(takes, &members, take, bits, times)?)));
            let Some((place, map)) = joined else { break };
            members.insert(waiting.remove(place), map);
        }
        tapes.push(members);
    }
    tapes.sort_by_key(|t| (std::cmp::Reverse(t.len()), t.keys().next().copied()));
    tapes
}

/// Which readings are compared.
#[derive(Clone, Copy, PartialEq)]
enum Stage {
    Distinct,
    Framed,
    All,
}

/// A reading with its place on the tape.
struct Placed<'a> {
    reading: &'a Reading,
    head: Head,
    /// Seconds of tape at which each byte begins; one more for the end.
    times: Vec<f64>,
}

impl Placed<'_> {
    /// Seconds of tape at which byte `i` begins; before the first and past the last at its pace.
    fn at(&self, i: i64) -> f64 {
        let last = self.times.len() as i64 - 1;
        let inside = i.clamp(0, last);
        let pace = (self.times[last as usize] - self.times[0]) / last.max(1) as f64;
        self.times[inside as usize] + (i - inside) as f64 * pace
    }
}

/// Two readings of the same bytes: places in their lists, evidence, and what to add to the take's time to get the tape's.
#[derive(Clone, Debug)]
struct Pair {
    placed: usize,
    reading: usize,
    evidence: f64,
    own_s: f64,
    offset: f64,
    anchors: Vec<(f64, f64)>,
}

/// The place in time of a take that is of this tape, if it is.
fn join(takes: &[TakeReadings], members: &Members, take: usize, bits: usize, times: &Times) -> Option<TimeMap> {
    let all = places(takes, members, bits);
    let new: Vec<(usize, &Reading, Head)> = takes[take]
        .readings
        .iter()
        .enumerate()
        .filter(|(_, r)| r.bytes() > 0)
        .map(|(i, r)| (i, r, Head::of(r, bits)))
        .collect();
    // whatever is framed tells most, and cheapest; on a long tape, first what is unlike all else; in the end all
    let many = all.len() * new.len() > MANY;
    for stage in [Stage::Distinct, Stage::Framed, Stage::All] {
        if stage == Stage::Distinct && !many {
            continue;
        }
        let serves = |r: &Reading, head: &Head| match stage {
            Stage::Distinct => r.copy.is_some() && head.kinds >= DISTINCT,
            Stage::Framed => r.copy.is_some(),
            Stage::All => true,
        };
        let of_place = |(p, x): (usize, &Placed)| -> Vec<Pair> {
            let alike = |(_, y, head): &&(usize, &Reading, Head)| {
                serves(y, head) && !(x.reading.copy.is_some() && y.copy.is_some() && x.head.differs(head))
            };
            let with =
                |(i, y, head): &(usize, &Reading, Head)| pair(x, p, (y, head), *i, takes[take].speed, bits, times);
            if serves(x.reading, &x.head) { new.iter().filter(alike).filter_map(with).collect() } else { Vec::new() }
        };
        // in the order of the tape, whichever thread is first
        let pairs: Vec<Pair> = all.par_iter().enumerate().map(of_place).collect::<Vec<_>>().concat();
        let agreement = |at: &(dyn Fn(f64) -> f64 + Sync)| {
            let each = |y: &Reading| agreement(&all, y, &|i| at(y.starts_s[i] * takes[take].speed), bits);
            new.par_iter().map(|n| each(n.1)).collect::<Vec<f64>>().iter().sum::<f64>()
        };
        let (total, chosen) = chains(&pairs, &agreement);
        let comparable = |r: &Reading| r.copy.is_some() || stage == Stage::All;
        let fewer =
            all.iter().filter(|p| comparable(p.reading)).count().min(new.iter().filter(|n| comparable(n.1)).count());
        // a take belongs to the tape when a fair part of what both must have seen is the same
        let fair = chosen.len() * 4 >= fewer && stage != Stage::Distinct;
        if !chosen.is_empty() && (fair || total > ENOUGH) {
            return Some(TimeMap::new(chosen.iter().flat_map(|&p| pairs[p].anchors.iter().copied()).collect()));
        }
    }
    None
}

/// What speaks for a reading having been where `at` puts its bytes: what others heard there at the same time is the same.
fn agreement(all: &[Placed], y: &Reading, at: &dyn Fn(usize) -> f64, bits: usize) -> f64 {
    let mut sum = 0.0;
    let mut cuts = y.leaps.clone();
    cuts.extend((0..y.bytes()).step_by(WINDOW));
    cuts.push(y.bytes());
    cuts.sort_unstable();
    cuts.dedup();
    let (from_s, to_s) = (at(0), at(y.bytes()));
    for x in all.iter().filter(|x| x.times.first() < Some(&to_s) && x.times.last() > Some(&from_s)) {
        if x.reading.copy.is_some() && y.copy.is_some() && (x.times[0] - from_s).abs() < ONE_START_S {
            // the same bytes, but another copy of them
            sum -= if x.reading.copy == y.copy { 0.0 } else { FAULT };
        }
        for w in cuts.windows(2) {
            let middle = (w[0] + w[1]) / 2;
            let there = x.times.partition_point(|&t| t <= at(middle)) as i64 - 1 - (middle - w[0]) as i64;
            let part = &y.bits[w[0] * bits..w[1] * bits];
            let here = (-1..=1).filter_map(|slip| {
                let from = there + slip;
                let skip = (-from).max(0) as usize * bits;
                let theirs = x.reading.bits.get((from.max(0) as usize) * bits..)?;
                Some(Similarity::of(part.get(skip..)?, theirs).against_random)
            });
            sum += here.max_by(f64::total_cmp).unwrap_or(0.0).clamp(-MOST_OF_WINDOW, MOST_OF_WINDOW);
        }
    }
    sum
}

/// What the members heard, in tape order: of readings that begin in one place the surest stands for all.
fn places<'a>(takes: &'a [TakeReadings], members: &'a Members, bits: usize) -> Vec<Placed<'a>> {
    let mut all: Vec<(f64, bool, f32, Placed)> = Vec::new();
    for (&t, map) in members {
        for reading in takes[t].readings.iter().filter(|r| r.bytes() > 0) {
            let speed = takes[t].speed;
            let from_s = map.at(reading.from_s() * speed);
            let sure = reading.bits.iter().map(|l| l.0.abs().min(8.0)).sum();
            let times = reading.starts_s.iter().map(|s| map.at(s * speed)).collect();
            let placed = Placed { reading, head: Head::of(reading, bits), times };
            all.push((from_s, reading.copy.is_some(), sure, placed));
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<(f64, bool, f32, Placed)> = Vec::new();
    for next in all {
        match out.last_mut() {
            Some(last) if next.0 - last.0 < ONE_PLACE_S && next.1 == last.1 => {
                if next.2 > last.2 {
                    *last = next;
                }
            }
            _ => out.push(next),
        }
    }
    out.into_iter().map(|p| p.3).collect()
}

fn pair(
    x: &Placed,
    placed: usize,
    (y, head): (&Reading, &Head),
    reading: usize,
    speed: f64,
    bits: usize,
    times: &Times,
) -> Option<Pair> {
    // the other copy holds the same bytes at another time, a block's length away
    let apart = match (x.reading.copy, y.copy) {
        (Some(a), Some(b)) if a != b => {
            // one that lost its way may have run on into the next copy
            let whole = [x.reading, y].into_iter().find(|r| r.end.is_some() && r.leaps.is_empty())?;
            (b as f64 - a as f64) * (whole.bytes() as f64 * times.byte_s + times.between_s)
        }
        _ => 0.0,
    };
    let (lag, evidence) = same(x.reading, y, bits)?;
    let evidence = evidence.min(PER_KIND * head.kinds as f64).min(MOST);
    let own = |i: usize| y.starts_s[i] * speed;
    let tape = |i: usize| x.at(lag + i as i64) + apart;
    // both ends of what is sure of its count
    let last = y.leaps.first().copied().unwrap_or(y.bytes());
    let reach = x.reading.leaps.first().copied().unwrap_or(x.reading.bytes()) as i64 - lag;
    let last = last.min(reach.max(0) as usize);
    let anchors = [0, last].into_iter().map(|i| (own(i), tape(i) - own(i))).collect();
    Some(Pair { placed, reading, evidence, own_s: own(0), offset: tape(0) - own(0), anchors })
}

/// What speaks for a way to tell tape time from the take's.
type Agreement<'a> = &'a dyn Fn(&(dyn Fn(f64) -> f64 + Sync)) -> f64;

/// The pairs that hold together: the capture may have been stopped and started, so there may be several offsets; the
/// best supported first, order kept.
fn chains(all: &[Pair], agreement: Agreement) -> (f64, Vec<usize>) {
    let mut chosen: Vec<usize> = Vec::new();
    let mut sum = 0.0;
    for round in 0..6 {
        let free: Vec<usize> = (0..all.len()).filter(|&p| chosen.iter().all(|&c| in_order(&all[p], &all[c]))).collect();
        let least = if round == 0 { 0.0 } else { FURTHER };
        let Some((total, next)) = best_offset(all, &free, agreement).filter(|b| b.0 > least) else { break };
        chosen.extend(next);
        sum += total;
    }
    (sum, chosen)
}

/// Neither is the other's, and they come in the same order in both.
fn in_order(a: &Pair, b: &Pair) -> bool {
    (a.placed < b.placed && a.reading < b.reading) || (a.placed > b.placed && a.reading > b.reading)
}

/// The chain with most evidence that shares one offset, give or take the slack.
fn best_offset(all: &[Pair], free: &[usize], agreement: Agreement) -> Option<(f64, Vec<usize>)> {
    let mut anchors = free.to_vec();
    anchors.sort_by(|&a, &b| all[b].evidence.total_cmp(&all[a].evidence));
    let mut best: Option<(f64, Vec<usize>)> = None;
    let mut tried: BTreeSet<Vec<usize>> = BTreeSet::new();
    for anchor in anchors.into_iter().take(ANCHORS).map(|a| &all[a]) {
        let near = |p: &Pair| {
            let apart = (p.own_s - anchor.own_s).abs();
            (p.offset - anchor.offset).abs() < SLACK_S + SLACK_RATE * apart
        };
        let chain = best_chain(all, free.iter().copied().filter(|&p| near(&all[p])).collect());
        if !tried.insert(chain.clone()) {
            continue;
        }
        let (Some(first), Some(last)) = (chain.first().map(|&p| &all[p]), chain.last().map(|&p| &all[p])) else {
            continue;
        };
        let map = TimeMap::new(chain.iter().flat_map(|&p| all[p].anchors.iter().copied()).collect());
        let within = |t: f64| if t > first.own_s - 30.0 && t < last.own_s + 30.0 { map.at(t) } else { f64::INFINITY };
        let total = chain.iter().map(|&p| all[p].evidence).sum::<f64>() + agreement(&within);
        if best.as_ref().is_none_or(|(t, _)| total > *t) {
            best = Some((total, chain));
        }
    }
    best.filter(|b| b.0 > 0.0)
}

/// Longest common subsequence by evidence; a jump of the offset costs.
fn best_chain(all: &[Pair], mut sorted: Vec<usize>) -> Vec<usize> {
    sorted.sort_by_key(|&p| (all[p].placed, all[p].reading));
    let mut best: Vec<(f64, Option<usize>)> = Vec::with_capacity(sorted.len());
    for (i, &p) in sorted.iter().enumerate() {
        let gain = |j: usize| {
            let q = &all[sorted[j]];
            let apart = (all[p].own_s - q.own_s).abs();
            let bend = ((all[p].offset - q.offset).abs() - 0.02 - 0.01 * apart).max(0.0);
            best[j].0 - 40.0 * bend
        };
        let before = (0..i)
            .filter(|&j| all[sorted[j]].placed < all[p].placed && all[sorted[j]].reading < all[p].reading)
            .map(|j| (gain(j), j))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|b| b.0 > 0.0);
        best.push((all[p].evidence + before.map_or(0.0, |b| b.0), before.map(|b| b.1)));
    }
    let mut at = (0..sorted.len()).max_by(|&a, &b| best[a].0.total_cmp(&best[b].0));
    let mut chain = Vec::new();
    while let Some(i) = at {
        chain.push(sorted[i]);
        at = best[i].1;
    }
    chain.reverse();
    chain
}

/// Bytes that are compared first: two blocks that differ mostly show it there.
const HEAD: usize = 64;
/// Bytes by which a leap may have moved the count.
const SLIP: usize = 4;

/// The first bits of a reading, decided: a quick look before the exact one.
struct Head {
    bits: Vec<u64>,
    sure: Vec<u64>,
    /// Different bytes in the whole reading.
    kinds: usize,
}

impl Head {
    fn of(r: &Reading, bits: usize) -> Head {
        let n = r.leaps.first().copied().unwrap_or(HEAD).min(HEAD).min(r.bytes()) * bits;
        let pack = |f: &dyn Fn(&Llr) -> bool| {
            r.bits[..n]
                .chunks(64)
                .map(|c| c.iter().enumerate().fold(0, |w, (i, l)| w | (u64::from(f(l)) << i)))
                .collect()
        };
        let kinds: BTreeSet<u64> =
            r.bits.chunks(bits).map(|c| c.iter().fold(0, |w, l| w << 1 | u64::from(l.bit()))).collect();
        Head { bits: pack(&|l| l.0 > 0.0), sure: pack(&|l| l.0.abs() > 2.0), kinds: kinds.len() }
    }

    /// More than a third of what both are sure of differs.
    fn differs(&self, other: &Head) -> bool {
        let (mut seen, mut wrong) = (0, 0);
        for i in 0..self.bits.len().min(other.bits.len()) {
            let both = self.sure[i] & other.sure[i];
            seen += both.count_ones();
            wrong += ((self.bits[i] ^ other.bits[i]) & both).count_ones();
        }
        seen > 60 && wrong * 3 > seen
    }
}

/// If two readings are of the same bytes: how many bytes into `x` the first byte of `y` lies, and the evidence.
pub fn same(x: &Reading, y: &Reading, bits: usize) -> Option<(i64, f64)> {
    if x.copy.is_none() || y.copy.is_none() {
        let (lag, s) = lag_of(x, y, bits)?;
        return s.is_same().then_some((lag, s.against_random));
    }
    // counts are sure up to the first leap; past it a slip would look like another block
    let until = |r: &Reading| r.leaps.first().copied().unwrap_or(r.bytes()) * bits;
    let n = until(x).min(until(y));
    let head = n.min(HEAD * bits);
    if Similarity::of(&x.bits[..head], &y.bits[..head]).against_random < -40.0 {
        return None;
    }
    let whole = Similarity::of(&x.bits, &y.bits);
    if whole.is_same() {
        return Some((0, whole.against_random));
    }
    let sure = Similarity::of(&x.bits[..n], &y.bits[..n]);
    if sure.is_same() {
        return Some((0, sure.against_random));
    }
    if sure.is_other() || (x.leaps.is_empty() && y.leaps.is_empty()) {
        return None;
    }
    // both begin at the block's first byte: a slip has moved what lies behind a leap by a few bytes at most
    let mut cuts = y.leaps.clone();
    cuts.push(y.bytes());
    let slipped = cuts.windows(2).filter_map(|w| {
        let from = w[0].saturating_sub(SLIP);
        let part = &y.bits[w[0] * bits..w[1].min(w[0] + HEAD) * bits];
        best_lag(part, x.bits.get(from * bits..)?, bits, 0..=2 * SLIP as i64)
    });
    let best = slipped.map(|b| b.1).max_by(|a, b| a.against_random.total_cmp(&b.against_random))?;
    best.is_same().then_some((0, best.against_random))
}

/// How many bytes into `x` the first byte of `y` lies: by their ends where both heard the block end (a tail of
/// nothing but spaces fits in many places), else by content.
pub fn lag_of(x: &Reading, y: &Reading, bits: usize) -> Option<(i64, Similarity)> {
    if x.end.is_some() && y.end.is_some() {
        let lag = x.bytes() as i64 - y.bytes() as i64;
        let (a, b) = if lag >= 0 {
            (&x.bits[lag as usize * bits..], &y.bits[..])
        } else {
            (&x.bits[..], &y.bits[-lag as usize * bits..])
        };
        let s = Similarity::of(a, b);
        if s.is_same() {
            return Some((lag, s));
        }
    }
    find_lag(&x.bits, &y.bits, bits)
}

/// How many bytes into `x` the first byte of `y` lies (negative: before it), tried with the surest stretch of each
/// third.
pub fn find_lag(x: &[Llr], y: &[Llr], bits: usize) -> Option<(i64, Similarity)> {
    const PROBE: usize = 64;
    let size = |run: &[Llr]| run.iter().map(|l| l.0.abs()).sum::<f32>();
    let mut best: Option<(i64, Similarity)> = None;
    let bytes = y.len() / bits;
    let width = PROBE.min(bytes);
    if width < 6 || x.len() / bits < 6 {
        return None;
    }
    for third in 0..3 {
        let (from, to) = (bytes * third / 3, (bytes * (third + 1) / 3).max(bytes * third / 3 + 1));
        let start = (from..to)
            .filter(|&s| s + width <= bytes)
            .step_by(8)
            .map(|s| (s, size(&y[s * bits..(s + width) * bits])))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((start, _)) = start else { continue };
        let probe = &y[start * bits..(start + width) * bits];
        let last = x.len() as i64 / bits as i64;
        let Some((lag, s, second)) = best_lag(probe, x, bits, -(width as i64 / 2)..=last) else { continue };
        if s.against_random - second < 6.0 {
            continue;
        }
        // the probe's place gives the whole reading's
        let lag = lag - start as i64;
        let shift = lag * bits as i64;
        let whole = if shift >= 0 {
            Similarity::of(y, x.get(shift as usize..).unwrap_or(&[]))
        } else {
            Similarity::of(y.get(-shift as usize..).unwrap_or(&[]), x)
        };
        let found = if whole.is_same() { whole } else { s };
        if best.is_none_or(|(_, b)| found.against_random > b.against_random) {
            best = Some((lag, found));
        }
    }
    best
}
