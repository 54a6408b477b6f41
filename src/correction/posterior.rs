//! Forward–backward: every bit's posterior under all checks, and the probability that the block is valid at all.

use serde::{Deserialize, Serialize};

use super::CheckMachine;
use super::semiring::{Linear, Log, Semiring, value};
use super::trellis::Trellis;
use crate::Llr;

/// Posteriors are reported up to this magnitude (e^-400 = 1e-174): a bit that the checks fix for certain gets this.
pub const MAX_POSTERIOR: f64 = 400.0;

/// What the votes and the checks say together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Posterior {
    /// ln P(bit = 1 | votes, checks) / P(bit = 0 | votes, checks), for each bit. A magnitude over 60 (e^-60 = 1e-26)
    /// may be understated, never overstated.
    pub llr: Vec<Llr>,
    /// ln P(a block whose bits are drawn independently from the votes is valid): ln of the sum over all valid blocks of
    /// the product of the bits' probabilities.
    pub ln_valid: f64,
}

/// Posteriors of all bits, or `None` if the machine accepts no block of this length with non-zero probability.
///
/// Sums are taken as scaled probabilities. Where their range (200 decades under the best) is not shown to suffice, they are
/// taken again as logarithms: ten times slower, without that limit. In practice that takes votes of hundreds of nats
/// that contradict the checks.
pub fn posteriors(machine: &dyn CheckMachine, llrs: &[Llr]) -> Option<Posterior> {
    Some(posteriors_of(machine, llrs, &[], 1)?.0)
}

/// Posteriors of all bits, and beside them for each `width` bits of `word` the probability that they are all right given
/// votes and checks: the bits of a byte hang together by its parity.
pub fn posteriors_of(
    machine: &dyn CheckMachine,
    llrs: &[Llr],
    word: &[bool],
    width: usize,
) -> Option<(Posterior, Vec<f64>)> {
    let trellis = Trellis::new(machine, llrs);
    let mut right = vec![0.0; word.len().min(llrs.len()).div_ceil(width.max(1))];
    let mut parts = Parts { word: &word[..word.len().min(llrs.len())], width: width.max(1), right: &mut right };
    let posterior = match forward_backward::<Linear>(&trellis, &mut parts) {
        Some(posterior) => posterior,
        None => forward_backward::<Log>(&trellis, &mut parts)?,
    };
    Some((posterior, right))
}

/// The parts of a word that are asked about, and the probability that each is right.
struct Parts<'a> {
    word: &'a [bool],
    width: usize,
    right: &'a mut [f64],
}

impl Parts<'_> {
    /// The bits of the part that the bit at `position` begins.
    fn begun(&self, position: usize) -> Option<&[bool]> {
        let word = self.word.get(position..).filter(|_| position % self.width == 0)?;
        Some(&word[..self.width.min(word.len())]).filter(|bits| !bits.is_empty())
    }

    /// Whether a part ends with the bit at `position`.
    fn ended(&self, position: usize) -> bool {
        position < self.word.len() && ((position + 1) % self.width == 0 || position + 1 == self.word.len())
    }
}

/// ln of the probability of the block `bits` when every bit is drawn independently from its vote.
///
/// Minus [`Posterior::ln_valid`], it is the ln of the probability that a block known to obey the checks is this one.
pub fn ln_probability(llrs: &[Llr], bits: &[bool]) -> f64 {
    llrs.iter().zip(bits).map(|(&llr, &bit)| Log::weights(llr)[usize::from(bit)]).sum()
}

/// [`Posterior::ln_valid`] alone, at a third of the work: −∞ if no block of this length can be valid.
pub fn ln_valid(machine: &dyn CheckMachine, llrs: &[Llr]) -> f64 {
    let trellis = Trellis::new(machine, llrs);
    // the same arithmetic decides as for posteriors; there the range matters for single bits, here for the sum alone
    let sum = forward::<Linear>(&trellis, |_, _| ()).or_else(|| forward::<Log>(&trellis, |_, _| ()));
    sum.unwrap_or(f64::NEG_INFINITY)
}

/// ln of the share of all words of `bits` bits that obey the checks: −k ln 2 for k independent check bits. `None` if
/// none does.
pub fn ln_share(machine: &dyn CheckMachine, bits: usize) -> Option<f64> {
    let share = ln_valid(machine, &vec![Llr::LOST; bits]);
    (share > f64::NEG_INFINITY).then_some(share)
}

/// Posteriors are exact up to this magnitude whatever the arithmetic: e^-60 = 1e-26.
const EXACT: f64 = 60.0;

