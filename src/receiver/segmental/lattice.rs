//! Forward–backward over boundaries: every place of a fine grid may be the end of one word and the beginning of the next.
//!
//! A word of value w begins at boundary t and lasts d points; the evidence of such a segment is ln P(samples | w, d) −
//! ln P(samples | noise alone), so every sample counts once however the passage is cut. This is the explicit-duration
//! (semi-Markov) forward–backward algorithm: S.-Z. Yu, "Hidden semi-Markov models", Artificial Intelligence 174 (2010)
//! 215–243 (from memory). In logarithms, f64: a minute of clean tape holds some 10^8 nats.
//!
//! A lattice covers the segments that begin in one window. What crosses its ends is handed on: [`Lattice::front`] to
//! the window after, [`Lattice::rear`] to the window before. Nothing is cut off at a window's end.

/// A word of one length, in grid points, and ln of its chance: the word's own times that of lasting so long.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Code {
    pub word: usize,
    pub length: usize,
    pub ln_p: f64,
}

/// What the signal says about segments. Grid points count from the beginning of the window.
pub trait Emission {
    /// For every code, ln P(segment from `t` | code, previous word) · P(code), against noise alone.
    fn segments(&self, t: usize, before: usize, out: &mut [f32]);
    /// False where it is known that no way worth looking at leads through.
    fn plausible(&self, _t: usize, _before: usize) -> bool {
        true
    }
    /// Expected evidence of a perfect path up to `t`, for comparing boundaries at different places with each other:
    /// half the energy over the noise's variance, less half a nat a point.
    fn par(&self, t: usize) -> f64;
    /// ln weight of the passage ending at `t`, with what the rest of the signal then is.
    fn stop(&self, t: usize) -> f64;
}

pub const NEVER: f64 = f64::NEG_INFINITY;

/// ln(e^a + e^b).
pub fn ln_add(a: f64, b: f64) -> f64 {
    let (more, less) = if a > b { (a, b) } else { (b, a) };
    // below e^-40 of the other it changes nothing in 16 digits
    if less < more - 40.0 || less == NEVER { more } else { more + (less - more).exp().ln_1p() }
}

pub struct Lattice<'a> {
    pub codes: &'a [Code],
    /// Kinds of words.
    pub words: usize,
    /// Boundaries in the window; segments reach `reach` points beyond.
    pub len: usize,
    pub reach: usize,
    /// ln of all ways to a boundary, by `boundary * words + word before it`, and from it to the end.
    pub alpha: Vec<f64>,
    pub beta: Vec<f64>,
    /// Evidence of the segments of every boundary that was looked at, `codes` each, and where they begin.
    segments: Vec<f32>,
    at: Vec<u32>,
    /// Ways that come from before the window.
    front: Vec<f64>,
}

/// ln of a sum of exponentials, by its largest term; what is e^-20 of that or less is left out.
fn ln_sum(terms: &[f64]) -> f64 {
    let most = terms.iter().copied().fold(NEVER, f64::max);
    if most == NEVER {
        return NEVER;
    }
    let near = terms.iter().map(|t| (t - most) as f32).filter(|d| *d > -20.0);
    let sum: f32 = near.map(|d| if d == 0.0 { 1.0 } else { d.exp() }).sum();
    if sum == 1.0 { most } else { most + f64::from(sum).ln() }
}

const UNSEEN: u32 = u32::MAX;

