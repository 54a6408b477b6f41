//! Finds leader tones: long runs of one symbol, the part of a block that stands out of any noise.

use std::sync::Arc;

use rayon::prelude::*;
use realfft::{RealFftPlanner, RealToComplex};

use super::signal::{Noise, Samples, Signal};
use crate::Error;
use crate::tape::Grammar;

/// A steady tone on the tape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leader {
    /// Seconds from the beginning of the take.
    pub from_s: f64,
    pub to_s: f64,
    /// Frequency at its end.
    pub hz: f64,
    /// How far the speed behind it may be off from that (fraction), as it wandered.
    pub spread: f64,
}

/// What one short stretch of tape sounds like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hop {
    /// rms in the data band, full scale = 1.
    pub level: f32,
    /// Share of the data band's power that one tone holds, 0..1.
    pub tone: f32,
    /// Frequency of that tone.
    pub hz: f32,
}

/// The sound of the whole take, one [`Hop`] every `hop_s` seconds.
#[derive(Clone, Debug)]
pub struct Survey {
    pub hop_s: f64,
    pub hops: Vec<Hop>,
    /// The noise under the tones; `None` when there was no tone.
    pub noise: Option<Noise>,
}

const FFT: usize = 1024;
const DECIMATE: usize = 4;
/// Samples from one hop to the next.
const HOP: usize = FFT / 2 * DECIMATE;
/// The upper part of where data lives: leaders are among its highest tones, and low-frequency noise stays out.
const BAND_HZ: (f64, f64) = (1700.0, 3600.0);
/// A tone holds at least this share of the band. Half is left at −10 dB; data stays under it but for odd moments.
const TONE_SHARE: f32 = 0.4;

/// Hops, and tones, that are listened to in one go. The sums do not depend on the number of threads.
const SPAN: usize = 512;

/// Listens through the whole take.
pub fn survey(samples: &dyn Samples) -> Result<Survey, Error> {
    let signal = Signal::new(samples);
    let count = signal.len().max(0) as usize / HOP;
    let spans: Vec<usize> = (0..count).step_by(SPAN).collect();
    let of_span = |&from: &usize| hops(samples, from..(from + SPAN).min(count));
    let hops = spans.par_iter().map(of_span).collect::<Result<Vec<_>, Error>>()?.concat();
    let bin_hz = signal.rate() / (FFT * DECIMATE) as f64;
    let mut noise = NoiseSum::new(bin_hz);
    let of_tones = |tones: &[usize]| {
        let (mut signal, mut sum) = (Signal::new(samples), NoiseSum::new(bin_hz));
        for &index in tones {
            sum.add(signal.window((index as i64 - 1) * HOP as i64, 2 * HOP)?, &hops[index]);
        }
        Ok(sum)
    };
    let sums = steady(&hops).par_chunks(SPAN).map(of_tones).collect::<Result<Vec<_>, Error>>()?;
    sums.iter().for_each(|sum| noise.merge(sum));
    Ok(Survey { hop_s: HOP as f64 / signal.rate(), hops, noise: noise.finish() })
}

