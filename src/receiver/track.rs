//! Follows the bytes along the tape: where each begins and how long it lasts.
//!
//! State: start and period of the byte, a Gaussian; every byte's waveform gives a likelihood over its start, the bits
//! summed out. The tape's speed wanders slowly, so a lost stretch is bridged by the prediction; where that has grown
//! too vague, the byte structure is looked for anew ([`super::structure`]). [`smooth`] then corrects every place from
//! the later ones (Rauch, Tung, Striebel 1965).

use std::ops::Range;

use super::frame::Frame;
use super::heard::{Heard, tone_instead};
use super::kalman::State;
use super::phase::{Phase, Watch};
use super::shape::Shape;
use super::signal::Signal;
use super::structure::{self, Found};
use crate::Error;

/// One byte's place. Samples.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    pub start: f64,
    pub period: f64,
    /// True when the signal said nothing here: the place is a prediction.
    pub lost: bool,
    /// True when not even the place is known well enough to read bits there.
    pub vague: bool,
    /// True when the place was found anew just before this byte: the count of bytes may be off by one or two.
    pub leap: bool,
    /// Gain of this byte against the waveform it was followed with.
    pub gain: f32,
    filtered: State,
    predicted: State,
}

/// Why following ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stop {
    /// The end marker and the tone after it (or, backwards, the leader), with the log-likelihood ratio for it.
    Tone(f32),
    /// Nothing was heard for too long.
    Lost,
    /// The capture, or the stretch that was given, ends (or begins) here.
    Edge,
}

/// The bytes that were followed, in the order they were met.
#[derive(Clone, Debug)]
pub struct Track {
    pub places: Vec<Place>,
    pub stop: Stop,
    /// Where the byte after the last would begin.
    pub next: f64,
    /// Mean gain and noise per sample, as last seen.
    pub gain: f32,
    pub noise: f32,
    /// Wander of the speed per byte, as a fraction, as last seen.
    pub drift: f64,
}

/// Uncertainty of the start (points) past which the structure is looked for anew.
const VAGUE_POINTS: f64 = 2.6;
/// Uncertainty of a place found by its structure: the grid of the search, and the speed, which is right to a thousandth over
/// twenty bytes there.
const FOUND_POINTS: f64 = 2.5;
/// Error of a measured start that no likelihood shows: the waveform is never exactly as learned.
const MISFIT_POINTS: f64 = 0.25;
/// Wander of the speed per byte that is reckoned with before any is seen.
pub const DRIFT: f64 = 8e-4;
/// Least wander of the speed per byte, as a fraction, that is reckoned with while nothing is heard: a wow of 1 % at 1 Hz.
const LOST_DRIFT: f64 = 6e-4;
/// Gain, against that before a lost stretch, at which bytes are believed to have come back.
const LEAST_GAIN: f32 = 0.3;
/// Bytes passed over at a time where none are found.
const SKIP: usize = 8;
/// Seconds without a signal after which a block is given up.
const PATIENCE_S: f64 = 2.5;
/// Length of a byte against that of the first, beyond which no tape was followed. A judgement: no deck changes its speed so far
/// within a block.
const SPEEDS: Range<f64> = 0.5..2.0;

/// A byte to begin with.
#[derive(Clone, Copy, Debug)]
pub struct Begin {
    /// Sample at which it begins, and samples it lasts.
    pub start: f64,
    pub period: f64,
    /// Gain against the waveform, and noise per sample.
    pub gain: f32,
    pub noise: f32,
    /// Whether it is known to begin there and not aside.
    pub sure: bool,
    /// Wander of the speed per byte, as a fraction.
    pub drift: f64,
}

/// Gain, against that of late, at which a byte may be heard aside of its place, and how often a place is moved.
const FAINT: f32 = 0.8;
const MOVES: usize = 3;
/// A place is elsewhere from so many points on, and believed if it is clearer by this than the one that bytes were heard at.
const ELSEWHERE: f64 = 8.0;
const CLEARER: f32 = 1.2;
/// Bytes behind a moved place that open no question of their own.
const SURE: usize = 16;

/// What was known where a place was taken up: number of the byte, and its state before it was heard.
#[derive(Clone, Copy)]
pub struct Taken {
    at: usize,
    state: State,
    pub gain: f32,
    noise: f32,
    /// How often it was moved.
    moves: usize,
}

