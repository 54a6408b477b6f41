//! Exact decoding against brute force, enumeration and published values. The optimal costs are also held against
//! PyMatching, an integer program and a numpy trellis: see tests/oracles/correction.py.

use quorate::Llr;
use quorate::correction::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Twin-copy bits of `data` and its XOR byte, written out from the description of the format.
fn twin_copy(data: &[u8]) -> Vec<bool> {
    let mut bits = Vec::new();
    let xor = data.iter().fold(0, |a, b| a ^ b);
    for byte in data.iter().chain([&xor]) {
        bits.extend((0..8).map(|i| byte >> i & 1 == 1));
        bits.push(byte.count_ones() % 2 == 0);
    }
    bits
}

/// Soft bits that say `bits`, each wrong with the probability it claims.
fn noisy(rng: &mut ChaCha8Rng, bits: &[bool], worst: f64) -> Vec<Llr> {
    let vote = |&bit: &bool| {
        let p: f64 = rng.random_range(0.001..worst);
        let says = bit ^ rng.random_bool(p);
        let weight = ((1.0 - p) / p).ln() as f32;
        Llr(if says { weight } else { -weight })
    };
    bits.iter().map(vote).collect()
}

/// Cost of a word by the definition: |llr| of every bit that contradicts its vote.
fn cost(bits: &[bool], llrs: &[Llr]) -> f64 {
    let against = |(&bit, llr): (&bool, &Llr)| if (llr.0 > 0.0) != bit { f64::from(llr.0.abs()) } else { 0.0 };
    bits.iter().zip(llrs).map(against).sum()
}

/// All twin-copy words of two data bytes.
fn all_words() -> Vec<Vec<bool>> {
    (0..=u16::MAX).map(|w| twin_copy(&w.to_be_bytes())).collect()
}

#[test]
fn costs_and_posteriors_equal_enumeration_of_all_words_of_two_bytes() {
    let machine = ParityXor { bytes: 3 };
    let words = all_words();
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for trial in 0..60 {
        let data: [u8; 2] = rng.random();
        let mut llrs = noisy(&mut rng, &twin_copy(&data), 0.45);
        if trial % 4 == 0 {
            (0..6).for_each(|_| llrs[rng.random_range(0..27)] = Llr::LOST);
        }
        let mut costs: Vec<f64> = words.iter().map(|w| cost(w, &llrs)).collect();
        let total: f64 = costs.iter().map(|c| (-c).exp()).sum();
        let posterior = posteriors(&machine, &llrs).unwrap();
        for (i, llr) in posterior.llr.iter().enumerate() {
            let one: f64 = words.iter().zip(&costs).filter(|(w, _)| w[i]).map(|(_, c)| (-c).exp()).sum();
            let expected = (one / (total - one)).ln();
            assert!((f64::from(llr.0) - expected).abs() < 1e-4 * expected.abs().max(1.0), "{} {expected}", llr.0);
        }
        // P(valid) = Σ over words of Π p(bit) = e^-Σcost × Π P(hard decision).
        let hard: f64 = llrs.iter().map(|l| -(-f64::from(l.0.abs())).exp().ln_1p()).sum();
        assert!((posterior.ln_valid - (total.ln() + hard)).abs() < 1e-9);

        let best = k_best(&machine, &llrs, 50);
        costs.sort_by(f64::total_cmp);
        assert_eq!(best.len(), 50);
        for (word, expected) in best.iter().zip(&costs) {
            assert!((word.cost - expected).abs() < 1e-9, "{} {expected}", word.cost);
            assert!(obeys(&machine, &word.bits));
        }
        assert_eq!(most_probable(&machine, &llrs).unwrap(), best[0]);
    }
}

/// The case of facts.md (worked there three ways): rows are bytes, column 0 the most significant bit.
fn fixed_case(weak: bool) -> Vec<Llr> {
    let at = |row: usize, column: usize| row * 9 + if column == 8 { 8 } else { 7 - column };
    let mut weights = vec![4.0; 27];
    if weak {
        for (row, column, weight) in [(0, 1, 0.5), (1, 6, 0.7), (0, 6, 1.0), (1, 1, 1.5)] {
            weights[at(row, column)] = weight;
        }
    }
    let mut bits = twin_copy(&[0x41, 0x42]);
    bits[at(0, 1)] ^= true;
    bits[at(1, 6)] ^= true;
    bits.iter().zip(weights).map(|(&bit, weight)| Llr(if bit { weight } else { -weight })).collect()
}

#[test]
fn the_fixed_case_costs_1_2_and_its_rival_2_5() {
    let words = k_best(&ParityXor { bytes: 3 }, &fixed_case(true), 2);
    assert!((words[0].cost - 1.2).abs() < 1e-6 && (words[1].cost - 2.5).abs() < 1e-6, "{words:?}");
    assert_eq!(words[0].flipped, [6, 9 + 1]);
    assert_eq!(words[0].bits, twin_copy(&[0x41, 0x42]));
    assert!(!words[0].tie);
}

#[test]
fn equal_weights_make_the_fixed_case_a_tie_at_8() {
    let words = k_best(&ParityXor { bytes: 3 }, &fixed_case(false), 3);
    assert_eq!((words[0].cost, words[1].cost), (8.0, 8.0));
    assert!(words[0].tie && words[1].tie && words[0].bits != words[1].bits);
    assert!(most_probable(&ParityXor { bytes: 3 }, &fixed_case(false)).unwrap().tie);
}
/// Speed, for the record: `cargo test --release --test correction speed -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement"]
fn speed() {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let data: Vec<u8> = (0..65_535).map(|_| rng.random()).collect();
    let llrs = noisy(&mut rng, &twin_copy(&data), 0.02);
    time("twin-copy, 64 KiB", &ParityXor { bytes: 65_536 }, &llrs);
    let machine = Crc16::new(ByteFrame::bare(BitOrder::LsbFirst), Crc16Params::XMODEM);
    let bytes = [&data[..256], &machine.check_bytes(&data[..256])].concat();
    let bits: Vec<bool> = bytes.iter().flat_map(|b| (0..8).map(move |i| b >> i & 1 == 1)).collect();
    time("CRC-16, 256 bytes", &machine, &noisy(&mut rng, &bits, 0.02));
}

fn time(name: &str, machine: &dyn CheckMachine, llrs: &[Llr]) {
    let clock = std::time::Instant::now();
    let best = most_probable(machine, llrs).unwrap();
    println!("{name}: most_probable {:?}, cost {}, {} flips", clock.elapsed(), best.cost, best.flipped.len());
    let clock = std::time::Instant::now();
    let words = k_best(machine, llrs, 16);
    println!("{name}: k_best(16) {:?}, last cost {}", clock.elapsed(), words[15].cost);
    let clock = std::time::Instant::now();
    let posterior = posteriors(machine, llrs).unwrap();
    println!("{name}: posteriors {:?}, ln valid {}", clock.elapsed(), posterior.ln_valid);
}
