//! From places to soft bits: relearns the waveform as it goes, follows the amplitude through fades, measures the
//! noise in the bits' own band, and says how sure each bit is.

use super::frame::Frame;
use super::shape::{MARGIN, REACH, Shape};
use super::signal::Signal;
use super::track::Place;
use crate::{Error, Llr};

/// Soft bits of one byte.
#[derive(Clone, Debug)]
pub struct SoftByte {
    /// Sample at which it begins.
    pub start: f64,
    pub period: f64,
    pub bits: Vec<Llr>,
    /// Gain against the waveform as learned, noise of a bit's correlator relative to a full bit.
    pub gain: f32,
    pub noise: f32,
}

impl SoftByte {
    fn silent(bits: usize) -> SoftByte {
        SoftByte { start: 0.0, period: 0.0, bits: vec![Llr::LOST; bits], gain: 0.0, noise: 1.0 }
    }
}

/// Bytes that share one estimate of waveform and gain; where it is noisy, three times as many.
const GROUP: usize = 48;
/// Noise of a bit against a full bit from which a take counts as noisy: 6 wrong bits of a thousand (the Gaussian tail).
pub const NOISY: f32 = 0.4;
/// Weight, in bytes, of what was known before when the waveform is relearned, without noise. With noise, as many bytes
/// as it takes until what is learned is off by no more than [`MISFIT`]: a learned waveform of [`FREEDOM`] values from n
/// bytes of nine bits is off by sigma² · FREEDOM / 9 n.
const INERTIA: f32 = 24.0;
const FREEDOM: f32 = 30.0;
/// Gains a bit may have, relative to the local mean; a fade slides along them, a drop jumps to the last.
const LEVELS: [f32; 9] = [1.5, 1.2, 1.0, 0.83, 0.66, 0.5, 0.35, 0.2, 0.0];
/// Chance per bit that the level moves a step either way, and that it jumps anywhere.
const STEP: f32 = 0.05;
const JUMP: f32 = 0.004;
/// Chance per bit of a click or other thing the model knows nothing of, and its spread relative to a full bit.
const OUTLIER: f32 = 2e-4;
const OUTLIER_SPREAD: f32 = 4.0;
/// No single reading may say more than this about a bit, in nats.
const MOST: f32 = 12.0;
/// Part of the waveform that is never explained (learned shape, neighbours, timing), relative to a full bit.
const MISFIT: f32 = 0.05;

/// Soft bits of every place of a track. `shape` is the first guess and comes back as learned.
pub fn demodulate(signal: &mut Signal, shape: &mut Shape, places: &[Place]) -> Result<Vec<SoftByte>, Error> {
    let bits = shape.geometry.bits;
    let mut out = Vec::with_capacity(places.len());
    // what the group before knew of gain and noise, for groups that hear nothing
    let mut known: Option<Level> = None;
    let mut rest = places;
    while !rest.is_empty() {
        let size = if known.is_some_and(|k| k.sigma > NOISY) { 3 * GROUP } else { GROUP };
        let (group, others) = rest.split_at(size.min(rest.len()));
        rest = others;
        let mut frames = Vec::with_capacity(group.len());
        for place in group {
            let mut frame = Frame::empty();
            frame.take(signal, &shape.geometry, place.start, place.period, 0)?;
            frames.push(frame);
        }
        let lost: Vec<bool> = group.iter().map(|p| p.lost).collect();
        let mut soft = Vec::new();
        for pass in 0..2 {
            let Some(heard) = Correlated::new(&frames, &lost, shape, known) else { break };
            soft = heard.soft_bits(bits);
            if pass == 0 {
                learn(&frames, &lost, shape, &soft, heard.level, signal.rate());
            } else {
                known = Some(heard.level);
            }
        }
        soft.resize(group.len(), SoftByte::silent(bits));
        for (place, byte) in group.iter().zip(soft) {
            let byte = if place.vague { SoftByte::silent(bits) } else { byte };
            out.push(SoftByte { start: place.start, period: place.period, ..byte });
        }
    }
    Ok(out)
}

/// Gain and noise of a group.
#[derive(Clone, Copy, Debug)]
struct Level {
    gain: f32,
    /// Deviation of a bit's correlator at gain 1.
    sigma: f32,
}

/// With fewer bytes than this heard, a group believes the one before.
const ENOUGH: usize = 6;

/// Normalised correlator outputs of a group: bit cells ±1, marker +1, quadrature 0, plus noise.
struct Correlated {
    /// Per byte: marker, then bits.
    z: Vec<f32>,
    width: usize,
    level: Level,
    /// Noise deviation of a bit cell, for each byte, and of the marker.
    sigma: Vec<f32>,
    marker_sigma: f32,
}

