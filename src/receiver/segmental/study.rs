//! Forwards through the passage, window by window: learns speed, waveforms, lengths, gain and noise, and keeps them.

use super::ear::{BIN, EIGHT, Ear, End, Level};
use super::lattice::{Emission, Lattice, NEVER, ln_add};
use super::pace::{Lasted, Pace};
use super::words::{Waveforms, Words};
use super::{Extent, Passage};
use crate::Error;
use crate::receiver::signal::Signal;
use crate::tape::Grammar;

/// Points of a window, and how many more are looked at beyond its end while it is studied: some 0.4 and 0.1 s.
const WINDOW: usize = 64 * BIN;
const BEYOND: usize = 16 * BIN;
/// Points that the first trials of speed and polarity look at, and the step of the speeds (fraction).
const TRIAL: usize = 24 * BIN;
const TRIAL_STEP: f64 = 0.008;
/// Rounds of learning in the first window and, in clear signal at a steady speed, in the others (else one more). Judgements:
/// more change next to nothing.
const FIRST_ROUNDS: usize = 5;
const ROUNDS: usize = 1;
/// Noise over signal (power), and change of speed within a window, from which a window is listened to twice.
const UNCLEAR: f64 = 1.0;
const UNSTEADY: f64 = 0.006;
/// Boundaries less probable than this, by what is heard up to a little beyond the window, are out of the question.
const IMPLAUSIBLE: f64 = 1e-14;
/// Segments less probable than this teach nothing.
const TEACHES: f64 = 0.02;
/// Lags over which the colour of the noise is looked at.
const LAGS: usize = 24;

/// Everything that is needed to listen to a window again.
#[derive(Clone, Debug)]
pub struct Window {
    pub len: usize,
    pub pace: Pace,
    pub levels: Vec<Level>,
    pub words: Words,
    pub waveforms: Waveforms,
    pub end: End,
    /// Evidence before this window that the rest is something else.
    pub rest: f64,
    /// What crosses its beginning.
    pub front: Vec<f64>,
    /// Boundaries that are not out of the question, by `boundary * words + word before`, 64 in a word.
    pub plausible: Vec<u64>,
}

impl Window {
    pub fn listen(&self, signal: &mut Signal) -> Result<Vec<f32>, Error> {
        self.pace.listen(signal, self.len + self.words.reach() + EIGHT)
    }

    pub fn ear<'a>(&'a self, samples: &'a [f32]) -> Ear<'a> {
        Ear::new(samples, &self.levels, &self.words, &self.waveforms, self.end, self.rest).only(&self.plausible)
    }
}

pub struct Studied {
    pub windows: Vec<Window>,
    /// ln of the evidence for the whole passage, all ways together.
    pub evidence: f64,
}

/// `None` when no way leads from the start to the end.
pub fn study(signal: &mut Signal, grammar: &Grammar, passage: &Passage) -> Result<Option<Studied>, Error> {
    let Some(mut pupil) = Pupil::begin(signal, grammar, passage)? else { return Ok(None) };
    let frame = super::sweep::frame(grammar, passage);
    let longest = pupil.words.lengths.iter().copied().fold(0.0, f64::max);
    let mut windows: Vec<Window> = Vec::new();
    let mut evidence = NEVER;
    let (mut points, mut counted, mut doubt) = (0, 0.0, 0.0);
    loop {
        let (now, window) = pupil.window(signal, passage, windows.is_empty())?;
        points += window.len;
        counted += now.counted;
        doubt += now.doubt;
        evidence = ln_add(evidence, now.stopped);
        let next = window.pace.sample(window.len as f64);
        windows.push(window);
        let done = match passage.extent {
            // the words that were heard are enough, give or take those that were not and a slip in two hundred
            Extent::Bits(bits) => {
                let words = frame.words(bits) as f64;
                let sure = counted - 0.6 * doubt - 0.005 * counted - 8.0;
                sure >= words || points as f64 > 1.04 * words * longest + WINDOW as f64
            }
            Extent::Until(end, deviation) => next > end + 8.0 * deviation,
        };
        if done || next > signal.len() as f64 + 0.1 * signal.rate() || now.front.iter().all(|a| *a == NEVER) {
            break;
        }
        pupil.front = now.front;
    }
    Ok((evidence > NEVER).then_some(Studied { windows, evidence }))
}