/// What some hops sound like.
fn hops(samples: &dyn Samples, span: std::ops::Range<usize>) -> Result<Vec<Hop>, Error> {
    let mut signal = Signal::new(samples);
    let bin_hz = signal.rate() / (FFT * DECIMATE) as f64;
    let (low, high) = ((BAND_HZ.0 / bin_hz) as usize, ((BAND_HZ.1 / bin_hz) as usize).min(FFT / 2 - 2));
    let hann = hann(FFT);
    let fft = RealFftPlanner::<f32>::new().plan_fft_forward(FFT);
    let (mut time, mut bins) = (fft.make_input_vec(), fft.make_output_vec());
    let mut scratch = fft.make_scratch_vec();
    let step = FFT / 2;
    let mut hops = Vec::with_capacity(span.len());
    let mut small: Vec<f32> = vec![0.0; FFT];
    // a window is two hops long: the one before the first is only its first half
    let warm = usize::from(span.start > 0);
    for index in span.start - warm..span.end {
        let part = signal.window((index * HOP) as i64, HOP + 2 * DECIMATE)?;
        small.copy_within(step.., 0);
        for (i, out) in small[FFT - step..].iter_mut().enumerate() {
            // a triangle of 2 * DECIMATE - 1 taps: enough against aliases in the band of interest
            let p = &part[i * DECIMATE..i * DECIMATE + 2 * DECIMATE - 1];
            *out = (p[0] + p[6] + 2.0 * (p[1] + p[5]) + 3.0 * (p[2] + p[4]) + 4.0 * p[3]) / 16.0;
        }
        if index < span.start {
            continue;
        }
        for ((t, s), w) in time.iter_mut().zip(&small).zip(&hann) {
            *t = s * w;
        }
        let silent = Hop { level: 0.0, tone: 0.0, hz: 0.0 };
        let heard = fft.process_with_scratch(&mut time, &mut bins, &mut scratch);
        hops.push(heard.map_or(silent, |()| listen(&bins, low, high, bin_hz)));
    }
    Ok(hops)
}

/// Hops in the midst of a tone: the two on each side of it have the same tone, so that no part of it is data.
fn steady(hops: &[Hop]) -> Vec<usize> {
    let tone = |hop: &Hop| hop.tone > TONE_SHARE && hop.hz > 1800.0 && hop.hz < 3600.0;
    let alike = |pair: &[Hop]| (pair[0].hz / pair[1].hz - 1.0).abs() < 0.012;
    let five = |five: &[Hop]| five.iter().all(tone) && five.windows(2).all(alike);
    hops.windows(5).enumerate().filter(|(_, w)| five(w)).map(|(first, _)| first + 2).collect()
}

/// Adds up what is heard beside the tone, apart by the share that the tone holds: data with every byte alike has tones
/// too, but the leader is always the purest.
struct NoiseSum {
    classes: Vec<Beside>,
    bin_hz: f64,
    fft: Arc<dyn RealToComplex<f32>>,
    hann: Vec<f32>,
}

/// Power beside tones of one class.
#[derive(Clone)]
struct Beside {
    sum: Vec<f64>,
    count: Vec<u32>,
    tone: f64,
    hops: u32,
}

/// Width over which the noise is averaged.
const BROAD_HZ: f64 = 120.0;
/// Classes of tone share from `TONE_SHARE` to 1.
const CLASSES: usize = 6;

impl NoiseSum {
    /// `bin_hz` is the width of a bin, here as in the survey: as long a window at the full rate.
    fn new(bin_hz: f64) -> NoiseSum {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(FFT * DECIMATE);
        let bins = FFT * DECIMATE / 2 + 1;
        let none = Beside { sum: vec![0.0; bins], count: vec![0; bins], tone: 0.0, hops: 0 };
        NoiseSum { classes: vec![none; CLASSES], bin_hz, fft, hann: hann(FFT * DECIMATE) }
    }

    fn merge(&mut self, other: &NoiseSum) {
        self.classes.iter_mut().zip(&other.classes).for_each(|(all, some)| all.merge(some));
    }

    /// Adds the samples of a hop, at the full rate: what a lower rate folds in and weakens must not pass for the noise's
    /// own.
    fn add(&mut self, samples: &[f32], hop: &Hop) {
        let (mut time, mut bins) = (self.fft.make_input_vec(), self.fft.make_output_vec());
        time.iter_mut().zip(samples).zip(&self.hann).for_each(|((t, s), w)| *t = s * w);
        if self.fft.process(&mut time, &mut bins).is_err() {
            return;
        }
        let class = ((hop.tone - TONE_SHARE) / (1.0 - TONE_SHARE) * CLASSES as f32) as usize;
        let class = &mut self.classes[class.min(CLASSES - 1)];
        class.add(bins.iter().map(|c| c.norm_sqr()), f64::from(hop.hz), self.bin_hz);
    }

