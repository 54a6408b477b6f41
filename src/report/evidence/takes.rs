//! How each take fared: level, noise, speed, pulse lengths, dropouts, and how many of its bits were right.

use super::Evidence;
use super::bytes::seconds;
use crate::receiver::Reading;

/// A byte whose waveform keeps less than this of the level usual around it dropped out.
const DROPPED: f32 = 0.5;
/// Bytes that share a usual level, and how many on either side of them tell it too: some 10 s in all.
const TOGETHER: usize = 100;
const NEARBY: usize = 500;
/// Points of the speed curve at most.
const POINTS: usize = 240;
/// Seconds over which the slow part of the speed is averaged: faster changes are flutter, slower ones wow and drift.
/// AES6-2008 draws that line at 6 Hz; bytes are some 9 ms long, so this is a coarse filter beside the standard's.
const SLOW_S: f64 = 1.0 / 6.0;
/// Width of a bar of the pulse histogram, and its range, in microseconds at the nominal speed.
pub const PULSE_BIN_US: f64 = 10.0;
pub const PULSES_US: (f64, f64) = (200.0, 900.0);

/// What is to be said of one take.
#[derive(Clone, Debug, Default)]
pub struct TakeFacts {
    /// dB against full scale.
    pub peak_db: Option<f64>,
    pub rms_db: Option<f64>,
    pub clipped: u64,
    /// Share of all samples that sit at the take's own largest or smallest value, if that is no chance.
    pub flat: Option<f64>,
    /// Whether the wave stands at two levels nearly all the time.
    pub square: bool,
    /// Bit against noise as the receiver heard it, in dB: the median over all bytes.
    pub snr_db: Option<f64>,
    /// Speed against the nominal, smoothed: (seconds of the take, fraction). A gap begins a new run.
    pub speed: Vec<Vec<(f64, f64)>>,
    /// rms of the speed's slow and fast changes, as fractions.
    pub wow: Option<f64>,
    pub flutter: Option<f64>,
    /// Full cycles by length, each bar [`PULSE_BIN_US`] wide; empty if no waveform was kept.
    pub pulses: Vec<usize>,
    pub dropouts: usize,
    pub dropout_s: f64,
    /// Bits it spoke on, and those of them that were decided as it said.
    pub bits: usize,
    pub right: usize,
    /// Bits of blocks it was there for but had nothing on.
    pub lost: usize,
}

pub fn facts(evidence: &Evidence, take: usize) -> TakeFacts {
    let received = &evidence.outcome.intake.received[take];
    let readings: Vec<&Reading> = used(evidence, take);
    let mut facts = TakeFacts::default();
    if let Some(level) = received.level() {
        let db = |x: f64| (x > 0.0).then(|| 20.0 * x.log10());
        (facts.peak_db, facts.rms_db, facts.clipped) = (db(level.peak), db(level.rms), level.clipped);
        facts.square = level.square;
        let samples = received.duration_s * f64::from(received.sample_rate);
        facts.flat = (level.flat > 0 && samples > 0.0).then(|| level.flat as f64 / samples);
    }
    let mut noise: Vec<f32> = readings.iter().flat_map(|r| r.noise.iter().copied()).filter(|&n| n > 0.0).collect();
    noise.sort_by(f32::total_cmp);
    facts.snr_db = noise.get(noise.len() / 2).map(|&n| -20.0 * f64::from(n).log10());
    speed(evidence, &readings, &mut facts);
    pulses(evidence, take, &mut facts);
    dropouts(&readings, &mut facts);
    right(evidence, take, &mut facts);
    facts
}

fn used<'a>(evidence: &'a Evidence, take: usize) -> Vec<&'a Reading> {
    evidence.outcome.takes[take].readings.iter().filter(|r| r.bytes() > 0).collect()
}

fn speed(evidence: &Evidence, readings: &[&Reading], facts: &mut TakeFacts) {
    let grammar = evidence.format.grammar();
    let nominal = grammar.seconds(&grammar.byte_symbols(0));
    let (mut slow, mut fast, mut bytes) = (0.0, 0.0, 0usize);
    let all: usize = readings.iter().map(|r| r.bytes()).sum();
    let per_point = all.div_ceil(POINTS).max(1);
    let mut means = Vec::new();
    let runs: Vec<Vec<(f64, f64)>> = readings
        .iter()
        .map(|r| {
            let pairs = r.starts_s.windows(2).filter(|w| w[1] > w[0]);
            pairs.map(|w| (w[0], nominal / (w[1] - w[0]))).collect()
        })
        .collect();
    runs.iter().flatten().for_each(|&(_, s)| means.push(s));
    means.sort_by(f64::total_cmp);
    let Some(&median) = means.get(means.len() / 2) else { return };
    for run in &runs {
        let half = ((SLOW_S / nominal / 2.0) as usize).max(1);
        for i in 0..run.len() {
            let part = &run[i.saturating_sub(half)..(i + half + 1).min(run.len())];
            let mean = part.iter().map(|p| p.1).sum::<f64>() / part.len() as f64;
            slow += (mean / median - 1.0).powi(2);
            fast += ((run[i].1 - mean) / median).powi(2);
            bytes += 1;
        }
        let curve: Vec<(f64, f64)> = run
            .chunks(per_point)
            .map(|c| {
                let n = c.len() as f64;
                (c.iter().map(|p| p.0).sum::<f64>() / n, c.iter().map(|p| p.1).sum::<f64>() / n - 1.0)
            })
            .collect();
        facts.speed.push(curve);
    }
    if bytes > 1 {
        facts.wow = Some((slow / bytes as f64).sqrt());
        facts.flutter = Some((fast / bytes as f64).sqrt());
    }
}

