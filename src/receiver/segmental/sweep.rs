//! Backwards and forwards through what was studied: the chain of boundaries, the number of words, the soft bits.

use super::counts::{self, Chain, Counts, Crossing, Frame, Heard};
use super::ear::BIN;
use super::lattice::{Emission, Lattice, NEVER};
use super::study::{Studied, Window};
use super::{Extent, Passage, Run};
use crate::receiver::signal::Signal;
use crate::tape::Grammar;
use crate::{Error, Llr};

/// No single reading may say more than this about a bit, in nats.
const MOST: f32 = 12.0;
/// Variance of the count that a word must add to count as a leap.
const LEAP: f64 = 0.02;

pub fn frame<'a>(grammar: &Grammar, passage: &Passage<'a>) -> Frame<'a> {
    let byte = (!grammar.byte_prefix.is_empty()).then_some(grammar.bits_per_byte + 1);
    Frame { byte, prior: passage.prior }
}

/// The chains of all windows; those that don't fit in memory are made anew when asked for.
struct Chains<'a> {
    studied: &'a Studied,
    kept: Vec<Option<Chain>>,
    /// What crosses the end of each window.
    rears: Vec<Vec<f64>>,
}

impl Chains<'_> {
    fn make(signal: &mut Signal, window: &Window, evidence: f64, rear: &[f64]) -> Result<(Chain, Vec<f64>), Error> {
        let samples = window.listen(signal)?;
        let ear = window.ear(&samples);
        let (codes, kinds) = (&window.words.codes, window.words.count());
        let mut lattice = Lattice::forward(codes, kinds, window.len, &window.front, &ear, ear.beam());
        lattice.backward(rear, &ear);
        Ok((Chain::new(&lattice, evidence, |t| ear.stop(t)), lattice.rear()))
    }

    /// Also returns what crosses the beginning of the passage.
    fn new<'a>(signal: &mut Signal, studied: &'a Studied, kept: usize) -> Result<(Chains<'a>, Vec<f64>), Error> {
        let count = studied.windows.len();
        let mut chains = Chains { studied, kept: vec![None; count], rears: vec![Vec::new(); count] };
        let (mut rear, mut size) = (Vec::new(), 0);
        for (i, window) in studied.windows.iter().enumerate().rev() {
            let (chain, crossing) = Chains::make(signal, window, studied.evidence, &rear)?;
            size += chain.size();
            chains.kept[i] = (size < kept).then_some(chain);
            chains.rears[i] = std::mem::replace(&mut rear, crossing);
        }
        Ok((chains, rear))
    }

    fn with<T>(&self, signal: &mut Signal, i: usize, work: impl FnOnce(&Chain) -> T) -> Result<T, Error> {
        match &self.kept[i] {
            Some(chain) => Ok(work(chain)),
            None => {
                let (studied, rear) = (self.studied, &self.rears[i]);
                Ok(work(&Chains::make(signal, &studied.windows[i], studied.evidence, rear)?.0))
            }
        }
    }
}

