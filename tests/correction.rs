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

/// Valid words of the product code of two data bytes by weight: 108 of weight 4, 504 of weight 6, 2646 of weight 8
/// (facts.md, enumerated). Against equal votes for one valid word, the distance is the cost.
#[test]
fn the_weight_counts_of_two_bytes_come_out_of_the_trellis() {
    let votes: Vec<Llr> = twin_copy(b"BI").iter().map(|&bit| Llr(if bit { 1.0 } else { -1.0 })).collect();
    let costs: Vec<f64> = k_best(&ParityXor { bytes: 3 }, &votes, 3_300).iter().map(|word| word.cost).collect();
    let count = |cost| costs.iter().filter(|c| **c == cost).count();
    assert_eq!([0.0, 2.0, 4.0, 6.0, 8.0].map(count), [1, 0, 108, 504, 2_646]);
}

/// 36·C(N + 1, 2) words of weight 4 (facts.md), for a longer block: N = 10 gives 1980.
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

/// Check values: RevEng catalogue, for the ASCII string 123456789. The `crc` crate carries the same catalogue; it is
/// asked for other strings.
#[test]
fn crc_check_values_are_those_of_the_catalogue() {
    let params = |poly, init, reflected, xorout| Crc16Params { poly, init, reflected, xorout };
    let cases = [
        (Crc16Params::XMODEM, 0x31C3, &crc::CRC_16_XMODEM),
        (params(0x1021, 0xFFFF, false, 0), 0x29B1, &crc::CRC_16_IBM_3740),
        (params(0x1021, 0xFFFF, false, 0xFFFF), 0xD64E, &crc::CRC_16_GENIBUS),
        (params(0x1021, 0, true, 0), 0x2189, &crc::CRC_16_KERMIT),
        (params(0x8005, 0, true, 0), 0xBB3D, &crc::CRC_16_ARC),
        // Not a palindrome for an initial value, reflected.
        (params(0x1021, 0x89EC, true, 0), 0x26B1, &crc::CRC_16_TMS37157),
    ];
    for (params, check, catalogue) in cases {
        for order in [BitOrder::MsbFirst, BitOrder::LsbFirst] {
            let machine = Crc16::new(ByteFrame::bare(order), params);
            assert_eq!(machine.checksum(b"123456789"), check);
            let reference = crc::Crc::<u16>::new(catalogue);
            for text in [&b""[..], b"\0", b"knot, dunlin and redshank"] {
                assert_eq!(machine.checksum(text), reference.checksum(text));
                let mut bits = bits_of(&[text, &machine.check_bytes(text)].concat(), order);
                assert!(obeys(&machine, &bits), "{params:?} {order:?} {text:?}");
                bits[3] ^= true;
                assert!(!obeys(&machine, &bits));
            }
        }
    }
    let genibus = Crc16::new(ByteFrame::bare(BitOrder::MsbFirst), params(0x1021, 0xFFFF, false, 0xFFFF));
    assert_eq!(genibus.residue(), 0x1D0F);
}

/// facts.md: XOR of 123456789 is 31, sum modulo 256 is DD. With end-around carry 1DD becomes DE (by hand).
#[test]
fn xor_and_sum_bytes_of_123456789() {
    for order in [BitOrder::MsbFirst, BitOrder::LsbFirst] {
        let frame = ByteFrame::bare(order);
        let sum = |end_around| SumByte { frame, bytes: 10, end_around };
        for (check, machine) in
            [(0x31, &XorByte { frame } as &dyn CheckMachine), (0xDD, &sum(false)), (0xDE, &sum(true))]
        {
            let obeyed: Vec<u8> = (0..=255)
                .filter(|last| obeys(machine, &bits_of(&[b"123456789", &[*last][..]].concat(), order)))
                .collect();
            assert_eq!(obeyed, [check]);
        }
    }
}

