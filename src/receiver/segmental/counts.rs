//! Which word is the how-manieth: the part that only the number of words can tell.
//!
//! Given all samples, the boundaries of a passage are a Markov chain whose transitions follow from the lattice:
//! b(u → v) = segment · beta(v) / beta(u). With the number of words so far beside the boundary, two passes over this
//! chain give what is wanted: forwards P(boundary u is the n-th), backwards P(there are N in all | u is the n-th). Where
//! the signal is clear the number has one value; after a dropout it has some thirty, until the end and the known total
//! settle it. What is known beforehand of the n-th word (a prefix, a start bit) weighs in here too.

use super::lattice::{Lattice, NEVER};
use crate::Llr;

/// How words make bits.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'a> {
    /// Words in a byte, if a byte has a prefix word, the first of them: bits and one.
    pub byte: Option<usize>,
    /// What is known beforehand, by bit. Nothing beyond its end.
    pub prior: &'a [Llr],
}

/// The word that is no bit: the prefix of a byte.
pub const PREFIX: usize = 2;

impl Frame<'_> {
    /// The bit that the n-th word carries.
    pub fn bit(&self, n: usize) -> Option<usize> {
        match self.byte {
            None => Some(n),
            Some(byte) if n % byte == 0 => None,
            Some(byte) => Some(n / byte * (byte - 1) + n % byte - 1),
        }
    }

    /// Words of so many bits.
    pub fn words(&self, bits: usize) -> usize {
        bits + self.byte.map_or(0, |byte| bits.div_ceil(byte - 1))
    }

    /// Weight of the n-th word being `word`: 1 when nothing is known, 0 when it can't be.
    fn weight(&self, n: usize, word: usize) -> f64 {
        match self.bit(n) {
            None => f64::from(u8::from(word == PREFIX)),
            Some(_) if word == PREFIX => 0.0,
            Some(bit) => match self.prior.get(bit) {
                Some(prior) => 2.0 * if word == 1 { prior.p_one() } else { (-*prior).p_one() },
                None => 1.0,
            },
        }
    }

    /// The same for a bit whose own prior is left out, since its soft bit is to be evidence alone.
    fn weight_of_others(&self, n: usize, word: usize) -> f64 {
        if self.bit(n).is_some() { f64::from(u8::from(word != PREFIX)) } else { self.weight(n, word) }
    }
}

/// A boundary that can't be left out.
#[derive(Clone, Copy, Debug)]
struct Node {
    /// `boundary * words + word before`.
    slot: u32,
    /// Its first edge.
    edges: u32,
    /// Chance that the passage ends here, given that it comes here.
    stop: f32,
}

#[derive(Clone, Copy, Debug)]
struct Edge {
    chance: f32,
    /// Boundary and word it leads to.
    to: u32,
}

/// The chain in one window: the lattice, thinned to what is plausible.
#[derive(Clone, Debug)]
pub struct Chain {
    words: usize,
    len: usize,
    reach: usize,
    nodes: Vec<Node>,
    edges: Vec<Edge>,
}

/// A segment less probable than this is left out of the chain. A soft bit is cut at 12 nats (6e-6), so this leaves room
/// for a number of words that the signal alone finds a thousand times less likely than another.
const LEAST: f64 = 1e-11;

impl Chain {
    pub fn new(lattice: &Lattice, evidence: f64, stop: impl Fn(usize) -> f64) -> Chain {
        let words = lattice.words;
        let mut chain = Chain { words, len: lattice.len, reach: lattice.reach, nodes: Vec::new(), edges: Vec::new() };
        for t in 0..lattice.len {
            for before in 0..words {
                let slot = t * words + before;
                let Some(segments) = lattice.segments(t, before) else { continue };
                let (a, b) = (lattice.alpha[slot] - evidence, lattice.beta[slot]);
                if a + b < LEAST.ln() {
                    continue;
                }
                let stop = stop(t);
                let stop = if stop > NEVER { (stop - b).exp() as f32 } else { 0.0 };
                chain.nodes.push(Node { slot: slot as u32, edges: chain.edges.len() as u32, stop });
                for (code, &e) in lattice.codes.iter().zip(segments) {
                    let to = (t + code.length) * words + code.word;
                    let ln_chance = f64::from(e) + lattice.beta[to] - b;
                    if a + b + ln_chance >= LEAST.ln() {
                        chain.edges.push(Edge { chance: ln_chance.exp() as f32, to: to as u32 });
                    }
                }
            }
        }
        chain.nodes.shrink_to_fit();
        chain.edges.shrink_to_fit();
        chain
    }

