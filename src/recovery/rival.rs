//! What a byte would be if it is not what was decided.

use super::{DecidedBlock, Outcome};
use crate::Llr;
use crate::correction::{self, CheckMachine};
use crate::tape::Format;

/// The most probable other value of a byte: that of the best block, valid under the checks that the block was decided under, in
/// which the byte differs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rival {
    pub value: u8,
    /// What that block loses by against the one decided, in nats; e to this power are the odds. 0 is a tie.
    pub loses_by: f64,
}

impl DecidedBlock {
    /// The votes summed with their weights.
    pub fn total(&self) -> Vec<Llr> {
        self.block.weighed(&self.weights)
    }

    /// The checks under which it was decided.
    pub fn machine(&self, format: &dyn Format) -> Box<dyn CheckMachine> {
        let bytes = self.block.bytes;
        if self.decided.wrong_checksum { format.checks_within_bytes(bytes) } else { format.checks(bytes) }
    }

    /// The rivals of some of its bytes, whose numbers ascend. `None` for one that has none.
    pub fn rivals(&self, format: &dyn Format, bytes: &[usize]) -> Vec<Option<Rival>> {
        let grammar = format.grammar();
        let word: Vec<bool> = self.decided.bytes.iter().flat_map(|&byte| (grammar.byte_bits)(byte)).collect();
        let (machine, total) = (self.machine(format), self.total());
        let found =
            correction::rivals(machine.as_ref(), &total, &word, grammar.bits_per_byte, format.data_bits(), bytes);
        let of = |rival: correction::Rival| Rival { value: format.byte(&rival.bits), loses_by: rival.loses_by };
        found.into_iter().map(|rival| rival.map(of)).collect()
    }

    /// The other bytes of the block that change where this one is `value`, in the most probable block with it.
    pub fn change_with(&self, format: &dyn Format, byte: usize, value: u8) -> Vec<usize> {
        /// Beyond all evidence of a block.
        const CERTAIN: f32 = 1e9;
        let width = format.grammar().bits_per_byte;
        let mut forced = self.total();
        for (k, bit) in (format.grammar().byte_bits)(value).into_iter().enumerate() {
            forced[byte * width + k] = Llr(if bit { CERTAIN } else { -CERTAIN });
        }
        let Some(other) = correction::most_probable(self.machine(format).as_ref(), &forced) else { return Vec::new() };
        let bytes = other.bits.chunks(width).map(|bits| format.byte(bits));
        let differs = |&(i, (now, decided)): &(usize, (u8, &u8))| i != byte && now != *decided;
        bytes.zip(&self.decided.bytes).enumerate().filter(differs).map(|(i, _)| i).collect()
    }
}

impl Outcome {
    /// The rivals of those bytes of program number `index` at `offsets`, which ascend, that have one. A walk over each block, not
    /// one for each byte.
    pub fn rivals(&self, format: &dyn Format, index: usize, offsets: &[usize]) -> Vec<(usize, Rival)> {
        let program = &self.programs[index];
        let placed: Vec<(usize, (usize, usize))> =
            offsets.iter().filter_map(|&offset| Some((offset, program.place(offset)?))).collect();
        let mut out = Vec::new();
        for of_block in placed.chunk_by(|a, b| a.1.0 == b.1.0) {
            let bytes: Vec<usize> = of_block.iter().map(|(_, (_, byte))| *byte).collect();
            let block = &self.tapes[program.tape].blocks[of_block[0].1.0];
            let found = of_block.iter().zip(block.rivals(format, &bytes));
            out.extend(found.filter_map(|((offset, _), rival)| Some((*offset, rival?))));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::confidence::decide_as_one;
    use crate::consensus::{Block, Vote};
    use crate::tape::{TwinCopy, twin_copy};

    /// Every block of two bytes and their check, 65,536 in all, by brute force: the rival of a byte is what it is in the
    /// cheapest of those in which it differs from what was decided.
    #[test]
    fn the_rival_is_the_best_block_of_all_in_which_the_byte_differs() {
        let format = TwinCopy::default();
        let mut state = 7u32;
        for _ in 0..12 {
            let bits: Vec<Llr> = (0..27)
                .map(|_| {
                    // any numbers will do; these are of a linear congruential generator
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    Llr((state >> 8) as f32 / (1 << 20) as f32 - 8.0)
                })
                .collect();
            let cost = |bytes: [u8; 2]| -> f64 {
                let word = [bytes[0], bytes[1], bytes[0] ^ bytes[1]].into_iter().flat_map(twin_copy::byte_bits);
                bits.iter().zip(word).filter(|(l, bit)| l.bit() != *bit).map(|(l, _)| f64::from(l.0.abs())).sum()
            };
            let vote = Vote { take: 0, reading: 0, copy: 0, stretches: vec![(0, 3, 0)], bits: bits.clone() };
            let block = Block { votes: vec![vote], bytes: 3, length_known: true, from_s: 0.0, to_s: 1.0 };
            let mut decided = decide_as_one(&format, &block, &[1.0]).unwrap();
            let all = || (0..=u16::MAX).map(|n| n.to_be_bytes());
            let best = all().min_by(|a, b| cost(*a).total_cmp(&cost(*b))).unwrap();
            // noise obeys nothing in particular: whatever it was decided as, held against one that obeys its checks
            decided.bytes = vec![best[0], best[1], best[0] ^ best[1]];
            decided.wrong_checksum = false;
            let block = DecidedBlock { block, decided, weights: vec![1.0], beside: None };
            for byte in 0..2 {
                let other =
                    all().filter(|b| b[byte] != best[byte]).min_by(|a, b| cost(*a).total_cmp(&cost(*b))).unwrap();
                let rival = block.rivals(&format, &[byte])[0].unwrap();
                assert_eq!(rival.value, other[byte]);
                assert!((rival.loses_by - (cost(other) - cost(best))).abs() < 1e-6);
                let mut with = vec![];
                with.extend((0..2).filter(|&i| i != byte && other[i] != best[i]));
                with.extend(((other[0] ^ other[1]) != (best[0] ^ best[1])).then_some(2));
                assert_eq!(block.change_with(&format, byte, rival.value), with);
            }
            assert_eq!(block.rivals(&format, &[0, 1, 2]).len(), 3);
            assert_eq!(block.rivals(&format, &[0, 2])[0], block.rivals(&format, &[0])[0]);
        }
    }
}
