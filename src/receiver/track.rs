//! Follows the bytes along the tape: where each begins and how long it lasts.
//!
//! State: start and period of the byte, a Gaussian; every byte's waveform gives a likelihood over its start, the bits
//! summed out. The tape's speed wanders slowly, so a lost stretch is bridged by the prediction; where that has grown
//! too vague, the byte structure is looked for anew ([`super::structure`]). [`smooth`] then corrects every place from
//! the later ones (Rauch, Tung, Striebel 1965).

use super::frame::Frame;
use super::phase::{Explained, Phase, Watch};
use super::shape::{MARGIN, Shape};
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

/// Mean and covariance of (start, period).
#[derive(Clone, Copy, Debug)]
struct State {
    t: f64,
    p: f64,
    tt: f64,
    tp: f64,
    pp: f64,
}

impl State {
    fn predict(self, jitter: f64, drift: f64) -> State {
        State {
            t: self.t + self.p,
            p: self.p,
            tt: self.tt + 2.0 * self.tp + self.pp + jitter + drift / 3.0,
            tp: self.tp + self.pp + drift / 2.0,
            pp: self.pp + drift,
        }
    }

    /// A measurement of the start with variance `r`.
    fn see_start(self, t: f64, r: f64) -> State {
        let s = self.tt + r;
        let (kt, kp) = (self.tt / s, self.tp / s);
        let e = t - self.t;
        State {
            t: self.t + kt * e,
            p: self.p + kp * e,
            tt: self.tt * (1.0 - kt),
            tp: self.tp * (1.0 - kt),
            pp: self.pp - kp * self.tp,
        }
    }

    /// A measurement of the period with variance `r`.
    fn see_period(self, p: f64, r: f64) -> State {
        let s = self.pp + r;
        let (kt, kp) = (self.tp / s, self.pp / s);
        let e = p - self.p;
        State {
            t: self.t + kt * e,
            p: self.p + kp * e,
            tt: self.tt - kt * self.tp,
            tp: self.tp * (1.0 - kp),
            pp: self.pp * (1.0 - kp),
        }
    }
}

/// Why following ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stop {
    /// The end marker and the tone after it (or, backwards, the leader), with the log-likelihood ratio for it.
    Tone(f32),
    /// Nothing was heard for too long.
    Lost,
    /// The capture ends (or begins) here.
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
}

/// Uncertainty of the start (points) past which the structure is looked for anew.
const VAGUE_POINTS: f64 = 2.6;
/// Error of a measured start that no likelihood shows: the waveform is never exactly as learned.
const MISFIT_POINTS: f64 = 0.25;
/// Least wander of the speed per byte, as a fraction, that is reckoned with while nothing is heard: a wow of 1 % at 1 Hz.
const LOST_DRIFT: f64 = 6e-4;
/// Gain, against that before a lost stretch, at which bytes are believed to have come back.
const LEAST_GAIN: f32 = 0.3;
/// Seconds without a signal after which a block is given up.
const PATIENCE_S: f64 = 2.5;

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

