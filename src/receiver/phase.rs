//! Half a cell aside, a run of equal bits looks like a run of the opposite bits: after a fade the bytes may have been
//! taken up there. Over some bytes together the marker and the bits that differ tell which it is.

use super::frame::Frame;
use super::shape::{MARGIN, Shape};
use super::signal::Signal;
use super::track::Place;
use crate::Error;

/// Bytes that are judged together, and how many of them are looked at.
const WINDOW: usize = 48;
const LOOK: usize = 12;
/// Share by which another place must explain more.
const BETTER: f32 = 0.12;

/// Moves stretches that lie a half cell aside to where they belong. Where a stretch is moved and its neighbour is not,
/// the count may be off: that becomes a leap.
pub fn settle(signal: &mut Signal, shape: &Shape, places: &mut [Place]) -> Result<(), Error> {
    let geometry = &shape.geometry;
    // a cell of two symbols is split where the first ends; the leader symbol is the unit of length
    let first = (geometry.cell_points as f64 / geometry.cell).round() as i64;
    let second = geometry.cell_points as i64 - first;
    let shifts = [0, first, -first, second, -second];
    let lag = first.max(second).max(0) as usize;
    if lag > MARGIN {
        return Ok(());
    }
    let mut frame = Frame::empty();
    let mut before = 0;
    let mut from = 0;
    while from < places.len() {
        let leap = (from + 1..places.len()).find(|&i| places[i].leap).unwrap_or(places.len());
        let to = leap.min(from + WINDOW);
        let heard: Vec<usize> = (from..to).filter(|&i| !places[i].lost && !places[i].vague).collect();
        let mut scores = [0.0f32; 5];
        for &i in heard.iter().step_by(heard.len().div_ceil(LOOK).max(1)) {
            let place = &places[i];
            frame.take(signal, geometry, place.start, place.period, lag)?;
            for (score, shift) in scores.iter_mut().zip(shifts) {
                let at = (lag as i64 + shift) as usize;
                let bits: f32 = (0..geometry.bits).map(|k| frame.bit(shape, k, at).abs()).sum();
                *score += frame.common(shape, at) + bits;
            }
        }
        let best = (0..shifts.len()).max_by(|&a, &b| scores[a].total_cmp(&scores[b]).then(b.cmp(&a))).unwrap_or(0);
        let moved = heard.len() >= 4 && scores[best] > scores[0] * (1.0 + BETTER) && scores[best] > 0.0;
        let shift = if moved { shifts[best] } else { 0 };
        if shift != 0 {
            for place in &mut places[from..to] {
                place.start += shift as f64 * place.period / geometry.byte_points();
            }
        }
        if from > 0 && shift != before {
            places[from].leap = true;
        }
        before = shift;
        from = to;
    }
    Ok(())
}