struct Pupil {
    words: Words,
    waveforms: Waveforms,
    level: Level,
    /// Variance of the noise in the words' own band over its mean in all, per point.
    colour: f64,
    front: Vec<f64>,
    /// Where the next window begins, and samples a point there.
    origin: f64,
    step: f64,
    rest: f64,
}

/// What a window gave besides what is kept of it.
struct Passed {
    counted: f64,
    doubt: f64,
    stopped: f64,
    front: Vec<f64>,
}

impl Pupil {
    /// Tries all speeds and polarities on the first points. `None`: nothing but zeros.
    fn begin(signal: &mut Signal, grammar: &Grammar, passage: &Passage) -> Result<Option<Pupil>, Error> {
        let words = Words::new(grammar, signal.rate());
        let loose = words.loosened();
        let steps = (passage.speed_spread / TRIAL_STEP).ceil() as i32;
        let mut best: Option<(f64, Pupil)> = None;
        for s in -steps..=steps {
            let off = f64::from(s) * passage.speed_spread / f64::from(steps.max(1));
            let step = words.point_s * signal.rate() / (passage.speed * (1.0 + off));
            // the start lies in the middle of what may cross the window's beginning
            let origin = passage.start - (words.reach() / 2) as f64 * step;
            let pace = Pace::steady(origin, step, TRIAL);
            let samples = pace.listen(signal, TRIAL + words.reach() + EIGHT)?;
            let power = samples.iter().map(|x| f64::from(x * x)).sum::<f64>() / samples.len() as f64;
            if power <= 0.0 {
                continue;
            }
            let start = |v: usize| -0.5 * ((pace.sample(v as f64) - passage.start) / passage.start_deviation).powi(2);
            let kinds = words.count();
            let front: Vec<f64> = (0..words.reach() * kinds).map(|i| start(i / kinds) - (kinds as f64).ln()).collect();
            for (turned, sign) in [(false, 1.0), (true, 1.0), (false, -1.0), (true, -1.0)] {
                let waveforms = Waveforms::bare(grammar, &words, turned, sign);
                // to begin with, half of the power is noise
                let level = Level { gain: (0.5 * power / waveforms.power()).sqrt(), variance: 0.5 * power };
                let levels = [level];
                let ear = Ear::new(&samples, &levels, &loose, &waveforms, End::Anywhere, 0.0);
                let lattice =
                    Lattice::forward(&loose.codes, kinds, TRIAL, &led(&front, &ear, kinds), &ear, f64::INFINITY);
                let fair = |(i, a): (usize, f64)| a - ear.par(TRIAL + i / kinds);
                let arrived = lattice.front(TRIAL).into_iter().enumerate().map(fair).fold(NEVER, f64::max);
                if best.as_ref().is_none_or(|(b, _)| arrived > *b) && arrived > NEVER {
                    let (words, front) = (words.clone(), front.clone());
                    let pupil = Pupil { words, waveforms, level, colour: 1.0, front, origin, step, rest: 0.0 };
                    best = Some((arrived, pupil));
                }
            }
        }
        Ok(best.map(|b| b.1))
    }