/// Follows from a known byte. `direction` +1 forwards, -1 backwards; no byte whose middle lies outside `stretch` (samples).
pub fn follow(
    signal: &mut Signal,
    shape: &Shape,
    begin: Begin,
    direction: f64,
    stretch: Range<f64>,
) -> Result<Track, Error> {
    let Begin { start, period, gain, .. } = begin;
    let point = period / shape.geometry.byte_points();
    let spread = if begin.sure { 1.0 } else { FOUND_POINTS * point };
    // the period is a mean over nine bytes or more, from which a speed that wanders is off by that much
    let pp = ((2e-4 * period).powi(2)) + 3.0 * (begin.drift * period).powi(2);
    let state = State { t: start, p: period * direction, tt: spread.powi(2), tp: 0.0, pp };
    let noise = begin.noise.max(1e-6);
    let mut follower = Follower {
        patience: (PATIENCE_S * signal.rate() / period) as usize,
        stretch: stretch.start.max(0.0)..stretch.end.min(signal.len() as f64),
        signal,
        shape,
        direction,
        frame: Frame::empty(),
        state,
        begun: period,
        drift: begin.drift,
        innovation: 0.0,
        gain,
        noise,
        places: Vec::new(),
        expected: None,
        leap: false,
        silent: 0,
        tones: NO_TONES,
        watch: (!begin.sure).then(|| Watch::new(Taken { at: 0, state, gain, noise, moves: 0 })),
        settled: 0,
    };
    let stop = follower.run()?;
    let Follower { mut places, gain, noise, drift, .. } = follower;
    // what was only hoped for at the end is no byte
    while places.last().is_some_and(|p| p.lost) && !matches!(stop, Stop::Tone(_)) {
        places.pop();
    }
    let next = places.last().map_or(start, |p| p.filtered.t + p.filtered.p);
    Ok(Track { places, stop, next, gain, noise, drift })
}

struct Follower<'a, 'b> {
    signal: &'a mut Signal<'b>,
    shape: &'a Shape,
    direction: f64,
    stretch: Range<f64>,
    frame: Frame,
    /// Of the byte that comes next.
    state: State,
    /// Samples that the first byte lasts.
    begun: f64,
    /// Wander of the speed per byte, as a fraction.
    drift: f64,
    /// The last surprise about a start, in its standard deviations.
    innovation: f64,
    gain: f32,
    noise: f32,
    places: Vec<Place>,
    /// What was expected of the next byte, where its place was found anew.
    expected: Option<State>,
    /// Whether it was.
    leap: bool,
    /// Bytes without a signal, and how many are borne.
    silent: usize,
    patience: usize,
    /// Evidence of the last three frames for a tone.
    tones: [f32; 3],
    /// Until it is settled whether the place that was taken up is right.
    watch: Option<Watch>,
    /// Bytes up to here are not asked about again.
    settled: usize,
}

impl Follower<'_, '_> {
    fn run(&mut self) -> Result<Stop, Error> {
        loop {
            let p = self.state.p.abs();
            if !self.stretch.contains(&(self.state.t + 0.5 * p)) {
                return Ok(Stop::Edge);
            }
            if !SPEEDS.contains(&(p / self.begun)) {
                return Ok(Stop::Lost);
            }
            let point = self.point();
            if self.silent > 0 && self.state.tt.sqrt() > VAGUE_POINTS * point && !self.find_again()? {
                if self.silent > self.patience {
                    return Ok(Stop::Lost);
                }
                self.skip(SKIP);
                continue;
            }
            let before = self.state;
            let lag = ((2.5 * before.tt.sqrt() / point).ceil() as usize + 1).clamp(2, 7);
            self.frame.take(self.signal, &self.shape.geometry, before.t, p, lag)?;
            let heard = Heard::new(&self.frame, self.shape, self.gain, self.noise);
            if let Some(stop) = self.ends(&heard, p, lag)? {
                return Ok(stop);
            }
            // at a low level noise alone must not explain the frame better
            let weak = heard.gain * heard.gain * self.shape.byte_energy() < 40.0 * self.noise * self.noise;
            let silent = heard.gain < SILENT * self.gain && (heard.fit < FAR || heard.gain < DEAF * self.gain);
            let lost = silent || (weak && heard.fit < 0.0);
            if lost {
                self.silent += 1;
                if self.silent > self.patience {
                    return Ok(Stop::Lost);
                }
            } else {
                self.measure(&heard, point);
                if self.is_elsewhere(&heard, (before, p), lag)? {
                    continue;
                }
                self.silent = 0;
                self.gain += 0.1 * (heard.gain - self.gain);
                self.noise += 0.1 * (heard.noise - self.noise);
            }
            self.places.push(Place {
                start: self.state.t,
                period: self.state.p.abs(),
                lost,
                vague: lost && self.state.tt.sqrt() > point,
                leap: std::mem::take(&mut self.leap),
                gain: heard.gain,
                filtered: self.state,
                predicted: self.expected.take().unwrap_or(before),
            });
            self.state = self.state.predict((0.02 * point).powi(2), (self.drift * p).powi(2));
        }
    }

