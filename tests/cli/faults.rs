//! What can't be read, what holds no data, what can't be written: exit codes, one clear line each, nothing left behind.

use std::path::{Path, PathBuf};
use std::process::Stdio;

use crate::desk::{code, format, marsh, misprint, names, program, recover, stderr, stdout, wav};

/// One line on standard error with `says` in it, nothing on standard output, no trace on the disk.
fn refused(folder: &Path, take: &Path, exit: i32, says: &str) {
    let before = names(folder);
    let output = recover(&[take], &folder.join("out"), &[]);
    let told = stderr(&output);
    assert_eq!(code(&output), exit, "{take:?}: {told}");
    assert_eq!(told.lines().count(), 1, "{take:?}: {told}");
    assert!(told.starts_with("error: ") && told.contains(says), "{take:?}: {told}");
    assert_eq!(stdout(&output), "");
    assert_eq!(names(folder), before, "{take:?} left something behind");
}

#[test]
fn what_is_no_capture_is_refused_in_one_line() {
    let folder = tempfile::tempdir().unwrap();
    let sound = wav(format(1, 1, 44_100, 16), &[0; 8_820]);
    let nan: Vec<u8> = std::iter::repeat_n(f32::NAN.to_le_bytes(), 4_410).flatten().collect();
    for (name, bytes, says) in [
        ("notes.txt", &b"Redshank, two young, ringed at the sluice.\n"[..], "text"),
        ("empty.wav", b"", "empty"),
        ("short.wav", &sound[..20], ""),
        ("header.wav", &sound[..40], ""),
        ("no-frames.wav", &wav(format(1, 1, 44_100, 16), &[]), ""),
        ("nan.wav", &wav(format(3, 1, 44_100, 32), &nan), ""),
        ("no-rate.wav", &wav(format(1, 1, 0, 16), &[0; 8_820]), "0 Hz"),
        ("choir.wav", &wav(format(1, 500, 44_100, 16), &[0; 100_000]), "500 channels"),
        ("noise.flac", &[b"fLaC".as_slice(), &[0x5A; 200]].concat(), ""),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        refused(folder.path(), &path, 2, says);
        refused(folder.path(), &path, 2, name);
    }
    refused(folder.path(), &folder.path().join("not-there.wav"), 2, "not-there.wav");
    let inner = folder.path().join("takes");
    std::fs::create_dir(&inner).unwrap();
    refused(folder.path(), &inner, 2, "folder");
}

#[test]
fn when_no_take_can_be_read_each_has_its_line() {
    let folder = tempfile::tempdir().unwrap();
    let paths: Vec<PathBuf> = ["a.wav", "b.wav", "c.wav"].map(|n| folder.path().join(n)).to_vec();
    std::fs::write(&paths[0], "no sound").unwrap();
    std::fs::write(&paths[2], "").unwrap();
    let output = recover(&paths, &folder.path().join("out"), &[]);
    let told = stderr(&output);
    assert_eq!(code(&output), 2);
    assert_eq!(told.lines().count(), 3, "{told}");
    assert!(["a.wav", "b.wav", "c.wav"].iter().zip(told.lines()).all(|(name, line)| line.contains(name)), "{told}");
    assert_eq!(names(folder.path()), ["a.wav", "c.wav"]);
}

#[test]
fn music_noise_and_silence_hold_no_data() {
    let folder = tempfile::tempdir().unwrap();
    let rate = 44_100u32;
    // four seconds of chords: three partials each, the chord changing twice a second
    let music = |n: usize| {
        let t = n as f64 / f64::from(rate);
        let root = 220.0 * 2f64.powf(((t * 2.0) as u32 * 5 % 12) as f64 / 12.0);
        [1.0, 1.25, 1.5, 4.0].iter().map(|k| (std::f64::consts::TAU * root * k * t).sin()).sum::<f64>() / 6.0
    };
    // a linear congruential generator (Numerical Recipes' constants, from memory): any noise will do
    let mut state = 1u32;
    let mut noise = |_: usize| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state as i32) / f64::from(i32::MAX) * 0.3
    };
    let length = 4 * rate as usize;
    let sounds: [(&str, Vec<f64>); 3] = [
        ("music.wav", (0..length).map(music).collect()),
        ("noise.wav", (0..length).map(&mut noise).collect()),
        ("silence.wav", vec![0.0; length]),
    ];
    for (name, samples) in sounds {
        let data: Vec<u8> = samples.iter().flat_map(|x| ((x * 32_767.0) as i16).to_le_bytes()).collect();
        let path = folder.path().join(name);
        std::fs::write(&path, wav(format(1, 1, rate, 16), &data)).unwrap();
        refused(folder.path(), &path, 5, "no data");
    }
}