/// Full cycles between crossings of one direction, in time at the take's own speed.
///
/// A cycle is one pulse only when it is measured in the direction in which pulses begin, and a take may be the wrong way
/// round. In the other direction every length is the mean of two neighbours, so the lengths that vary more are right.
fn pulses(evidence: &Evidence, take: usize, facts: &mut TakeFacts) {
    let speed = evidence.outcome.takes[take].speed;
    let bins = ((PULSES_US.1 - PULSES_US.0) / PULSE_BIN_US) as usize;
    let mut counts = [vec![0usize; bins], vec![0usize; bins]];
    for (number, reading) in evidence.outcome.takes[take].readings.iter().enumerate() {
        let (from, to) = (reading.from_s().max(0.0), reading.to_s());
        if reading.bytes() == 0 || to <= from {
            continue;
        }
        let wave = (evidence.waveforms)(take, number, from, to);
        let us = (to - from) * 1e6 / wave.len().max(1) as f64 * speed;
        let mut last = [None, None];
        for (i, pair) in wave.windows(2).enumerate() {
            let (before, after) = (pair[0], pair[1]);
            if (before < 0.0) == (after < 0.0) {
                continue;
            }
            let at = (i as f64 + f64::from(before / (before - after))) * us;
            let direction = usize::from(after < 0.0);
            let length = last[direction].replace(at).map(|earlier: f64| at - earlier);
            if let Some(length) = length.filter(|l| (PULSES_US.0..PULSES_US.1).contains(l)) {
                counts[direction][((length - PULSES_US.0) / PULSE_BIN_US) as usize] += 1;
            }
        }
    }
    let [rising, falling] = counts;
    let wider = if variance(&rising) >= variance(&falling) { rising } else { falling };
    facts.pulses = if wider.iter().any(|&n| n > 0) { wider } else { Vec::new() };
}

/// Of a histogram, in bars squared.
fn variance(counts: &[usize]) -> f64 {
    let n = counts.iter().sum::<usize>().max(1) as f64;
    let sum = |power: i32| counts.iter().enumerate().map(|(i, &c)| c as f64 * (i as f64).powi(power)).sum::<f64>();
    sum(2) / n - (sum(1) / n).powi(2)
}

fn dropouts(readings: &[&Reading], facts: &mut TakeFacts) {
    let mut readings = readings.to_vec();
    readings.sort_by(|a, b| a.from_s().total_cmp(&b.from_s()));
    let gains: Vec<f32> = readings.iter().flat_map(|r| r.gain.iter().copied()).collect();
    let dropped = dropped(&gains);
    let mut rest = dropped.as_slice();
    for reading in readings {
        let (own, others) = rest.split_at(reading.gain.len());
        rest = others;
        let mut inside = false;
        for (&dropped, w) in own.iter().zip(reading.starts_s.windows(2)) {
            facts.dropouts += usize::from(dropped && !inside);
            facts.dropout_s += if dropped { w[1] - w[0] } else { 0.0 };
            inside = dropped;
        }
    }
}

/// Which of the bytes of a take dropped out, by their gains in the order of its time. A gain is measured against a waveform that
/// the receiver goes on learning, so its scale creeps along the take: what is usual is only known from nearby.
fn dropped(gains: &[f32]) -> Vec<bool> {
    let mut out = Vec::with_capacity(gains.len());
    for (i, bytes) in gains.chunks(TOGETHER).enumerate() {
        let from = (i * TOGETHER).saturating_sub(NEARBY);
        let to = (i * TOGETHER + bytes.len() + NEARBY).min(gains.len());
        let mut around = gains[from..to].to_vec();
        let middle = around.len() / 2;
        let usual = *around.select_nth_unstable_by(middle, f32::total_cmp).1;
        out.extend(bytes.iter().map(|gain| *gain < DROPPED * usual));
    }
    out
}

fn right(evidence: &Evidence, take: usize, facts: &mut TakeFacts) {
    let width = evidence.width();
    for block in evidence.outcome.tapes.iter().flat_map(|t| &t.blocks) {
        let word: Vec<bool> =
            block.decided.bytes.iter().flat_map(|&b| (evidence.format.grammar().byte_bits)(b)).collect();
        for vote in block.block.votes.iter().filter(|v| v.take == take) {
            for byte in 0..block.block.bytes {
                if seconds(evidence, vote, byte).is_none() {
                    continue;
                }
                let at = byte * width..(byte + 1) * width;
                for (llr, &bit) in vote.bits[at.clone()].iter().zip(&word[at]) {
                    if llr.is_lost() {
                        facts.lost += 1;
                    } else {
                        facts.bits += 1;
                        facts.right += usize::from(llr.bit() == bit);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Over a long side the gain was seen to creep from 1 to 0.4 and from 1 to 1.8 where nothing was amiss.
    #[test]
    fn a_creeping_scale_is_no_dropout() {
        let bytes = 20_000;
        for end in [0.4, 1.8] {
            let mut gains: Vec<f32> = (0..bytes).map(|i| 1.0 + (end - 1.0) * i as f32 / bytes as f32).collect();
            assert_eq!(dropped(&gains), vec![false; bytes]);
            // two dropouts, the second of them as long as a lost stretch of 4 s
            for range in [5_000..5_003, 15_000..15_400] {
                gains[range].iter_mut().for_each(|gain| *gain *= 0.3);
            }
            let found = dropped(&gains);
            let found: Vec<usize> = (0..bytes).filter(|&i| found[i]).collect();
            assert_eq!(found, (5_000..5_003).chain(15_000..15_400).collect::<Vec<_>>());
        }
        assert!(dropped(&[]).is_empty());
    }
}