pub fn sweep(
    signal: &mut Signal,
    grammar: &Grammar,
    passage: &Passage,
    studied: &Studied,
    kept: usize,
) -> Result<Option<Run>, Error> {
    let frame = frame(grammar, passage);
    let windows = &studied.windows;
    let (chains, rear) = Chains::new(signal, studied, kept)?;
    let begin = |(i, (a, b)): (usize, (&f64, &f64))| {
        let chance = (a + b - studied.evidence).exp();
        (chance > 0.0).then(|| (i as u32, Counts::only(0, chance)))
    };
    let slots: Vec<_> = windows[0].front.iter().zip(&rear).enumerate().filter_map(begin).collect();
    let first = Crossing { slots, ln_scale: 0.0 };

    // how many words in all
    let mut totals: Vec<(Counts, f64)> = Vec::new();
    let mut front = first.clone();
    for i in 0..windows.len() {
        let mut total = Counts::default();
        let scale = front.ln_scale;
        front = chains.with(signal, i, |chain| counts::ahead(chain, &frame, &front, &mut total).1)?;
        totals.push((total, scale));
    }
    let top = totals.iter().filter(|t| t.0.sum() > 0.0).map(|t| t.1).fold(NEVER, f64::max);
    let weight = |n: usize| totals.iter().map(|(c, scale)| c.get(n) * (scale - top).exp()).sum::<f64>();
    let all: f64 = totals.iter().map(|(c, scale)| c.sum() * (scale - top).exp()).sum();
    let words = match passage.extent {
        Extent::Bits(bits) => frame.words(bits),
        Extent::Until(..) => {
            let numbers = totals.iter().flat_map(|(c, _)| c.iter().map(|(n, _)| n));
            numbers.max_by(|&a, &b| weight(a).total_cmp(&weight(b)).then(b.cmp(&a))).unwrap_or(0)
        }
    };
    if words == 0 || weight(words) <= 0.0 {
        return Ok(None);
    }
    let ln_total = weight(words).ln() + top;

    // from the end
    let mut rears = vec![Crossing::default(); windows.len()];
    for i in (1..windows.len()).rev() {
        let rear = &rears[i];
        rears[i - 1] = chains.with(signal, i, |chain| counts::back(chain, &frame, rear, words).1)?;
    }

    // and from the start again, with both in hand
    let mut heard = vec![Heard::default(); words + 1];
    let mut levels = vec![(0.0, 0.0); words];
    let mut front = first;
    for (i, window) in windows.iter().enumerate() {
        let from = heard.iter().position(|h| h.weight < 0.5).unwrap_or(words);
        front = chains.with(signal, i, |chain| {
            let mut total = Counts::default();
            let (ahead, next) = counts::ahead(chain, &frame, &front, &mut total);
            let (back, _) = counts::back(chain, &frame, &rears[i], words);
            let (ahead, back) = ((&ahead[..], front.ln_scale), (&back[..], rears[i].ln_scale));
            let place = |t: usize| window.pace.sample(t as f64);
            counts::listen(chain, &frame, ahead, back, ln_total, place, &mut heard);
            next
        })?;
        // words begun by now are of this window, to a word or two
        let rms = window.waveforms.power().sqrt();
        let to = heard.iter().position(|h| h.weight < 0.5).unwrap_or(words).min(words);
        for (k, level) in levels[from.min(to)..to].iter_mut().enumerate() {
            let bin = window.levels[k * (window.len / BIN) / (to - from)];
            *level = (bin.gain, bin.variance.sqrt() / (bin.gain * rms));
        }
    }
    Ok(Some(run(&frame, passage, &heard, &levels, weight(words) / all)))
}

fn run(frame: &Frame, passage: &Passage, heard: &[Heard], levels: &[(f64, f64)], count_chance: f64) -> Run {
    let words = levels.len();
    let mut run = Run {
        bits: Vec::new(),
        starts: Vec::new(),
        count_chance,
        leaps: Vec::new(),
        gain: Vec::new(),
        noise: Vec::new(),
    };
    let mut at = passage.start;
    let mut wandering = false;
    for n in 0..=words {
        let h = &heard[n];
        at = if h.weight > 0.0 { h.begins / h.weight } else { at };
        let Some(bit) = frame.bit(n).or((n == words).then_some(run.bits.len())) else { continue };
        run.starts.push(at);
        // the count wanders as long as its variance grows
        let grows = n > 0 && h.variance() - heard[n - 1].variance() > LEAP;
        if wandering && !grows && matches!(passage.extent, Extent::Until(..)) {
            run.leaps.push(bit);
        }
        wandering = grows;
        if n == words {
            break;
        }
        let [zero, one] = h.chance;
        let least = 1e-9 * (zero + one) + f64::MIN_POSITIVE;
        run.bits.push(Llr((((one + least) / (zero + least)).ln() as f32).clamp(-MOST, MOST)));
        run.gain.push(levels[n].0 as f32);
        run.noise.push(levels[n].1 as f32);
    }
    run
}