/// Follows from a known byte. `direction` +1 forwards, -1 backwards; `limit` bytes at most.
pub fn follow(signal: &mut Signal, shape: &Shape, begin: Begin, direction: f64, limit: usize) -> Result<Track, Error> {
    let Begin { start, period, gain, noise, sure } = begin;
    let geometry = &shape.geometry;
    let points = geometry.byte_points();
    let mut frame = Frame::empty();
    let mut state = State { t: start, p: period * direction, tt: 1.0, tp: 0.0, pp: (2e-4 * period).powi(2) };
    let mut drift_scale = 8e-4;
    let mut last_innovation = 0.0;
    let mut gain = gain;
    let mut noise = noise.max(1e-6);
    let mut places: Vec<Place> = Vec::new();
    let mut leap = false;
    let mut silent = 0usize;
    let patience = (PATIENCE_S * signal.rate() / period) as usize;
    let (first, last) = (0.0, signal.len() as f64);
    let mut stop = Stop::Edge;
    let mut tones = [f32::MIN / 4.0; 3];
    // until it is settled whether the place that was taken up is right
    let mut watch = (!sure).then(|| Watch::new(Taken { at: 0, state, gain, noise, moves: 0 }));
    // bytes up to here are not asked about again
    let mut settled = 0;
    let mut expected = None;
    while places.len() < limit {
        let p = state.p.abs();
        if state.t < first - 0.5 * p || state.t + 0.5 * p > last {
            break;
        }
        let point = p / points;
        if state.tt.sqrt() > VAGUE_POINTS * point && silent > 0 {
            let found = structure::find_again(signal, shape, state.t, state.tt.sqrt(), p, direction)?;
            // noise has a best place too, but next to no gain there
            match found.filter(|f| f.gain > LEAST_GAIN * gain) {
                Some(found) => {
                    expected = Some(state);
                    state = taken_up(state, &found, direction, p, point);
                    gain = (found.gain).clamp(0.2 * gain, 5.0 * gain);
                    leap = true;
                    watch = Some(Watch::new(Taken { at: places.len(), state, gain, noise, moves: 0 }));
                    silent = 0;
                    drift_scale = f64::max(drift_scale, 4e-4);
                }
                None => {
                    if silent > patience {
                        stop = Stop::Lost;
                        break;
                    }
                    for _ in 0..8 {
                        let before = state;
                        places.push(Place {
                            start: before.t,
                            period: before.p.abs(),
                            lost: true,
                            vague: true,
                            leap: false,
                            gain: 0.0,
                            filtered: before,
                            predicted: before,
                        });
                        state = state.predict(0.0, (drift_scale.max(LOST_DRIFT) * p).powi(2));
                    }
                    silent += 8;
                    continue;
                }
            }
        }
        let (predicted, before) = (expected.take().unwrap_or(state), state);
        let lag = ((2.5 * state.tt.sqrt() / point).ceil() as usize + 1).clamp(2, 7);
        frame.take(signal, geometry, state.t, p, lag)?;
        let heard = Heard::new(&frame, shape, gain, noise);
        tones.rotate_left(1);
        tones[2] = tone_instead(&frame, shape, &heard, gain, noise, direction);
        let three: f32 = tones.iter().sum();
        if tones[2] > TONE_ONE && {
            // a tone goes on (79 shorts are three bytes long): one frame alone may be a fade with tone-like data in it
            let mut goes_on = false;
            for ahead in 1..=TONE_AHEAD {
                let beyond = state.t + f64::from(ahead) * state.p;
                if beyond < first || beyond + p > last {
                    goes_on = true;
                    break;
                }
                frame.take(signal, geometry, beyond, p, lag)?;
                let next = Heard::new(&frame, shape, gain, noise);
                goes_on = tone_instead(&frame, shape, &next, gain, noise, -1.0) > TONE_NEXT;
                // what lies in a dropout tells nothing
                if goes_on || next.gain > SILENT * gain {
                    break;
                }
            }
            goes_on
        } {
            stop = Stop::Tone(tones[2]);
            // the frames before it may have been tone too, too weak to be sure of
            let back = tones[..2].iter().rev().take_while(|&&t| t > 0.0).count();
            places.truncate(places.len().saturating_sub(back));
            break;
        }
        if three > TONE_THREE && tones.iter().all(|&t| t > 0.0) {
            stop = Stop::Tone(three);
            places.truncate(places.len().saturating_sub(2));
            break;
        }
        // at a low level noise alone must not explain the frame better
        let weak = heard.gain * heard.gain * shape.byte_energy() < 40.0 * noise * noise;
        let lost = heard.gain < SILENT * gain || (weak && heard.fit < 0.0);
        if lost {
            silent += 1;
            if silent > patience {
                stop = Stop::Lost;
                break;
            }
        } else {
            let (shift, variance) = heard.posterior(state.tt.sqrt(), point);
            if variance < 0.98 * state.tt {
                // the measurement that turns the prior into this posterior
                let r = 1.0 / (1.0 / variance - 1.0 / state.tt);
                let seen = state.t + shift * (state.tt + r) / state.tt;
                let r = r + (MISFIT_POINTS * point).powi(2);
                // innovations of one sign in a row: the speed wanders more than thought; of alternating sign: less
                // (Mehra 1970, the whiteness of a Kalman filter's innovations)
                let innovation = (seen - state.t) / (state.tt + r).sqrt();
                let trend = (innovation * last_innovation).clamp(-2.0, 2.0);
                drift_scale = (drift_scale * (0.12 * trend).exp()).clamp(1e-4, 4e-3);
                last_innovation = innovation;
                state = state.see_start(seen, r);
            }
            if watch.is_none() && places.len() >= settled && (silent > 0 || heard.gain < FAINT * gain) {
                watch = Some(Watch::new(Taken { at: places.len(), state: before, gain, noise, moves: 0 }));
            }
            if let Some(watching) = &mut watch {
                // the noise of late may be a first guess
                let level = (gain, noise.max(heard.noise));
                let moved = match watching.weigh(signal, shape, (before.t, p), (level, heard.gain), lag)? {
                    Phase::Open => None,
                    Phase::Right => {
                        watch = None;
                        None
                    }
                    Phase::Aside(points) => {
                        let there = watching.from.state;
                        Some(State { t: there.t + points * point, tt: (2.0 * point).powi(2), tp: 0.0, ..there })
                    }
                    Phase::Faint(late) => {
                        let there = watching.from.state;
                        let found = structure::find_again(signal, shape, there.t, there.tt.sqrt(), p, direction)?;
                        let elsewhere =
                            |f: &Found| f.gain > CLEARER * late && (f.start - there.t).abs() > ELSEWHERE * point;
                        found.filter(elsewhere).map(|f| taken_up(there, &f, direction, p, point))
                    }
                };
                if let (Some(moved), Some(Watch { from, .. })) = (moved, &watch) {
                    // back to where the place was taken up
                    let from = Taken { state: moved, moves: from.moves + 1, ..*from };
                    places.truncate(from.at);
                    (state, gain, noise) = (moved, from.gain, from.noise);
                    // nothing before it follows from it
                    expected = Some(State { tt: 0.0, tp: 0.0, pp: 0.0, ..moved });
                    leap = from.at > 0;
                    silent = 0;
                    tones = [f32::MIN / 4.0; 3];
                    watch = (from.moves < MOVES).then(|| Watch::new(from));
                    settled = from.at + SURE;
                    continue;
                }
            }
            silent = 0;
            gain += 0.1 * (heard.gain - gain);
            noise += 0.1 * (heard.noise - noise);
        }
        let heard = heard.gain;
        let vague = lost && state.tt.sqrt() > point;
        places.push(Place {
            start: state.t,
            period: state.p.abs(),
            lost,
            vague,
            leap,
            gain: heard,
            filtered: state,
            predicted,
        });
        leap = false;
        state = state.predict((0.02 * point).powi(2), (drift_scale * p).powi(2));
    }
    // what was only hoped for at the end is no byte
    while places.last().is_some_and(|p| p.lost) && stop != Stop::Edge && !matches!(stop, Stop::Tone(_)) {
        places.pop();
    }
    let next = places.last().map_or(start, |p| p.filtered.t + p.filtered.p);
    Ok(Track { places, stop, next, gain, noise })
}

