//! The blocks of a stretch of tape, one after the other: each teaches what the next is received with.

use std::ops::Range;

use super::demodulate::{self, SoftByte};
use super::framing::{self, Run};
use super::leader::{self, Leader, Survey};
use super::lock::{self, Lock};
use super::response::Fit;
use super::shape::Shape;
use super::signal::Signal;
use super::structure::{self, Found};
use super::sync::Search;
use super::track::{self, Begin, Place, Stop, Track};
use crate::Error;
use crate::tape::{Grammar, Layout};

/// Seconds around the end of a leader in which the sync sequence is looked for.
const BEFORE_S: f64 = 0.22;
const AFTER_S: f64 = 0.2;
/// Fraction by which the speed may have changed from one copy to the next, and by which the end of a tone may mislead.
const COPY_SPREAD: f64 = 0.003;
const WIDE_SPREAD: f64 = 0.025;
/// Bytes by which a sync sequence may be laid too late, and what a lock explains that is surely right.
const LATE: f64 = 12.0;
const CLEAR: f64 = 0.8;
/// Places at which a take without any leader is searched for bytes.
const BLIND_TRIES: usize = 24;
/// Longest block: 65,535 bytes, its check byte and its sync sequence.
const LONGEST: f64 = 65_536.0 + 32.0;
/// Tones that the first lock is looked for behind at a time, the purest and longest first, and how often.
const TEACHERS: usize = 12;
const ROUNDS: usize = 4;
/// Frequency of a leader against that of the one which taught the waveform: another machine may have written it, 11 % shorter or
/// longer. Equal bytes are a tone too, at five sixths of the leader's frequency.
const OF_LEADER: Range<f64> = 0.88..1.14;
/// A leader that no block goes on through: so long, and of the frequency that the block's own speed gives it. What passes
/// for one at its ends may lie so far inside.
const LONG_S: f64 = 0.35;
const OWN_SPEED: Range<f64> = 0.95..1.05;
const MARGIN_S: f64 = 0.1;

pub struct Receiver<'a> {
    pub signal: Signal<'a>,
    pub grammar: &'a Grammar,
    pub layout: &'a Layout,
    /// The best waveform the take has taught so far.
    pub known: Option<Known>,
    /// Share of the power that the waveform explained under the last sync sequence.
    pub explained: f64,
    /// Wander of the speed per byte, as last seen.
    pub drift: f64,
    pub runs: Vec<Kept>,
    /// Samples that runs cover.
    pub covered: Vec<(f64, f64)>,
    /// All leaders of the take.
    pub leaders: &'a [Leader],
}

/// A waveform with what it was worth.
#[derive(Clone)]
pub struct Known {
    shape: Shape,
    /// Noise of a bit against a full bit, where it was learned: less is better.
    noise: f32,
    /// Samples per leader symbol there.
    unit: f64,
}

/// Noisy runs before and behind, from which the waveform of one is learned: a tape changes along its length.
pub const NEAR: usize = 6;

/// Bytes as they were followed, in tape order.
struct Followed {
    places: Vec<Place>,
    /// Evidence that they end in a tone.
    end: Option<f32>,
    /// Sample where they end.
    next: f64,
    /// The byte that was begun with.
    first: usize,
    /// Wander of the speed per byte.
    drift: f64,
}

impl Followed {
    fn new(before: Vec<Place>, ahead: Track) -> Followed {
        let (first, mut places) = (before.len(), before);
        places.extend(ahead.places);
        let end = if let Stop::Tone(evidence) = ahead.stop { Some(evidence) } else { None };
        Followed { places, end, next: ahead.next, first, drift: ahead.drift }
    }
}

/// A run of bytes that was heard.
pub struct Kept {
    pub run: Run,
    /// What a noisy one needs to be heard once more, when all runs have been.
    pub noisy: Option<Noisy>,
}

pub struct Noisy {
    pub places: Vec<Place>,
    pub shape: Shape,
    pub fit: Fit,
}

