//! One pass over a capture: hashes of the file and of its samples, and the level of every channel.

use super::{Capture, Encoding, Lost, Source, file, sense};
use crate::Error;
use sha2::{Digest, Sha256};

/// Bytes or so at a time: long enough that handing half the work to another thread costs nothing.
const CHUNK: usize = 1 << 20;

#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// SHA-256 of the file as it is, in hex.
    pub sha256: String,
    /// BLAKE3, in hex, of the samples alone: every sample as [`Capture::read`] gives it, `f32` little-endian, channels
    /// interleaved, −0 as 0. So the same samples under another header, in FLAC instead of WAV or in 24 bits instead of 16
    /// have the same hash. Sample rate and number of channels are not part of it.
    pub samples_blake3: String,
    pub channels: Vec<ChannelLevel>,
}

/// Level of one channel; full scale is 1.0.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ChannelLevel {
    /// Root mean square about zero: a constant offset counts.
    pub rms: f64,
    /// Largest absolute value.
    pub peak: f64,
    /// Samples at the ends of the scale: the largest or smallest integer of the file's bits, or a float of ±1.0 or more. Always 0
    /// for a pulse image, which is drawn at full scale, and for floats that go on far beyond ±1.0, which was not their scale.
    pub clipped: u64,
    /// Where none is clipped at full scale: samples at the channel's own largest or smallest value, if these are more than
    /// any wave that is not cut off or square would have there, and else 0. Not written if 0.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub flat: u64,
    /// Where samples are clipped or flat: whether the wave stands at two levels nearly all the time, as a computer's own recorder
    /// or an adapter gives it. That it reaches full scale cuts nothing off then. Not written if false.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub square: bool,
    /// The constant offset.
    pub mean: f64,
    /// Samples that are no sound and read as silence: beyond any sense, infinite or not a number. Not written if there are
    /// none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lost: Option<Lost>,
}

fn is_zero(n: &u64) -> bool {
    *n == 0
}

impl Capture {
    /// Reads the whole file once (and, for FLAC, the decoded samples). Uses a second thread if the pool has one idle; the
    /// result does not depend on it.
    ///
    /// # Errors
    /// [`Error::Read`] if the file system refuses.
    pub fn survey(&self) -> Result<Survey, Error> {
        let read = |error| Error::read(&self.info.path, error);
        let mut sha = Sha256::new();
        let mut tally = Tally::new(self);
        match &self.source {
            Source::InPlace(pcm) => {
                let end = pcm.start + pcm.frames * pcm.frame_bytes() as u64;
                self.hash(&mut sha, 0, pcm.start)?;
                self.add_pcm(&self.file, pcm, &mut tally, Some(&mut sha))?;
                self.hash(&mut sha, end, u64::MAX)?;
            }
            Source::Spooled { spool, pcm } => {
                self.hash(&mut sha, 0, u64::MAX)?;
                self.add_pcm(spool, pcm, &mut tally, None)?;
            }
            Source::Pulses(image) => {
                self.hash(&mut sha, 0, u64::MAX)?;
                let mut samples = vec![0.0; CHUNK / 4];
                let mut start = 0;
                while start < self.info.frames {
                    let count = (self.info.frames - start).min(samples.len() as u64) as usize;
                    image.draw(&self.file, start, &mut samples[..count]).map_err(read)?;
                    tally.add(&mut samples[..count]);
                    start += count as u64;
                }
            }
        }
        Ok(Survey {
            sha256: sha.finalize().iter().map(|byte| format!("{byte:02x}")).collect(),
            samples_blake3: tally.blake3.finalize().to_hex().to_string(),
            channels: tally.levels.iter().map(|sums| sums.level(self.info.frames, tally.clip)).collect(),
        })
    }

    /// Adds the bytes `start..end` of the file, or to its end, to the hash.
    fn hash(&self, sha: &mut Sha256, start: u64, end: u64) -> Result<(), Error> {
        let mut buffer = vec![0; (end - start).min(CHUNK as u64) as usize];
        let mut at = start;
        while at < end {
            let wanted = (end - at).min(buffer.len() as u64) as usize;
            let count =
                file::read_up_to(&self.file, &mut buffer[..wanted], at).map_err(|e| Error::read(&self.info.path, e))?;
            if count == 0 {
                break;
            }
            sha.update(&buffer[..count]);
            at += count as u64;
        }
        Ok(())
    }

