//! The channel model against figures from outside it. More checks, by SciPy on written takes: oracles/channel.py.

use quorate::channel::{self, Knobs, Recipe, damage};
use quorate::tape::twin_copy::{self, TapeFile};
use quorate::tape::{Kind, Program, Pulse};
use quorate::{Error, capture::Capture};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::path::Path;

/// A tape of 1 s leaders and a few blocks, 5.3 s long.
fn tape() -> Vec<Pulse> {
    let bytes = (0..40).map(|i| (i * 37 + 11) as u8).collect();
    let program = Program { kind: Kind::Code, name: b"TIDE TABLE".to_vec(), load_address: Some(0x2000), bytes };
    let file = TapeFile { header_leader_s: 1.0, data_leader_s: 1.0, gap_s: 0.3, ..TapeFile::usual(program) };
    twin_copy::write(&[file])
}

/// No speed variation, no noise, nothing cut off at the ends: tape seconds are seconds of the take.
fn steady() -> Knobs {
    Knobs {
        record_wow_rms: 0.0,
        drift_rms: 0.0,
        wow_rms: 0.0,
        flutter_rms: 0.0,
        before_s: 0.0,
        after_s: 0.0,
        snr_db: None,
        ..Knobs::default()
    }
}

fn rms(x: &[f32]) -> f64 {
    (x.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / x.len() as f64).sqrt()
}