#[test]
fn a_bad_take_among_good_ones_is_named_and_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let bad = folder.path().join("take-bad.wav");
    std::fs::write(&bad, "Dunlin, 12\n").unwrap();
    let takes = [marsh().takes.clone(), vec![bad]].concat();
    let out = folder.path().join("out");
    let output = recover(&takes, &out, &[]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert!(stdout(&output).contains("take-bad.wav") && stdout(&output).contains("Skipped"), "{}", stdout(&output));
    let found = crate::desk::verdict(&out);
    let skipped = found["takes"].as_array().unwrap().iter().find(|t| t["file"] == "take-bad.wav").unwrap();
    assert_eq!(skipped["used"], false);
    assert!(skipped["note"].as_str().unwrap().contains("text"), "{skipped}");
    let used = found["takes"].as_array().unwrap().iter().filter(|t| t["used"] == true).count();
    assert_eq!(used, 3);
    // the machine's reader sees it too: on standard error, unless quiet
    let output = recover(&takes, &out, &["--json"]);
    assert!(stderr(&output).starts_with("skipped: ") && stderr(&output).contains("take-bad.wav"));
    let output = recover(&takes, &out, &["--json", "--quiet"]);
    assert_eq!(stderr(&output), "");
}

#[test]
fn require_tells_by_the_exit_code_and_writes_all_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    for (level, exit) in [("open", 0), ("supported", 0), ("established", 3)] {
        let output = recover(&misprint().takes, &out, &["--require", level]);
        assert_eq!(code(&output), exit, "{}", stdout(&output));
        assert!(out.join("verdict.json").is_file());
    }
    assert_eq!(code(&recover(&marsh().takes, &out, &["--replace", "--require", "established"])), 0);
    assert_eq!(std::fs::read(out.join("programs/p01.bin")).unwrap(), marsh().programs[0].bytes);
    let output = recover(&misprint().takes, &out, &["--replace", "--require", "established", "--quiet"]);
    assert_eq!((code(&output), stderr(&output)), (3, String::new()));
}

#[test]
fn bad_usage_exits_with_2() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let take = marsh().takes[0].as_os_str();
    let take = take.to_str().unwrap();
    let out = out.to_str().unwrap();
    for arguments in [
        &[][..],
        &["recover"],
        &["recover", take],
        &["recover", "--out", out],
        &["recover", take, "--out", out, "--require", "certain"],
        &["recover", take, "--out", out, "--threads", "0"],
        &["recover", take, "--out", ""],
        &["repair"],
        &["simulate"],
    ] {
        let output = program().args(arguments).output().unwrap();
        assert_eq!(code(&output), 2, "{arguments:?}");
        assert!(stdout(&output).is_empty() && !stderr(&output).is_empty(), "{arguments:?}");
    }
    assert!(names(folder.path()).is_empty());
}

#[test]
fn help_version_and_formats_exit_with_0() {
    for (arguments, says) in [
        (&["--version"][..], env!("CARGO_PKG_VERSION")),
        (&["--help"], "copyright"),
        (&["recover", "--help"], "loud and harsh"),
        (&["simulate", "--help"], "truth.json"),
        (&["formats"], "twin-copy"),
    ] {
        let output = program().args(arguments).output().unwrap();
        assert_eq!((code(&output), stderr(&output)), (0, String::new()), "{arguments:?}");
        assert!(stdout(&output).contains(says), "{arguments:?}: {}", stdout(&output));
    }
}

#[cfg(target_os = "linux")]
mod outputs {
    use super::*;
    use std::fs::File;

    #[test]
    fn a_folder_that_cannot_be_made_exits_with_4() {
        // no process may make a folder there, root neither
        let output = recover(&marsh().takes, Path::new("/proc/quorate/out"), &[]);
        assert_eq!((code(&output), stdout(&output)), (4, String::new()));
        assert!(
            stderr(&output).lines().count() == 1
                && stderr(&output).contains("cannot write: nothing can be made in this place; name another"),
            "{}",
            stderr(&output)
        );
    }

