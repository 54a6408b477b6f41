//! What may be on the tape, drawn from the evidence.

use rand::Rng;
use rand_chacha::ChaCha8Rng;

use crate::Llr;
use crate::correction::CheckMachine;

/// Words that obey the checks, drawn by their probability given the soft bits: a backward pass gives every state's chance to
/// end well, and forward every bit is drawn by its share of it (forward filtering, backward sampling turned round; Carter
/// & Kohn, Biometrika 81:541, 1994, from memory). Messages are kept at every byte, `width` bits, and made again between.
pub fn drawn(
    checks: &dyn CheckMachine,
    sum: &[Llr],
    width: usize,
    count: usize,
    random: &mut ChaCha8Rng,
) -> Vec<Vec<bool>> {
    let states = checks.states();
    let weights = |at: usize| -> [f32; 2] {
        let one = sum[at].p_one() as f32;
        match checks.known_bit(at) {
            None => [1.0 - one, one],
            Some(bit) => [f32::from(u8::from(!bit)), f32::from(u8::from(bit))],
        }
    };
    let masked = |at: usize, message: &mut [f32]| {
        let allowed = |s: usize| checks.allows(s, at);
        message.iter_mut().enumerate().filter(|(s, _)| !allowed(*s)).for_each(|(_, m)| *m = 0.0);
        let most = message.iter().copied().fold(f32::MIN_POSITIVE, f32::max);
        message.iter_mut().for_each(|m| *m /= most);
    };
    // what may follow the bit before `at`, from what may follow the one at `at`
    let back = |at: usize, after: &[f32]| -> Vec<f32> {
        let w = weights(at);
        let follow = |s: usize, bit: bool| w[usize::from(bit)] * after[checks.step(s, at, bit)];
        let mut before: Vec<f32> = (0..states).map(|s| follow(s, false) + follow(s, true)).collect();
        if at > 0 {
            masked(at - 1, &mut before);
        }
        before
    };
    let mut end: Vec<f32> = (0..states).map(|s| f32::from(u8::from(checks.accepts(s)))).collect();
    masked(sum.len() - 1, &mut end);
    let mut kept = vec![end.clone()];
    for at in (1..sum.len()).rev() {
        end = back(at, &end);
        if at % width == 0 {
            kept.push(end.clone());
        }
    }
    let mut words = vec![(0, Vec::with_capacity(sum.len())); count];
    for byte in (0..sum.len()).step_by(width) {
        let Some(last) = kept.pop() else { break };
        let bits: Vec<usize> = (byte..(byte + width).min(sum.len())).collect();
        let mut messages = vec![last];
        for &at in bits[1..].iter().rev() {
            messages.push(back(at, &messages[messages.len() - 1]));
        }
        for &at in &bits {
            let (w, Some(after)) = (weights(at), messages.pop()) else { break };
            for (state, word) in &mut words {
                let next = [checks.step(*state, at, false), checks.step(*state, at, true)];
                let [zero, one] = [w[0] * after[next[0]], w[1] * after[next[1]]].map(f64::from);
                let bit = random.random::<f64>() * (zero + one) >= zero;
                word.push(bit);
                *state = next[usize::from(bit)];
            }
        }
    }
    words.into_iter().map(|w| w.1).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correction::{obeys, posteriors};
    use crate::tape::{Format, TwinCopy};
    use rand::SeedableRng;

    /// The share of words with a one is the bit's posterior (forward-backward, itself tested against enumeration), and
    /// every word obeys the checks.
    #[test]
    fn words_are_drawn_as_probable_as_they_are() {
        let format = TwinCopy::default();
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let sum: Vec<Llr> = (0..5 * 9).map(|_| Llr(random.random_range(-3.0..3.0))).collect();
        let checks = format.checks(5);
        let words = drawn(checks.as_ref(), &sum, 9, 4_000, &mut random);
        assert!(words.iter().all(|w| obeys(checks.as_ref(), w)));
        for (k, l) in posteriors(checks.as_ref(), &sum).unwrap().llr.iter().enumerate() {
            let ones = words.iter().filter(|w| w[k]).count() as f64 / words.len() as f64;
            // five standard deviations of 4,000 throws
            assert!(
                (ones - l.p_one()).abs() < 5.0 * 0.25_f64.sqrt() / 4_000_f64.sqrt(),
                "bit {k}: {ones} {}",
                l.p_one()
            );
        }
    }
}
