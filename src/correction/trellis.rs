//! A check machine made ready for walking: one table a phase, and the inner loops.
//!
//! Most checks are linear: a bit of value 1 changes the state by XOR with a mask. Then a step of the trellis is
//! `new[s] = old[s]·w0 + old[s ^ mask]·w1` over all states at once, which the compiler turns into vector code. A state
//! change that comes first whatever the bit (the shift of a CRC register) is a permutation beside it. Every other
//! check walks through two tables.

use std::collections::HashMap;

use super::CheckMachine;
use super::semiring::Semiring;
use crate::Llr;

/// States handled at once by the inner loops.
const LANES: usize = 8;

enum Branch {
    /// Bit 1 changes the state by XOR with this mask; bit 0 leaves it.
    Xor(usize),
    /// As `Xor`, the other way round: bit 0 changes the state.
    XorOnZero(usize),
    /// Next state by bit value and state.
    Tables([Vec<u32>; 2]),
}

/// What happens at positions of one phase.
struct Step {
    /// State change that comes first, whatever the bit.
    first: Option<Vec<u32>>,
    branch: Branch,
    /// States that may be alive after the step, if not all.
    allowed: Option<Vec<bool>>,
}

impl Step {
    fn new(machine: &dyn CheckMachine, position: usize) -> Step {
        let states = machine.states();
        let table = |bit| (0..states).map(|s| machine.step(s, position, bit) as u32).collect::<Vec<_>>();
        let (zero, one) = (table(false), table(true));
        let allowed: Vec<bool> = (0..states).map(|s| machine.allows(s, position)).collect();
        let allowed = allowed.contains(&false).then_some(allowed);
        let mask = (zero[0] ^ one[0]) as usize;
        let linear =
            states.is_power_of_two() && states >= LANES && zero.iter().zip(&one).all(|(z, o)| (z ^ o) as usize == mask);
        let (first, branch) = if !linear {
            (None, Branch::Tables([zero, one]))
        } else if zero.iter().enumerate().all(|(s, &z)| s == z as usize) {
            (None, Branch::Xor(mask))
        } else if one.iter().enumerate().all(|(s, &o)| s == o as usize) {
            (None, Branch::XorOnZero(mask))
        } else {
            (Some(zero), Branch::Xor(mask))
        };
        Step { first, branch, allowed }
    }

    fn next(&self, state: usize, bit: bool) -> usize {
        let state = self.first.as_ref().map_or(state, |first| first[state] as usize);
        match &self.branch {
            Branch::Xor(mask) => state ^ if bit { *mask } else { 0 },
            Branch::XorOnZero(mask) => state ^ if bit { 0 } else { *mask },
            Branch::Tables(next) => next[usize::from(bit)][state] as usize,
        }
    }
}

/// A machine with the evidence it is to walk over.
pub(super) struct Trellis<'a> {
    machine: &'a dyn CheckMachine,
    llrs: &'a [Llr],
    states: usize,
    steps: Vec<Step>,
    /// Index into `steps` by position.
    step_at: Vec<u32>,
}