/// The forward pass, which shows every vector (before the bit at each position) to `see`.
/// Returns the ln of the sum over all valid blocks.
fn forward<S: Semiring>(trellis: &Trellis, mut see: impl FnMut(usize, &[f64])) -> Option<f64> {
    let mut spare = trellis.spare();
    let mut alpha = trellis.start::<S>();
    let mut next = alpha.clone();
    let mut ln_scale = 0.0;
    for position in 0..trellis.len() {
        see(position, &alpha);
        ln_scale += trellis.forward::<S>(position, &alpha, &mut next, &mut spare);
        std::mem::swap(&mut alpha, &mut next);
    }
    let valid = alpha.iter().zip(&trellis.end::<S>()).fold(S::ZERO, |sum, (&a, &b)| S::plus(sum, S::times(a, b)));
    let ln_valid = ln_scale + S::ln(valid);
    (ln_valid > f64::NEG_INFINITY).then_some(ln_valid)
}

fn forward_backward<S: Semiring>(trellis: &Trellis, parts: &mut Parts) -> Option<Posterior> {
    let (segment, states) = (trellis.segment().next_multiple_of(parts.width), trellis.states());
    let mut checkpoints = Vec::new();
    let ln_valid = forward::<S>(trellis, |position, alpha| {
        if position % segment == 0 {
            checkpoints.push(alpha.to_vec());
        }
    })?;
    let mut spare = trellis.spare();
    let mut beta = trellis.end::<S>();
    let mut next = beta.clone();
    let mut llr = vec![Llr::LOST; trellis.len()];
    let mut alphas = vec![0.0; segment * states];
    // behind the part that is walked through, and the ln of the scale taken out since
    let (mut behind, mut taken) = (beta.clone(), 0.0);
    for (index, start) in checkpoints.iter().enumerate().rev() {
        let first = index * segment;
        let length = segment.min(trellis.len() - first);
        // alphas[i] = before the bit at first + i.
        alphas[..states].copy_from_slice(start);
        for i in 1..length {
            let (before, after) = alphas[(i - 1) * states..(i + 1) * states].split_at_mut(states);
            trellis.forward::<S>(first + i - 1, before, after, &mut spare);
        }
        for i in (0..length).rev() {
            let position = first + i;
            let alpha = &alphas[i * states..][..states];
            if parts.ended(position) {
                behind.copy_from_slice(&beta);
                taken = 0.0;
            }
            let through = trellis.through::<S>(position, alpha, &beta, &mut spare);
            llr[position] = posterior::<S>(trellis, position, through)?;
            taken += trellis.backward::<S>(position, &beta, &mut next, &mut spare);
            std::mem::swap(&mut beta, &mut next);
            if let Some(bits) = parts.begun(position) {
                let all = alpha.iter().zip(&beta).fold(S::ZERO, |sum, (&a, &b)| S::plus(sum, S::times(a, b)));
                let one = trellis.through_word::<S>(position, bits, alpha, &behind);
                parts.right[position / parts.width] = (S::ln(one) - S::ln(all) - taken).exp().min(1.0);
            }
        }
    }
    Some(Posterior { llr, ln_valid })
}

/// The posterior of one bit from the sums over paths through either value; `None` where the range did not suffice.
fn posterior<S: Semiring>(trellis: &Trellis, position: usize, through: [f64; 2]) -> Option<Llr> {
    let weights = trellis.weights::<S>(position);
    let [zero, one] = [0, 1].map(|bit| S::times(through[bit], weights[bit]));
    let reach = S::reach(S::plus(zero, one), (trellis.len() * trellis.states()) as f64);
    if reach.is_nan() || reach < EXACT {
        return None;
    }
    // What the other bits say about this one, then its own vote, unclipped.
    let others = if one == S::ZERO {
        f64::NEG_INFINITY
    } else if zero == S::ZERO {
        f64::INFINITY
    } else {
        S::ln(through[1]) - S::ln(through[0])
    };
    let own = value(trellis.llr(position));
    // A clipped |llr| makes blocks that flip the bit look more probable than they are. If even so they have less than
    // e^-EXACT of the whole, nothing else is changed by it.
    if let Some(clip) = S::CLIP_AT.filter(|&clip| own.abs() > clip) {
        let flip = if own > 0.0 { -others } else { others } - clip;
        if flip > -EXACT {
            return None;
        }
    }
    let most = MAX_POSTERIOR.min(reach);
    Some(Llr((own + others).clamp(-most, most) as f32))
}