/// Every machine against all its words, listed by other means: data bytes, and the check byte(s) computed plainly.
#[test]
fn every_machine_agrees_with_a_list_of_its_words() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for (name, machine, words) in listed_machines() {
        for _ in 0..12 {
            let truth = &words[rng.random_range(0..words.len())];
            let llrs = noisy(&mut rng, truth, 0.4);
            let mut costs: Vec<f64> = words.iter().map(|word| cost(word, &llrs)).collect();
            let total: f64 = costs.iter().map(|c| (-c).exp()).sum();
            let posterior = posteriors(&*machine, &llrs).unwrap();
            for (i, llr) in posterior.llr.iter().enumerate() {
                let one: f64 = words.iter().zip(&costs).filter(|(w, _)| w[i]).map(|(_, c)| (-c).exp()).sum();
                assert!((llr.p_one() - one / total).abs() < 1e-6, "{name}: bit {i}, {} {}", llr.p_one(), one / total);
            }
            costs.sort_by(f64::total_cmp);
            let best = k_best(&*machine, &llrs, 20);
            assert_eq!(best.len(), words.len().min(20), "{name}");
            for (word, expected) in best.iter().zip(&costs) {
                assert!((word.cost - expected).abs() < 1e-9, "{name}: {} {expected}", word.cost);
                assert!(words.contains(&word.bits), "{name}");
            }
        }
        let share = ln_share(&*machine, words[0].len()).unwrap();
        let expected = (words.len() as f64).ln() - words[0].len() as f64 * std::f64::consts::LN_2;
        assert!((share - expected).abs() < 1e-9, "{name}: {share} {expected}");
    }
}

type Listed = (&'static str, Box<dyn CheckMachine>, Vec<Vec<bool>>);

fn listed_machines() -> Vec<Listed> {
    let bare = ByteFrame::bare(BitOrder::MsbFirst);
    let framed = ByteFrame { order: BitOrder::LsbFirst, before: 1, after: 1 };
    let all = |check: &dyn Fn(u8) -> Vec<u8>, order| {
        (0..=255).map(|a| bits_of(&[&[a], &check(a)[..]].concat(), order)).collect::<Vec<_>>()
    };
    let frame = |bytes: &[u8]| {
        let byte = |b: u8| [vec![false], bits_of(&[b], BitOrder::LsbFirst), vec![true]].concat();
        bytes.iter().flat_map(|&b| byte(b)).collect::<Vec<bool>>()
    };
    let pairs = |check: &dyn Fn(u8, u8) -> u8| {
        (0..=u16::MAX)
            .map(|w| w.to_be_bytes())
            .map(|[a, b]| bits_of(&[a, b, check(a, b)], BitOrder::MsbFirst))
            .collect::<Vec<_>>()
    };
    let xmodem = crc::Crc::<u16>::new(&crc::CRC_16_XMODEM);
    let kermit = Crc16Params { poly: 0x1021, init: 0, reflected: true, xorout: 0 };
    let kermit_sum = crc::Crc::<u16>::new(&crc::CRC_16_KERMIT);
    let carry = |a: u8, b: u8| {
        let (sum, carried) = a.overflowing_add(b);
        sum + u8::from(carried)
    };
    vec![
        ("xor", Box::new(XorByte { frame: bare }), pairs(&|a, b| a ^ b)),
        ("sum", Box::new(SumByte { frame: bare, bytes: 3, end_around: false }), pairs(&u8::wrapping_add)),
        ("sum, end-around", Box::new(SumByte { frame: bare, bytes: 3, end_around: true }), pairs(&carry)),
        (
            "crc, lsb first",
            Box::new(Crc16::new(ByteFrame::bare(BitOrder::LsbFirst), Crc16Params::XMODEM)),
            all(&|a| xmodem.checksum(&[a]).to_be_bytes().to_vec(), BitOrder::LsbFirst),
        ),
        (
            "crc, reflected",
            Box::new(Crc16::new(bare, kermit)),
            all(&|a| kermit_sum.checksum(&[a]).to_le_bytes().to_vec(), BitOrder::MsbFirst),
        ),
        (
            "crc and start/stop bits",
            Box::new(Product { a: Crc16::new(framed, Crc16Params::XMODEM), b: Framing::start_stop(1) }),
            (0..=255).map(|a| frame(&[&[a], &xmodem.checksum(&[a]).to_be_bytes()[..]].concat())).collect(),
        ),
        (
            "xor and parity",
            Box::new(Product { a: XorByte { frame: bare }, b: Parity { period: 8, odd: false } }),
            pairs(&|a, b| a ^ b)
                .into_iter()
                .filter(|word| word.chunks(8).all(|byte| byte.iter().filter(|b| **b).count() % 2 == 0))
                .collect(),
        ),
        ("parity only", Box::new(ParityOnly), (0..=255u8).map(|a| twin_copy(&[a])[..9].to_vec()).collect()),
    ]
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