    /// Studies one window, and goes on to the next.
    fn window(&mut self, signal: &mut Signal, passage: &Passage, first: bool) -> Result<(Passed, Window), Error> {
        let len = WINDOW + BEYOND;
        let mut pace = Pace::steady(self.origin, self.step, len);
        let mut levels = vec![self.level; len / BIN];
        let rounds = if first { FIRST_ROUNDS } else { ROUNDS };
        let mut round = 0;
        loop {
            let words = if round == 0 { self.words.loosened() } else { self.words.clone() };
            let samples = pace.listen(signal, len + words.reach() + EIGHT)?;
            let end = ending(passage, &pace, len);
            let ear = Ear::new(&samples, &levels, &words, &self.waveforms, end, self.rest);
            let front = if first { led(&self.front, &ear, words.count()) } else { self.front.clone() };
            // gain and noise are only guessed in the first round of all
            let beam = if first && round == 0 { f64::INFINITY } else { ear.beam() };
            let mut lattice = Lattice::forward(&words.codes, words.count(), len, &front, &ear, beam);
            // beyond what is looked at, every way is as good as another that has come as far, if it may go on at all
            let ended = matches!(end, End::Near(at, _) if at < len as f64);
            let fair = |v: usize| ear.par(len) - ear.par(len + v) - ear.rest(len);
            let rear = |i: usize| if ended { NEVER } else { fair(i / words.count()) };
            let rear: Vec<f64> = (0..words.reach() * words.count()).map(rear).collect();
            lattice.backward(&rear, &ear);
            let evidence = lattice.evidence(&front);
            let seen = Seen::new(&lattice, evidence, &ear, &samples, &words, &self.waveforms);
            round += 1;
            let mut new_pace = pace.clone();
            let factors = new_pace.follow(&seen.lasted);
            let lengths = (round > 1).then(|| seen.lengths(&words, &factors));
            if round < rounds || (!first && round == 1 && self.unsettled(&factors)) {
                let new = self.learn(&seen, lengths, &levels, if first { 2.0 } else { 12.0 }, &words);
                levels = new;
                pace = new_pace;
                continue;
            }
            // what this round was heard with is what the window is heard with again; what it taught is for the next
            let passed = Passed {
                counted: seen.counted,
                doubt: seen.doubt,
                stopped: lattice.stopped(WINDOW, &ear),
                front: lattice.front(WINDOW),
            };
            let open = lattice.plausible(evidence, IMPLAUSIBLE, WINDOW);
            let bits = |part: &[bool]| part.iter().enumerate().map(|(i, o)| u64::from(*o) << i).sum::<u64>();
            let plausible = open.chunks(64).map(bits).collect();
            let waveforms = self.waveforms.clone();
            let rest = std::mem::replace(&mut self.rest, ear.rest(WINDOW));
            let new = self.learn(&seen, lengths, &levels, 12.0, &words);
            self.level = new[WINDOW / BIN - 1];
            self.origin = pace.sample(WINDOW as f64);
            self.step = new_pace.step(WINDOW + BEYOND / 2);
            return Ok((passed, Window { len: WINDOW, pace, levels, words, waveforms, end, rest, front, plausible }));
        }
    }

    /// Whether a window should be listened to again at the speed it showed: the speed changed much, or noise is such that
    /// lengths must be known well.
    fn unsettled(&self, factors: &[f64]) -> bool {
        let noise = self.level.variance / (self.level.gain * self.level.gain * self.waveforms.power());
        noise > UNCLEAR || factors.iter().any(|f| (f - 1.0).abs() > UNSTEADY)
    }

    /// Takes in what a round showed, and returns gain and noise of every bin as they seem now.
    fn learn(
        &mut self,
        seen: &Seen,
        lengths: Option<Vec<[f64; 3]>>,
        levels: &[Level],
        inertia: f64,
        words: &Words,
    ) -> Vec<Level> {
        self.waveforms.learn(&seen.lesson);
        if let Some(lengths) = lengths {
            self.words.learn_lengths(&lengths);
        }
        if seen.correlation[0] > 0.0 {
            let own = self.waveforms.correlation(LAGS);
            let sum = |k: usize| if k == 0 { 1.0 } else { 2.0 } * seen.correlation[k] / seen.correlation[0] * own[k];
            let now = (0..LAGS).map(sum).sum::<f64>().clamp(0.25, 4.0);
            self.colour += 0.5 * (now - self.colour);
        }
        let usual = self.level;
        let typical = words.typical();
        let word_energy = self.waveforms.power() * typical;
        let smooth = |bin: usize| {
            // weights in words
            let mut sums = [usual.gain * inertia * word_energy, inertia * word_energy];
            let mut left = [usual.variance / self.colour.max(0.25) * inertia * typical, inertia * typical];
            for i in bin.saturating_sub(18)..(bin + 19).min(seen.bins.len()) {
                let w = (-0.5 * ((i as f64 - bin as f64) / 6.0).powi(2)).exp();
                let b = &seen.bins[i];
                sums = [sums[0] + w * b.along, sums[1] + w * b.energy];
                left = [left[0] + w * b.left, left[1] + w * b.points];
            }
            let gain = (sums[0] / sums[1]).max(1e-9);
            let variance = left[0] / left[1] * self.colour;
            // the waveform is never exactly as learned: 3 % of it
            Level { gain, variance: variance + 1e-3 * gain * gain * self.waveforms.power() }
        };
        (0..levels.len()).map(smooth).collect()
    }
}

