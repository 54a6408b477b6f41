//! For single bytes of a block: what each would be in the most probable valid block in which it is another.

use std::ops::Range;

use super::CheckMachine;
use super::semiring::{Cheapest, Semiring};
use super::trellis::Trellis;
use crate::Llr;

/// The next best value of a byte.
#[derive(Clone, Debug, PartialEq)]
pub struct Rival {
    /// All its bits, in tape order.
    pub bits: Vec<bool>,
    /// What the best block with it costs more than the block decided, in nats; e to this power are the odds.
    pub loses_by: f64,
}

/// Rivals of the bytes numbered `wanted` of the block `word`, of `width` bits each, of which those in `value` make the value:
/// another parity bit alone is no other byte. `None` where no valid block has another value there.
///
/// One walk forward and one back serve all bytes: the cheapest way to a byte and the cheapest from it are known, and within
/// it every state is walked through twice, once for words that are still as decided and once for those that differ.
pub fn rivals(
    machine: &dyn CheckMachine,
    llrs: &[Llr],
    word: &[bool],
    width: usize,
    value: Range<usize>,
    wanted: &[usize],
) -> Vec<Option<Rival>> {
    let trellis = Trellis::new(machine, llrs);
    let states = trellis.states();
    let mut out = vec![None; wanted.len()];
    if wanted.is_empty() {
        return out;
    }
    let weight = |position: usize, bit: bool| trellis.weights::<Cheapest>(position)[usize::from(bit)];
    let own: f64 = word.iter().enumerate().map(|(position, &bit)| weight(position, bit)).sum();
    let segment = trellis.segment().next_multiple_of(width);
    let mut spare = trellis.spare();
    let (mut alpha, mut next) = (trellis.start::<Cheapest>(), trellis.spare());
    let mut checkpoints = Vec::new();
    for position in 0..trellis.len() {
        if position % segment == 0 {
            checkpoints.push(alpha.clone());
        }
        trellis.forward::<Cheapest>(position, &alpha, &mut next, &mut spare);
        std::mem::swap(&mut alpha, &mut next);
    }
    let mut beta = trellis.end::<Cheapest>();
    // before every byte of the segment
    let mut alphas = vec![0.0; segment / width * states];
    for (index, start) in checkpoints.iter().enumerate().rev() {
        let first = index * segment;
        let length = segment.min(trellis.len() - first);
        let mut alpha = start.clone();
        for i in 0..length {
            if i % width == 0 {
                alphas[i / width * states..][..states].copy_from_slice(&alpha);
            }
            trellis.forward::<Cheapest>(first + i, &alpha, &mut next, &mut spare);
            std::mem::swap(&mut alpha, &mut next);
        }
        for i in (0..length).rev() {
            let byte = (first + i) / width;
            if (first + i + 1) % width == 0
                && let Ok(asked) = wanted.binary_search(&byte)
            {
                let at = byte * width;
                let before = &alphas[(at - first) / width * states..][..states];
                let other = differing(&trellis, at, &word[at..at + width], &value, before, &beta);
                out[asked] = other.map(|(cost, bits)| Rival { bits, loses_by: cost - own });
            }
            trellis.backward::<Cheapest>(first + i, &beta, &mut next, &mut spare);
            std::mem::swap(&mut beta, &mut next);
        }
    }
    out
}

/// The cheapest block that has another value in the bits from `at` on, and these bits.
fn differing(
    trellis: &Trellis,
    at: usize,
    word: &[bool],
    value: &Range<usize>,
    before: &[f64],
    behind: &[f64],
) -> Option<(f64, Vec<bool>)> {
    let states = trellis.states();
    // node: state, or state + `states` if the value differs already; of each the way it was reached by
    let mut costs: Vec<f64> = before.iter().copied().chain(vec![Cheapest::ZERO; states]).collect();
    let mut ways = Vec::with_capacity(word.len());
    for (k, &decided) in word.iter().enumerate() {
        let weights = trellis.weights::<Cheapest>(at + k);
        let (mut next, mut way) = (vec![Cheapest::ZERO; 2 * states], vec![(0, false); 2 * states]);
        for (node, &cost) in costs.iter().enumerate().filter(|(_, cost)| **cost < Cheapest::ZERO) {
            for bit in [false, true] {
                let Some(state) = trellis.open(node % states, at + k, bit) else { continue };
                let differs = node >= states || (value.contains(&k) && bit != decided);
                let to = state + usize::from(differs) * states;
                let cost = cost + weights[usize::from(bit)];
                if cost < next[to] {
                    (next[to], way[to]) = (cost, (node, bit));
                }
            }
        }
        costs = next;
        ways.push(way);
    }
    let ends = (0..states).map(|s| (costs[s + states] + behind[s], s + states));
    let (cost, mut node) = ends.reduce(|a, b| if b.0 < a.0 { b } else { a }).filter(|end| end.0 < Cheapest::ZERO)?;
    let mut bits = Vec::with_capacity(word.len());
    for way in ways.iter().rev() {
        let (from, bit) = way[node];
        bits.push(bit);
        node = from;
    }
    bits.reverse();
    Some((cost, bits))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correction::{ParityXor, most_probable};

    /// The longest block there is, in doubt all over, with thousands of bytes asked about.
    #[test]
    fn thousands_of_doubtful_bytes_of_a_long_block_take_no_minutes() {
        const BYTES: usize = 65_536;
        let mut state = 1u32;
        let votes: Vec<Llr> = (0..9 * BYTES)
            .map(|_| {
                // a linear congruential generator: any numbers will do
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                Llr((state >> 8) as f32 / (1 << 21) as f32 - 4.0)
            })
            .collect();
        let machine = ParityXor { bytes: BYTES };
        let word = most_probable(&machine, &votes).unwrap().bits;
        let began = std::time::Instant::now();
        let wanted: Vec<usize> = (0..BYTES).step_by(13).collect();
        let found = rivals(&machine, &votes, &word, 9, 0..8, &wanted);
        let seconds = began.elapsed().as_secs_f64();
        println!("{seconds:.1} s");
        assert!(seconds < 60.0, "{seconds:.1} s");
        // nothing is cheaper than the cheapest, and every byte may be another
        assert!(found.iter().all(|rival| rival.as_ref().is_some_and(|r| r.loses_by > -1e-6 && r.loses_by.is_finite())));
    }
}
