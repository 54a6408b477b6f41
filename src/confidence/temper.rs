//! Claims of a reading held against the check within every byte.
//!
//! A reading that was followed half a cell aside, or past the end of its block, claims bits that it never heard. Its own
//! bytes give it away: far more of them break the check within a byte (parity, say) than its soft bits allow. Over a
//! window the soft bits are then scaled down until they allow for what is seen.

use crate::Llr;

/// Bytes judged together.
const WINDOW: usize = 16;
/// Broken bytes that prove something: this many, and this many times what the claims allow.
const LEAST: f64 = 4.0;
const EXCESS: f64 = 2.5;
/// Scales that are tried: the first that allows for what is seen is taken; the last says next to nothing.
const SCALES: [f32; 9] = [0.7, 0.5, 0.35, 0.25, 0.17, 0.12, 0.08, 0.04, 0.01];

/// Scales soft bits down where the bytes they claim break their own check too often. `width` is bits per byte; `sound` says
/// whether the bits of a byte obey the check.
///
/// Only for checks that a flip of any one bit breaks, as parity is; bytes with lost bits are left out.
pub fn temper(bits: &mut [Llr], width: usize, sound: impl Fn(&[bool]) -> bool) {
    for window in bits.chunks_mut(WINDOW * width) {
        let bytes = || window.chunks(width).filter(|b| b.iter().all(|l| l.0.abs() > 0.1));
        let broken = bytes().filter(|b| !sound(&b.iter().map(|l| l.bit()).collect::<Vec<_>>())).count() as f64;
        // P(an odd number of bits is wrong) = (1 − Π tanh(|llr| / 2)) / 2 (Gallager 1963, lemma 4.1, from memory)
        let allowed = |scale: f32| -> f64 {
            let odd = |b: &[Llr]| {
                0.5 * (1.0 - b.iter().map(|l| f64::from((0.5 * scale * l.0.abs()).tanh())).product::<f64>())
            };
            bytes().map(odd).sum()
        };
        if broken < LEAST || broken < EXCESS * allowed(1.0) {
            continue;
        }
        let scale = SCALES.into_iter().find(|&s| allowed(s) >= broken).unwrap_or(SCALES[SCALES.len() - 1]);
        window.iter_mut().for_each(|l| *l = *l * scale);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn odd(bits: &[bool]) -> bool {
        bits.iter().filter(|&&b| b).count() % 2 == 1
    }

    fn word(n: usize, flip: impl Fn(usize) -> bool) -> Vec<Llr> {
        // 100000000 is sound; a flipped second bit breaks it
        let bit = |byte: usize, k: usize| if k == 0 || (k == 1 && flip(byte)) { Llr(12.0) } else { Llr(-12.0) };
        (0..n).flat_map(|byte| (0..9).map(move |k| (byte, k))).map(|(byte, k)| bit(byte, k)).collect()
    }

    #[test]
    fn sound_bytes_keep_their_claims() {
        let mut bits = word(64, |_| false);
        temper(&mut bits, 9, odd);
        assert_eq!(bits, word(64, |_| false));
        // one broken byte is no proof
        let mut bits = word(64, |b| b == 20);
        temper(&mut bits, 9, odd);
        assert_eq!(bits, word(64, |b| b == 20));
    }

    #[test]
    fn a_window_of_broken_bytes_loses_its_voice_and_no_other() {
        let mut bits = word(64, |b| (16..32).contains(&b) && b % 2 == 0);
        temper(&mut bits, 9, odd);
        let size = |from: usize, to: usize| bits[from * 9..to * 9].iter().map(|l| l.0.abs()).fold(0.0, f32::max);
        assert!(size(16, 32) < 2.0, "{}", size(16, 32));
        assert_eq!((size(0, 16), size(32, 64)), (12.0, 12.0));
    }
}