    /// A grid point, in samples.
    fn point(&self) -> f64 {
        self.state.p.abs() / self.shape.geometry.byte_points()
    }

    /// Takes up the bytes again where their structure is found; false where it is not.
    fn find_again(&mut self) -> Result<bool, Error> {
        let (state, p) = (self.state, self.state.p.abs());
        let found = structure::find_again(self.signal, self.shape, state.t, state.tt.sqrt(), p, self.direction)?;
        // noise has a best place too, but next to no gain there
        let Some(found) = found.filter(|f| f.gain > LEAST_GAIN * self.gain) else { return Ok(false) };
        self.skip(found.passed);
        let state = self.state;
        self.expected = Some(state);
        self.state = taken_up(state, &found, self.direction, p, self.point());
        self.gain = found.gain.clamp(0.2 * self.gain, 5.0 * self.gain);
        self.leap = true;
        self.watch = Some(Watch::new(self.taken(self.state)));
        self.silent = 0;
        self.drift = f64::max(self.drift, 4e-4);
        Ok(true)
    }

    /// Some bytes whose place is not known well enough to read them.
    fn skip(&mut self, bytes: usize) {
        let drift = (self.drift.max(LOST_DRIFT) * self.state.p.abs()).powi(2);
        for _ in 0..bytes {
            let state = self.state;
            self.places.push(Place {
                start: state.t,
                period: state.p.abs(),
                lost: true,
                vague: true,
                leap: false,
                gain: 0.0,
                filtered: state,
                predicted: state,
            });
            self.state = state.predict(0.0, drift);
        }
        self.silent += bytes;
    }

    /// Whether the block has ended here, in a tone.
    fn ends(&mut self, heard: &Heard, p: f64, lag: usize) -> Result<Option<Stop>, Error> {
        self.tones.rotate_left(1);
        self.tones[2] = tone_instead(&self.frame, self.shape, heard, self.gain, self.noise, self.direction);
        let [_, _, one] = self.tones;
        let three: f32 = self.tones.iter().sum();
        let (evidence, back) = if one > TONE_ONE && self.goes_on(p, lag)? {
            // the frames before it may have been tone too, too weak to be sure of
            (one, self.tones[..2].iter().rev().take_while(|&&t| t > 0.0).count())
        } else if three > TONE_THREE && self.tones.iter().all(|&t| t > 0.0) {
            (three, 2)
        } else {
            return Ok(None);
        };
        self.places.truncate(self.places.len().saturating_sub(back));
        Ok(Some(Stop::Tone(evidence)))
    }

    /// Whether a tone goes on behind this frame (79 shorts are three bytes long): one frame alone may be a fade with
    /// tone-like data in it.
    fn goes_on(&mut self, p: f64, lag: usize) -> Result<bool, Error> {
        for ahead in 1..=TONE_AHEAD {
            let beyond = self.state.t + f64::from(ahead) * self.state.p;
            if beyond < 0.0 || beyond + p > self.signal.len() as f64 {
                return Ok(true);
            }
            self.frame.take(self.signal, &self.shape.geometry, beyond, p, lag)?;
            let next = Heard::new(&self.frame, self.shape, self.gain, self.noise);
            if tone_instead(&self.frame, self.shape, &next, self.gain, self.noise, -1.0) > TONE_NEXT {
                return Ok(true);
            }
            // what lies in a dropout tells nothing
            if next.gain > SILENT * self.gain {
                break;
            }
        }
        Ok(false)
    }

    /// Corrects the state by where this byte was heard, and what is thought of the wander of the speed.
    fn measure(&mut self, heard: &Heard, point: f64) {
        let state = self.state;
        let (shift, variance) = heard.posterior(state.tt.sqrt(), point);
        if variance >= 0.98 * state.tt {
            return;
        }
        // the measurement that turns the prior into this posterior
        let r = 1.0 / (1.0 / variance - 1.0 / state.tt);
        let seen = state.t + shift * (state.tt + r) / state.tt;
        let r = r + (MISFIT_POINTS * point).powi(2);
        // innovations of one sign in a row: the speed wanders more than thought; of alternating sign: less
        // (Mehra 1970, the whiteness of a Kalman filter's innovations)
        let innovation = (seen - state.t) / (state.tt + r).sqrt();
        let trend = (innovation * self.innovation).clamp(-2.0, 2.0);
        self.drift = (self.drift * (0.12 * trend).exp()).clamp(1e-4, 4e-3);
        self.innovation = innovation;
        self.state = state.see_start(seen, r);
    }

