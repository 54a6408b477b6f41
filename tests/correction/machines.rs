//! The check machines against published check values, the catalogue of another library, and lists of their words.

use super::*;

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

/// By hand, of the ASCII string 123456789: XOR 31, sum 1DD, so DD modulo 256, and DE with end-around carry.
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

#[test]
fn findings_of_the_other_machines() {
    let votes = |bits: Vec<bool>| bits.into_iter().map(|bit| Llr(if bit { 3.0 } else { -3.0 })).collect::<Vec<_>>();
    let frame = ByteFrame::bare(BitOrder::MsbFirst);
    let crc = Crc16::new(frame, Crc16Params::XMODEM);
    let written = votes(bits_of(b"123456789\x31\xC4", BitOrder::MsbFirst));
    let failed = |check| vec![Finding { check, outcome: Outcome::Failed }];
    assert_eq!(crc.findings(&written), failed(Check::Crc { computed: 0x31C3, written: 0x31C4 }));
    assert_eq!(crc.findings(&votes(bits_of(b"123456789\x31\xC3", BitOrder::MsbFirst))), []);
    let sum = SumByte { frame, bytes: 10, end_around: false };
    let written = votes(bits_of(b"123456789\x00", BitOrder::MsbFirst));
    assert_eq!(sum.findings(&written), failed(Check::Sum { computed: 0xDD, written: 0 }));
    let framing = Framing::start_stop(1);
    let mut bits = [vec![false], bits_of(b"A", BitOrder::LsbFirst), vec![true]].concat();
    assert_eq!(framing.findings(&votes(bits.clone())), []);
    bits[9] = false;
    assert_eq!(framing.findings(&votes(bits)), failed(Check::KnownBit { position: 9, value: true }));
}
