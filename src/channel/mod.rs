//! A physical model from programs to captures: what the machine wrote, the tape and its damage, the deck that plays it
//! and the capture. It makes takes with known truth for the demonstration, the tests and the benches.
//!
//! In order: pulses become level changes on the tape ([`flux`]: the writing machine and its recorder); the play maps
//! tape seconds to seconds of the take ([`speed`]); lifted tape, tilt and head gap take their share by wavelength
//! ([`damage`](damage()), [`losses`]); amplifiers limit the band; the capture adds noise, hum, gain, level and clipping.
//! Every knob is a field of [`Knobs`]. The same knobs and seeds give the same samples on every machine: sines and
//! logarithms come from one library in plain arithmetic, random numbers from ChaCha, sums have a fixed order.

mod capture_side;
mod damage;
mod filters;
pub mod flux;
mod knobs;
pub mod losses;
pub mod random;
pub mod recipe;
pub mod speed;
mod store;

pub use damage::{Dropout, damage};
pub use knobs::Knobs;
pub use losses::{azimuth_loss_db, gap_loss_db, spacing_loss_db};
pub use recipe::{Recipe, Simulation, Truth, simulate};
pub use store::run;

use crate::tape::Pulse;
use flux::{Edge, Renderer};
use losses::{Contact, Designer};
use random::{Purpose, Random};
use speed::{Band, Speed, Timeline};
use std::f64::consts::PI;
use std::ops::Range;

/// One take of a tape: mono samples, full scale ±1, not yet rounded to bits. The knobs must pass [`Knobs::check`].
pub fn play(tape: &[Pulse], knobs: &Knobs, tape_seed: u64, take_seed: u64) -> Vec<f32> {
    let (mut edges, end) = flux::record(tape, knobs, tape_seed);
    let take = Take::new(end, knobs, take_seed);
    // The take hears only what passes between its start and its stop.
    let level = edges.iter().rev().find(|e| e.at <= take.from).map_or(0.0, |e| e.level);
    edges.retain(|e| take.from < e.at && e.at < take.to);
    edges.insert(0, Edge { at: take.from, level });
    edges.push(Edge { at: take.to, level: 0.0 });
    edges.iter_mut().for_each(|e| e.at = take.timeline.when(e.at));
    let mut data: Vec<Range<f64>> = Vec::new();
    for pair in edges.windows(2).filter(|pair| pair[0].level != 0.0) {
        match data.last_mut() {
            Some(last) if last.end == pair[0].at => last.end = pair[1].at,
            _ => data.push(pair[0].at..pair[1].at),
        }
    }
    let wave = Renderer::new().render(&edges, take.rate, take.samples);
    take.hear(wave, &data, end, knobs, tape_seed, take_seed)
}

/// When every pulse of the tape begins to pass the head, in seconds after the start of the take that [`play`] makes of
/// the same tape, knobs and seeds; one more for the end of the tape. Written jitter is left out: these are the times that
/// a receiver which knew the speed to perfection would expect.
pub fn schedule(tape: &[Pulse], knobs: &Knobs, tape_seed: u64, take_seed: u64) -> Vec<f64> {
    let steady = Knobs { write_jitter_us: 0.0, ..knobs.clone() };
    let (edges, end) = flux::record(tape, &steady, tape_seed);
    let timeline = Take::new(end, knobs, take_seed).timeline;
    let mut times = Vec::with_capacity(tape.len() + 1);
    let mut edge = 0;
    for pulse in tape {
        times.push(timeline.when(edges[edge].at));
        // A cycle has two level changes, silence one.
        edge += if matches!(pulse, Pulse::Cycle(_)) { 2 } else { 1 };
    }
    times.push(timeline.when(end));
    times
}

/// A take of a pure tone of `hz`, `seconds` long, on the same deck: for measuring it. The amplitude on tape is 1.
pub fn play_tone(hz: f64, seconds: f64, knobs: &Knobs, tape_seed: u64, take_seed: u64) -> Vec<f32> {
    let take = Take::new(seconds, knobs, take_seed);
    let tone = |n: usize| {
        let place = take.timeline.place(n as f64 / take.rate);
        if (take.from..take.to).contains(&place) { libm::sin(2.0 * PI * hz * place) as f32 } else { 0.0 }
    };
    let wave = (0..take.samples).map(tone).collect();
    let data = take.timeline.when(take.from)..take.timeline.when(take.to);
    take.hear(wave, &[data], seconds, knobs, tape_seed, take_seed)
}

/// When which tape second passes the head.
struct Take {
    rate: f64,
    samples: usize,
    /// First and last tape second that is heard; before and after it the tape is empty.
    from: f64,
    to: f64,
    timeline: Timeline,
}