fn digest(x: &[f32]) -> String {
    let bytes: Vec<u8> = x.iter().flat_map(|x| x.to_le_bytes()).collect();
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// Losses in dB at 1200, 2400 and 4800 Hz and 47.6 mm/s, calculated apart from this code: spacing by Wallace, Bell System
/// Technical Journal 1951 (from memory), gap by Eargle 1994, eq. 167.1, azimuth by the formula from memory.
#[test]
fn losses_are_those_of_the_published_formulas() {
    type Row = (&'static str, fn(f64) -> f64, [f64; 3]);
    let rows: [Row; 8] = [
        ("spacing 1 um", |w| channel::spacing_loss_db(1.0, w), [1.376, 2.752, 5.503]),
        ("spacing 5 um", |w| channel::spacing_loss_db(5.0, w), [6.879, 13.758, 27.517]),
        ("gap 2 um", |w| channel::gap_loss_db(2.0, w), [0.045, 0.180, 0.728]),
        ("mono 10'", |w| channel::azimuth_loss_db(10.0, 1.5, w), [0.174, 0.703, 2.967]),
        ("mono 20'", |w| channel::azimuth_loss_db(20.0, 1.5, w), [0.703, 2.967, 17.51]),
        ("stereo 10'", |w| channel::azimuth_loss_db(10.0, 0.6, w), [0.028, 0.111, 0.447]),
        ("stereo 20'", |w| channel::azimuth_loss_db(20.0, 0.6, w), [0.111, 0.447, 1.849]),
        ("mono -20'", |w| channel::azimuth_loss_db(-20.0, 1.5, w), [0.703, 2.967, 17.51]),
    ];
    for (name, loss, expected) in rows {
        for (hz, expected) in [1200.0, 2400.0, 4800.0].into_iter().zip(expected) {
            let found = loss(47_600.0 / hz);
            assert!((found - expected).abs() < 0.006, "{name} at {hz} Hz: {found}, expected {expected}");
        }
    }
    // First mono null at 2400 Hz: 45.45'.
    assert!(channel::azimuth_loss_db(45.45, 1.5, 47_600.0 / 2400.0) > 60.0);
}

/// The same table, measured on tones that went through the filter the deck uses.
#[test]
fn the_heads_filter_obeys_the_worked_losses() {
    use channel::losses::{Contact, Designer, convolve};
    let nothing = Contact { spacing_um: 0.0, gap_um: 0.0, azimuth_arcmin: 0.0, track_mm: 1.5 };
    let cases = [
        (Contact { spacing_um: 1.0, ..nothing }, [1.376, 2.752, 5.503]),
        (Contact { spacing_um: 5.0, ..nothing }, [6.879, 13.758, 27.517]),
        (Contact { gap_um: 2.0, ..nothing }, [0.045, 0.180, 0.728]),
        (Contact { azimuth_arcmin: 20.0, ..nothing }, [0.703, 2.967, 17.51]),
    ];
    for rate in [22_050.0, 44_100.0, 96_000.0] {
        for (contact, expected) in &cases {
            let taps = Designer::new(rate).filter(contact);
            for (hz, expected) in [1200.0, 2400.0, 4800.0].into_iter().zip(expected) {
                let tone = |n: usize| (std::f64::consts::TAU * hz * n as f64 / rate).sin() as f32;
                let x: Vec<f32> = (0..rate as usize / 2).map(tone).collect();
                let middle = x.len() / 4..x.len() / 4 + (rate / 100.0) as usize * 10;
                let loss = 20.0 * (rms(&x[middle.clone()]) / rms(&convolve(&x, &taps)[middle])).log10();
                assert!((loss - expected).abs() < 0.05, "{contact:?} {hz} Hz at {rate}: {loss}, expected {expected}");
            }
        }
    }
}

/// An edge is placed between samples: the wave of a 1000 Hz square, all else off, has the Fourier series of a square.
#[test]
fn a_square_wave_has_the_harmonics_of_its_fourier_series_and_no_aliases() {
    let open = Knobs {
        write_jitter_us: 0.0,
        spacing_um: 0.0,
        gap_um: 0.0,
        record_lowpass_hz: 0.0,
        playback_lowpass_hz: 0.0,
        highpass_hz: 0.0,
        droop_hz: 0.0,
        level_dbfs: -6.0,
        ..steady()
    };
    // 1/1234 s does not fit the grid of samples; 100 whole cycles are measured, with a Hann window.
    let cycle = 1.0 / 1234.0;
    let x = channel::play(&[Pulse::Cycle(cycle); 400], &open, 1, 1);
    let line = |hz: f64| {
        let (from, to) = (100.0 * cycle * 44_100.0, 300.0 * cycle * 44_100.0);
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in x.iter().enumerate().take(to as usize).skip(from.ceil() as usize) {
            let phase = (n as f64 - from) / (to - from) * std::f64::consts::TAU;
            let weight = (1.0 - phase.cos()) * f64::from(*x) * 2.0 / (to - from);
            let angle = std::f64::consts::TAU * hz * n as f64 / 44_100.0;
            re += weight * angle.cos();
            im += weight * angle.sin();
        }
        re.hypot(im)
    };
    // Harmonics 1/k, k odd. The first is 4/π of a square's rms, and a little more of what is left below 18 kHz: harmonics
    // 1 to 13 hold (8/π²)·(1 + 1/9 + … + 1/169) = 0.9709 of a square's power.
    let unit = line(1234.0);
    let expected = 10f64.powf(-6.0 / 20.0) * 4.0 / std::f64::consts::PI / 0.9709f64.sqrt();
    assert!((unit / expected - 1.0).abs() < 0.002, "{unit}, expected {expected}");
    for k in [3.0, 5.0, 7.0, 9.0, 11.0] {
        assert!((line(k * 1234.0) / (unit / k) - 1.0).abs() < 0.002, "harmonic {k}: {}", line(k * 1234.0) / unit);
    }
    for hz in [1234.0 * 2.0, 1234.0 * 4.0, 500.0, 1800.0, 3100.0, 9000.0] {
        assert!(line(hz) < unit * 1e-3, "{hz} Hz: {}", line(hz));
    }
}

/// The definition is binding: rms of the data wave over rms of the noise in the full band, where data is.
#[test]
fn the_signal_to_noise_ratio_is_the_one_asked_for() {
    for (snr_db, low_share) in [(12.0, 0.5), (0.0, 0.0), (-4.0, 1.0), (25.0, 0.2)] {
        let knobs = Knobs { noise_low_share: low_share, droop_hz: 0.0, level_dbfs: -30.0, ..steady() };
        let clean = channel::play(&tape(), &knobs, 1, 2);
        let noisy = channel::play(&tape(), &Knobs { snr_db: Some(snr_db), ..knobs }, 1, 2);
        let noise: Vec<f32> = noisy.iter().zip(&clean).map(|(a, b)| a - b).collect();
        let data = 0..clean.len() - 44_100 * 3 / 10;
        let found = 20.0 * (rms(&clean[data.clone()]) / rms(&noise[data])).log10();
        assert!((found - snr_db).abs() < 0.35, "asked for {snr_db} dB, found {found}");
        assert!((20.0 * rms(&clean[..44_100]).log10() + 30.0).abs() < 0.5, "level");
    }
}

#[test]
fn shared_dropouts_are_in_the_same_places_in_all_takes_and_own_ones_are_not() {
    let knobs = Knobs { shared_dropouts_per_s: 2.0, own_dropouts_per_s: 2.0, ..steady() };
    let (a, b) = (damage(60.0, &knobs, 5, 1), damage(60.0, &knobs, 5, 2));
    let places = |d: &[channel::Dropout], shared| -> Vec<(f64, f64)> {
        d.iter().filter(|d| d.shared == shared).map(|d| (d.from, d.to)).collect()
    };
    assert_eq!(places(&a, true), places(&b, true));
    assert_ne!(places(&a, false), places(&b, false));
    let lifts = |d: &[channel::Dropout]| -> Vec<f64> { d.iter().filter(|d| d.shared).map(|d| d.lift_um).collect() };
    assert!(lifts(&a).iter().zip(lifts(&b)).all(|(a, b)| *a != b && a / b <= 3.0 && b / a <= 3.0));
    // 120 expected: five standard deviations of a Poisson count to either side.
    assert!((66..=174).contains(&places(&a, true).len()), "{}", places(&a, true).len());
    // Another tape is damaged elsewhere; the start of a longer tape is damaged as the shorter one.
    assert_ne!(places(&damage(60.0, &knobs, 6, 1), true), places(&a, true));
    let longer = places(&damage(90.0, &knobs, 5, 1), true);
    assert_eq!(longer[..places(&a, true).len()], places(&a, true));
}

/// Two takes at different speeds, with the shared dropouts alone: measured in the waves, levels fall at the same tape
/// seconds.
#[test]
fn both_waves_fall_where_the_tape_is_damaged() {
    let leader = vec![Pulse::Cycle(390e-6); 20_000];
    let damaged = |speed_error, take| {
        let knobs = Knobs { speed_error, shared_dropouts_per_s: 3.0, dropout_lift_um: 60.0, ..steady() };
        let knobs = Knobs { dropout_max_ms: 60.0, ..knobs };
        let x = channel::play(&leader, &knobs, 3, take);
        // rms over every 10 ms of tape
        let length = 0.01 * 44_100.0 / (1.0 + speed_error);
        let part = |k: usize| rms(&x[(k as f64 * length) as usize..((k + 1) as f64 * length) as usize]);
        (5..770).filter(|&k| part(k) < 0.05).collect::<Vec<_>>()
    };
    let (a, b) = (damaged(0.05, 1), damaged(-0.04, 2));
    let common = a.iter().filter(|k| b.contains(k)).count();
    assert!(common >= 8 && common * 2 > a.len().max(b.len()), "{a:?} {b:?}");
}

#[test]
fn lost_stretches_are_silent_and_the_rest_is_untouched() {
    let knobs = Knobs { lost_s: vec![(0.5, 0.6)], lost_period_s: 1.0, lost_length_s: 0.05, ..steady() };
    let knobs = Knobs { lost_offset_s: 0.2, ..knobs };
    let (lossy, whole) = (channel::play(&tape(), &knobs, 1, 1), channel::play(&tape(), &steady(), 1, 1));
    let part = |x: &[f32], from: f64, to: f64| rms(&x[(from * 44_100.0) as usize..(to * 44_100.0) as usize]);
    for (from, to) in [(0.52, 0.59), (0.22, 0.24), (1.22, 1.24), (3.22, 3.24)] {
        assert!(part(&lossy, from, to) < 0.1 * part(&whole, from, to), "{from}");
    }
    for (from, to) in [(0.1, 0.19), (0.3, 0.45), (0.8, 1.1)] {
        assert!((part(&lossy, from, to) / part(&whole, from, to) - 1.0).abs() < 0.05, "{from}");
    }
}

#[test]
fn a_take_can_start_late_stop_early_and_run_fast() {
    let knobs = Knobs { start_s: 1.0, stop_s: Some(3.0), speed_error: 0.25, before_s: 0.5, after_s: 0.25, ..steady() };
    let x = channel::play(&tape(), &knobs, 1, 1);
    // 0.5 + 2 + 0.25 tape seconds at 1.25 times the speed: 2.2 s
    assert!(x.len().abs_diff((2.2 * 44_100.0) as usize) <= 2, "{}", x.len());
    assert!(rms(&x[..15_000]) < 1e-6 && rms(&x[18_000..80_000]) > 0.2 && rms(&x[93_000..]) < 0.1);
}

#[test]
fn the_captures_own_faults_are_there_when_asked_for() {
    let play = |knobs: Knobs| channel::play(&tape(), &knobs, 1, 1);
    let plain = play(steady());
    let inverted = play(Knobs { inverted: true, ..steady() });
    assert!(plain.iter().zip(&inverted).all(|(a, b)| *a == -*b));
    let clipped = play(Knobs { clip_at: 0.1, ..steady() });
    assert!(clipped.iter().all(|x| x.abs() <= 0.1) && clipped.iter().filter(|x| x.abs() == 0.1).count() > 100_000);
    let offset = play(Knobs { offset: 0.25, ..steady() });
    let mean = |x: &[f32]| x.iter().map(|x| f64::from(*x)).sum::<f64>() / x.len() as f64;
    assert!((mean(&offset) - mean(&plain) - 0.25).abs() < 1e-4);
    // The comparator's output is a square wave: nearly every sample stands at one of two levels.
    let adapter = play(Knobs { adapter: true, droop_hz: 0.0, level_dbfs: -6.0, ..steady() });
    let level = 10f32.powf(-6.0 / 20.0);
    let flat = adapter.iter().filter(|x| (x.abs() - level).abs() < 0.1 * level).count();
    assert!(flat * 10 > adapter.len() * 6, "{flat} of {}", adapter.len());
    assert!(adapter.iter().all(|x| x.abs() < 1.2 * level));
    // Automatic gain lifts what the dropouts and the gap leave: noise in the gap, at most by its range.
    let noisy = Knobs { snr_db: Some(30.0), ..steady() };
    let gap = plain.len() - 2_000..plain.len();
    let lifted = play(Knobs { agc_attack_ms: 2.0, agc_release_ms: 20.0, agc_range_db: 20.0, ..noisy.clone() });
    let ratio = 20.0 * (rms(&lifted[gap.clone()]) / rms(&play(noisy)[gap])).log10();
    assert!((15.0..=20.5).contains(&ratio), "{ratio}");
}

/// A capacitor with its corner at 20 Hz lets a level fall to 1/e in 7.96 ms (R·C = 1/(2π·f), any textbook).
#[test]
fn a_level_droops_with_the_time_constant_of_its_corner() {
    let knobs = Knobs { droop_hz: 20.0, highpass_hz: 0.0, playback_lowpass_hz: 0.0, spacing_um: 0.0, ..steady() };
    // Half a second of one level: a cycle of 1 s.
    let x = channel::play(&[Pulse::Cycle(1.0)], &knobs, 1, 1);
    let (early, late) = (f64::from(x[300]), f64::from(x[300 + 351]));
    assert!((late / early - (-1.0f64).exp()).abs() < 0.01, "{early} {late}");
}

/// Same knobs and seeds, same samples: the digest is that of the machine this was written on, fixed so that any change of
/// what a seed means is seen.
#[test]
fn the_samples_of_a_seed_never_change() {
    let knobs = Knobs {
        wow_rms: 0.006,
        shared_dropouts_per_s: 3.0,
        own_dropouts_per_s: 3.0,
        azimuth_arcmin: 12.0,
        hum_level: 0.1,
        agc_attack_ms: 5.0,
        snr_db: Some(10.0),
        write_tick_us: 1.015,
        ..Knobs::default()
    };
    let x = channel::play(&tape(), &knobs, 11, 12);
    assert_eq!(digest(&x), "bf3c69059a2e66e56d935ac89660dc8c1d3c2a6ffc4f7a158d1dc165c1a9f9d3");
    let square = channel::play(&tape(), &Knobs { adapter: true, adapter_jitter_us: 3.0, ..knobs.clone() }, 11, 12);
    assert_eq!(digest(&square), "8cbeddf047f67f4fad8d211be1b26d5adbe89c3440f49c8cfe68e35750fec860");
    assert_ne!(digest(&channel::play(&tape(), &knobs, 11, 13)), digest(&x));
    assert_ne!(digest(&channel::play(&tape(), &knobs, 10, 12)), digest(&x));
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(40))]

    /// Knobs that pass their check give finite samples within the clipping level, as many as the tape lasts.
    #[test]
    fn any_allowed_knobs_give_a_sound_take(
        (rate, speed_error, wow, flutter) in (16_000u32..96_000, -0.3..0.3, 0.0..0.05, 0.0..0.05),
        (start, length, before) in (0.0..8.0, 0.0..8.0, 0.0..0.3),
        (shared, own, lift, jitter) in (0.0..20.0, 0.0..20.0, 0.0..200.0, 0.0..500.0),
        (snr, level, clip, agc) in (-20.0..60.0, -40.0..20.0, 0.0..1.0, 0.0..10.0),
        (adapter, tick, seed) in (proptest::bool::ANY, 0.0..50.0, proptest::num::u64::ANY),
    ) {
        let knobs = Knobs {
            sample_rate: rate, speed_error, wow_rms: wow, flutter_rms: flutter, start_s: start,
            stop_s: Some(start + length), before_s: before, after_s: 0.0, shared_dropouts_per_s: shared,
            own_dropouts_per_s: own, dropout_lift_um: lift, write_jitter_us: jitter, snr_db: Some(snr),
            level_dbfs: level, clip_at: clip, agc_attack_ms: agc, adapter, write_tick_us: tick,
            record_lowpass_hz: 7_000.0, ..Knobs::default()
        };
        proptest::prop_assert_eq!(knobs.check(), Ok(()));
        let tape = tape();
        let end = tape.iter().map(|p| p.seconds()).sum::<f64>();
        let x = channel::play(&tape, &knobs, seed, seed ^ 1);
        proptest::prop_assert!(x.iter().all(|x| x.is_finite() && x.abs() <= clip as f32));
        let seconds = f64::max(f64::min(start + length, end) - start, 0.0) + before;
        let heard = x.len() as f64 / f64::from(rate) * (1.0 + speed_error);
        // Wow of 5 % rms, and ticks of up to 50 us on half cycles of 195 us and more.
        proptest::prop_assert!((heard - seconds).abs() <= 0.3 * (seconds + end) + 0.01, "{} for {}", heard, seconds);
    }
}