    /// Asks whether the place that was taken up is right, and goes back there if bytes lie elsewhere. `before` is the state
    /// before this byte was heard.
    fn is_elsewhere(&mut self, heard: &Heard, (before, p): (State, f64), lag: usize) -> Result<bool, Error> {
        let faint = heard.gain < FAINT * self.gain;
        if self.watch.is_none() && self.places.len() >= self.settled && (self.silent > 0 || faint) {
            self.watch = Some(Watch::new(self.taken(before)));
        }
        let Some(watch) = &mut self.watch else { return Ok(false) };
        let from = watch.from;
        let point = p / self.shape.geometry.byte_points();
        // the noise of late may be a first guess
        let level = (self.gain, self.noise.max(heard.noise));
        let moved = match watch.weigh(self.signal, self.shape, (before.t, p), (level, heard.gain), lag)? {
            Phase::Open => None,
            Phase::Right => {
                self.watch = None;
                None
            }
            Phase::Aside(points) => {
                Some(State { t: from.state.t + points * point, tt: (2.0 * point).powi(2), tp: 0.0, ..from.state })
            }
            Phase::Faint(late) => {
                let State { t, tt, .. } = from.state;
                let found = structure::find_again(self.signal, self.shape, t, tt.sqrt(), p, self.direction)?;
                let elsewhere =
                    |f: &Found| f.passed == 0 && f.gain > CLEARER * late && (f.start - t).abs() > ELSEWHERE * point;
                found.filter(elsewhere).map(|f| taken_up(from.state, &f, self.direction, p, point))
            }
        };
        let Some(state) = moved else { return Ok(false) };
        let from = Taken { state, moves: from.moves + 1, ..from };
        self.places.truncate(from.at);
        (self.state, self.gain, self.noise) = (state, from.gain, from.noise);
        // nothing before it follows from it
        self.expected = Some(State { tt: 0.0, tp: 0.0, pp: 0.0, ..state });
        self.leap = from.at > 0;
        self.silent = 0;
        self.tones = NO_TONES;
        self.watch = (from.moves < MOVES).then(|| Watch::new(from));
        self.settled = from.at + SURE;
        Ok(true)
    }

    fn taken(&self, state: State) -> Taken {
        Taken { at: self.places.len(), state, gain: self.gain, noise: self.noise, moves: 0 }
    }
}

/// The state at a place that was found anew: its distance from the prediction says nothing of the speed, since it may be
/// any byte's.
fn taken_up(before: State, found: &Found, direction: f64, period: f64, point: f64) -> State {
    let state = before.see_period(found.period * direction, (0.002 * period).powi(2));
    State { t: found.start, tt: (FOUND_POINTS * point).powi(2), tp: 0.0, ..state }
}

/// Evidence that one frame, and that three in a row, must give for a tone.
const NO_TONES: [f32; 3] = [f32::MIN / 4.0; 3];
const TONE_ONE: f32 = 14.0;
const TONE_THREE: f32 = 10.0;
/// … and a frame behind a single one.
const TONE_NEXT: f32 = 0.0;
/// Frames behind a single one that are looked at while they are silent.
const TONE_AHEAD: i32 = 3;
/// Gain against that of late under which nothing was heard, unless so much speaks for a byte as noise never does; and that
/// under which even then nothing was: what else is on the tape may leak in.
const SILENT: f32 = 0.3;
const FAR: f32 = 200.0;
const DEAF: f32 = 0.1;

/// Corrects every place from the later ones.
pub fn smooth(track: &mut Track, direction: f64) {
    let Some(last) = track.places.last_mut() else { return };
    last.period = last.filtered.p * direction;
    let mut next = last.filtered;
    for i in (0..track.places.len() - 1).rev() {
        let filtered = track.places[i].filtered;
        match filtered.smoothed(track.places[i + 1].predicted, next) {
            Some(smoothed) => {
                next = smoothed;
                track.places[i].start = smoothed.t;
                track.places[i].period = smoothed.p * direction;
            }
            None => next = filtered,
        }
    }
}