impl<'a> Receiver<'a> {
    /// Another receiver of the same take that knows as much and has received nothing of its own.
    pub fn another(&self) -> Receiver<'a> {
        let (known, covered) = (self.known.clone(), self.covered.clone());
        Receiver { signal: self.signal.another(), known, runs: Vec::new(), covered, ..*self }
    }

    /// Receives the block behind the leader that has the clearest sync sequence: it teaches the waveform and the speed that all
    /// others are known by. Whistles and data are tones too: where no sequence is read, nothing is learned.
    pub fn learn(&mut self, survey: &Survey) -> Result<(), Error> {
        let worth = |l: &Leader| f64::from(leader::purity(survey, l)) * (l.to_s - l.from_s).sqrt();
        let mut tones: Vec<&Leader> = self.leaders.iter().collect();
        tones.sort_by(|a, b| worth(b).total_cmp(&worth(a)).then(a.from_s.total_cmp(&b.from_s)));
        for tones in tones.chunks(TEACHERS).take(ROUNDS) {
            let mut locks: Vec<Lock> = Vec::new();
            for tone in tones {
                locks.extend(self.behind(tone)?);
                if locks.last().is_some_and(|l| l.explained > CLEAR) {
                    break;
                }
            }
            locks.sort_by(|a, b| b.explained.total_cmp(&a.explained));
            for lock in locks {
                self.block(lock)?;
                let read =
                    |k: &Kept| framing::parts(&k.run, self.grammar, self.layout).iter().any(|p| p.copy.is_some());
                if self.runs.iter().any(read) {
                    return Ok(());
                }
                (self.known, self.explained, self.drift) = (None, 1.0, track::DRIFT);
                (self.runs, self.covered) = (Vec::new(), Vec::new());
            }
        }
        Ok(())
    }

    /// Receives the blocks behind some leaders. `tell` is called once for each.
    pub fn blocks(&mut self, leaders: &[Leader], tell: &dyn Fn()) -> Result<(), Error> {
        let rate = self.signal.rate();
        for tone in leaders {
            tell();
            let known = self.known.as_ref().map_or(1.0, |k| tone.hz * k.unit / rate);
            if OF_LEADER.contains(&known)
                && let Some(lock) = self.behind(tone)?
            {
                self.block(lock)?;
            }
        }
        Ok(())
    }

    /// The sync sequence behind a tone, unless what lies there is received.
    fn behind(&mut self, tone: &Leader) -> Result<Option<Lock>, Error> {
        let rate = self.signal.rate();
        let (from, to) = ((tone.to_s - BEFORE_S) * rate, (tone.to_s + AFTER_S) * rate);
        if self.covered.iter().any(|c| c.0 < to && (c.1 >= to || c.0 > from)) {
            return Ok(None);
        }
        let from = self.covered.iter().map(|c| c.1).filter(|&end| end < to).fold(from.max(0.0), f64::max);
        self.sync(rate / tone.hz, tone.spread, 0..self.layout.sync.len(), from as i64, to as i64)
    }

    /// The samples around a byte that no other run holds and no long leader, for blocks of `unit` samples a leader symbol.
    fn free(&self, at: f64, unit: f64) -> Range<f64> {
        let rate = self.signal.rate();
        let long = |l: &&Leader| l.to_s - l.from_s >= LONG_S && OWN_SPEED.contains(&(l.hz * unit / rate));
        let inner = |l: &Leader| ((l.from_s + MARGIN_S) * rate, (l.to_s - MARGIN_S) * rate);
        let taken = || self.covered.iter().copied().chain(self.leaders.iter().filter(long).map(inner));
        let floor = taken().filter(|t| t.1 <= at).map(|t| t.1).fold(0.0, f64::max);
        let roof = taken().filter(|t| t.0 >= at).map(|t| t.0).fold(f64::INFINITY, f64::min);
        floor..roof
    }

    fn sync(
        &mut self,
        unit: f64,
        spread: f64,
        copies: std::ops::Range<usize>,
        from: i64,
        to: i64,
    ) -> Result<Option<Lock>, Error> {
        let known = self.known.as_ref().map(|k| (&k.shape, self.explained));
        let mut search = Search {
            grammar: self.grammar,
            layout: self.layout,
            relative: known
                .map_or_else(|| self.grammar.relative_lengths.clone(), |(s, _)| vec![s.geometry.relative.clone()]),
            unit,
            spread,
            copies,
        };
        let explained = |l: &Option<Lock>| l.as_ref().map_or(0.0, |l| l.explained);
        let mut candidates = search.run(&mut self.signal, from, to)?;
        let mut found = lock::lock(&mut self.signal, &search, &candidates, known)?;
        if spread > COPY_SPREAD && known.is_some_and(|(_, before)| explained(&found) < lock::AS_BEFORE * before) {
            // under much noise the end of the tone misleads about the speed
            search.spread = WIDE_SPREAD;
            candidates = search.run(&mut self.signal, from, to)?;
            let wide = lock::lock(&mut self.signal, &search, &candidates, known)?;
            if explained(&wide) > explained(&found) {
                found = wide;
            }
        }
        // another machine may have written the next program: if what is known does not fit, all lengths are open again
        if known.is_some() && candidates.first().is_none_or(|c| c.score < 0.5) {
            search.relative = self.grammar.relative_lengths.clone();
            search.spread = spread;
            let candidates = search.run(&mut self.signal, from, to)?;
            let fresh = lock::lock(&mut self.signal, &search, &candidates, known)?;
            return Ok(if explained(&fresh) > explained(&found) + 0.1 { fresh } else { found });
        }
        Ok(found)
    }

    /// Follows a block from its sync sequence, and its further copies.
    fn block(&mut self, lock: Lock) -> Result<(), Error> {
        let mut lock = lock;
        loop {
            let Followed { places, end, next, first, drift } = self.sequence(&lock)?;
            if !heard_enough(&places[first..]) {
                // nothing to hold on to here: what lies behind is left for the search by structure
                return Ok(());
            }
            (self.explained, self.drift) = (lock.explained, drift);
            let mut shape = lock.shape;
            let unit = places.last().map_or(lock.period, |p| p.period) / shape.geometry.byte;
            let relative = shape.geometry.relative.clone();
            self.keep_places(places, end, &mut shape)?;
            if lock.copy + 1 >= self.layout.sync.len() || end.is_none() {
                return Ok(());
            }
            // the next copy begins at a known distance
            let end: f64 = self.layout.end.iter().map(|&s| relative[s]).sum();
            let distance = unit * (end + self.layout.between as f64);
            let slack = 10.0 * unit;
            let from = (next + distance - slack - 30.0 * unit) as i64;
            let to = (next + distance + slack) as i64;
            match self.sync(unit, COPY_SPREAD, lock.copy + 1..lock.copy + 2, from, to)? {
                Some(found) => lock = found,
                None => return Ok(()),
            }
        }
    }

    /// Follows the bytes of a sync sequence and those behind it. Flutter lays the sequence as a whole some bytes late at times, and
    /// its ends aside: unless it lies clear, it is entered in its middle, and bytes that are followed one by one tell where it
    /// really begins.
    fn sequence(&mut self, lock: &Lock) -> Result<Followed, Error> {
        let Lock { start, period, gain, noise, .. } = *lock;
        let free = self.free(start, period / lock.shape.geometry.byte);
        let end = free.end.min(start + LONGEST * period);
        if lock.explained > CLEAR {
            let begin = Begin { start, period, gain, noise, sure: true, drift: self.drift };
            let mut ahead = track::follow(&mut self.signal, &lock.shape, begin, 1.0, start..end)?;
            track::smooth(&mut ahead, 1.0);
            return Ok(Followed::new(Vec::new(), ahead));
        }
        let bytes = self.layout.sync[lock.copy].len();
        let begin =
            Begin { start: start + (bytes / 2) as f64 * period, period, gain, noise, sure: false, drift: self.drift };
        self.both_ways(begin, &lock.shape, free.start.max(start - LATE * period)..end)
    }

    /// Follows bytes from one place forwards and backwards, as far as the stretch goes.
    fn both_ways(&mut self, begin: Begin, shape: &Shape, stretch: Range<f64>) -> Result<Followed, Error> {
        let mut ahead = track::follow(&mut self.signal, shape, begin, 1.0, stretch.clone())?;
        track::smooth(&mut ahead, 1.0);
        // both ways from one place, as all that lies ahead has corrected it
        let (start, period) = ahead.places.first().map_or((begin.start, begin.period), |p| (p.start, p.period));
        let begin = Begin { start, period, sure: true, ..begin };
        let mut back = track::follow(&mut self.signal, shape, begin, -1.0, stretch)?;
        track::smooth(&mut back, -1.0);
        // a leap backwards shows at the byte after it in tape order
        let leaps: Vec<bool> = back.places.iter().map(|p| p.leap).collect();
        for (place, leap) in back.places.iter_mut().skip(1).zip(leaps) {
            place.leap = leap;
        }
        let mut before: Vec<Place> = back.places.into_iter().skip(1).collect();
        before.reverse();
        Ok(Followed::new(before, ahead))
    }

    fn keep_places(&mut self, places: Vec<Place>, end: Option<f32>, shape: &mut Shape) -> Result<(), Error> {
        let (Some(first), Some(last)) = (places.first(), places.last()) else { return Ok(()) };
        self.covered.push((first.start, last.start + last.period));
        let mut bytes = demodulate::demodulate(&mut self.signal, shape, &places)?;
        let heard: Vec<usize> = (0..places.len()).filter(|&i| !places[i].lost).collect();
        let noise = |bytes: &[SoftByte]| heard.iter().map(|&i| bytes[i].noise).sum::<f32>() / heard.len().max(1) as f32;
        let mut fit = None;
        if noise(&bytes) > demodulate::NOISY {
            fit = Fit::of(&mut self.signal, shape, self.grammar, &places, &bytes)?;
        }
        if let Some(fit) = &mut fit {
            // with all that was learned so far
            let mut all = fit.clone();
            self.runs.iter().rev().filter_map(|r| r.noisy.as_ref()).take(NEAR).for_each(|n| all.add(&n.fit));
            *shape = all.shape(self.grammar, shape).unwrap_or_else(|| shape.clone());
            bytes = demodulate::demodulate(&mut self.signal, shape, &places)?;
            *fit = Fit::of(&mut self.signal, shape, self.grammar, &places, &bytes)?.unwrap_or_else(|| fit.clone());
        }
        let noise = noise(&bytes);
        if heard.len() >= 20 {
            // the latest of the good ones: a tape changes along its length
            if self.known.as_ref().is_none_or(|k| noise < 1.2 * k.noise) {
                let unit = places[heard[heard.len() / 2]].period / shape.geometry.byte;
                self.known = Some(Known { shape: shape.clone(), noise, unit });
            }
        }
        let run = Run {
            bytes,
            leaps: (0..places.len()).filter(|&i| places[i].leap).collect(),
            lost: places.iter().map(|p| p.lost).collect(),
            end,
        };
        let noisy = fit.map(|fit| Noisy { places, shape: shape.clone(), fit });
        self.runs.push(Kept { run, noisy });
        Ok(())
    }

    /// Finds blocks whose leader or sync is gone, in what is not covered yet.
    pub fn fill(&mut self, survey: &Survey) -> Result<(), Error> {
        let rate = self.signal.rate();
        let hop = survey.hop_s * rate;
        let loud = self.loud(survey, hop);
        // without a waveform from this take, bare models of one are tried in a few places
        let mut blind = BLIND_TRIES;
        let mut i = 0;
        while i < survey.hops.len() {
            let at = i as f64 * hop;
            let h = &survey.hops[i];
            let slack = self.known.as_ref().map_or(0.0, |k| 3.0 * k.unit * k.shape.geometry.byte);
            if let Some(end) = self.covers(at, slack) {
                i = ((end / hop) as usize).max(i) + 1;
                continue;
            }
            i += 1;
            let in_leader =
                self.leaders.iter().any(|l| at > (l.from_s + BEFORE_S) * rate && at < (l.to_s - BEFORE_S) * rate);
            if h.level < loud || h.tone > 0.5 || in_leader {
                continue;
            }
            let found = match self.known.clone() {
                Some(k) => {
                    let period = k.unit * k.shape.geometry.byte;
                    structure::find(&mut self.signal, &k.shape, at, period, 0.03)?.map(|f| (f, k.shape))
                }
                None if blind > 0 => {
                    blind -= 1;
                    self.find_blind(at)?
                }
                None => return Ok(()),
            };
            let Some((found, shape)) = found else {
                i += if self.known.is_some() { 1 } else { survey.hops.len() / BLIND_TRIES };
                continue;
            };
            if let Some(next) = self.found(found, shape)? {
                i = i.max((next / hop) as usize);
            }
        }
        Ok(())
    }

    /// Level above which a hop may hold data: a fifth of what the data found so far has, or of the loudest.
    fn loud(&self, survey: &Survey, hop: f64) -> f32 {
        let level = |covered: bool| {
            let all = survey.hops.iter().enumerate();
            let mut levels: Vec<f32> = all
                .filter(|(i, _)| !covered || self.covers(*i as f64 * hop, 0.0).is_some())
                .map(|(_, h)| h.level)
                .filter(|l| l.is_finite())
                .collect();
            levels.sort_by(f32::total_cmp);
            levels
        };
        let known = level(true);
        match known.get(known.len() / 2) {
            Some(typical) => 0.2 * typical,
            None => 0.2 * level(false).last().copied().unwrap_or(0.0),
        }
    }

    /// Bytes in a take that has taught no waveform: bare models of one, at all speeds.
    fn find_blind(&mut self, at: f64) -> Result<Option<(Found, Shape)>, Error> {
        let rate = self.signal.rate();
        let unit = self.grammar.symbols[self.grammar.leader].cycle * rate * 0.95;
        let mut best: Option<(Found, Shape)> = None;
        for relative in self.grammar.relative_lengths.iter().step_by(2) {
            for turned in [false, true] {
                for sign in [1.0, -1.0] {
                    let shape = Shape::bare(&self.signal, self.grammar, relative, unit, turned, sign);
                    let period = unit * shape.geometry.byte;
                    if let Some(f) = structure::find(&mut self.signal, &shape, at, period, 0.14)?
                        && best.as_ref().is_none_or(|(b, _)| f.contrast > b.contrast)
                    {
                        best = Some((f, shape));
                    }
                }
            }
        }
        Ok(best)
    }

    /// Keeps the run of bytes that was found by structure; `None` when it leads nowhere. Returns the sample where it ends.
    fn found(&mut self, found: Found, mut shape: Shape) -> Result<Option<f64>, Error> {
        let Found { start, period, gain, .. } = found;
        let rms = (shape.byte_energy() / shape.mu.len() as f32).sqrt();
        let begin = Begin { start, period, gain, noise: 0.5 * gain * rms, sure: false, drift: self.drift };
        let free = self.free(start, period / shape.geometry.byte);
        let length = LONGEST * period;
        let stretch = free.start.max(start - length)..free.end.min(start + length);
        let Followed { places, end, .. } = self.both_ways(begin, &shape, stretch)?;
        if places.len() < 24 || !heard_enough(&places) {
            return Ok(None);
        }
        let next = places.last().map(|p| p.start + p.period);
        self.keep_places(places, end, &mut shape)?;
        Ok(next)
    }

    fn covers(&self, at: f64, slack: f64) -> Option<f64> {
        self.covered.iter().find(|c| at >= c.0 - slack && at < c.1 + slack).map(|c| c.1)
    }
}

/// A track is worth keeping when a fair part of its first bytes, or of all, was heard.
fn heard_enough(places: &[Place]) -> bool {
    let heard = |part: &[Place]| part.iter().filter(|p| !p.lost).count() * 3 >= part.len();
    !places.is_empty() && (heard(&places[..places.len().min(60)]) || heard(places))
}
