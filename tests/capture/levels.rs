//! How loud captures are, what of them is cut off, and what is no sound.

use quorate::capture::Lost;

use super::{Folder, chunk, fmt, mono16, riff};

#[test]
fn samples_that_are_no_sound_are_silence_and_counted() {
    for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e37, -1.5e6] {
        let mut samples = vec![0.5_f32; 2 * 44_100];
        samples[2 * 22_050 + 1] = bad;
        samples[2 * 33_075 + 1] = bad;
        let data: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
        let take = Folder::new().open(&riff(b"RIFF", &[fmt(3, 2, 44_100, 32), chunk(b"data", &data)])).unwrap();
        let [left, right] = take.survey().unwrap().channels[..] else { panic!("two channels") };
        assert_eq!((left.lost, right.lost), (None, Some(Lost { samples: 2, first_s: 0.5, last_s: 0.75 })));
        assert_eq!((right.peak, right.clipped), (0.5, 0));
        let mut read = [1.0; 100];
        assert_eq!(take.read(1, 22_000, &mut read).unwrap(), 100);
        assert_eq!((read[49], read[50], read[51]), (0.5, 0.0, 0.5));
    }
}

/// What floats over full scale mean: cut off there, or another scale. A sine of amplitude 1.5 is over 1.0 for
/// (2/pi) arccos(1/1.5) = 0.535 of its time, by hand.
#[test]
fn floats_of_another_scale_are_not_clipped() {
    let level = |amplitude: f64, cut: f64| {
        let wave = (0..44_100).map(|n| (f64::from(n) * 0.4).sin() * amplitude);
        let data: Vec<u8> = wave.flat_map(|x| (x.clamp(-cut, cut) as f32).to_le_bytes()).collect();
        let take = Folder::new().open(&riff(b"RIFF", &[fmt(3, 1, 44_100, 32), chunk(b"data", &data)])).unwrap();
        (take.survey().unwrap().channels[0].clipped as f64 / 44_100.0, take.loudness(0).unwrap())
    };
    let (clipped, loud) = level(1.5, 1.0);
    assert!((clipped - 0.535).abs() < 0.01, "{clipped}");
    assert!((loud.amplitude - 1.0).abs() < 0.1 && loud.middle.abs() < 0.1, "{loud:?}");
    for amplitude in [1.5, 32_767.0] {
        let (clipped, loud) = level(amplitude, f64::INFINITY);
        assert_eq!(clipped, 0.0);
        // within a third of a millisecond, 14 samples of 0.4 radians each, the sine has nearly a whole turn
        assert!((0.9..=1.0).contains(&(loud.amplitude / amplitude)), "{loud:?}");
    }
}

#[test]
fn levels() {
    // A sine of amplitude a has rms a/√2 over whole periods; the offset adds to the mean.
    let sine = |n: usize| 0.5 * (n as f64 * std::f64::consts::TAU / 100.0).sin() + 0.125;
    let data: Vec<u8> =
        (0..100_000).flat_map(|n| [(sine(n) as f32).to_le_bytes(), 1.0_f32.to_le_bytes()]).flatten().collect();
    let take = Folder::new().open(&riff(b"RIFF", &[fmt(3, 2, 44_100, 32), chunk(b"data", &data)])).unwrap();
    let [left, right] = take.survey().unwrap().channels[..] else { panic!() };
    assert!((left.mean - 0.125).abs() < 1e-6 && (left.peak - 0.625).abs() < 1e-6 && left.clipped == 0);
    assert!((left.rms - (0.125_f64 + 0.125 * 0.125).sqrt()).abs() < 1e-6);
    assert_eq!((right.rms, right.peak, right.mean, right.clipped), (1.0, 1.0, 1.0, 100_000));
    let take = Folder::new().open(&mono16(&[i16::MAX, i16::MIN, 32_766, -32_767, 0])).unwrap();
    assert_eq!(take.survey().unwrap().channels[0].clipped, 2);
}

/// Shares by hand: a sine cut off at half its amplitude is there for two thirds of the time (arccos ½ = π/3); an 8-bit sine of
/// seven steps is at its ends for much of the time without being cut off.
#[test]
fn a_wave_cut_off_below_full_scale_is_known_by_its_flat_tops() {
    let survey = |samples: &[i16]| Folder::new().open(&mono16(samples)).unwrap().survey().unwrap().channels[0];
    let wave = |peak: f64, ceiling: f64| -> Vec<i16> {
        let sine = |n: usize| peak * (n as f64 * 0.4321).sin();
        (0..100_000).map(|n| sine(n).clamp(-ceiling, ceiling).round() as i16).collect()
    };
    let cut = survey(&wave(16_000.0, 8_000.0));
    assert!((0.66..0.67).contains(&(cut.flat as f64 / 1e5)) && cut.clipped == 0, "{cut:?}");
    for peak in [30_000.0, 1_000.0, 100.0, 7.0, 1.0] {
        assert_eq!(survey(&wave(peak, 32_000.0)).flat, 0, "{peak}");
    }
    // silence, and a constant: no wave at all; an exact period meets its peak once a cycle
    assert_eq!((survey(&[0; 1_000]).flat, survey(&[5; 1_000]).flat), (0, 0));
    let exact: Vec<i16> = (0..10_000).map(|n| [0, 20_000, 0, -20_000][n % 4]).collect();
    assert_eq!(survey(&exact).flat, 0);
    // cut off at full scale is told by `clipped`
    let full = survey(&wave(60_000.0, 32_768.0));
    assert!(full.clipped > 10_000 && full.flat == 0, "{full:?}");
}

/// A square wave of 20 samples a cycle, of which two stand between its levels, from -1 to 1: nine tenths are at full scale, and it
/// is on its way for one tenth. A sine cut off at half its amplitude is within half of its height for (2/pi) arcsin(1/4) = 0.16
/// of its time; with as much silence as sound it is there for more than half.
#[test]
fn two_levels_are_no_wave_that_is_cut_off() {
    let survey = |wave: &dyn Fn(usize) -> f64| {
        let samples: Vec<i16> = (0..100_000).map(|n| (wave(n) * 32_768.0).clamp(-32_768.0, 32_767.0) as i16).collect();
        Folder::new().open(&mono16(&samples)).unwrap().survey().unwrap().channels[0]
    };
    let square = survey(&|n| [0.3, 1.0, -0.3, -1.0][usize::from(n % 10 != 0) + 2 * usize::from(n % 20 >= 10)]);
    assert!(square.square && (square.clipped as f64 / 1e5 - 0.9).abs() < 0.01, "{square:?}");
    // from nothing to full scale, as an adapter without a coupling capacitor gives it
    let raised = survey(&|n| [0.5, 1.0, 0.5, 0.0][usize::from(n % 10 != 0) + 2 * usize::from(n % 20 >= 10)]);
    assert!(raised.square, "{raised:?}");
    let sine = |n: usize| 2.0 * (n as f64 * 0.4321).sin();
    let cut = survey(&|n| if n % 20_000 < 10_000 { sine(n) } else { 0.0 });
    assert!(!cut.square && cut.clipped > 30_000, "{cut:?}");
    // of what is not cut off it is not asked
    assert!(!survey(&|n| 0.3 * sine(n)).square);
}
