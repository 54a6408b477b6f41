//! Damage with hashes that fit, and what `verify` makes of it. The ignored test is the same at length:
//! `scripts/attack-dossier`.

use std::fs;
use std::path::{Path, PathBuf};

use quorate::dossier::Dossier;
use quorate::dossier::verify::verify;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::desk::files;
use crate::takes::{copy_folder, dossier, hex, reseal, side};

/// Damage with hashes that fit, as somebody would make it who seals the folder again: no panic, and `verify` finds it
/// wherever it changes what was decided. Of two dossiers in turn: of two takes that make all sure, and of one that has lost
/// a stretch, where little evidence decides much.
fn forged(ways: usize, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let dossiers = [dossier(&[&side().torn, &side().good]), dossier(&[&side().torn])];
    let forgery = dossiers[0].0.path().join("forged");
    let records = ["dossier.json", "log.jsonl", "verdict.json"];
    let evidence = |out: &PathBuf| -> Vec<String> {
        files(out).into_iter().filter(|f| f.starts_with("takes/") || records.contains(&f.as_str())).collect()
    };
    let bases = dossiers.each_ref().map(|(_, out)| (out, evidence(out), quorate_programs(out)));
    let (mut found, mut believed, mut other) = (0, 0, 0);
    for way in 0..ways {
        let (out, evidence, programs) = &bases[way % 2];
        let file = &evidence[way / 2 % evidence.len()];
        let mut bytes = fs::read(out.join(file)).unwrap();
        if file.contains("json") {
            // a digit for another: the record stays one
            let digits: Vec<usize> = (0..bytes.len()).filter(|&i| bytes[i].is_ascii_digit()).collect();
            bytes[digits[random.random_range(0..digits.len())]] = b'0' + random.random_range(0..10u8);
        } else {
            // every second time the byte with the sign and most of the exponent, of 32 bits or of 64
            let at = random.random_range(0..bytes.len());
            let at = if random.random() { (at | 7).min(bytes.len() - 1) } else { at };
            bytes[at] ^= 1 << random.random_range(0..8);
        }
        let _ = fs::remove_dir_all(&forgery);
        copy_folder(out, &forgery);
        reseal(&forgery, &[(file, bytes)]);
        let saw_nothing = verify(&forgery).is_ok_and(|r| r.faults.is_empty());
        found += usize::from(!saw_nothing);
        if let Ok(outcome) = Dossier::open(&forgery).and_then(|d| d.decide(&|_, _| ())) {
            believed += 1;
            if !outcome.programs.iter().map(|p| &p.program.bytes).eq(programs) {
                other += 1;
                assert!(!saw_nothing, "{file}: other bytes came out, and verify saw nothing");
            }
        }
    }
    println!(
        "{ways} forgeries: verify found {found}; {believed} were believed by who goes on, {other} with other bytes"
    );
    assert!(found > ways / 5 && believed > ways / 5 && other >= ways / 1_000, "{found} {believed} {other}");
}

/// What no hash tells once the folder is sealed again: the files that people open follow from the evidence and the log, and
/// the log knows what came in and what was decided.
#[test]
fn what_people_open_is_made_again_and_compared() {
    let (folder, out) = dossier(&[&side().torn, &side().good]);
    let forgery = folder.path().join("forged");
    let forged = |file: &str, change: &dyn Fn(Vec<u8>) -> Vec<u8>| {
        let _ = fs::remove_dir_all(&forgery);
        copy_folder(&out, &forgery);
        let before = fs::read(out.join(file)).unwrap();
        let bytes = change(before.clone());
        assert!(bytes != before, "{file}");
        reseal(&forgery, &[(file, bytes)]);
        verify(&forgery).unwrap().faults
    };
    let names: Vec<String> = files(&out).into_iter().filter(|f| f.starts_with("programs/0")).collect();
    assert!(names.iter().any(|n| n.ends_with(".prg")) && names.iter().any(|n| n.ends_with(".wav")), "{names:?}");
    for file in names.iter().map(String::as_str).chain(["summary.txt"]) {
        let faults = forged(file, &|mut bytes| {
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            bytes
        });
        assert!(faults.len() == 1 && faults[0].file == file, "{file}: {faults:?}");
    }
    // another log whose chain holds: of a take that never came in, and of a decision that was another
    let rewritten = |from: &'static str, to: &'static str| {
        forged("log.jsonl", &|bytes| {
            let (mut prev, mut text) = ("0".repeat(64), String::new());
            for line in String::from_utf8(bytes).unwrap().lines() {
                let (head, tail) = line.split_once(r#""prev":""#).unwrap();
                let line = format!(r#"{head}"prev":"{prev}{}"#, &tail[64..]).replace(from, to);
                prev = hex(line.as_bytes());
                text += &(line + "\n");
            }
            text.into_bytes()
        })
    };
    for (from, to, says) in [
        ("torn.wav", "worn.wav", "does not say how torn.wav"),
        (r#""name":"CLOCK""#, r#""name":"CLICK""#, "the last decision"),
    ] {
        let faults = rewritten(from, to);
        assert!(faults.len() == 1 && faults[0].file == "log.jsonl" && faults[0].what.contains(says), "{faults:?}");
    }
}

fn quorate_programs(out: &Path) -> Vec<Vec<u8>> {
    Dossier::open(out).unwrap().programs.into_iter().map(|p| p.bytes).collect()
}

#[test]
fn forged_evidence_never_panics() {
    forged(60, 5);
}

#[test]
#[ignore = "minutes: scripts/attack-dossier"]
fn forged_in_5000_ways() {
    forged(5_000, 6);
}