impl Take {
    fn new(end: f64, knobs: &Knobs, take_seed: u64) -> Take {
        let band = |rms, hz, random_share| Band { rms, hz, random_share };
        let bands = [
            band(knobs.drift_rms, knobs.drift_hz, 1.0),
            band(knobs.wow_rms, knobs.wow_hz, knobs.wow_random_share),
            band(knobs.flutter_rms, knobs.flutter_hz, knobs.wow_random_share),
        ];
        let speed = Speed::draw(knobs.speed_error, &bands, &mut Random::new(take_seed, Purpose::PlaySpeed));
        let from = knobs.start_s.min(end);
        let to = knobs.stop_s.map_or(end, |stop| stop.clamp(from, end));
        let timeline = Timeline::new(&speed, from - knobs.before_s, to + knobs.after_s);
        let rate = f64::from(knobs.sample_rate);
        let samples = (timeline.when(to + knobs.after_s) * rate) as usize;
        Take { rate, samples, from, to, timeline }
    }

    fn sample(&self, seconds: f64) -> usize {
        ((seconds * self.rate).max(0.0) as usize).min(self.samples)
    }

    /// The samples between two tape seconds.
    fn span(&self, from: f64, to: f64) -> Range<usize> {
        self.sample(self.timeline.when(from))..self.sample(self.timeline.when(to))
    }

    /// The wave on the tape, as it passes the head, to samples. `data` are the seconds of the take that hold data.
    fn hear(
        &self,
        wave: Vec<f32>,
        data: &[Range<f64>],
        tape_end: f64,
        knobs: &Knobs,
        tape_seed: u64,
        take_seed: u64,
    ) -> Vec<f32> {
        let dropouts = damage(tape_end, knobs, tape_seed, take_seed);
        let mut heard = self.head(&wave, &dropouts, knobs);
        drop(wave);
        let lost: Vec<_> = damage::lost(tape_end, knobs).iter().map(|&(from, to)| self.span(from, to)).collect();
        lost.iter().for_each(|span| heard[span.clone()].fill(0.0));
        filters::low_pass_1(&mut heard, knobs.record_lowpass_hz, self.rate);
        filters::low_pass_2(&mut heard, knobs.playback_lowpass_hz, self.rate);
        filters::high_pass_2(&mut heard, knobs.highpass_hz, self.rate);

        // The data wave is measured where nothing ails it, so that damage does not raise the rest.
        let mut sound = vec![false; self.samples];
        data.iter().for_each(|d| sound[self.sample(d.start)..self.sample(d.end)].fill(true));
        lost.iter().for_each(|span| sound[span.clone()].fill(false));
        dropouts.iter().for_each(|d| sound[self.span(d.from, d.to)].fill(false));
        let (mut power, mut count) = (0.0, 0.0);
        for (x, _) in heard.iter().zip(&sound).filter(|(_, sound)| **sound) {
            power += f64::from(*x) * f64::from(*x);
            count += 1.0;
        }
        // Without any sound data there is nothing to measure by: the wave as written (rms 1) is the measure then.
        let rms = if power > 0.0 { libm::sqrt(power / count) } else { 1.0 };
        heard.iter_mut().for_each(|x| *x = (f64::from(*x) / rms) as f32);
        capture_side::capture(heard, knobs, take_seed)
    }

    /// What the head makes of the wave: losses by wavelength, greater where the tape is lifted.
    fn head(&self, wave: &[f32], dropouts: &[Dropout], knobs: &Knobs) -> Vec<f32> {
        /// Lift is rounded to this many µm (0.3 dB at 2.4 kHz) …
        const STEP_UM: f64 = 0.1;
        /// … and no more than this counts: over 100 dB from 1.1 kHz up.
        const MOST_UM: f64 = 80.0;
        let contact = |lift_um: f64| Contact {
            spacing_um: knobs.spacing_um + lift_um,
            gap_um: knobs.gap_um,
            azimuth_arcmin: knobs.azimuth_arcmin,
            track_mm: knobs.track_mm,
        };
        let designer = Designer::new(self.rate);
        let mut heard = losses::convolve(wave, &designer.filter(&contact(0.0)));
        // Where dropouts overlap, the greater lift counts.
        let mut lift = vec![0u16; if dropouts.is_empty() { 0 } else { self.samples }];
        for dropout in dropouts {
            for n in self.span(dropout.from, dropout.to) {
                let um = dropout.lift_at(self.timeline.place(n as f64 / self.rate)).min(MOST_UM);
                lift[n] = lift[n].max((um / STEP_UM).round() as u16);
            }
        }
        let mut filters: Vec<Option<Vec<f32>>> = vec![None; (MOST_UM / STEP_UM) as usize + 1];
        for (n, &step) in lift.iter().enumerate().filter(|(_, step)| **step > 0) {
            let taps =
                filters[usize::from(step)].get_or_insert_with(|| designer.filter(&contact(f64::from(step) * STEP_UM)));
            heard[n] = losses::convolve_at(wave, taps, n);
        }
        heard
    }
}
