//! What must hold for every block.

use proptest::prelude::*;

use super::*;

/// Votes of any strength, some lost, some tied in strength.
fn votes(bits: usize) -> impl Strategy<Value = Vec<Llr>> {
    let vote = prop_oneof![4 => -9.0..9.0_f32, 1 => Just(0.0), 1 => Just(2.0), 1 => Just(-2.0), 1 => -200.0..200.0_f32];
    prop::collection::vec(vote.prop_map(Llr), bits)
}

type Choice = (Box<dyn CheckMachine>, usize, fn(&[u8; 3]) -> Vec<bool>);

/// Each machine for a block of four bytes, with a way to make a valid word from data that does not use the machine.
fn machine(index: usize) -> Choice {
    const MSB: ByteFrame = ByteFrame::bare(BitOrder::MsbFirst);
    match index {
        0 => (Box::new(ParityXor { bytes: 4 }), 36, |data| twin_copy(data)),
        1 => (Box::new(XorByte { frame: MSB }), 32, |[a, b, c]| bits_of(&[*a, *b, *c, a ^ b ^ c], BitOrder::MsbFirst)),
        2 => (Box::new(SumByte { frame: MSB, bytes: 4, end_around: false }), 32, |[a, b, c]| {
            bits_of(&[*a, *b, *c, a.wrapping_add(*b).wrapping_add(*c)], BitOrder::MsbFirst)
        }),
        _ => (Box::new(Crc16::new(MSB, Crc16Params::XMODEM)), 40, |data| {
            let crc = crc::Crc::<u16>::new(&crc::CRC_16_XMODEM).checksum(data);
            bits_of(&[&data[..], &crc.to_be_bytes()].concat(), BitOrder::MsbFirst)
        }),
    }
}

fn check_block(index: usize, llrs: &[Llr], others: &[[u8; 3]]) -> Result<(), TestCaseError> {
    let (machine, bits, word) = machine(index);
    let llrs = &llrs[..bits];
    let words = k_best(&*machine, llrs, 16);
    prop_assert_eq!(words.len(), 16);
    prop_assert_eq!(most_probable(&*machine, llrs), words.first().cloned());
    for (i, word) in words.iter().enumerate() {
        prop_assert!(obeys(&*machine, &word.bits));
        prop_assert!((word.cost - cost(&word.bits, llrs)).abs() < 1e-9);
        let against = (0..bits).filter(|&i| llrs[i].0 != 0.0 && word.bits[i] != (llrs[i].0 > 0.0));
        prop_assert_eq!(&word.flipped, &against.collect::<Vec<_>>());
        prop_assert!(words[..i].iter().all(|earlier| earlier.bits != word.bits && earlier.cost <= word.cost));
    }
    // No valid block found by blind search is cheaper.
    for data in others {
        let other = word(data);
        prop_assert!(obeys(&*machine, &other));
        let other = cost(&other, llrs);
        prop_assert!(other >= words[0].cost - 1e-9, "{} is beaten by {other}", words[0].cost);
    }
    // More of nothing changes nothing; weaker votes of one proportion decide the same.
    let more: Vec<Llr> = llrs.iter().map(|&llr| llr + Llr::LOST).collect();
    prop_assert_eq!(k_best(&*machine, &more, 16), words.clone());
    prop_assert_eq!(posteriors(&*machine, &more), posteriors(&*machine, llrs));
    let halves: Vec<Llr> = llrs.iter().map(|&llr| llr * 0.5).collect();
    prop_assert!((most_probable(&*machine, &halves).unwrap().cost - 0.5 * words[0].cost).abs() < 1e-6);
    // The most probable block's probability is a lower bound of that of all valid blocks, and their sum below 1.
    let posterior = posteriors(&*machine, llrs).unwrap();
    let listed: f64 = words.iter().map(|w| (ln_probability(llrs, &w.bits) - posterior.ln_valid).exp()).sum();
    prop_assert!(listed <= 1.0 + 1e-9 && posterior.ln_valid <= 1e-9);
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn the_decoded_block_is_valid_and_none_is_cheaper(
        index in 0..3_usize,
        llrs in votes(40),
        others in prop::collection::vec(any::<[u8; 3]>(), 300),
    ) {
        check_block(index, &llrs, &others)?;
    }

    /// Turning all evidence of valid blocks by a valid block turns the result by it: linear codes look alike from
    /// every word.
    #[test]
    fn a_linear_code_looks_alike_from_every_word(llrs in votes(36), data in any::<[u8; 3]>()) {
        let machine = ParityXor { bytes: 4 };
        // The sum of two words of odd parity has even parity, so that the shift is the difference of two words.
        let shift: Vec<bool> = twin_copy(&data).iter().zip(twin_copy(&[0; 3])).map(|(a, b)| a ^ b).collect();
        let turned: Vec<Llr> = llrs.iter().zip(&shift).map(|(&llr, &turn)| if turn { -llr } else { llr }).collect();
        let (plain, turned) = (posteriors(&machine, &llrs).unwrap(), posteriors(&machine, &turned).unwrap());
        prop_assert!((plain.ln_valid - turned.ln_valid).abs() < 1e-6);
        for ((a, b), turn) in plain.llr.iter().zip(&turned.llr).zip(shift) {
            let b = if turn { -b.0 } else { b.0 };
            prop_assert!((a.0 - b).abs() < 1e-3 * a.0.abs().max(1.0) || a.0.abs() > 60.0 && b.abs() > 60.0);
        }
    }
}

proptest! {
    // 65,536 states a block: a few.
    #![proptest_config(ProptestConfig { cases: 6, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn the_same_holds_for_a_crc(llrs in votes(40), others in prop::collection::vec(any::<[u8; 3]>(), 3_000)) {
        check_block(3, &llrs, &others)?;
    }
}
