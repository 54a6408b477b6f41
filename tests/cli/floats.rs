//! Float files as they turn up: scaled to anything, with samples that are no sound. What is expected are the programs that were
//! written on the tape, and counts and places of the samples that were put in by hand.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use quorate::capture::Capture;
use quorate::recovery::Intake;
use quorate::tape::TwinCopy;
use serde_json::Value;

use crate::desk::{code, format, marsh, names, recover, stderr, verdict, wav};

const RATE: u32 = 44_100;

/// A good take of the station's tape, as floats of full scale 1.
fn good() -> Vec<f64> {
    let capture = Capture::open(&marsh().takes[1]).unwrap();
    let mut samples = vec![0.0; capture.info().frames as usize];
    capture.read(0, 0, &mut samples).unwrap();
    samples.into_iter().map(f64::from).collect()
}

fn write(folder: &Path, name: &str, samples: &[f64]) -> PathBuf {
    let data: Vec<u8> = samples.iter().flat_map(|&x| (x as f32).to_le_bytes()).collect();
    let path = folder.join(name);
    std::fs::write(&path, wav(format(3, 1, RATE, 32), &data)).unwrap();
    path
}

/// The result has the programs of the tape, all established, and `note` is said of the take.
fn is_whole(out: &Path, name: &str, note: &[&str]) {
    let found = verdict(out);
    let take = &found["takes"][0];
    let told = take["note"].as_str().unwrap_or_default();
    assert!(note.iter().all(|part| told.contains(part)), "{name}: {told}");
    assert_eq!(note.is_empty(), take["note"].is_null(), "{name}: {told}");
    let programs = found["programs"].as_array().unwrap();
    assert_eq!(programs.len(), marsh().programs.len(), "{name}: {found:#}");
    for (verdict, written) in programs.iter().zip(&marsh().programs) {
        assert_eq!(verdict["verdict"], "established", "{name}: {verdict:#}");
        let bytes = std::fs::read(out.join(verdict["data"].as_str().unwrap())).unwrap();
        // a data file comes in whole blocks
        assert!(bytes.starts_with(&written.bytes), "{name}");
    }
}

#[test]
fn floats_of_any_scale_are_read_by_their_own_level() {
    let folder = tempfile::tempdir().unwrap();
    let good = good();
    let scaled = |gain: f64, offset: f64| good.iter().map(|x| x * gain + offset).collect::<Vec<f64>>();
    let mut click = scaled(32_768.0, 0.0);
    click[200_000] = 1e6;
    let other = "scaled to another full scale than 1";
    for (name, samples, note) in [
        ("as-it-is.wav", scaled(1.0, 0.0), &[][..]),
        ("sixteen-bits.wav", scaled(32_768.0, 0.0), &[other]),
        ("faint.wav", scaled(1e-5, 0.0), &[other]),
        // under 1.2e-38 an f32 is denormal (IEEE 754)
        ("denormal.wav", scaled(1e-40, 0.0), &[other]),
        ("offset.wav", scaled(1.0, 0.7), &[]),
        ("far-offset.wav", scaled(1.0, 1_000.0), &[other]),
        ("click.wav", click, &[other]),
    ] {
        let path = write(folder.path(), name, &samples);
        let out = folder.path().join(format!("{name}-out"));
        let done = recover(&[path], &out, &["--quiet"]);
        assert_eq!((code(&done), stderr(&done)), (0, String::new()), "{name}");
        is_whole(&out, name, note);
    }
}

#[test]
fn samples_that_are_no_sound_are_silence_and_said() {
    let folder = tempfile::tempdir().unwrap();
    let good = good();
    let with = |at: &[usize], value: f64| {
        let mut samples = good.clone();
        at.iter().for_each(|&i| samples[i] = value);
        samples
    };
    // sample 44,100 is at 1 s, 441 of them last 10 ms
    let run: Vec<usize> = (44_100..44_541).collect();
    for (name, samples, note) in [
        ("one-exponent.wav", with(&[88_200], 1e37), &["1 sample is", "at 2.000 s"][..]),
        ("not-numbers.wav", with(&run, f64::NAN), &["441 samples are", "from 1.000 s to 1.010 s"]),
        ("infinite.wav", with(&[22_050, 132_300], f64::INFINITY), &["2 samples are", "from 0.500 s to 3.000 s"]),
        ("minus-infinite.wav", with(&[0], f64::NEG_INFINITY), &["1 sample is", "at 0.000 s", "save it again"]),
    ] {
        let path = write(folder.path(), name, &samples);
        let out = folder.path().join(format!("{name}-out"));
        let done = recover(&[path], &out, &["--quiet"]);
        assert_eq!((code(&done), stderr(&done)), (0, String::new()), "{name}");
        is_whole(&out, name, note);
        let verified = crate::desk::program().arg("verify").arg(&out).output().unwrap();
        assert_eq!(code(&verified), 0, "{}", stderr(&verified));
    }
}