fn recipe() -> Value {
    json!({
        "seed": 7,
        "files": [
            { "name": "TIDE TABLE", "kind": "basic", "path": "tides.prg", "header_leader_s": 1, "data_leader_s": 0.5 },
            { "name": "RINGS", "kind": "code", "load_address": 49152, "hex": "a9 00 60", "header_leader_s": 0.5 },
            { "name": "LOG 1986", "kind": "data", "hex": "31322c3133", "header_leader_s": 0.5, "gap_s": 0 } ],
        "deck": { "wow_rms": 0.002, "shared_dropouts_per_s": 0.5 },
        "takes": [ { "name": "take-1" },
                   { "name": "take-2", "file": "second.wav", "knobs": { "snr_db": 8, "bits": 8, "wow_rms": 0 } } ] })
}

fn folder(recipe: &Value) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("recipe.json"), recipe.to_string()).unwrap();
    std::fs::write(folder.path().join("tides.prg"), b"\x01\x08\x07\x08\x0a\x00\x80\x00\x00\x00").unwrap();
    folder
}

fn run(folder: &Path, out: &str, seed: Option<u64>) -> Result<channel::Truth, Error> {
    channel::run(&folder.join("recipe.json"), &folder.join(out), seed, &mut |_, _, _| {})
}

#[test]
fn a_recipe_makes_takes_and_truth() {
    let folder = folder(&recipe());
    let folder = folder.path();
    run(folder, "a", None).unwrap();
    let read = |path: &str| std::fs::read(folder.join(path)).unwrap();
    let truth: Value = serde_json::from_slice(&read("a/truth/truth.json")).unwrap();
    assert_eq!(read("a/truth/p01.prg"), read("tides.prg"));
    assert_eq!(read("a/truth/p02.prg"), b"\x00\xc0\xa9\x00\x60");
    assert_eq!(read("a/truth/p03.bin"), b"12,13");
    // sha256 of the bytes a9 00 60 and of "12,13", by coreutils' sha256sum
    assert_eq!(truth["programs"][1]["sha256"], "34831b59f82b9703e0c7f9a85eb844b64d755aa7a58150a3debd249f82c76324");
    assert_eq!(truth["programs"][2]["sha256"], "94bc6c9f405001ff73595217b8ee341a011e224444783d71f9675ca3ce231eae");
    assert_eq!(truth["programs"][0]["load_address"], 0x0801);
    assert_eq!(truth["programs"][0]["blocks_s"].as_array().unwrap().len(), 2);
    assert_eq!(truth["takes"][0]["knobs"]["wow_rms"], 0.002);
    assert_eq!(truth["takes"][1]["knobs"]["wow_rms"], 0.0);
    let (takes, _) = channel::simulate(&serde_json::from_value(recipe()).unwrap(), folder).unwrap();
    for ((name, samples, rate), file) in takes.iter().zip(["a/take-1.flac", "a/second.wav"]) {
        let capture = Capture::open(&folder.join(file)).unwrap();
        let mut heard = vec![0.0; samples.len() + 1];
        assert_eq!(capture.read(0, 0, &mut heard).unwrap(), samples.len(), "{name}");
        assert!(samples.iter().zip(&heard).all(|(a, b)| f32::from(*a) / 32_768.0 == *b));
        assert_eq!(*rate, 44_100);
    }
    assert!(takes[1].1.iter().all(|x| x & 0xff == 0), "8 bits");

    // The same again, and another seed.
    run(folder, "b", None).unwrap();
    run(folder, "c", Some(8)).unwrap();
    for file in ["take-1.flac", "second.wav", "truth/truth.json"] {
        assert_eq!(read(&format!("a/{file}")), read(&format!("b/{file}")));
        assert_ne!(read(&format!("a/{file}")), read(&format!("c/{file}")));
    }
    // Nothing is overwritten.
    let again = run(folder, "a", None).unwrap_err();
    assert!(matches!(again, Error::Refused { .. }) && again.to_string().contains("take-1.flac"), "{again}");
}

