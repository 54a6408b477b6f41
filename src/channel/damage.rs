//! Dropouts and lost stretches: where the tape is lifted off the head, in tape seconds.

use super::Knobs;
use super::random::{Purpose, Random};
use std::f64::consts::PI;

/// One place where something lifts the tape off the head.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dropout {
    /// From and to, in tape seconds.
    pub from: f64,
    pub to: f64,
    /// Greatest lift in µm, in this take.
    pub lift_um: f64,
    /// True: fixed to the tape, so every take has it.
    pub shared: bool,
}

impl Dropout {
    /// Lift in µm at a tape second: rises and falls as a raised cosine over a quarter of the length at either end.
    pub fn lift_at(&self, place: f64) -> f64 {
        let ramp = (self.to - self.from) / 4.0;
        let inside = (place - self.from).min(self.to - place);
        if inside <= 0.0 {
            0.0
        } else if inside >= ramp {
            self.lift_um
        } else {
            self.lift_um * (0.5 - 0.5 * libm::cos(PI * inside / ramp))
        }
    }
}

/// The dropouts of one take of a tape of `seconds`, in order of their starts. Places, lengths and strengths of the
/// shared ones come from the tape's seed alone (a longer tape has the same ones and more); how much of each this take
/// suffers, and its own ones, come from the take's.
pub fn damage(seconds: f64, knobs: &Knobs, tape_seed: u64, take_seed: u64) -> Vec<Dropout> {
    let mut depth = Random::new(take_seed, Purpose::SharedDepth);
    let mut places = Random::new(tape_seed, Purpose::SharedDropouts);
    let mut all = scatter(seconds, knobs.shared_dropouts_per_s, knobs, &mut places, true);
    for dropout in &mut all {
        dropout.lift_um *= depth.between(1.0 - knobs.dropout_spread, 1.0 + knobs.dropout_spread);
    }
    let mut own = Random::new(take_seed, Purpose::OwnDropouts);
    all.extend(scatter(seconds, knobs.own_dropouts_per_s, knobs, &mut own, false));
    all.sort_by(|a, b| a.from.total_cmp(&b.from));
    all
}

fn scatter(seconds: f64, per_s: f64, knobs: &Knobs, random: &mut Random, shared: bool) -> Vec<Dropout> {
    let mut out = Vec::new();
    if per_s <= 0.0 {
        return out;
    }
    let mut from = random.exponential() / per_s;
    while from < seconds {
        let length = knobs.dropout_max_ms * 1e-3 * libm::exp10(random.between(-1.0, 0.0));
        let lift_um = knobs.dropout_lift_um * random.exponential();
        out.push(Dropout { from, to: from + length, lift_um, shared });
        from += random.exponential() / per_s;
    }
    out
}

/// The stretches that the take has lost entirely, in tape seconds, up to `seconds`.
pub fn lost(seconds: f64, knobs: &Knobs) -> Vec<(f64, f64)> {
    let mut out = knobs.lost_s.clone();
    if knobs.lost_period_s > 0.0 && knobs.lost_length_s > 0.0 {
        let count = ((seconds - knobs.lost_offset_s) / knobs.lost_period_s).ceil().max(0.0) as usize;
        out.extend((0..count).map(|k| {
            let from = knobs.lost_offset_s + k as f64 * knobs.lost_period_s;
            (from, from + knobs.lost_length_s)
        }));
    }
    out
}
