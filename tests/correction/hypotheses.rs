//! Competing explanations of a block, against simulated truth and against what a check can and cannot tell.

use quorate::correction::hypotheses::{Hypothesis, weigh};

use super::*;

const BYTES: usize = 4;

/// "Obeys parity and XOR" and "obeys parity only", as their definitions give them.
fn explanations(llrs: &[Llr], p_wrong: f64) -> Vec<Hypothesis> {
    let hypothesis = |name: &str, machine: &dyn CheckMachine, prior| Hypothesis {
        name: name.into(),
        prior,
        ln_valid: posteriors(machine, llrs).unwrap().ln_valid,
        ln_share: ln_share(machine, llrs.len()).unwrap(),
        ln_apart: 0.0,
    };
    vec![
        hypothesis("obeys", &ParityXor { bytes: BYTES }, 1.0 - p_wrong),
        hypothesis("wrong checksum", &ParityOnly, p_wrong),
    ]
}

/// Twin-copy bits of bytes whose last one is not made to close the XOR.
fn parity_only(bytes: &[u8; BYTES]) -> Vec<bool> {
    bytes.iter().flat_map(|&b| twin_copy(&[b])[..9].to_vec()).collect()
}

/// Blocks written right or wrong by the toss of a coin, read with noise: of those called "wrong checksum" with
/// probability p, a share p must be. Nothing here knows Bayes: the simulation is the reference.
#[test]
fn probabilities_of_hypotheses_come_true() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    // Sum of forecasts, sum of outcomes, sum of variances, by forecast.
    let mut bins = [(0.0, 0.0, 0.0); 5];
    for _ in 0..6_000 {
        let wrong = rng.random_bool(0.3);
        let bytes: [u8; BYTES] = rng.random();
        let truth = if wrong { parity_only(&bytes) } else { twin_copy(&bytes[..BYTES - 1]) };
        let llrs = noisy(&mut rng, &truth, 0.15);
        let forecast = weigh(&explanations(&llrs, 0.3)).unwrap()[1].posterior;
        let bin = &mut bins[((forecast * 5.0) as usize).min(4)];
        *bin = (bin.0 + forecast, bin.1 + f64::from(u8::from(wrong)), bin.2 + forecast * (1.0 - forecast));
    }
    for (forecast, outcome, variance) in bins {
        assert!(variance > 5.0, "a bin without cases tests nothing: {bins:?}");
        assert!((forecast - outcome).abs() < 3.5 * variance.sqrt(), "{bins:?}");
    }
}

fn sure(bits: &[bool]) -> Vec<Llr> {
    bits.iter().map(|&bit| Llr(if bit { 60.0 } else { -60.0 })).collect()
}

/// Eight check bits that close by luck once in 256: where the votes are sure, that is the gain of the better hypothesis.
#[test]
fn eight_check_bits_that_hold_are_worth_a_factor_of_256() {
    let weighed = weigh(&explanations(&sure(&twin_copy(b"EBB")), 0.5)).unwrap();
    assert!((weighed[1].ln_ratio + 256_f64.ln()).abs() < 1e-9, "{weighed:?}");
    assert!((weighed[0].posterior - 256.0 / 257.0).abs() < 1e-9);
}

/// By hand: N candidates against k check bits pass about N·2^-k times by luck, as each does with 2^-k. With N = 2^e equally good candidates
/// the gain is 2^(8-e); with a whole byte lost nothing is gained, and the prior stays.
#[test]
fn candidates_to_choose_from_eat_up_the_evidence_of_a_check() {
    let full = sure(&twin_copy(b"EBB"));
    for lost in 0..=8 {
        let mut llrs = full.clone();
        // Data bits of the second byte, and its parity bit so that parity does not restore them.
        llrs[9..9 + lost].fill(Llr::LOST);
        llrs[17] = Llr::LOST;
        let weighed = weigh(&explanations(&llrs, 0.01)).unwrap();
        let expected = -(8.0 - lost as f64) * std::f64::consts::LN_2;
        assert!((weighed[1].ln_ratio - expected).abs() < 1e-9, "{lost} {weighed:?}");
        if lost == 8 {
            assert!((weighed[1].posterior - 0.01).abs() < 1e-9);
        }
    }
}

/// A sure block that fails its XOR in one column: a bit with two parities would have to be wrong, 120 nats.
#[test]
fn sure_votes_against_the_checksum_say_that_it_was_written_wrong() {
    let weighed = weigh(&explanations(&sure(&parity_only(&[1, 2, 4, 8])), 1e-4)).unwrap();
    assert!(weighed[1].posterior > 1.0 - 1e-12 && weighed[0].ln_posterior < -100.0, "{weighed:?}");
    let impossible =
        Hypothesis { name: "none".into(), prior: 1.0, ln_valid: f64::NEG_INFINITY, ln_share: 0.0, ln_apart: 0.0 };
    assert_eq!(weigh(&[impossible]), None);
    assert_eq!(weigh(&[]), None);
}