    fn finish(self) -> Option<Noise> {
        let purest = self.classes.iter().rposition(|c| c.hops >= 2)?;
        let mut all = self.classes[purest].clone();
        if let Some(next) = purest.checked_sub(1).map(|i| &self.classes[i]) {
            all.merge(next);
        }
        (all.hops >= 4).then(|| all.spectrum(self.bin_hz))
    }
}

impl Beside {
    fn merge(&mut self, other: &Beside) {
        self.sum.iter_mut().zip(&other.sum).for_each(|(a, b)| *a += b);
        self.count.iter_mut().zip(&other.count).for_each(|(a, b)| *a += b);
        self.tone += other.tone;
        self.hops += other.hops;
    }

    fn add(&mut self, power: impl Iterator<Item = f32>, tone: f64, bin_hz: f64) {
        self.hops += 1;
        for (i, p) in power.enumerate() {
            let hz = i as f64 * bin_hz;
            // wow and flutter spread the tone, its halves and its harmonics over their neighbours
            let nearest = (2.0 * hz / tone).round().max(1.0) / 2.0;
            let beside = (hz - tone * nearest).abs() > 6.0 * bin_hz * nearest.max(1.0);
            if beside {
                self.sum[i] += f64::from(p);
                self.count[i] += 1;
            } else if (hz - tone).abs() <= 6.0 * bin_hz {
                self.tone += f64::from(p);
            }
        }
    }

    fn spectrum(&self, bin_hz: f64) -> Noise {
        // broad bins; empty ones (always under the tone) take the mean of their neighbours
        let width = (BROAD_HZ / bin_hz).round().max(1.0) as usize;
        let broad: Vec<Option<f64>> = self
            .sum
            .chunks(width)
            .zip(self.count.chunks(width))
            .map(|(s, c)| {
                let n: u32 = c.iter().sum();
                (n > 0).then(|| s.iter().sum::<f64>() / f64::from(n))
            })
            .collect();
        let filled: Vec<f32> = (0..broad.len())
            .map(|i| {
                let left = broad[..=i].iter().rev().flatten().next();
                let right = broad[i..].iter().flatten().next();
                match (left, right) {
                    // in the logarithm: spectra fall by factors
                    (Some(l), Some(r)) => (l * r).max(0.0).sqrt() as f32,
                    (Some(x), None) | (None, Some(x)) => *x as f32,
                    (None, None) => 0.0,
                }
            })
            .collect();
        let tone = (self.tone / f64::from(self.hops) / (self.sum.len() / DECIMATE) as f64) as f32;
        Noise { bins: filled, bin_hz: bin_hz * width as f64, tone }
    }
}

fn hann(n: usize) -> Vec<f32> {
    (0..n).map(|i| 0.5 - 0.5 * (2.0 * std::f32::consts::PI * (i as f32 + 0.5) / n as f32).cos()).collect()
}

fn listen(bins: &[realfft::num_complex::Complex<f32>], low: usize, high: usize, bin_hz: f64) -> Hop {
    let power: Vec<f32> = bins[low - 1..=high + 1].iter().map(|c| c.norm_sqr()).collect();
    let total: f32 = power[1..power.len() - 1].iter().sum();
    let mut best = 1;
    for i in 1..power.len() - 1 {
        if power[i] > power[best] {
            best = i;
        }
    }
    let tone: f32 = power[best - 1..=best + 1].iter().sum();
    let (a, b, c) = (power[best - 1].sqrt(), power[best].sqrt(), power[best + 1].sqrt());
    // Hann: the peak between bins from the ratio of the neighbours
    let shift = if c > a {
        let r = c / b.max(1e-20);
        (2.0 * r - 1.0) / (1.0 + r)
    } else {
        let r = a / b.max(1e-20);
        -(2.0 * r - 1.0) / (1.0 + r)
    };
    let level = (total * 2.0 / (FFT as f32 * FFT as f32 * 0.375)).sqrt();
    let hz = ((low - 1 + best) as f64 + f64::from(shift.clamp(-0.6, 0.6))) * bin_hz;
    Hop { level, tone: if total > 0.0 { (tone / total).min(1.0) } else { 0.0 }, hz: hz as f32 }
}