    /// No file may grow over 512 bytes: the listing and the program of 100 bytes still fit, the pulse image does not.
    #[test]
    fn a_disk_that_fills_up_exits_with_4_and_leaves_the_earlier_result() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("out");
        let run = |limit: &str| {
            let script = format!("trap '' XFSZ; {limit}; exec \"$0\" recover \"$1\" --out \"$2\"");
            let mut shell = std::process::Command::new("sh");
            let quorate = assert_cmd::cargo::cargo_bin!("quorate");
            shell.arg("-c").arg(script).arg(quorate).arg(&misprint().takes[0]).arg(&out).output().unwrap()
        };
        let output = run("ulimit -f 1");
        assert_eq!((code(&output), stderr(&output).lines().count()), (4, 1), "{}", stderr(&output));
        assert!(names(folder.path()).is_empty(), "{:?}", names(folder.path()));
        assert_eq!(code(&run("true")), 0);
        let before = std::fs::read(out.join("run.json")).unwrap();
        assert_eq!(code(&run("ulimit -f 1")), 4);
        assert_eq!(std::fs::read(out.join("run.json")).unwrap(), before);
        assert_eq!(names(folder.path()), ["out"]);
    }

    #[test]
    fn a_full_standard_output_exits_with_4() {
        let folder = tempfile::tempdir().unwrap();
        let mut command = program();
        command.arg("recover").arg(&misprint().takes[0]).arg("--json").arg("--out").arg(folder.path().join("out"));
        let full = File::options().write(true).open("/dev/full").unwrap();
        let output = command.stdout(full).stderr(Stdio::piped()).output().unwrap();
        assert_eq!(code(&output), 4);
        assert!(stderr(&output).contains("standard output: cannot write"), "{}", stderr(&output));
    }
}

#[cfg(unix)]
#[test]
fn a_reader_that_goes_away_is_no_error() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = program();
    command.arg("recover").arg(&misprint().takes[0]).arg("--json").arg("--out").arg(folder.path().join("out"));
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!((code(&output), stderr(&output)), (0, String::new()));
    assert!(folder.path().join("out/verdict.json").is_file());
}

/// What was named and can't be had: a slip of the pen, a stick that is not plugged in. Nothing is made without it unasked.
#[test]
fn a_take_that_is_missing_is_no_take_that_is_bad() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir(at("a folder")).unwrap();
    std::fs::write(at("notes.wav"), "Dunlin, 12\n").unwrap();
    let good = &marsh().takes[0];
    let out = at("out");
    for (missing, says) in [("gone.wav", "no such file"), ("a folder", "is a folder"), ("notes.wav/x.wav", "no folder")]
    {
        let takes = [good.clone(), at(missing), at("notes.wav")];
        let before = names(folder.path());
        let refused = recover(&takes, &out, &[]);
        let said = stderr(&refused);
        assert_eq!((code(&refused), stdout(&refused)), (2, String::new()), "{said}");
        let lines: Vec<&str> = said.lines().collect();
        assert!(lines.len() == 2 && lines[0].contains(missing) && lines[0].contains(says), "{said}");
        assert!(lines[1].contains("nothing was written") && lines[1].contains("--skip-missing"), "{said}");
        assert_eq!(names(folder.path()), before);
    }
    // each has its line
    let refused = recover(&[at("gone.wav"), good.clone(), at("lost.wav")], &out, &["-q"]);
    assert_eq!((code(&refused), stderr(&refused).lines().count()), (2, 3), "{}", stderr(&refused));
    // asked to, it goes on, and says so
    let output = recover(&[at("gone.wav"), good.clone(), at("notes.wav")], &out, &["--skip-missing"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let skipped: Vec<String> = crate::desk::verdict(&out)["takes"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|t| t["used"] == false)
        .map(|t| t["file"].as_str().unwrap().to_string())
        .collect();
    assert_eq!(skipped, ["gone.wav", "notes.wav"]);
    // with nothing but what is missing there is nothing to go on with
    let refused = recover(&[at("gone.wav"), at("lost.wav")], &at("other"), &["--skip-missing"]);
    assert_eq!((code(&refused), stderr(&refused).lines().count()), (2, 2), "{}", stderr(&refused));
    assert!(!at("other").exists());

    let add = |options: &[&str]| {
        let mut command = program();
        command.arg("add").arg(&out).arg(&marsh().takes[1]).arg(at("gone.wav")).args(options).output().unwrap()
    };
    let before = std::fs::read(out.join("run.json")).unwrap();
    let refused = add(&[]);
    assert_eq!((code(&refused), stderr(&refused).lines().count()), (2, 2), "{}", stderr(&refused));
    assert_eq!(std::fs::read(out.join("run.json")).unwrap(), before);
    assert_eq!(code(&add(&["--skip-missing"])), 0);
    assert_ne!(std::fs::read(out.join("run.json")).unwrap(), before);
}
