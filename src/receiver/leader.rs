//! Finds leader tones: long runs of one symbol, the part of a block that stands out of any noise.

use realfft::RealFftPlanner;

use super::signal::Signal;
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
}

const FFT: usize = 1024;
const DECIMATE: usize = 4;
/// Data lives between these (long pulses on a slow deck, short ones on a fast deck, and a little more).
const BAND_HZ: (f64, f64) = (900.0, 3600.0);
/// A tone holds at least this share of the band. Half is left at −8 dB; data with every byte alike stays under 0.35.
const TONE_SHARE: f32 = 0.36;

/// Listens through the whole take.
pub fn survey(signal: &mut Signal) -> Result<Survey, Error> {
    let rate = signal.rate() / DECIMATE as f64;
    let bin_hz = rate / FFT as f64;
    let (low, high) = ((BAND_HZ.0 / bin_hz) as usize, ((BAND_HZ.1 / bin_hz) as usize).min(FFT / 2 - 2));
    let hann: Vec<f32> =
        (0..FFT).map(|i| 0.5 - 0.5 * (2.0 * std::f32::consts::PI * (i as f32 + 0.5) / FFT as f32).cos()).collect();
    let fft = RealFftPlanner::<f32>::new().plan_fft_forward(FFT);
    let (mut time, mut bins) = (fft.make_input_vec(), fft.make_output_vec());
    let mut scratch = fft.make_scratch_vec();
    let step = FFT / 2;
    let hop = step * DECIMATE;
    let count = (signal.len().max(0) as usize) / hop;
    let mut hops = Vec::with_capacity(count);
    let mut small: Vec<f32> = vec![0.0; FFT];
    for index in 0..count {
        let part = signal.window((index * hop) as i64, hop + 2 * DECIMATE)?;
        small.copy_within(step.., 0);
        for (i, out) in small[FFT - step..].iter_mut().enumerate() {
            // a triangle of 2 * DECIMATE - 1 taps: enough against aliases in the band of interest
            let p = &part[i * DECIMATE..i * DECIMATE + 2 * DECIMATE - 1];
            *out = (p[0] + p[6] + 2.0 * (p[1] + p[5]) + 3.0 * (p[2] + p[4]) + 4.0 * p[3]) / 16.0;
        }
        for ((t, s), w) in time.iter_mut().zip(&small).zip(&hann) {
            *t = s * w;
        }
        if fft.process_with_scratch(&mut time, &mut bins, &mut scratch).is_err() {
            continue;
        }
        hops.push(listen(&bins, low, high, bin_hz));
    }
    Ok(Survey { hop_s: hop as f64 / signal.rate(), hops })
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

/// Leaders among the hops, in tape order.
pub fn leaders(survey: &Survey, grammar: &Grammar) -> Vec<Leader> {
    let fits = |h: &Hop| is_leader(h, grammar);
    let mut found = Vec::new();
    let mut run: Vec<(usize, f32)> = Vec::new();
    let mut close = |run: &mut Vec<(usize, f32)>| {
        if run.len() >= 2 {
            let mut last: Vec<f32> = run.iter().rev().take(7).map(|r| r.1).collect();
            last.sort_by(f32::total_cmp);
            found.push(Leader {
                from_s: run[0].0 as f64 * survey.hop_s,
                to_s: (run[run.len() - 1].0 + 1) as f64 * survey.hop_s,
                hz: f64::from(last[last.len() / 2]),
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
