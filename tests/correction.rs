//! Exact decoding against brute force, enumeration and published values. The optimal costs are also held against
//! PyMatching, an integer program and a numpy trellis: see tests/oracles/correction.py.

#[path = "correction/hypotheses.rs"]
mod hypotheses;
#[path = "correction/machines.rs"]
mod machines;
#[path = "correction/oracle.rs"]
mod oracle;
#[path = "correction/properties.rs"]
mod properties;

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
        // a byte of the most probable word: the words that share it
        let word = most_probable(&machine, &llrs).unwrap().bits;
        let (same, right) = posteriors_of(&machine, &llrs, &word, 9).unwrap();
        assert_eq!(same, posterior);
        assert_eq!(right.len(), 3);
        for (byte, right) in right.iter().enumerate() {
            let at = byte * 9..byte * 9 + 9;
            let shared = words.iter().zip(&costs).filter(|(w, _)| w[at.clone()] == word[at.clone()]);
            let expected = shared.map(|(_, c)| (-c).exp()).sum::<f64>() / total;
            assert!((right - expected).abs() < 1e-12, "{right} {expected}");
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

/// The case of `tests/oracles/two_dimensional_parity.py` (worked there three ways): rows are bytes, column 0 the most significant bit.
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

/// Valid words of the product code of two data bytes by weight: 108 of weight 4, 504 of weight 6, 2646 of weight 8
/// (enumerated by a program apart from this code). Against equal votes for one valid word, the distance is the cost.
#[test]
fn the_weight_counts_of_two_bytes_come_out_of_the_trellis() {
    let votes: Vec<Llr> = twin_copy(b"BI").iter().map(|&bit| Llr(if bit { 1.0 } else { -1.0 })).collect();
    let costs: Vec<f64> = k_best(&ParityXor { bytes: 3 }, &votes, 3_300).iter().map(|word| word.cost).collect();
    let count = |cost| costs.iter().filter(|c| **c == cost).count();
    assert_eq!([0.0, 2.0, 4.0, 6.0, 8.0].map(count), [1, 0, 108, 504, 2_646]);
}

/// A word of weight 4 has two of nine columns in two of N + 1 bytes: 36·C(N + 1, 2) of them (by hand); N = 10 gives 1980.
#[test]
fn the_number_of_rectangles_is_36_times_the_pairs_of_bytes() {
    let votes: Vec<Llr> = twin_copy(b"SALT MARSH").iter().map(|&bit| Llr(if bit { 1.0 } else { -1.0 })).collect();
    let words = k_best(&ParityXor { bytes: 11 }, &votes, 1_982);
    assert!(words[1..1_981].iter().all(|word| word.cost == 4.0) && words[1_981].cost == 6.0);
    assert!(!words[0].tie && words[1].tie);
}

fn bits_of(bytes: &[u8], order: BitOrder) -> Vec<bool> {
    bytes.iter().flat_map(|byte| (0..8).map(move |i| usize::from(*byte) & order.mask(i) != 0)).collect()
}

/// The posteriors do not depend on which arithmetic was used: strong votes leave the range of plain probabilities.
#[test]
fn strong_votes_give_the_posteriors_of_enumeration() {
    let machine = ParityXor { bytes: 3 };
    let words = all_words();
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    for (strength, trials) in [(80.0, 6), (240.0, 6), (600.0, 6)] {
        for _ in 0..trials {
            let data: [u8; 2] = rng.random();
            let truth = twin_copy(&data);
            let vote = |&bit: &bool| {
                let weight = strength * rng.random_range(0.97..1.03_f32);
                Llr(if bit ^ rng.random_bool(0.15) { weight } else { -weight })
            };
            let llrs: Vec<Llr> = truth.iter().map(vote).collect();
            let costs: Vec<f64> = words.iter().map(|w| cost(w, &llrs)).collect();
            let sum = |keep: &dyn Fn(&[bool]) -> bool| {
                let kept = || words.iter().zip(&costs).filter(|(w, _)| keep(w)).map(|(_, c)| -c);
                let best = kept().fold(f64::NEG_INFINITY, f64::max);
                best + kept().map(|c| (c - best).exp()).sum::<f64>().ln()
            };
            let posterior = posteriors(&machine, &llrs).unwrap();
            // ln P(hard decisions) is 0 at this strength.
            assert!((posterior.ln_valid - sum(&|_| true)).abs() < 1e-6);
            for (i, llr) in posterior.llr.iter().enumerate() {
                let expected = (sum(&|w| w[i]) - sum(&|w| !w[i])).clamp(-MAX_POSTERIOR, MAX_POSTERIOR);
                // A magnitude over 60 may be understated (documented), never the other way, never the sign.
                let got = f64::from(llr.0);
                let close = (got - expected).abs() < 1e-3 * expected.abs().max(1.0);
                assert!(
                    close || expected.abs() > 60.0 && got * expected > 0.0 && got.abs() >= 60.0,
                    "{got} {expected}"
                );
            }
        }
    }
}

/// A lost bit alone in its checks comes back for certain; two lost bits that only their column could tell apart do not.
#[test]
fn lost_bits_are_filled_where_the_checks_decide() {
    let strong = |bits: Vec<bool>| bits.into_iter().map(|bit| Llr(if bit { 20.0 } else { -20.0 })).collect::<Vec<_>>();
    let mut llrs = strong(twin_copy(b"TIDE"));
    llrs[4] = Llr::LOST;
    let best = most_probable(&ParityXor { bytes: 5 }, &llrs).unwrap();
    assert_eq!((best.bits, best.cost, best.flipped.len(), best.tie), (twin_copy(b"TIDE"), 0.0, 0, false));
    // All patterns of three erasures are recoverable (Cardell & Climent); a rectangle of four is not.
    llrs[5] = Llr::LOST;
    llrs[9 + 4] = Llr::LOST;
    assert_eq!(most_probable(&ParityXor { bytes: 5 }, &llrs).unwrap().bits, twin_copy(b"TIDE"));
    llrs[9 + 5] = Llr::LOST;
    assert!(most_probable(&ParityXor { bytes: 5 }, &llrs).unwrap().tie);
    let words = k_best(&ParityXor { bytes: 5 }, &llrs, 3);
    assert_eq!([words[0].cost, words[1].cost], [0.0, 0.0]);
    assert!(words[2].cost >= 20.0);
}

#[test]
fn certain_votes_that_contradict_the_checks_leave_no_block() {
    let mut llrs: Vec<Llr> =
        twin_copy(b"OK").iter().map(|&bit| Llr(if bit { f32::INFINITY } else { f32::NEG_INFINITY })).collect();
    assert_eq!(most_probable(&ParityXor { bytes: 3 }, &llrs).unwrap().cost, 0.0);
    assert!(posteriors(&ParityXor { bytes: 3 }, &llrs).unwrap().ln_valid.abs() < 1e-9);
    llrs[0] = -llrs[0];
    assert_eq!(most_probable(&ParityXor { bytes: 3 }, &llrs), None);
    assert_eq!(posteriors(&ParityXor { bytes: 3 }, &llrs), None);
    // The empty block is valid; a block of one bit with a certain even parity is not odd.
    assert_eq!(posteriors(&ParityXor { bytes: 3 }, &[]).map(|p| p.ln_valid), Some(0.0));
    assert_eq!(most_probable(&Parity { period: 1, odd: true }, &[Llr(f32::NEG_INFINITY)]), None);
}

#[test]
fn the_certificate_names_what_failed_and_what_else_it_might_be() {
    let (words, certificate) = certify(&ParityXor { bytes: 3 }, &fixed_case(true), 16, 2.0).unwrap();
    assert_eq!(words.len(), 16);
    let failed = |check| Finding { check, outcome: Outcome::Failed };
    // by hand, from the two flipped bits: rows 0, 1 and columns 1, 6 (column 0 = most significant) fail.
    assert_eq!(
        certificate.findings,
        [
            failed(Check::Parity { group: 0 }),
            failed(Check::Parity { group: 1 }),
            failed(Check::XorColumn { value: 0x02 }),
            failed(Check::XorColumn { value: 0x40 }),
        ]
    );
    // Winner and rival flip the two diagonals of one rectangle.
    assert_eq!(certificate.differs, [1, 6, 9 + 1, 9 + 6]);
    assert_eq!(certificate.flips.iter().map(|f| (f.position, f.value)).collect::<Vec<_>>(), [(6, true), (10, true)]);
    assert!((certificate.runner_up_cost.unwrap() - 2.5).abs() < 1e-6);
    assert_eq!((certificate.blocks_within, certificate.at_least, certificate.tie), (2, false, false));

    let (_, many) = certify(&ParityXor { bytes: 3 }, &fixed_case(true), 4, 1_000.0).unwrap();
    assert_eq!((many.blocks_within, many.at_least), (4, true));
    let mut lost = fixed_case(true);
    lost[2] = Llr::LOST;
    let (_, open) = certify(&ParityXor { bytes: 3 }, &lost, 4, 2.0).unwrap();
    assert!(open.findings.contains(&Finding { check: Check::Parity { group: 0 }, outcome: Outcome::Open }));
    assert!(open.findings.contains(&Finding { check: Check::XorColumn { value: 0x04 }, outcome: Outcome::Open }));
    let json = serde_json::to_string(&certificate).unwrap();
    assert_eq!(serde_json::from_str::<Certificate>(&json).unwrap(), certificate);
}

/// Speed, for the record: `cargo test --release --test correction speed -- --ignored --nocapture`. Votes as they come,
/// votes so strong that posteriors need logarithms, and a block that is lost altogether.
#[test]
#[ignore = "a measurement"]
fn speed() {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let data: Vec<u8> = (0..65_535).map(|_| rng.random()).collect();
    let machine = Crc16::new(ByteFrame::bare(BitOrder::LsbFirst), Crc16Params::XMODEM);
    let short = bits_of(&[&data[..256], &machine.check_bytes(&data[..256])].concat(), BitOrder::LsbFirst);
    for (name, strength) in [("votes", 1.0), ("strong votes", 40.0), ("no votes", 0.0)] {
        let mut votes = |bits: &[bool]| noisy(&mut rng, bits, 0.02).iter().map(|&l| l * strength).collect::<Vec<_>>();
        time(&format!("twin-copy, 64 KiB, {name}"), &ParityXor { bytes: 65_536 }, &votes(&twin_copy(&data)));
        time(&format!("CRC-16, 256 bytes, {name}"), &machine, &votes(&short));
    }
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