impl<'a> Trellis<'a> {
    pub fn new(machine: &'a dyn CheckMachine, llrs: &'a [Llr]) -> Trellis<'a> {
        let mut steps = Vec::new();
        let mut seen = HashMap::new();
        let step_at = (0..llrs.len())
            .map(|position| {
                *seen.entry(machine.phase(position)).or_insert_with(|| {
                    steps.push(Step::new(machine, position));
                    steps.len() as u32 - 1
                })
            })
            .collect();
        Trellis { machine, llrs, states: machine.states(), steps, step_at }
    }

    pub fn len(&self) -> usize {
        self.llrs.len()
    }

    pub fn states(&self) -> usize {
        self.states
    }

    pub fn llr(&self, position: usize) -> Llr {
        self.llrs[position]
    }

    /// Room that the walks need beside their vectors.
    pub fn spare(&self) -> Vec<f64> {
        vec![0.0; self.states]
    }

    fn step(&self, position: usize) -> &Step {
        &self.steps[self.step_at[position] as usize]
    }

    pub fn next(&self, state: usize, position: usize, bit: bool) -> usize {
        self.step(position).next(state, bit)
    }

    /// As [`Trellis::next`], if a valid block may be in that state.
    pub fn open(&self, state: usize, position: usize, bit: bool) -> Option<usize> {
        let next = self.next(state, position, bit);
        self.step(position).allowed.as_ref().is_none_or(|open| open[next]).then_some(next)
    }

    /// Weights of the values 0 and 1 at `position`: the evidence, and what the machine knows beforehand.
    pub fn weights<S: Semiring>(&self, position: usize) -> [f64; 2] {
        let mut weights = S::weights(self.llrs[position]);
        if let Some(known) = self.machine.known_bit(position) {
            weights[usize::from(!known)] = S::ZERO;
        }
        weights
    }

    /// Distance between checkpoints: one segment should stay in the second-level cache, and all checkpoints together
    /// within 64 MB; if both cannot be, the balance that needs least memory (the square root).
    pub fn segment(&self) -> usize {
        let vector = self.states * size_of::<f64>();
        let cached = (256 << 10) / vector;
        let bounded = (self.len() * vector).div_ceil(64 << 20);
        cached.max(bounded).min(self.len().isqrt()).max(1)
    }

    /// The vector of the start: the empty path in state 0.
    pub fn start<S: Semiring>(&self) -> Vec<f64> {
        let mut v = vec![S::ZERO; self.states];
        v[0] = S::ONE;
        v
    }

    /// The vector of the end: the empty path in every state a valid block may end in.
    pub fn end<S: Semiring>(&self) -> Vec<f64> {
        let mut v: Vec<f64> =
            (0..self.states).map(|s| if self.machine.accepts(s) { S::ONE } else { S::ZERO }).collect();
        if let Some(last) = self.len().checked_sub(1) {
            self.shut::<S>(last, &mut v);
        }
        v
    }

    /// Moves the paths in each state through the state change that comes first, if the step has one.
    fn shifted<'v, S: Semiring>(&self, step: &Step, before: &'v [f64], spare: &'v mut [f64]) -> &'v [f64] {
        let Some(first) = &step.first else { return before };
        spare.fill(S::ZERO);
        for (&to, &x) in first.iter().zip(before) {
            let slot = &mut spare[to as usize];
            *slot = S::plus(*slot, x);
        }
        spare
    }

    /// Forward: `after` = sums over all paths from the start to each state, one bit further than `before`.
    /// Returns the ln of the scale taken out.
    pub fn forward<S: Semiring>(&self, position: usize, before: &[f64], after: &mut [f64], spare: &mut [f64]) -> f64 {
        let step = self.step(position);
        let w = self.weights::<S>(position);
        let source = self.shifted::<S>(step, before, spare);
        match &step.branch {
            Branch::Xor(mask) => butterfly::<S>(source, after, *mask, w),
            Branch::XorOnZero(mask) => butterfly::<S>(source, after, *mask, [w[1], w[0]]),
            Branch::Tables(next) => {
                after.fill(S::ZERO);
                for bit in 0..2 {
                    for (&to, &x) in next[bit].iter().zip(source) {
                        let slot = &mut after[to as usize];
                        *slot = S::plus(*slot, S::times(x, w[bit]));
                    }
                }
            }
        }
        self.shut::<S>(position, after);
        self.rescale::<S>(position, after)
    }

    /// Backward: `before` = sums over all paths from each state to the end, one bit earlier than `after`. Returns
    /// the ln of the scale taken out.
    pub fn backward<S: Semiring>(&self, position: usize, after: &[f64], before: &mut [f64], spare: &mut [f64]) -> f64 {
        let step = self.step(position);
        let w = self.weights::<S>(position);
        let target: &mut [f64] = if step.first.is_some() { &mut *spare } else { &mut *before };
        match &step.branch {
            Branch::Xor(mask) => butterfly::<S>(after, target, *mask, w),
            Branch::XorOnZero(mask) => butterfly::<S>(after, target, *mask, [w[1], w[0]]),
            Branch::Tables(next) => {
                for ((slot, &zero), &one) in target.iter_mut().zip(&next[0]).zip(&next[1]) {
                    *slot = S::plus(S::times(after[zero as usize], w[0]), S::times(after[one as usize], w[1]));
                }
            }
        }
        if let Some(first) = &step.first {
            for (slot, &to) in before.iter_mut().zip(first) {
                *slot = spare[to as usize];
            }
        }
        if position > 0 {
            self.shut::<S>(position - 1, before);
        }
        self.rescale::<S>(position, before)
    }

    /// Empties the states that are not allowed after `position`.
    fn shut<S: Semiring>(&self, position: usize, v: &mut [f64]) {
        if let Some(allowed) = &self.step(position).allowed {
            v.iter_mut().zip(allowed).filter(|(_, open)| !**open).for_each(|(x, _)| *x = S::ZERO);
        }
    }

    /// Rescales where the largest entry may have shrunk, and now and then. Elsewhere it at most halves: every state
    /// passes on its paths with one weight of at least 1/2.
    fn rescale<S: Semiring>(&self, position: usize, v: &mut [f64]) -> f64 {
        let shut = |p: usize| self.step(p).allowed.is_some();
        let may_shrink = shut(position)
            || position > 0 && shut(position - 1)
            || self.step(position).first.is_some()
            || matches!(self.step(position).branch, Branch::Tables(_))
            || self.machine.known_bit(position).is_some();
        if may_shrink || position % 16 == 15 { S::normalise(v) } else { 0.0 }
    }

    /// Sums over all paths through `position` with the bit 0 and with the bit 1, without the evidence of the bit
    /// itself: Σ before[s] · after[next(s, bit)].
    pub fn through<S: Semiring>(&self, position: usize, before: &[f64], after: &[f64], spare: &mut [f64]) -> [f64; 2] {
        let step = self.step(position);
        let source = self.shifted::<S>(step, before, spare);
        match &step.branch {
            Branch::Xor(mask) => overlap::<S>(source, after, *mask),
            Branch::XorOnZero(mask) => {
                let [one, zero] = overlap::<S>(source, after, *mask);
                [zero, one]
            }
            Branch::Tables(next) => [0, 1].map(|bit| {
                let terms = next[bit].iter().zip(source).map(|(&to, &x)| S::times(x, after[to as usize]));
                terms.fold(S::ZERO, S::plus)
            }),
        }
    }

    /// Sum over all paths that have `bits` from `position` on, between the vectors before and after them.
    pub fn through_word<S: Semiring>(&self, position: usize, bits: &[bool], before: &[f64], after: &[f64]) -> f64 {
        let weight = (position..)
            .zip(bits)
            .fold(S::ONE, |product, (p, &bit)| S::times(product, self.weights::<S>(p)[usize::from(bit)]));
        let mut sum = S::ZERO;
        for (state, &x) in before.iter().enumerate().filter(|(_, x)| **x != S::ZERO) {
            let mut walk = (position..).zip(bits);
            let end = walk.try_fold(state, |state, (p, &bit)| self.open(state, p, bit));
            if let Some(end) = end {
                sum = S::plus(sum, S::times(S::times(x, weight), after[end]));
            }
        }
        sum
    }
}