impl<'a> Lattice<'a> {
    /// From the ways that cross the window's beginning: `front[v * words + w]`, v in `0..reach`. Boundaries whose
    /// likelihood falls behind the best nearby by more than `beam` nats are given up.
    pub fn forward(
        codes: &'a [Code],
        words: usize,
        len: usize,
        front: &[f64],
        emission: &dyn Emission,
        beam: f64,
    ) -> Lattice<'a> {
        let reach = codes.iter().map(|c| c.length).max().unwrap_or(0) + 1;
        let (alpha, at) = (vec![NEVER; (len + reach) * words], vec![UNSEEN; len * words]);
        let (segments, beta) = (Vec::new(), Vec::new());
        let mut lattice = Lattice { codes, words, len, reach, alpha, beta, segments, at, front: front.to_vec() };
        let mut terms = Vec::with_capacity(codes.len() * words + 1);
        // where any way leads
        let mut reached: Vec<bool> = lattice.front.iter().map(|a| *a > NEVER).collect();
        reached.resize(lattice.alpha.len().max(front.len()), false);
        // the best of this stretch of `reach` boundaries and of the one before
        let mut best = [NEVER; 2];
        for t in 0..len + reach {
            for word in 0..words {
                if reached[t * words + word] {
                    lattice.alpha[t * words + word] = lattice.arrive(t, word, len, &mut terms);
                }
            }
            if t >= len {
                continue;
            }
            if t % reach == 0 {
                best = [best[1], NEVER];
            }
            let par = emission.par(t);
            let here = lattice.alpha[t * words..(t + 1) * words].iter().copied().fold(NEVER, f64::max) - par;
            best[1] = best[1].max(here);
            let least = best[0].max(best[1]) - beam + par;
            for before in 0..words {
                let a = lattice.alpha[t * words + before];
                if a == NEVER || a < least || !emission.plausible(t, before) {
                    continue;
                }
                codes.iter().for_each(|c| reached[(t + c.length) * words + c.word] = true);
                let first = lattice.segments.len();
                lattice.at[t * words + before] = first as u32;
                lattice.segments.resize(first + codes.len(), 0.0);
                emission.segments(t, before, &mut lattice.segments[first..]);
            }
        }
        lattice
    }

    /// ln of all ways to a boundary whose last word is `word` and began before `limit`.
    fn arrive(&self, t: usize, word: usize, limit: usize, terms: &mut Vec<f64>) -> f64 {
        terms.clear();
        terms.extend(self.front.get(t * self.words + word));
        for (i, code) in self.codes.iter().enumerate().filter(|(_, c)| c.word == word && c.length <= t) {
            let from = t - code.length;
            if from >= limit {
                continue;
            }
            for before in 0..self.words {
                let at = self.at[from * self.words + before];
                if at != UNSEEN {
                    let e = self.segments[at as usize + i];
                    terms.push(self.alpha[from * self.words + before] + f64::from(e));
                }
            }
        }
        ln_sum(terms)
    }

    /// ln of all ways, from what crosses the end: `rear[v * words + w]`, v in `0..reach`.
    pub fn backward(&mut self, rear: &[f64], emission: &dyn Emission) {
        let words = self.words;
        self.beta = vec![NEVER; (self.len + self.reach) * words];
        let tail = self.len * words;
        let shared = rear.len().min(self.reach * words);
        self.beta[tail..tail + shared].copy_from_slice(&rear[..shared]);
        let mut terms = Vec::with_capacity(self.codes.len() + 1);
        for t in (0..self.len).rev() {
            let stop = emission.stop(t);
            for before in 0..words {
                let Some(segments) = self.segments(t, before) else {
                    // boundaries nobody reached stay as they are: no way leads through them
                    continue;
                };
                terms.clear();
                terms.push(stop);
                let on = |(code, &e): (&Code, &f32)| f64::from(e) + self.beta[(t + code.length) * words + code.word];
                terms.extend(self.codes.iter().zip(segments).map(on));
                self.beta[t * words + before] = ln_sum(&terms);
            }
        }
    }

    /// Evidence of the segments that begin at a boundary, if it was looked at.
    pub fn segments(&self, t: usize, before: usize) -> Option<&[f32]> {
        let at = self.at[t * self.words + before];
        (at != UNSEEN).then(|| &self.segments[at as usize..at as usize + self.codes.len()])
    }

    /// What crosses the end, or a boundary `at` before it: for the window after.
    pub fn front(&self, at: usize) -> Vec<f64> {
        let mut terms = Vec::new();
        let slots = 0..self.reach * self.words;
        slots.map(|i| self.arrive(at + i / self.words, i % self.words, at, &mut terms)).collect()
    }

    /// What crosses the beginning, for the window before.
    pub fn rear(&self) -> Vec<f64> {
        self.beta[..(self.reach * self.words).min(self.beta.len())].to_vec()
    }

    /// ln of everything that crosses the beginning, and so of the whole passage less what stopped before.
    pub fn evidence(&self, front: &[f64]) -> f64 {
        front.iter().zip(&self.beta).map(|(a, b)| a + b).fold(NEVER, ln_add)
    }

    /// ln weight of the ways that stop before boundary `to`.
    pub fn stopped(&self, to: usize, emission: &dyn Emission) -> f64 {
        let ways = |t: usize| self.alpha[t * self.words..(t + 1) * self.words].iter().copied().fold(NEVER, ln_add);
        (0..to)
            .map(|t| (t, emission.stop(t)))
            .filter(|s| s.1 > NEVER)
            .fold(NEVER, |sum, (t, stop)| ln_add(sum, ways(t) + stop))
    }

    /// Boundaries before `to` that are at least as probable as `least`, by `boundary * words + word before`.
    pub fn plausible(&self, evidence: f64, least: f64, to: usize) -> Vec<bool> {
        let ways = self.alpha.iter().zip(&self.beta).take(to * self.words);
        ways.map(|(a, b)| a + b - evidence >= least.ln()).collect()
    }

    /// Calls `each(t, before, code index, posterior)` for every segment at least as probable as `least`.
    pub fn for_each(&self, evidence: f64, least: f64, mut each: impl FnMut(usize, usize, usize, f64)) {
        let ln_least = least.ln();
        for t in 0..self.len {
            for before in 0..self.words {
                let Some(segments) = self.segments(t, before) else { continue };
                let here = self.alpha[t * self.words + before] - evidence;
                for (i, (code, &e)) in self.codes.iter().zip(segments).enumerate() {
                    let ln_p = here + f64::from(e) + self.beta[(t + code.length) * self.words + code.word];
                    if ln_p >= ln_least {
                        each(t, before, i, ln_p.exp());
                    }
                }
            }
        }
    }
}