    /// Bytes of memory it takes.
    pub fn size(&self) -> usize {
        self.nodes.len() * size_of::<Node>() + self.edges.len() * size_of::<Edge>()
    }

    fn edges(&self, node: usize) -> &[Edge] {
        let end = self.nodes.get(node + 1).map_or(self.edges.len(), |n| n.edges as usize);
        &self.edges[self.nodes[node].edges as usize..end]
    }
}

/// Chances by number of words, from `low` on.
#[derive(Clone, Debug, Default)]
pub struct Counts {
    low: usize,
    chances: Vec<f64>,
}

impl Counts {
    pub fn only(n: usize, chance: f64) -> Counts {
        Counts { low: n, chances: vec![chance] }
    }

    pub fn get(&self, n: usize) -> f64 {
        n.checked_sub(self.low).and_then(|i| self.chances.get(i)).copied().unwrap_or(0.0)
    }

    pub fn iter(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.chances.iter().enumerate().map(|(i, &p)| (self.low + i, p))
    }

    pub fn sum(&self) -> f64 {
        self.chances.iter().sum()
    }

    fn variance(&self) -> f64 {
        let sum = self.sum();
        let mean = self.iter().map(|(n, p)| n as f64 * p).sum::<f64>() / sum;
        self.iter().map(|(n, p)| (n as f64 - mean).powi(2) * p).sum::<f64>() / sum
    }

    pub fn scale(&mut self, by: f64) {
        self.chances.iter_mut().for_each(|p| *p *= by);
    }

    fn add(&mut self, n: usize, chance: f64) {
        if chance <= 0.0 {
            return;
        }
        if self.chances.is_empty() {
            self.low = n;
        } else if n < self.low {
            self.chances.splice(0..0, std::iter::repeat_n(0.0, self.low - n));
            self.low = n;
        }
        let at = n - self.low;
        if at >= self.chances.len() {
            self.chances.resize(at + 1, 0.0);
        }
        self.chances[at] += chance;
    }

    /// Takes off the ends that are below `least`.
    fn trim(&mut self, least: f64) {
        let keep = |p: &f64| *p >= least;
        let Some(first) = self.chances.iter().position(keep) else {
            self.chances.clear();
            return;
        };
        let last = self.chances.iter().rposition(keep).unwrap_or(first);
        self.chances.truncate(last + 1);
        self.chances.drain(..first);
        self.low += first;
    }
}

/// Chances at the boundaries that cross a window's end, by slot, with the logarithm of what they are to be multiplied by.
#[derive(Clone, Debug, Default)]
pub struct Crossing {
    pub slots: Vec<(u32, Counts)>,
    pub ln_scale: f64,
}

impl Crossing {
    /// Brings the largest value near 1: priors multiply up to a factor of two a word.
    fn settle(&mut self) {
        let most = self.slots.iter().flat_map(|(_, c)| &c.chances).copied().fold(0.0, f64::max);
        if most > 0.0 {
            self.slots.iter_mut().for_each(|(_, c)| c.scale(1.0 / most));
            self.ln_scale += most.ln();
        }
    }
}

/// Ends of distributions below this, against a largest value near 1, are cut.
const TRIM: f64 = 1e-18;

/// Forward pass through one window. Returns, by node, P(boundary is the n-th), what crosses the end, and adds those that
/// stop here to `total` (all at the scale of `front`).
pub fn ahead(chain: &Chain, frame: &Frame, front: &Crossing, total: &mut Counts) -> (Vec<Counts>, Crossing) {
    let mut slots: Vec<Counts> = vec![Counts::default(); (chain.len + chain.reach) * chain.words];
    for (slot, counts) in &front.slots {
        slots[*slot as usize] = counts.clone();
    }
    let mut nodes = Vec::with_capacity(chain.nodes.len());
    for (i, node) in chain.nodes.iter().enumerate() {
        let mut here = std::mem::take(&mut slots[node.slot as usize]);
        here.trim(TRIM);
        if node.stop > 0.0 {
            here.iter().for_each(|(n, p)| total.add(n, p * f64::from(node.stop)));
        }
        for edge in chain.edges(i) {
            let word = edge.to as usize % chain.words;
            for (n, p) in here.iter() {
                slots[edge.to as usize].add(n + 1, p * f64::from(edge.chance) * frame.weight(n, word));
            }
        }
        nodes.push(here);
    }
    let tail = chain.len * chain.words;
    let crossing = slots.drain(tail..).enumerate().filter(|(_, c)| !c.chances.is_empty());
    let mut out = Crossing { slots: crossing.map(|(slot, c)| (slot as u32, c)).collect(), ln_scale: front.ln_scale };
    out.settle();
    (nodes, out)
}