/// `to[s] = from[s]·w0 + from[s ^ mask]·w1`, for forward and backward alike: XOR undoes itself.
fn butterfly<S: Semiring>(from: &[f64], to: &mut [f64], mask: usize, w: [f64; 2]) {
    match mask % LANES {
        0 => butterfly_lanes::<S, 0>(from, to, mask, w),
        1 => butterfly_lanes::<S, 1>(from, to, mask, w),
        2 => butterfly_lanes::<S, 2>(from, to, mask, w),
        3 => butterfly_lanes::<S, 3>(from, to, mask, w),
        4 => butterfly_lanes::<S, 4>(from, to, mask, w),
        5 => butterfly_lanes::<S, 5>(from, to, mask, w),
        6 => butterfly_lanes::<S, 6>(from, to, mask, w),
        _ => butterfly_lanes::<S, 7>(from, to, mask, w),
    }
}

/// The lane part of the mask is a constant, so that the partner lanes are a fixed shuffle.
fn butterfly_lanes<S: Semiring, const X: usize>(from: &[f64], to: &mut [f64], mask: usize, w: [f64; 2]) {
    for (chunk, out) in to.chunks_exact_mut(LANES).enumerate() {
        let own = &from[chunk * LANES..][..LANES];
        let other = &from[(chunk ^ (mask / LANES)) * LANES..][..LANES];
        for lane in 0..LANES {
            out[lane] = S::plus(S::times(own[lane], w[0]), S::times(other[lane ^ X], w[1]));
        }
    }
}

/// `[Σ a[s]·b[s], Σ a[s]·b[s ^ mask]]`, in a fixed order: one running sum a lane.
fn overlap<S: Semiring>(a: &[f64], b: &[f64], mask: usize) -> [f64; 2] {
    match mask % LANES {
        0 => overlap_lanes::<S, 0>(a, b, mask),
        1 => overlap_lanes::<S, 1>(a, b, mask),
        2 => overlap_lanes::<S, 2>(a, b, mask),
        3 => overlap_lanes::<S, 3>(a, b, mask),
        4 => overlap_lanes::<S, 4>(a, b, mask),
        5 => overlap_lanes::<S, 5>(a, b, mask),
        6 => overlap_lanes::<S, 6>(a, b, mask),
        _ => overlap_lanes::<S, 7>(a, b, mask),
    }
}

fn overlap_lanes<S: Semiring, const X: usize>(a: &[f64], b: &[f64], mask: usize) -> [f64; 2] {
    let (mut same, mut other) = ([S::ZERO; LANES], [S::ZERO; LANES]);
    for (chunk, a) in a.chunks_exact(LANES).enumerate() {
        let near = &b[chunk * LANES..][..LANES];
        let far = &b[(chunk ^ (mask / LANES)) * LANES..][..LANES];
        for lane in 0..LANES {
            same[lane] = S::plus(same[lane], S::times(a[lane], near[lane]));
            other[lane] = S::plus(other[lane], S::times(a[lane], far[lane ^ X]));
        }
    }
    [same, other].map(|sums| sums.into_iter().fold(S::ZERO, S::plus))
}