/// The state at a place that was found anew: its distance from the prediction says nothing of the speed, since it may be
/// any byte's.
fn taken_up(before: State, found: &Found, direction: f64, period: f64, point: f64) -> State {
    let state = before.see_period(found.period * direction, (0.002 * period).powi(2));
    State { t: found.start, tt: (0.5 * point).powi(2), tp: 0.0, ..state }
}

/// What one frame says about where its byte begins.
struct Heard {
    /// Log-likelihood per shift, relative; index `lag` is in place.
    likelihood: Vec<f32>,
    gain: f32,
    /// rms of what the best fit leaves.
    noise: f32,
    /// ln P(frame | a byte, at the gain of late or faded) − ln P(frame | noise alone), at the best shift.
    fit: f32,
}

impl Heard {
    fn new(frame: &Frame, shape: &Shape, gain: f32, noise: f32) -> Heard {
        let bits = shape.geometry.bits;
        let mut likelihood = Vec::with_capacity(2 * frame.lag + 1);
        let mut best = f32::MIN;
        let scale = 1.0 / (noise * noise);
        for shift in 0..=2 * frame.lag {
            let explained = Explained::of(frame, shape, shift, gain, noise);
            likelihood.push(explained.likelihood);
            best = f32::max(best, explained.bits + explained.common);
        }
        let total = shape.byte_energy();
        let own = (best / total).max(0.0);
        let energy = frame.energy();
        let explained = own * own * total;
        let left = ((energy - explained).max(0.0) / frame_len(shape)).sqrt();
        let top = likelihood.iter().copied().fold(f32::MIN, f32::max);
        // ln cosh has the even prior of both bit values in it
        let steady = top - 0.5 * gain * gain * total * scale;
        // a byte in a fade: at its own gain, and the values of its bits taken as they seem
        let faded = own.clamp(0.35 * gain, gain);
        let seems = faded * best * scale - 0.5 * faded * faded * total * scale - bits as f32 * std::f32::consts::LN_2;
        let fit = steady.max(seems);
        Heard { likelihood, gain: own, noise: left.max(1e-5), fit }
    }

    /// Mean and variance of the start, relative to the prediction's own grid, given a Gaussian prior of `sigma` samples.
    fn posterior(&self, sigma: f64, point: f64) -> (f64, f64) {
        let lag = (self.likelihood.len() - 1) as f64 / 2.0;
        let fine = 8;
        let (mut top, mut values) = (f64::MIN, Vec::new());
        for i in 0..=(self.likelihood.len() - 1) * fine {
            let at = i as f64 / fine as f64;
            let x = (at - lag) * point;
            let l = interpolate(&self.likelihood, at) - 0.5 * (x / sigma).powi(2);
            top = top.max(l);
            values.push((x, l));
        }
        let (mut w0, mut w1, mut w2) = (0.0, 0.0, 0.0);
        for (x, l) in values {
            let w = (l - top).exp();
            w0 += w;
            w1 += w * x;
            w2 += w * x * x;
        }
        let mean = w1 / w0;
        // the grid itself is an eighth of a point wide
        (mean, (w2 / w0 - mean * mean).max((point / 16.0).powi(2)))
    }
}

