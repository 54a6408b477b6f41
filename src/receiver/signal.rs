//! Samples made ready for the receiver: one channel, near 44 kHz, without DC and hum, read in windows so that memory
//! does not grow with the length of the capture.

use crate::Error;
use crate::capture::{Capture, Loudness};

/// Mono samples with random access. Full scale is ±1, `start` counts samples from the beginning of the capture.
pub trait Samples: Sync {
    /// Samples per second.
    fn rate(&self) -> f64;
    /// Number of samples.
    fn len(&self) -> u64;
    fn is_empty(&self) -> bool {
        self.len() == 0
    }
    /// Fills `out` from `start`; returns how many samples there were.
    fn read(&self, start: u64, out: &mut [f32]) -> Result<usize, Error>;
}

/// One channel of a capture.
pub struct Channel<'a> {
    capture: &'a Capture,
    channel: u16,
    /// What its samples are taken against, and a factor on them, a power of two: 0 and 1, but for floats that were scaled to
    /// anything else than full scale 1.
    middle: f64,
    pub gain: f64,
}

/// Amplitudes that floats are taken at as they are, and what others are brought near to. A judgement: a 16-bit capture under the
/// lowest holds no more than some thirty steps.
const USUAL: std::ops::RangeInclusive<f64> = 1e-3..=1.0;
const BROUGHT_TO: f64 = 0.25;
/// A single sample far over the wave would drown all that is summed up with it.
const LOUDEST: f64 = 4.0;

impl<'a> Channel<'a> {
    /// Errors: as [`Capture::loudness`].
    pub fn new(capture: &'a Capture, channel: u16) -> Result<Channel<'a>, Error> {
        let as_it_is = Channel { capture, channel, middle: 0.0, gain: 1.0 };
        if !capture.is_float() {
            return Ok(as_it_is);
        }
        let Loudness { amplitude, middle } = capture.loudness(channel)?;
        if amplitude == 0.0 || (USUAL.contains(&amplitude) && middle.abs() <= 1.0) {
            return Ok(as_it_is);
        }
        Ok(Channel { middle, gain: (BROUGHT_TO / amplitude).log2().round().exp2(), ..as_it_is })
    }

    /// Whether its samples are not taken as they are.
    pub fn by_its_own_level(&self) -> bool {
        (self.middle, self.gain) != (0.0, 1.0)
    }

    pub fn number(&self) -> u16 {
        self.channel
    }
}

impl Samples for Channel<'_> {
    fn rate(&self) -> f64 {
        f64::from(self.capture.info().sample_rate)
    }
    fn len(&self) -> u64 {
        self.capture.info().frames
    }
    fn read(&self, start: u64, out: &mut [f32]) -> Result<usize, Error> {
        let count = self.capture.read(self.channel, start, out)?;
        if self.capture.is_float() {
            let scaled = |x: f32| ((f64::from(x) - self.middle) * self.gain).clamp(-LOUDEST, LOUDEST) as f32;
            out[..count].iter_mut().for_each(|x| *x = scaled(*x));
        }
        Ok(count)
    }
}

/// Noise as heard beside a leader tone, which is known and can be left out.
#[derive(Clone, Debug)]
pub struct Noise {
    /// Power per bin, from 0 Hz to half the working rate.
    pub bins: Vec<f32>,
    /// Width of a bin.
    pub bin_hz: f64,
    /// Power of the tone, spread evenly over the lowest quarter of the bins, where data lives.
    pub tone: f32,
}

/// Samples in memory.
pub struct Memory {
    pub samples: Vec<f32>,
    pub rate: f64,
}

impl Samples for Memory {
    fn rate(&self) -> f64 {
        self.rate
    }
    fn len(&self) -> u64 {
        self.samples.len() as u64
    }
    fn read(&self, start: u64, out: &mut [f32]) -> Result<usize, Error> {
        let from = (start as usize).min(self.samples.len());
        let n = out.len().min(self.samples.len() - from);
        out[..n].copy_from_slice(&self.samples[from..from + n]);
        Ok(n)
    }
}

/// How the capture's rate becomes the working rate.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Resample {
    Keep,
    Up(usize),
    Down(usize),
}