#[test]
fn another_take_in_the_recipe_changes_no_other() {
    let folder = folder(&recipe());
    let mut more = recipe();
    let extra = json!({ "name": "take-0" });
    more["takes"].as_array_mut().unwrap().insert(0, extra);
    let few = serde_json::from_value::<Recipe>(recipe()).unwrap().prepare(folder.path()).unwrap();
    let more = serde_json::from_value::<Recipe>(more).unwrap().prepare(folder.path()).unwrap();
    assert_eq!(few.samples(0), more.samples(1));
    assert_ne!(more.samples(0), more.samples(1));
    assert_eq!(few.samples(2), None);
}

#[test]
fn a_wrong_recipe_is_refused_with_what_and_where() {
    let cases: [(&str, Value, &[&str]); 14] = [
        ("/sed", json!(1), &["recipe.json", "unknown field `sed`", "line 1"]),
        ("/deck/wov_rms", json!(1), &["take `take-1`", "unknown field `wov_rms`", "`wow_rms`"]),
        ("/takes/1/knobs/wow", json!(1), &["take `take-2`", "unknown field `wow`"]),
        ("/takes/1/knobs/snr_db", json!("loud"), &["take `take-2`", "\"loud\""]),
        ("/takes/1/knobs/bits", json!(12), &["take `take-2`", "`bits` is 12", "8 or 16"]),
        ("/deck/wow_rms", json!(1.2), &["`wow_rms` is 1.2", "between 0 and 0.05"]),
        ("/takes/1/file", json!("../x.wav"), &["take `take-2`", "../x.wav"]),
        ("/takes/1/name", json!("take-1"), &["share the name"]),
        ("/takes", json!([]), &["`takes`"]),
        ("/tone", json!({ "hz": 3150, "seconds": 1 }), &["either entries in `files` or a `tone`"]),
        ("/files/1/hex", json!("a9 0"), &["file `RINGS`", "odd number"]),
        ("/files/1/path", json!("tides.prg"), &["file `RINGS`", "either `path` or `hex`"]),
        ("/files/0/path", json!("none.prg"), &["none.prg", "cannot read"]),
        ("/files/1/name", json!("MORE THAN SIXTEEN"), &["17 characters"]),
    ];
    for (place, value, words) in cases {
        let mut wrong = recipe();
        let (parent, key) = place.rsplit_once('/').unwrap();
        match wrong.pointer_mut(parent).unwrap() {
            Value::Object(object) => object.insert(key.into(), value),
            _ => unreachable!("places are in objects"),
        };
        let folder = folder(&wrong);
        let error = run(folder.path(), "out", None).unwrap_err();
        assert_eq!(error.exit_code(), 2);
        assert!(words.iter().all(|w| error.to_string().contains(w)), "{place}: {error}");
        assert!(!folder.path().join("out").exists(), "{place}: nothing is written");
    }
}