fn frame_len(shape: &Shape) -> f32 {
    (shape.mu.len() - 2 * MARGIN) as f32
}

/// Catmull–Rom through equally spaced values, linear at the ends.
fn interpolate(values: &[f32], at: f64) -> f64 {
    let n = (at as usize).min(values.len() - 2);
    let f = at - n as f64;
    let v = |i: usize| f64::from(values[i]);
    let (b, c) = (v(n), v(n + 1));
    let a = if n > 0 { v(n - 1) } else { 2.0 * b - c };
    let d = if n + 2 < values.len() { v(n + 2) } else { 2.0 * c - b };
    b + 0.5 * f * (c - a + f * (2.0 * a - 5.0 * b + 4.0 * c - d + f * (3.0 * (b - c) + d - a)))
}

/// ln P(frame | tone after, or before, a block) − ln P(frame | byte or nothing), with what each must have as energy at
/// the gain of late; negative also when nothing at all fits better than noise.
fn tone_instead(frame: &Frame, shape: &Shape, heard: &Heard, gain: f32, noise: f32, direction: f64) -> f32 {
    let geometry = &shape.geometry;
    let unit = geometry.cell_points as f64 / geometry.cell;
    // forwards, the end marker comes before the tone
    let skip = if direction > 0.0 { (geometry.prefix * unit) as usize } else { 0 };
    let part = &frame.points[MARGIN + frame.lag + skip..frame.points.len() - MARGIN - frame.lag];
    let omega = 2.0 * std::f64::consts::PI / unit;
    let (mut c, mut s) = (0.0f32, 0.0f32);
    let (step_s, step_c) = omega.sin_cos();
    let (mut cs, mut sn) = (1.0f64, 0.0f64);
    for &v in part {
        c += v * cs as f32;
        s += v * sn as f32;
        (cs, sn) = (cs * step_c - sn * step_s, sn * step_c + cs * step_s);
    }
    let heard_tone = c.hypot(s);
    let n = part.len() as f32;
    // a leader has about the power of data; band limits take from its higher tone first
    let full = gain * (2.0 * shape.byte_energy() / frame_len(shape)).sqrt();
    let amplitude = (2.0 * heard_tone / n).clamp(0.35 * full, 1.1 * full);
    let scale = 1.0 / (noise * noise);
    // the unknown phase costs ln sqrt(2 π x) (large-argument form of ln I0)
    let x = amplitude * heard_tone * scale;
    let tone = x - 0.25 * amplitude * amplitude * n * scale - 0.5 * (1.0 + std::f32::consts::TAU * x).ln();
    tone - heard.fit.max(0.0)
}

/// Evidence that one frame, and that three in a row, must give for a tone.
const TONE_ONE: f32 = 14.0;
const TONE_THREE: f32 = 10.0;
/// … and a frame behind a single one.
const TONE_NEXT: f32 = 0.0;
/// Frames behind a single one that are looked at while they are silent.
const TONE_AHEAD: i32 = 3;
/// Gain against that of late under which nothing was heard.
const SILENT: f32 = 0.3;

/// Corrects every place from the later ones.
pub fn smooth(track: &mut Track, direction: f64) {
    let n = track.places.len();
    if n == 0 {
        return;
    }
    let mut next = track.places[n - 1].filtered;
    for i in (0..n - 1).rev() {
        let (f, p) = (track.places[i].filtered, track.places[i + 1].predicted);
        // cross-covariance of state i and i + 1 under x' = F x, F = [1 1; 0 1]
        let (c_tt, c_tp) = (f.tt + f.tp, f.tp);
        let (c_pt, c_pp) = (f.tp + f.pp, f.pp);
        let det = p.tt * p.pp - p.tp * p.tp;
        if det <= 1e-18 {
            next = f;
            continue;
        }
        let (i_tt, i_tp, i_pp) = (p.pp / det, -p.tp / det, p.tt / det);
        let g = [
            [c_tt * i_tt + c_tp * i_tp, c_tt * i_tp + c_tp * i_pp],
            [c_pt * i_tt + c_pp * i_tp, c_pt * i_tp + c_pp * i_pp],
        ];
        let (et, ep) = (next.t - p.t, next.p - p.p);
        let mut s = f;
        s.t += g[0][0] * et + g[0][1] * ep;
        s.p += g[1][0] * et + g[1][1] * ep;
        next = s;
        track.places[i].start = s.t;
        track.places[i].period = s.p * direction;
    }
    track.places[n - 1].period = track.places[n - 1].filtered.p * direction;
}