impl Correlated {
    /// `None` when nothing is known of the gain.
    fn new(frames: &[Frame], lost: &[bool], shape: &Shape, known: Option<Level>) -> Option<Correlated> {
        let bits = shape.geometry.bits;
        let width = bits + 1;
        let prefix = MARGIN..shape.geometry.offset(0) - REACH.0;
        let marker: f32 = shape.mu[prefix.clone()].iter().map(|v| v * v).sum::<f32>().max(1e-20);
        let mut z = Vec::with_capacity(frames.len() * width);
        let mut turned = Vec::with_capacity(frames.len() * bits);
        for frame in frames {
            let m = super::frame::dot(&shape.mu[prefix.clone()], &frame.points[prefix.clone()]);
            z.push(m / marker);
            for k in 0..bits {
                z.push(frame.bit(shape, k, 0) / shape.d_energy);
                turned.push(frame.turned(shape, k) / shape.d_energy);
            }
        }
        let heard: Vec<usize> = (0..frames.len()).filter(|&i| !lost[i]).collect();
        let gain = if heard.len() >= ENOUGH {
            // median size of bits and markers
            let mut sizes: Vec<f32> =
                heard.iter().flat_map(|&i| &z[i * width..(i + 1) * width]).map(|v| v.abs()).collect();
            sizes.sort_by(f32::total_cmp);
            sizes[sizes.len() / 2].max(1e-9)
        } else {
            known?.gain
        };
        for (i, v) in z.iter_mut().enumerate() {
            let k = i % width;
            if k > 0 {
                *v -= gain * shape.mu_d[k - 1] / shape.d_energy;
            }
        }
        let sigma = known.map_or(0.5 * gain, |k| k.sigma * gain);
        let mut all = Correlated {
            z,
            width,
            level: Level { gain, sigma },
            sigma: vec![sigma; frames.len()],
            marker_sigma: sigma,
        };
        all.remove_neighbours(shape);
        if heard.len() >= ENOUGH {
            all.measure_noise(&turned, &heard, shape);
        }
        let sigma = all.level.sigma * all.level.gain;
        all.marker_sigma = sigma * (shape.d_energy / marker).sqrt();
        Some(all)
    }

    /// Takes out what each correlator hears of the bits beside it, with soft decisions.
    fn remove_neighbours(&mut self, shape: &Shape) {
        let leak = shape.d_next / shape.d_energy;
        let gain = self.level.gain;
        let hard: Vec<f32> = self.z.iter().map(|v| v.clamp(-gain, gain)).collect();
        for (i, v) in self.z.iter_mut().enumerate() {
            let k = i % self.width;
            if k > 1 {
                *v -= leak * hard[i - 1];
            }
            if k > 0 && k + 1 < self.width {
                *v -= leak * hard[i + 1];
            }
        }
    }

    /// Noise of the bit correlators, from their quadrature, per byte over its neighbourhood.
    ///
    /// The quadrature correlator hears noise of the same band and, of the signal, only its neighbours' smear. That is
    /// taken out with the bits as they seem, and what the doubt about those adds is subtracted from the variance.
    /// `heard` are the bytes that a signal was heard in.
    fn measure_noise(&mut self, turned: &[f32], heard: &[usize], shape: &Shape) {
        let (width, bits, gain) = (self.width, self.width - 1, self.level.gain);
        let ratio = energy_ratio(shape);
        let leak = shape.leak.map(|l| l / shape.d_energy * gain);
        // the bits as they seem depend on the noise: start from a guess that doubts them
        let mut variance = vec![(0.5 * gain).powi(2); heard.len()];
        for _ in 0..2 {
            let mut mean = vec![0.0f32; bits];
            let mut left = vec![0.0f32; heard.len() * bits];
            let mut doubt = vec![0.0f32; heard.len()];
            for (b, &byte) in heard.iter().enumerate() {
                let seem = |k: i64| {
                    let inside = (0..bits as i64).contains(&k);
                    inside.then(|| (gain * self.z[byte * width + 1 + k as usize] / variance[b]).tanh())
                };
                for k in 0..bits {
                    let mut l = turned[byte * bits + k];
                    for (j, c) in leak.iter().enumerate() {
                        if let Some(m) = seem(k as i64 + j as i64 - 1) {
                            l -= c * m;
                            doubt[b] += c * c * (1.0 - m * m) / bits as f32;
                        }
                    }
                    left[b * bits + k] = l;
                    mean[k] += l / heard.len() as f32;
                }
            }
            let square: Vec<f32> = left
                .chunks(bits)
                .map(|c| c.iter().zip(&mean).map(|(l, m)| (l - m).powi(2)).sum::<f32>() / bits as f32)
                .collect();
            variance = (0..heard.len())
                .map(|b| {
                    let near = b.saturating_sub(10)..(b + 11).min(heard.len());
                    let doubt = near.clone().map(|i| doubt[i]).sum::<f32>() / near.len() as f32;
                    let mut near: Vec<f32> = square[near].to_vec();
                    near.sort_by(f32::total_cmp);
                    // bytes in a dropout are not noise: the lower three quarters, times what chi-square of nine
                    // degrees loses by that (1 / 0.80 for 21 bytes by simulation; the nine are not quite independent)
                    let n = (near.len() * 3).div_ceil(4);
                    let trimmed = near[..n].iter().sum::<f32>() / n as f32 / 0.79;
                    let noise = (trimmed - doubt).max(0.2 * trimmed) / ratio;
                    noise + (MISFIT * gain).powi(2)
                })
                .collect();
        }
        let typical = variance.iter().map(|v| v.sqrt()).sum::<f32>() / heard.len() as f32;
        self.level.sigma = typical / gain;
        self.sigma.fill(typical);
        for (b, &byte) in heard.iter().enumerate() {
            self.sigma[byte] = variance[b].sqrt();
        }
    }