/// Does a hop sound like the grammar's leader? Recorders write it up to 11 % shorter than usual (from memory), and
/// decks are off by up to 10 %.
fn is_leader(h: &Hop, grammar: &Grammar) -> bool {
    let nominal = 1.0 / grammar.symbols[grammar.leader].cycle;
    h.tone > TONE_SHARE && h.level > 1e-5 && f64::from(h.hz) > nominal * 0.89 && f64::from(h.hz) < nominal * 1.11 * 1.11
}

/// How well leader tones stand out on a channel: the larger the better, 0 for none.
pub fn clarity(survey: &Survey, grammar: &Grammar) -> f64 {
    survey.hops.iter().filter(|h| is_leader(h, grammar)).map(|h| f64::from(h.tone * h.tone)).sum()
}

/// Mean share of the band's power that a leader holds along its length, 0..1.
pub fn purity(survey: &Survey, leader: &Leader) -> f32 {
    let hop = |s: f64| (s / survey.hop_s).round() as usize;
    let hops = survey.hops.get(hop(leader.from_s)..hop(leader.to_s)).unwrap_or_default();
    hops.iter().map(|h| h.tone).sum::<f32>() / hops.len().max(1) as f32
}

/// Leaders among the hops, in tape order.
pub fn leaders(survey: &Survey, grammar: &Grammar) -> Vec<Leader> {
    let fits = |h: &Hop| is_leader(h, grammar);
    let mut found = Vec::new();
    let mut run: Vec<(usize, f32)> = Vec::new();
    let mut close = |run: &mut Vec<(usize, f32)>| {
        if run.len() >= 2 {
            // the speed where the tone ends is what counts; the last hop has data in it
            let late: Vec<f64> = run.iter().rev().skip(1.min(run.len() - 1)).take(12).map(|r| f64::from(r.1)).collect();
            let back = late.len().min(4) - 1;
            let slope = if back > 0 { (late[0] / late[back] - 1.0) / back as f64 } else { 0.0 };
            let top = late.iter().copied().fold(0.0, f64::max);
            let swing = top / late.iter().copied().fold(f64::INFINITY, f64::min) - 1.0;
            found.push(Leader {
                from_s: run[0].0 as f64 * survey.hop_s,
                to_s: (run[run.len() - 1].0 + 1) as f64 * survey.hop_s,
                hz: late[0] * (1.0 + (1.5 * slope).clamp(-0.02, 0.02)),
                spread: (0.005 + 0.6 * swing).min(0.03),
            });
        }
        run.clear();
    };
    for (i, hop) in survey.hops.iter().enumerate() {
        if fits(hop) {
            if let Some(&(last, hz)) = run.last()
                && (i - last > 3 || (hop.hz / hz - 1.0).abs() > 0.025)
            {
                close(&mut run);
            }
            run.push((i, hop.hz));
        }
    }
    close(&mut run);
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::receiver::signal::Memory;
    use crate::tape::{Format, TwinCopy};

    /// A tone of 8 s that lies across the end of the first span.
    #[test]
    fn a_leader_goes_on_from_one_span_to_the_next() {
        let rate = 44_100.0;
        let end = (SPAN * HOP) as f64 / rate;
        let (from, to) = (end - 5.0, end + 3.0);
        let sample = |n: usize| {
            let t = n as f64 / rate;
            if t < from || t >= to { 0.0 } else { 0.3 * (2.0 * std::f64::consts::PI * 2840.0 * t).sin() as f32 }
        };
        let samples = (0..(rate * (end + 8.0)) as usize).map(sample).collect();
        let survey = survey(&Memory { samples, rate }).unwrap();
        let found = leaders(&survey, TwinCopy::default().grammar());
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].from_s - from).abs() < 0.1 && (found[0].to_s - to).abs() < 0.1, "{found:?}");
        assert!((found[0].hz / 2840.0 - 1.0).abs() < 0.002);
    }
}