/// Backward pass: P(N words in all | boundary is the n-th), by slot of the window, and what crosses its beginning.
pub fn back(chain: &Chain, frame: &Frame, rear: &Crossing, total: usize) -> (Vec<Counts>, Crossing) {
    let mut slots: Vec<Counts> = vec![Counts::default(); (chain.len + chain.reach) * chain.words];
    let tail = chain.len * chain.words;
    for (slot, counts) in &rear.slots {
        slots[tail + *slot as usize] = counts.clone();
    }
    let unit = (-rear.ln_scale).exp();
    for (i, node) in chain.nodes.iter().enumerate().rev() {
        let mut here = Counts::default();
        if node.stop > 0.0 {
            here.add(total, f64::from(node.stop) * unit);
        }
        for edge in chain.edges(i) {
            let word = edge.to as usize % chain.words;
            for (n, p) in slots[edge.to as usize].iter() {
                if n > 0 {
                    here.add(n - 1, p * f64::from(edge.chance) * frame.weight(n - 1, word));
                }
            }
        }
        here.trim(TRIM);
        slots[node.slot as usize] = here;
    }
    let reach = (chain.reach * chain.words).min(slots.len());
    let crossing = slots[..reach].iter().enumerate().filter(|(_, c)| !c.chances.is_empty());
    let mut out =
        Crossing { slots: crossing.map(|(slot, c)| (slot as u32, c.clone())).collect(), ln_scale: rear.ln_scale };
    out.settle();
    (slots, out)
}

/// What is added up for every word: chance of each value, and where it begins.
#[derive(Clone, Copy, Debug, Default)]
pub struct Heard {
    /// P(word n is 0), P(word n is 1), its own prior left out.
    pub chance: [f64; 2],
    /// Sum of chance times beginning, in grid points, and of chance.
    pub begins: f64,
    pub weight: f64,
    /// Sum of chance times the variance of the number, as far as what comes before tells it.
    wander: f64,
}

impl Heard {
    /// Variance of the number of words up to here, by what comes before alone.
    pub fn variance(&self) -> f64 {
        if self.weight > 0.0 { self.wander / self.weight } else { 0.0 }
    }

    fn add(&mut self, chance: f64, begins: f64, variance: f64) {
        self.begins += chance * begins;
        self.weight += chance;
        self.wander += chance * variance;
    }
}

/// Adds this window's segments to `heard`, which has a place for every word and one for the end; `ln_total` is ln P(N words) at the scale of everything.
pub fn listen(
    chain: &Chain,
    frame: &Frame,
    (ahead, ahead_scale): (&[Counts], f64),
    (back, back_scale): (&[Counts], f64),
    ln_total: f64,
    place: impl Fn(usize) -> f64,
    heard: &mut [Heard],
) {
    let scale = (ahead_scale + back_scale - ln_total).exp();
    let last = heard.len() - 1;
    for (i, node) in chain.nodes.iter().enumerate() {
        let begins = place(node.slot as usize / chain.words);
        let variance = ahead[i].variance();
        if node.stop > 0.0 {
            heard[last].add(
                ahead[i].get(last) * f64::from(node.stop) * (ahead_scale - ln_total).exp(),
                begins,
                variance,
            );
        }
        for edge in chain.edges(i) {
            let word = edge.to as usize % chain.words;
            for (n, p) in ahead[i].iter() {
                let joint = p * f64::from(edge.chance) * back[edge.to as usize].get(n + 1) * scale;
                let Some(heard) = heard.get_mut(n).filter(|_| joint > 0.0) else { continue };
                if word < 2 {
                    heard.chance[word] += joint * frame.weight_of_others(n, word);
                }
                heard.add(joint * frame.weight(n, word), begins, variance);
            }
        }
    }
}