/// Taps of the resampling filter on each side, in samples of the lower rate.
const SINC_REACH: usize = 12;
/// The moving average that is taken away, twice applied: 3.3 ms. It holds DC and mains hum and spares what lies above
/// 600 Hz.
const AVERAGE_S: f64 = 3.3e-3;
/// Samples that enter it together.
const BLOCK: usize = 8;

/// Samples prepared at a time, kept at most, and taken before the one asked for.
const CHUNK: usize = 1 << 15;
const KEEP: usize = 1 << 20;
const BEFORE: i64 = 4096;

/// A window on the prepared signal, moved along the tape.
pub struct Signal<'a> {
    samples: &'a dyn Samples,
    resample: Resample,
    taps: Vec<f32>,
    rate: f64,
    len: i64,
    /// Blocks of the moving average, an odd number.
    average: usize,
    /// Prediction-error filter that makes the noise white, `whitener[0]` = 1 first; empty: none.
    whitener: Vec<f32>,
    buffer: Vec<f32>,
    begin: i64,
}

impl<'a> Signal<'a> {
    pub fn new(samples: &'a dyn Samples) -> Signal<'a> {
        let rate = samples.rate();
        let resample = if rate >= 75_000.0 {
            Resample::Down((rate / 40_000.0).floor() as usize)
        } else if rate < 30_000.0 {
            Resample::Up((38_000.0 / rate).ceil() as usize)
        } else {
            Resample::Keep
        };
        let (factor, len) = match resample {
            Resample::Keep => (1.0, samples.len() as i64),
            Resample::Up(n) => (n as f64, samples.len() as i64 * n as i64),
            Resample::Down(n) => (1.0 / n as f64, samples.len() as i64 / n as i64),
        };
        let rate = rate * factor;
        let taps = match resample {
            Resample::Keep => Vec::new(),
            Resample::Up(n) | Resample::Down(n) => windowed_sinc(n),
        };
        let average = (AVERAGE_S * rate / BLOCK as f64) as usize | 1;
        let (whitener, buffer) = (Vec::new(), Vec::new());
        Signal { samples, resample, taps, rate, len, average, whitener, buffer, begin: 0 }
    }

    /// Another window on the same signal.
    pub fn another(&self) -> Signal<'a> {
        let (taps, whitener) = (self.taps.clone(), self.whitener.clone());
        Signal { taps, whitener, buffer: Vec::new(), begin: 0, ..*self }
    }

    /// Makes the noise white from here on: what weighs every frequency as it deserves in all correlations that follow.
    ///
    /// The filter is the linear predictor of the noise (Levinson recursion on its autocorrelation; any text on linear
    /// prediction). A floor of a part of the signal's own power keeps it gentle where there is next to no noise.
    pub fn whiten(&mut self, noise: &Noise) {
        const ORDER: usize = 16;
        let floor = 0.004 * f64::from(noise.tone) + 1e-12;
        // autocorrelation of the noise at the working rate: the last value stands for all higher frequencies
        let top = self.rate / 2.0;
        let step = noise.bin_hz / 2.0;
        let last = noise.bins.len().saturating_sub(2);
        let mut r = [0.0f64; ORDER + 1];
        let mut hz = step / 2.0;
        while hz < top {
            let bin = ((hz / noise.bin_hz) as usize).min(last);
            let power = f64::from(noise.bins.get(bin).copied().unwrap_or(0.0)) + floor;
            for (k, r) in r.iter_mut().enumerate() {
                *r += power * (2.0 * std::f64::consts::PI * hz * k as f64 / self.rate).cos();
            }
            hz += step;
        }
        let Some(a) = levinson(&r) else { return };
        // unit gain in the middle of the data band, so that levels keep their meaning
        let (mut re, mut im) = (0.0, 0.0);
        for (k, v) in a.iter().enumerate() {
            let turn = 2.0 * std::f64::consts::PI * 2000.0 * k as f64 / self.rate;
            re += v * turn.cos();
            im += v * turn.sin();
        }
        let gain = re.hypot(im).max(1e-6);
        self.whitener = a.iter().map(|v| (v / gain) as f32).collect();
        self.buffer.clear();
        self.begin = 0;
    }

    /// What whitening makes of a filter.
    pub fn whitened(&self, taps: &[f32]) -> Vec<f32> {
        if self.whitener.is_empty() {
            return taps.to_vec();
        }
        let mut out = vec![0.0; taps.len() + self.whitener.len() - 1];
        for (k, a) in self.whitener.iter().enumerate() {
            out[k..].iter_mut().zip(taps).for_each(|(o, t)| *o += a * t);
        }
        out
    }