    fn add_pcm(
        &self,
        file: &std::fs::File,
        pcm: &super::pcm::Pcm,
        tally: &mut Tally,
        mut sha: Option<&mut Sha256>,
    ) -> Result<(), Error> {
        let frame_bytes = pcm.frame_bytes();
        let width = pcm.encoding.bytes();
        let at_once = CHUNK / frame_bytes;
        let mut bytes = vec![0; at_once * frame_bytes];
        let mut samples = vec![0.0; at_once * usize::from(pcm.channels)];
        let mut done = 0;
        while done < pcm.frames {
            let count = (pcm.frames - done).min(at_once as u64) as usize;
            let bytes = &mut bytes[..count * frame_bytes];
            let samples = &mut samples[..count * usize::from(pcm.channels)];
            file::read_exact(file, bytes, pcm.start + done * frame_bytes as u64)
                .map_err(|error| Error::read(&self.info.path, error))?;
            let mut take = || {
                pcm.encoding.decode(bytes, width, samples);
                tally.add(samples)
            };
            match sha.as_deref_mut() {
                Some(sha) => drop(rayon::join(take, || sha.update(&*bytes))),
                None => take(),
            }
            done += count as u64;
        }
        Ok(())
    }
}

/// What is added up while the samples pass by.
struct Tally<'a> {
    capture: &'a Capture,
    blake3: blake3::Hasher,
    bytes: Vec<u8>,
    channel: Vec<f32>,
    levels: Vec<Sums>,
    frames: u64,
    clip: Clip,
}

/// Samples outside `low..high`, ends included, count as clipped.
#[derive(Clone, Copy)]
struct Clip {
    low: f32,
    high: f32,
    /// What no wave that was cut off at full scale reaches.
    beyond: f32,
    /// Distance of two neighbouring values; `None` if no wave can be cut off.
    step: Option<f64>,
}

impl Tally<'_> {
    fn new(capture: &Capture) -> Tally<'_> {
        let info = &capture.info;
        let clip = match info.encoding {
            Encoding::Pulses => Clip { low: f32::NEG_INFINITY, high: f32::INFINITY, beyond: f32::INFINITY, step: None },
            Encoding::Float32 | Encoding::Float64 => Clip { low: -1.0, high: 1.0, beyond: BEYOND, step: Some(0.0) },
            // The largest integer of n bits is 1 − 2^(1−n); above 24 bits it rounds to 1.0, as the samples do.
            _ => {
                let step = 2.0_f64.powi(1 - i32::from(info.bits));
                Clip { low: -1.0, high: (1.0 - step) as f32, beyond: f32::INFINITY, step: Some(step) }
            }
        };
        Tally {
            capture,
            blake3: blake3::Hasher::new(),
            bytes: Vec::new(),
            channel: Vec::new(),
            levels: vec![Sums::default(); info.channels.into()],
            frames: 0,
            clip,
        }
    }

    /// `samples` are whole frames, interleaved.
    fn add(&mut self, samples: &mut [f32]) {
        let count = self.levels.len();
        if self.capture.is_float() {
            let (frames, rate) = (self.frames, f64::from(self.capture.info.sample_rate));
            sense::silence(samples, |at| {
                let second = (frames + (at / count) as u64) as f64 / rate;
                let lost = &mut self.levels[at % count].lost;
                let before = lost.map_or((0, second), |l| (l.samples, l.first_s));
                *lost = Some(Lost { samples: before.0 + 1, first_s: before.1, last_s: second });
            });
        }
        let samples = &*samples;
        self.bytes.resize(samples.len() * 4, 0);
        for (place, sample) in self.bytes.chunks_exact_mut(4).zip(samples) {
            place.copy_from_slice(&(sample + 0.0).to_le_bytes()); // −0 + 0 = 0
        }
        self.blake3.update(&self.bytes);
        for (channel, sums) in self.levels.iter_mut().enumerate() {
            let samples = if count == 1 {
                samples
            } else {
                self.channel.clear();
                self.channel.extend(samples[channel..].iter().step_by(count));
                &self.channel
            };
            sums.add(samples, self.clip);
        }
        self.frames += (samples.len() / count) as u64;
    }
}

/// Floats that were cut off at full scale end there: beyond it lies next to nothing of them, but for rounding and stray samples.
const BEYOND: f32 = 1.001;
const NEXT_TO_NOTHING: f64 = 0.05;
/// Bins of the distribution of samples, from -1 to 1; what lies outside is in the outermost.
const BINS: usize = 128;
/// A wave of two levels is on its way between them, within half of its height, for less than this share of its time. Simulated
/// adapters at 44.1 and 96 kHz came to 0.09 to 0.16, analogue takes with 15 to 73 % of their samples cut off to 0.2 and more.
const ON_ITS_WAY: f64 = 0.2;
/// Flat tops that hold less than this share of all samples are too rare to matter.
const FLAT: f64 = 0.01;
/// How many times what a steady sine has at its ends is beyond any wave that is not cut off.
const BEYOND_A_SINE: f64 = 3.0;

#[derive(Clone)]
struct Sums {
    sum: f64,
    squares: f64,
    peak: f32,
    clipped: u64,
    beyond: u64,
    lost: Option<Lost>,
    histogram: [u64; BINS],
    /// Of the smallest and of the largest sample.
    ends: [End; 2],
}

impl Default for Sums {
    fn default() -> Sums {
        let end = |value| End { value, count: 0, held: 0 };
        Sums {
            sum: 0.0,
            squares: 0.0,
            peak: 0.0,
            clipped: 0,
            beyond: 0,
            lost: None,
            histogram: [0; BINS],
            ends: [end(f32::INFINITY), end(f32::NEG_INFINITY)],
        }
    }
}

