//! Viterbi and list Viterbi: the most probable valid blocks, in order.

use serde::{Deserialize, Serialize};

use super::CheckMachine;
use super::semiring::{Cheapest, value};
use super::trellis::Trellis;
use crate::Llr;

/// Costs closer than this are equal, in nats: a probability ratio of one part in 10^9 singles nothing out.
pub const TIE: f64 = 1e-9;

/// A block that obeys the checks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Decoded {
    /// All bits of the block, in tape order.
    pub bits: Vec<bool>,
    /// Sum of |llr| over the bits that differ from the hard decision, in nats: ln of how much less probable this block
    /// is than the (perhaps invalid) block of all hard decisions.
    pub cost: f64,
    /// Positions where the votes said otherwise, ascending. Lost bits had no vote and are not among them.
    pub flipped: Vec<usize>,
    /// Another valid block has the same cost: the votes and checks together do not single this one out.
    pub tie: bool,
}

/// The most probable valid block, or `None` if the machine accepts no block of this length (or only such as contradict
/// an infinite vote). With `tie` set, [`k_best`] gives the rivals.
pub fn most_probable(machine: &dyn CheckMachine, llrs: &[Llr]) -> Option<Decoded> {
    k_best(machine, llrs, 1).pop()
}

/// A block half built.
#[derive(Clone, Copy)]
struct Prefix {
    /// Cost of the bits so far.
    cost: f64,
    /// Cost of the cheapest valid block with this prefix: exact, thanks to the backward pass.
    total: f64,
    state: usize,
    /// Last entry in the arena of changes, or `NONE`.
    last_change: usize,
}

const NONE: usize = usize::MAX;

/// A bit that differs from the hard decision (a lost bit's is 0), and the one before it in the same prefix.
struct Change {
    position: usize,
    earlier: usize,
}

/// The `k` most probable valid blocks: costs ascending, all different; fewer if fewer exist.
///
/// A backward pass gives every state's exact cost to the end. Then all prefixes walk forward together, and at every bit
/// only the `k` with the cheapest completion stay. This loses nothing: a dropped prefix has at least `k` rivals, each
/// with a completion that is no dearer, and blocks with different prefixes are different. Equal to the list Viterbi
/// algorithm (Seshadri & Sundberg, IEEE Trans. Commun. 42, 1994) without a list in every state.
pub fn k_best(machine: &dyn CheckMachine, llrs: &[Llr], k: usize) -> Vec<Decoded> {
    if k == 0 {
        return Vec::new();
    }
    let trellis = Trellis::new(machine, llrs);
    // One more than asked for, to know whether the last one is tied.
    let (prefixes, changes) = walk(&trellis, k + 1);
    let mut words: Vec<Decoded> = prefixes.iter().map(|p| decoded(&trellis, p, &changes)).collect();
    words.sort_by(|a, b| a.cost.total_cmp(&b.cost).then_with(|| a.bits.cmp(&b.bits)));
    for i in 1..words.len() {
        if words[i].cost - words[i - 1].cost <= TIE {
            words[i].tie = true;
            words[i - 1].tie = true;
        }
    }
    words.truncate(k);
    words
}

/// Costs to the end at every checkpoint, first checkpoint first; the last entry is the end itself.
fn checkpoints(trellis: &Trellis, segment: usize) -> Vec<Vec<f64>> {
    let mut spare = trellis.spare();
    let mut after = trellis.end::<Cheapest>();
    let mut before = after.clone();
    let mut stored = vec![after.clone()];
    for position in (0..trellis.len()).rev() {
        trellis.backward::<Cheapest>(position, &after, &mut before, &mut spare);
        std::mem::swap(&mut after, &mut before);
        if position % segment == 0 {
            stored.push(after.clone());
        }
    }
    stored.reverse();
    stored
}

fn walk(trellis: &Trellis, k: usize) -> (Vec<Prefix>, Vec<Change>) {
    let segment = trellis.segment();
    let states = trellis.states();
    let checkpoints = checkpoints(trellis, segment);
    let mut changes = Vec::new();
    let total = checkpoints[0][0];
    let mut prefixes = Vec::new();
    if total < f64::INFINITY {
        prefixes.push(Prefix { cost: 0.0, total, state: 0, last_change: NONE });
    }
    let mut spare = trellis.spare();
    // Costs to the end after each bit of the segment.
    let mut togo = vec![0.0; segment * states];
    let mut children = Vec::new();
    for (index, end) in checkpoints.iter().skip(1).enumerate() {
        let start = index * segment;
        let length = segment.min(trellis.len() - start);
        togo[(length - 1) * states..length * states].copy_from_slice(end);
        for i in (1..length).rev() {
            let (before, after) = togo[(i - 1) * states..(i + 1) * states].split_at_mut(states);
            trellis.backward::<Cheapest>(start + i, after, before, &mut spare);
        }
        for (i, togo) in togo.chunks_exact(states).take(length).enumerate() {
            advance(trellis, start + i, togo, k, &mut prefixes, &mut children, &mut changes);
        }
    }
    (prefixes, changes)
}

/// Extends all prefixes by one bit and keeps the `k` with the cheapest completion.
fn advance(
    trellis: &Trellis,
    position: usize,
    togo: &[f64],
    k: usize,
    prefixes: &mut Vec<Prefix>,
    children: &mut Vec<(Prefix, bool)>,
    changes: &mut Vec<Change>,
) {
    let weights = trellis.weights::<Cheapest>(position);
    children.clear();
    // A full list admits only what is cheaper than its dearest member.
    let limit = if prefixes.len() < k {
        f64::INFINITY
    } else {
        // With room for rounding, since the same completion is added up anew at every bit.
        prefixes.iter().fold(0.0, |most: f64, p| most.max(p.total)) * (1.0 + TIE) + TIE
    };
    for prefix in prefixes.iter() {
        for bit in [false, true] {
            let state = trellis.next(prefix.state, position, bit);
            let cost = prefix.cost + weights[usize::from(bit)];
            let total = cost + togo[state];
            if total < f64::INFINITY && total <= limit {
                children.push((Prefix { cost, total, state, last_change: prefix.last_change }, bit));
            }
        }
    }
    if children.len() > k {
        // Stable, so that equal costs keep their order and the result does not depend on anything else.
        children.sort_by(|a, b| a.0.total.total_cmp(&b.0.total));
        children.truncate(k);
    }
    let hard = trellis.llr(position).bit();
    prefixes.clear();
    for &(mut prefix, bit) in children.iter() {
        if bit != hard {
            changes.push(Change { position, earlier: prefix.last_change });
            prefix.last_change = changes.len() - 1;
        }
        prefixes.push(prefix);
    }
}

fn decoded(trellis: &Trellis, prefix: &Prefix, changes: &[Change]) -> Decoded {
    let mut bits: Vec<bool> = (0..trellis.len()).map(|position| trellis.llr(position).bit()).collect();
    let mut flipped = Vec::new();
    let mut at = prefix.last_change;
    while at != NONE {
        let Change { position, earlier } = changes[at];
        bits[position] ^= true;
        if value(trellis.llr(position)) != 0.0 {
            flipped.push(position);
        }
        at = earlier;
    }
    flipped.reverse();
    let cost = flipped.iter().fold(0.0, |cost, &position| cost + value(trellis.llr(position)).abs());
    Decoded { bits, cost, flipped, tie: false }
}