    /// Working samples per second.
    pub fn rate(&self) -> f64 {
        self.rate
    }

    /// Number of working samples.
    pub fn len(&self) -> i64 {
        self.len
    }

    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The samples `from..from + count`, zero outside the capture.
    pub fn window(&mut self, from: i64, count: usize) -> Result<&[f32], Error> {
        let end = self.begin + self.buffer.len() as i64;
        let missing = from + count as i64 - end;
        if from < self.begin || from > end {
            // a little before, for steps backwards, and some after, since tapes are mostly read forwards
            self.buffer.clear();
            self.begin = from - BEFORE;
            self.fill(self.begin, (count + BEFORE as usize + CHUNK).next_multiple_of(8))?;
        } else if missing > 0 {
            // a block is read several times over: what was prepared is kept as long as there is room
            if self.buffer.len() > KEEP {
                let gone = self.buffer.len() - KEEP / 2;
                let gone = gone.min((from - BEFORE - self.begin).max(0) as usize);
                self.buffer.drain(..gone);
                self.begin += gone as i64;
            }
            self.fill(end, (missing as usize + CHUNK).next_multiple_of(8))?;
        }
        let at = (from - self.begin) as usize;
        Ok(&self.buffer[at..at + count])
    }

    /// Appends the samples from `start`.
    fn fill(&mut self, start: i64, size: usize) -> Result<(), Error> {
        let (width, lead) = (self.average, self.whitener.len().saturating_sub(1));
        // whole blocks, at the same places wherever reading begins
        let reach = ((width + 1) * BLOCK + lead) as i64;
        let first = (start - reach).div_euclid(BLOCK as i64) * BLOCK as i64;
        let from = (start - first) as usize - lead;
        let blocks = (from + lead + size) / BLOCK + width + 2;
        let raw = self.resampled(first, blocks * BLOCK)?;
        // 1 - (moving average)^2: linear phase, no memory of where the window began
        let sums: Vec<f32> = raw.chunks_exact(BLOCK).map(|b| b.iter().sum::<f32>() / BLOCK as f32).collect();
        let average = moving_average(&moving_average(&sums, width), width);
        // straight lines between the middles of the blocks
        let begin = (width - 1) * BLOCK + BLOCK / 2;
        let mut flat = raw;
        for (part, ends) in flat[begin..].chunks_exact_mut(BLOCK).zip(average.windows(2)) {
            let rise = (ends[1] - ends[0]) / BLOCK as f32;
            for (k, v) in part.iter_mut().enumerate() {
                *v -= ends[0] + rise * (k as f32 + 0.5);
            }
        }
        let flat = &flat[from..from + lead + size];
        let begun = self.buffer.len();
        if self.whitener.is_empty() {
            self.buffer.extend_from_slice(flat);
            return Ok(());
        }
        // tap by tap: runs over neighbours, which the processor does eight at a time
        self.buffer.resize(begun + size, 0.0);
        for (k, &a) in self.whitener.iter().enumerate() {
            self.buffer[begun..].iter_mut().zip(&flat[lead - k..]).for_each(|(y, x)| *y += a * x);
        }
        Ok(())
    }

    fn resampled(&self, start: i64, size: usize) -> Result<Vec<f32>, Error> {
        match self.resample {
            Resample::Keep => self.raw(start, size),
            Resample::Up(n) => {
                let n_i = n as i64;
                let first = start.div_euclid(n_i) - SINC_REACH as i64;
                let raw = self.raw(first, size / n + 2 * SINC_REACH + 3)?;
                let center = (SINC_REACH * n) as i64;
                Ok((0..size as i64)
                    .map(|i| {
                        let pos = start + i;
                        let base = pos.div_euclid(n_i);
                        let phase = pos.rem_euclid(n_i);
                        let mut sum = 0.0;
                        for k in -(SINC_REACH as i64) + 1..=SINC_REACH as i64 {
                            let tap = center + phase - k * n_i;
                            if tap >= 0 && (tap as usize) < self.taps.len() {
                                sum += self.taps[tap as usize] * raw[(base + k - first) as usize];
                            }
                        }
                        sum * n as f32
                    })
                    .collect())
            }
            Resample::Down(n) => {
                let half = (self.taps.len() / 2) as i64;
                let raw = self.raw(start * n as i64 - half, size * n + self.taps.len())?;
                Ok((0..size)
                    .map(|i| {
                        let part = &raw[i * n..i * n + self.taps.len()];
                        part.iter().zip(&self.taps).map(|(a, b)| a * b).sum()
                    })
                    .collect())
            }
        }
    }