/// The samples with one extreme value.
#[derive(Clone, Copy)]
struct End {
    value: f32,
    count: u64,
    /// Those of them that follow another.
    held: u64,
}

impl Sums {
    fn add(&mut self, samples: &[f32], clip: Clip) {
        // Eight sums side by side: one sum alone waits for each addition, and this becomes vector code.
        const LANES: usize = 8;
        let (mut sum, mut squares, mut peak) = ([0.0_f64; LANES], [0.0_f64; LANES], [0.0_f32; LANES]);
        // a chunk has fewer than 2^32 samples
        let (mut clipped, mut beyond) = ([0_u32; LANES], [0_u32; LANES]);
        let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
        let mut add = |lane: usize, x: f32| {
            let wide = f64::from(x);
            sum[lane] += wide;
            squares[lane] += wide * wide;
            peak[lane] = if x.abs() > peak[lane] { x.abs() } else { peak[lane] };
            clipped[lane] += u32::from((x <= clip.low) | (x >= clip.high));
            beyond[lane] += u32::from(x.abs() >= clip.beyond);
            low[lane] = if x < low[lane] { x } else { low[lane] };
            high[lane] = if x > high[lane] { x } else { high[lane] };
        };
        let rows = samples.chunks_exact(LANES);
        rows.remainder().iter().enumerate().for_each(|(lane, &x)| add(lane, x));
        for row in rows {
            (0..LANES).for_each(|lane| add(lane, row[lane]));
        }
        self.sum += sum.iter().sum::<f64>();
        self.squares += squares.iter().sum::<f64>();
        for &x in samples {
            let bin = ((x + 1.0) * (BINS / 2) as f32) as usize;
            self.histogram[bin.min(BINS - 1)] += 1;
        }
        self.peak = peak.iter().fold(self.peak, |a, &b| a.max(b));
        self.clipped += clipped.iter().map(|&n| u64::from(n)).sum::<u64>();
        self.beyond += beyond.iter().map(|&n| u64::from(n)).sum::<u64>();
        self.add_end(0, low.into_iter().fold(f32::INFINITY, f32::min), samples);
        self.add_end(1, high.into_iter().fold(f32::NEG_INFINITY, f32::max), samples);
    }

    /// Counts the samples at one end of the scale of values, when a chunk reaches as far as those before.
    fn add_end(&mut self, which: usize, found: f32, samples: &[f32]) {
        let end = &mut self.ends[which];
        if if which == 0 { found < end.value } else { found > end.value } {
            *end = End { value: found, count: 0, held: 0 };
        }
        if found == end.value {
            end.count += samples.iter().filter(|&&x| x == found).count() as u64;
            end.held += samples.windows(2).filter(|pair| pair == &[found, found]).count() as u64;
        }
    }

    /// See [`ChannelLevel::flat`]. Of a sine with an amplitude of A steps the share (1/π)·arccos(1 − 1/(2A)) ≈ 1/(π·√A) rounds to
    /// its largest value, and as much to its smallest; with any change of level, or noise, it is less.
    fn flat(&self, frames: f64, step: f64) -> u64 {
        let [low, high] = self.ends;
        let amplitude = f64::from(high.value - low.value) / 2.0;
        if amplitude <= 0.0 {
            return 0;
        }
        let sine = 2.0 / std::f64::consts::PI * (step / amplitude).sqrt();
        // a computed sine may meet its peak once in every cycle; what is cut off stays there
        let cut_off = (low.held + high.held) as f64 > frames * FLAT.max(BEYOND_A_SINE * sine);
        if cut_off { low.count + high.count } else { 0 }
    }

    /// Share of the samples that lie within half of the wave's height about its middle.
    fn on_its_way(&self, frames: f64) -> f64 {
        let middle = self.sum / frames;
        let half = 0.5 * (f64::from(self.peak) - middle.abs());
        let bin = |value: f64| (((value + 1.0) * (BINS / 2) as f64).max(0.0) as usize).min(BINS - 1);
        self.histogram[bin(middle - half)..=bin(middle + half)].iter().sum::<u64>() as f64 / frames
    }

    fn level(&self, frames: u64, clip: Clip) -> ChannelLevel {
        let frames = frames as f64;
        let other_scale = self.beyond as f64 > NEXT_TO_NOTHING * self.clipped as f64;
        let clipped = if other_scale { 0 } else { self.clipped };
        let flat = clip.step.filter(|_| clipped == 0).map_or(0, |step| self.flat(frames, step));
        ChannelLevel {
            rms: (self.squares / frames).sqrt(),
            peak: self.peak.into(),
            clipped,
            flat,
            square: clipped + flat > 0 && self.on_its_way(frames) < ON_ITS_WAY,
            mean: self.sum / frames,
            lost: self.lost,
        }
    }
}
