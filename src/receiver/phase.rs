//! Half a cell aside, a run of equal bits looks like a run of the opposite bits, and a whole cell aside only the marker
//! tells: after a fade the bytes may have been taken up there. Over some bytes together the marker and the bits that
//! differ tell which it is.

use super::frame::Frame;
use super::heard::Explained;
use super::shape::Shape;
use super::signal::Signal;
use super::track::Taken;
use crate::Error;

/// Places aside: half a cell (of either of its symbols) and a whole one, before and behind.
const ASIDE: usize = 6;
/// Points around each at which it is tried: between them the likelihood falls by less than half a cell costs.
const AROUND: [i64; 3] = [-3, 0, 3];
/// Evidence (nats) that settles it, for a place aside and against all of them; the most that one byte may give, and the
/// bytes that are needed at least. Six places are tried behind every fade, and noise is not as white as the likelihood
/// takes it for: what moves bytes must be strong.
const MOVED: f32 = 20.0;
const SETTLED: f32 = 12.0;
const MOST: f32 = 5.0;
const LEAST_BYTES: usize = 6;
/// Gain against that before under which the first bytes are faint.
const FAINT: f32 = 0.75;
/// Bytes after which the question is left open.
const PATIENCE: usize = 96;

/// Holds the place that bytes are followed at against those aside, from one byte on.
pub struct Watch {
    pub from: Taken,
    /// Evidence for each place aside against the one followed.
    evidence: [f32; ASIDE],
    bytes: usize,
    /// Sum of the gains that they were heard at.
    heard: f32,
    frame: Frame,
}

/// What a watch found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Phase {
    Open,
    Right,
    /// The bytes lie this many points behind the place they were followed at.
    Aside(f64),
    /// They were heard at this gain, too little against that before: this may be a fade, or they lie anywhere else.
    Faint(f32),
}

impl Watch {
    pub fn new(from: Taken) -> Watch {
        Watch { from, evidence: [0.0; ASIDE], bytes: 0, heard: 0.0, frame: Frame::empty() }
    }

    /// Weighs one byte that was heard within `slack` points of `start`, of `period` samples, at the gain `heard`. `gain`
    /// and `noise` are those of late.
    pub fn weigh(
        &mut self,
        signal: &mut Signal,
        shape: &Shape,
        (start, period): (f64, f64),
        ((gain, noise), heard): ((f32, f32), f32),
        slack: usize,
    ) -> Result<Phase, Error> {
        let geometry = &shape.geometry;
        // a cell of two symbols is split where the first ends; the leader symbol is the unit of length
        let cell = geometry.cell_points as i64;
        let first = (geometry.cell_points as f64 / geometry.cell).round() as i64;
        let aside = [first, -first, cell - first, first - cell, cell, -cell];
        let lag = cell + AROUND[2];
        self.frame.take(signal, geometry, start, period, lag as usize)?;
        let at = |shift: i64| {
            let shift = (lag + shift) as usize;
            Explained::of(&self.frame, shape, shift, gain, noise).likelihood
        };
        let slack = slack as i64;
        let own = (-slack..=slack).map(&at).fold(f32::MIN, f32::max);
        for (evidence, shift) in self.evidence.iter_mut().zip(aside) {
            let best = AROUND.into_iter().map(|d| at(shift + d)).fold(f32::MIN, f32::max);
            *evidence += (best - own).clamp(-MOST, MOST);
        }
        self.bytes += 1;
        self.heard += heard;
        let late = self.heard / self.bytes as f32;
        if self.bytes < LEAST_BYTES {
            return Ok(Phase::Open);
        }
        if self.bytes == LEAST_BYTES && late < FAINT * self.from.gain {
            return Ok(Phase::Faint(late));
        }
        let best = (0..ASIDE).fold(0, |a, b| if self.evidence[b] > self.evidence[a] { b } else { a });
        Ok(match self.evidence[best] {
            e if e > MOVED => Phase::Aside(aside[best] as f64),
            e if e < -SETTLED || self.bytes >= PATIENCE => Phase::Right,
            _ => Phase::Open,
        })
    }
}