    /// Forward–backward over the levels, cell by cell; then each bit given the level its neighbours suggest.
    fn soft_bits(&self, bits: usize) -> Vec<SoftByte> {
        const N: usize = LEVELS.len();
        let cells = self.z.len();
        let mut plus = vec![[0.0f32; N]; cells];
        let mut minus = vec![[0.0f32; N]; cells];
        for i in 0..cells {
            let byte = i / self.width;
            let marker = i % self.width == 0;
            let sigma = if marker { self.marker_sigma } else { self.sigma[byte] };
            let out = OUTLIER * normal(self.z[i], 0.0, OUTLIER_SPREAD * self.level.gain + sigma);
            for (l, level) in LEVELS.iter().enumerate() {
                let a = level * self.level.gain;
                plus[i][l] = (1.0 - OUTLIER) * normal(self.z[i], a, sigma) + out;
                minus[i][l] = if marker { plus[i][l] } else { (1.0 - OUTLIER) * normal(self.z[i], -a, sigma) + out };
            }
        }
        let both = |i: usize, l: usize| 0.5 * (plus[i][l] + minus[i][l]);
        let start = [1.0 / N as f32; N];
        let mut forward = vec![[0.0f32; N]; cells];
        let mut state = start;
        for (i, f) in forward.iter_mut().enumerate() {
            *f = state;
            for (l, s) in state.iter_mut().enumerate() {
                *s *= both(i, l);
            }
            state = moved(normalised(state));
        }
        let mut state = start;
        let mut llr = vec![Llr::LOST; cells];
        let mut level = vec![0.0f32; cells];
        for i in (0..cells).rev() {
            let (mut one, mut zero, mut mean, mut total) = (0.0, 0.0, 0.0, 0.0);
            for l in 0..N {
                let w = forward[i][l] * state[l];
                one += w * plus[i][l];
                zero += w * minus[i][l];
                let both = w * (plus[i][l] + minus[i][l]);
                mean += both * LEVELS[l];
                total += both;
            }
            level[i] = mean / total.max(1e-30);
            llr[i] = Llr(((one + 1e-30) / (zero + 1e-30)).ln().clamp(-MOST, MOST));
            let mut next = state;
            for (l, s) in next.iter_mut().enumerate() {
                *s *= both(i, l);
            }
            state = moved(normalised(next));
        }
        (0..cells / self.width)
            .map(|b| {
                let at = b * self.width;
                SoftByte {
                    start: 0.0,
                    period: 0.0,
                    bits: llr[at + 1..at + 1 + bits].to_vec(),
                    gain: self.level.gain * level[at..at + self.width].iter().sum::<f32>() / self.width as f32,
                    noise: self.sigma[b] / self.level.gain,
                }
            })
            .collect()
    }
}

/// Energy of the quadrature waveform against the waveform itself (its ends are cut).
fn energy_ratio(shape: &Shape) -> f32 {
    (shape.quadrature.iter().map(|v| v * v).sum::<f32>() / shape.d_energy).max(0.2)
}