/// The prior of the beginning with the evidence of what leads up to it: a leader or a sync that is known elsewhere, so as
/// good as perfect. Else a passage would rather begin early, to have more explained.
fn led(front: &[f64], ear: &Ear, kinds: usize) -> Vec<f64> {
    front.iter().enumerate().map(|(i, a)| a + ear.par(i / kinds)).collect()
}

/// Where the passage ends, on the grid of a window.
fn ending(passage: &Passage, pace: &Pace, len: usize) -> End {
    match passage.extent {
        Extent::Bits(_) => End::Anywhere,
        Extent::Until(end, deviation) => {
            let step = pace.step(len);
            let beyond = (end - pace.sample(len as f64)) / step;
            // by halving: the pace rises everywhere
            let (mut low, mut high) = (0.0, len as f64);
            for _ in 0..40 {
                let mid = 0.5 * (low + high);
                if pace.sample(mid) < end { low = mid } else { high = mid }
            }
            End::Near(if beyond > 0.0 { len as f64 + beyond } else { low }, deviation / step)
        }
    }
}

/// Sums over one bin.
#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    /// Correlation with the waveform and energy of it; what is left of the samples' energy, and points.
    along: f64,
    energy: f64,
    left: f64,
    points: f64,
}

/// What a pass over a window showed, weighed by how probable and how well heard each segment was.
struct Seen {
    lesson: super::words::Lesson,
    bins: Vec<Bin>,
    lasted: Vec<Lasted>,
    /// Bin, code and weight of every segment that teaches.
    segments: Vec<(usize, usize, f64)>,
    /// Autocorrelation of what is left.
    correlation: Vec<f64>,
    /// Words that begin in the window, and how many of them were not heard.
    counted: f64,
    doubt: f64,
}

impl Seen {
    fn new(lattice: &Lattice, evidence: f64, ear: &Ear, samples: &[f32], words: &Words, waveforms: &Waveforms) -> Seen {
        let bins = lattice.len.div_ceil(BIN);
        let mut seen = Seen {
            lesson: waveforms.lesson(),
            bins: vec![Bin::default(); bins],
            lasted: vec![Lasted::default(); bins],
            segments: Vec::new(),
            correlation: vec![0.0; LAGS],
            counted: 0.0,
            doubt: 0.0,
        };
        let mut scratch = Vec::new();
        let mut left = vec![0.0f32; samples.len()];
        lattice.for_each(evidence, TEACHES, |t, before, index, chance| {
            let code = &lattice.codes[index];
            let (share, along, energy) = ear.look(t, before, index);
            if t < WINDOW {
                seen.counted += chance;
                seen.doubt += chance * (1.0 - share);
            }
            let weight = chance * share;
            if weight < TEACHES {
                return;
            }
            let bin = t / BIN;
            let gain = ear.gain(t);
            let segment = &samples[t..t + code.length];
            seen.lesson.add(before, code, segment, gain as f32, weight as f32, &mut scratch);
            let sums = &mut seen.bins[bin];
            sums.along += weight * along;
            sums.energy += weight * energy;
            sums.left += weight * (ear.energy(t, code.length) - 2.0 * gain * along + gain * gain * energy).max(0.0);
            sums.points += weight * code.length as f64;
            seen.lasted[bin].points += weight * code.length as f64;
            seen.segments.push((bin, index, weight));
            if weight > 0.5 {
                ear.left(t, before, index, &mut left[t..t + code.length]);
            }
        });
        for (k, sum) in seen.correlation.iter_mut().enumerate() {
            *sum = f64::from(super::super::frame::dot(&left[..left.len() - k], &left[k..]));
        }
        for &(bin, index, weight) in &seen.segments {
            seen.lasted[bin].nominal += weight * words.lengths[lattice.codes[index].word];
        }
        seen
    }

    /// By word: weight, and sums of the difference between its length and what the speed says, and of its square.
    fn lengths(&self, words: &Words, factors: &[f64]) -> Vec<[f64; 3]> {
        let mut out = vec![[0.0; 3]; words.count()];
        for &(bin, index, weight) in &self.segments {
            let code = &words.codes[index];
            let off = code.length as f64 - words.lengths[code.word] * factors[bin];
            let sums = &mut out[code.word];
            *sums = [sums[0] + weight, sums[1] + weight * off, sums[2] + weight * off * off];
        }
        out
    }
}