    fn raw(&self, start: i64, size: usize) -> Result<Vec<f32>, Error> {
        let mut out = vec![0.0; size];
        let skip = (-start).clamp(0, size as i64) as usize;
        if start + (skip as i64) < self.samples.len() as i64 && skip < size {
            self.samples.read((start + skip as i64) as u64, &mut out[skip..])?;
        }
        Ok(out)
    }
}

/// Prediction-error filter of an autocorrelation; `None` if it is none.
fn levinson<const N: usize>(r: &[f64; N]) -> Option<[f64; N]> {
    let mut a = [0.0; N];
    a[0] = 1.0;
    let mut error = r[0];
    for m in 1..N {
        if error <= 0.0 || !error.is_finite() {
            return None;
        }
        let sum: f64 = (0..m).map(|k| a[k] * r[m - k]).sum();
        let reflection = -sum / error;
        let before = a;
        for k in 1..=m {
            a[k] = before[k] + reflection * before[m - k];
        }
        error *= 1.0 - reflection * reflection;
    }
    Some(a)
}

/// Low-pass at half the lower rate, `2 * SINC_REACH * n + 1` taps of sum 1 (a Hann-windowed sinc: any text on FIR design).
fn windowed_sinc(n: usize) -> Vec<f32> {
    let half = (SINC_REACH * n) as i64;
    let raw: Vec<f64> = (-half..=half)
        .map(|i| {
            let x = i as f64 / n as f64;
            let sinc = if i == 0 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
            let window = 0.5 + 0.5 * (std::f64::consts::PI * i as f64 / (half as f64 + 1.0)).cos();
            sinc * window
        })
        .collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|v| (v / sum) as f32).collect()
}

/// Mean of each `width` neighbours: output `i` covers input `i..i + width`.
fn moving_average(input: &[f32], width: usize) -> Vec<f32> {
    let mut sum: f64 = input[..width].iter().map(|&v| f64::from(v)).sum();
    let mut out = vec![(sum / width as f64) as f32];
    out.extend(input.iter().zip(&input[width..]).map(|(&gone, &come)| {
        sum += f64::from(come) - f64::from(gone);
        (sum / width as f64) as f32
    }));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(rate: f64, hz: f64, seconds: f64) -> Memory {
        let n = (rate * seconds) as usize;
        let samples = (0..n).map(|i| (2.0 * std::f64::consts::PI * hz * i as f64 / rate).sin() as f32).collect();
        Memory { samples, rate }
    }

    fn level(source: &Memory) -> f32 {
        let mut signal = Signal::new(source);
        let (from, count) = (signal.len() / 4, (signal.len() / 2) as usize);
        let part = signal.window(from, count).unwrap();
        (part.iter().map(|v| v * v).sum::<f32>() / part.len() as f32 * 2.0).sqrt()
    }

    #[test]
    fn data_tones_pass_and_hum_does_not_at_every_rate() {
        for rate in [8_000.0, 11_025.0, 22_050.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            for hz in [1430.0, 2000.0, 2840.0] {
                let gain = level(&tone(rate, hz, 0.5));
                assert!((gain - 1.0).abs() < 0.06, "{hz} Hz at {rate}: {gain}");
            }
            assert!(level(&tone(rate, 50.0, 0.5)) < 0.12, "hum at {rate}");
        }
    }

    #[test]
    fn a_window_is_the_same_wherever_reading_began() {
        let source = tone(44_100.0, 1500.0, 6.0);
        let mut one = Signal::new(&source);
        let a = one.window(100_000, 500).unwrap().to_vec();
        let mut two = Signal::new(&source);
        two.window(99_000, 100).unwrap();
        let b = two.window(100_000, 500).unwrap().to_vec();
        // running sums start elsewhere: equal to rounding
        assert!(a.iter().zip(&b).all(|(x, y)| (x - y).abs() < 1e-5));
    }
}