#[test]
fn where_nothing_is_left_it_is_said_which_samples_are_lost() {
    let folder = tempfile::tempdir().unwrap();
    let nothing = write(folder.path(), "all.wav", &vec![f64::NAN; 4_410]);
    let done = recover(&[&nothing], &folder.path().join("out"), &[]);
    assert_eq!(code(&done), 2);
    for part in ["all.wav: none of its samples is a sound", "from 0.000 s to 0.100 s"] {
        assert!(stderr(&done).contains(part), "{}", stderr(&done));
    }
    let mut half = vec![0.01; 44_100];
    half[22_050..].fill(f64::INFINITY);
    let half = write(folder.path(), "half.wav", &half);
    let done = recover(&[&half], &folder.path().join("out"), &[]);
    assert_eq!(code(&done), 5);
    for part in ["no data found", "Of half.wav 22,050 samples are", "from 0.500 s to 1.000 s"] {
        assert!(stderr(&done).contains(part), "{}", stderr(&done));
    }
    assert_eq!(names(folder.path()), ["all.wav", "half.wav"]);
    // beside a good take it is left out, and the good one is not lost
    let out = folder.path().join("out");
    let done = recover(&[&nothing, &marsh().takes[1]], &out, &["--quiet"]);
    assert_eq!(code(&done), 0, "{}", stderr(&done));
    let takes = verdict(&out)["takes"].clone();
    let used: Vec<&Value> = takes.as_array().unwrap().iter().filter(|t| t["used"] == true).collect();
    assert_eq!((used.len(), &used[0]["file"]), (1, &Value::from("take-a.wav")));
}

/// Headers that name the wrong kind of samples: nothing may break, whatever is heard.
#[test]
fn samples_of_another_kind_than_the_header_says_break_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let floats: Vec<u8> = good().iter().flat_map(|&x| (x as f32).to_le_bytes()).collect();
    let whole: Vec<u8> = good().iter().flat_map(|&x| ((x * 2e9) as i32).to_le_bytes()).collect();
    let mut state = 1u32;
    // a linear congruential generator: any bits will do
    let mut any = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        state.to_be_bytes()
    };
    let noise: Vec<u8> = (0..200_000).flat_map(|_| any()).collect();
    for (name, tag, bits, data) in [
        ("floats-as-integers.wav", 1, 32, &floats),
        ("integers-as-floats.wav", 3, 32, &whole),
        ("floats-as-shorts.wav", 1, 16, &floats),
        ("noise-as-floats.wav", 3, 32, &noise),
        ("noise-as-doubles.wav", 3, 64, &noise),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, wav(format(tag, 1, RATE, bits), data)).unwrap();
        let done = recover(&[&path], &folder.path().join(format!("{name}-out")), &["--quiet"]);
        assert!([0, 2, 5].contains(&code(&done)), "{name}: {}", stderr(&done));
        assert!(!stderr(&done).contains("fault of quorate"), "{name}: {}", stderr(&done));
    }
}

/// What would be a fault of ours, wherever it lies: it ends one take, not the others.
#[test]
fn a_panic_on_one_take_leaves_the_others() {
    let first = AtomicBool::new(true);
    let progress = |_: f64, _: &str| {
        assert!(!first.swap(false, Ordering::Relaxed), "a made-up fault");
    };
    let intake = Intake::receive(&marsh().takes, &TwinCopy::default(), &progress).unwrap();
    assert_eq!((intake.received.len(), intake.skipped.len()), (2, 1));
    let reason = &intake.skipped[0].reason;
    for part in ["a fault of quorate on this take (a made-up fault)", "the other takes were used", "report this"] {
        assert!(reason.contains(part), "{reason}");
    }
}