fn normal(z: f32, mean: f32, sigma: f32) -> f32 {
    let u = (z - mean) / sigma;
    // what an f32 does not hold is not worked out
    if u.abs() > 13.0 { 0.0 } else { (-0.5 * u * u).exp() / sigma }
}

fn normalised<const N: usize>(mut s: [f32; N]) -> [f32; N] {
    let sum: f32 = s.iter().sum();
    if sum > 0.0 {
        s.iter_mut().for_each(|v| *v /= sum);
    } else {
        s = [1.0 / N as f32; N];
    }
    s
}

/// One step of the level's wandering.
fn moved<const N: usize>(s: [f32; N]) -> [f32; N] {
    let mut out = [JUMP / N as f32; N];
    for l in 0..N {
        out[l] += (1.0 - JUMP - 2.0 * STEP) * s[l];
        out[l.saturating_sub(1)] += STEP * s[l];
        out[(l + 1).min(N - 1)] += STEP * s[l];
    }
    out
}

/// Moves `mu` and `d` towards what the frames show, given the soft bits.
fn learn(frames: &[Frame], lost: &[bool], shape: &mut Shape, soft: &[SoftByte], level: Level, rate: f64) {
    let typical = level.gain;
    let inertia = INERTIA + (level.sigma / MISFIT).powi(2) * FREEDOM / 9.0;
    let bits = shape.geometry.bits;
    let (length, reach) = (shape.d.len(), REACH.0);
    let mut mu_sum = vec![0.0f32; shape.mu.len()];
    let mut mu_weight = 0.0f32;
    let mut d_sum = vec![0.0f32; length];
    let mut d_weight = 0.0f32;
    let mut left = Vec::new();
    // a bit that is the same in nearly every byte can't be told from what all bytes share: `d` learns from those that
    // vary
    let heard = || soft.iter().zip(lost).filter(|(b, lost)| !**lost && b.gain >= 0.6 * typical).map(|(b, _)| b);
    let usual: Vec<Option<f32>> = (0..bits)
        .map(|k| {
            let lean = || heard().map(|b| (0.5 * b.bits[k].0).tanh());
            let (sum, size) = (lean().sum::<f32>(), lean().map(f32::abs).sum::<f32>());
            (sum.abs() < 0.5 * size).then(|| sum / heard().count() as f32)
        })
        .collect();
    for ((frame, byte), &lost) in frames.iter().zip(soft).zip(lost) {
        let gain = byte.gain;
        // a faded byte teaches nothing
        if lost || gain < 0.6 * typical {
            continue;
        }
        let means: Vec<f32> = byte.bits.iter().map(|b| (0.5 * b.0).tanh()).collect();
        left.clear();
        left.extend(frame.points.iter().zip(&shape.mu).map(|(x, m)| x / gain - m));
        for (k, mean) in means.iter().enumerate() {
            let at = shape.geometry.offset(k) - reach;
            for (l, d) in left[at..at + length].iter_mut().zip(&shape.d) {
                *l -= mean * d;
            }
        }
        mu_sum.iter_mut().zip(&left).for_each(|(s, l)| *s += l);
        mu_weight += 1.0;
        for (k, mean) in means.iter().enumerate() {
            let at = shape.geometry.offset(k) - reach;
            let Some(usual) = usual[k] else { continue };
            // expectation–maximisation (Dempster, Laird, Rubin 1977): E[b²] is 1, also where b is in doubt
            let (part, doubt) = (mean - usual, 1.0 - mean * mean);
            for ((s, l), d) in d_sum.iter_mut().zip(&left[at..at + length]).zip(&shape.d) {
                *s += part * l - doubt * d;
            }
            d_weight += 1.0 - usual * usual;
        }
    }
    // for the same reason the common part learns nothing there that looks like a bit
    for k in (0..bits).filter(|&k| usual[k].is_none()) {
        let at = shape.geometry.offset(k) - reach;
        let share = super::frame::dot(&mu_sum[at..at + length], &shape.d) / shape.d_energy;
        mu_sum[at..at + length].iter_mut().zip(&shape.d).for_each(|(s, d)| *s -= share * d);
    }
    let (mu_sum, d_sum) = (Shape::smoothed(&mu_sum, rate), Shape::smoothed(&d_sum, rate));
    let step = 1.0 / (mu_weight + inertia);
    shape.mu.iter_mut().zip(&mu_sum).for_each(|(m, s)| *m += s * step);
    let step = 1.0 / (d_weight + inertia * bits as f32 * 0.5);
    shape.d.iter_mut().zip(&d_sum).for_each(|(d, s)| *d += s * step);
    shape.refresh();
}
