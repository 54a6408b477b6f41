//! Takes of the tape, of a part of it, and of other tapes that share a program with it.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::desk::{code, program, stderr, verdict};
use crate::takes::{add, contents, dossier, log};

/// Takes of a tape with these programs, made by `quorate simulate`: name and knobs of each. A program is its name, with
/// bytes that are all its own.
fn simulated(programs: &[&str], takes: &[(&str, Value)]) -> (TempDir, Vec<PathBuf>) {
    let folder = tempfile::tempdir().unwrap();
    let bytes = |name: &str| -> String {
        let step = name.bytes().fold(7u32, |sum, b| sum.wrapping_mul(31).wrapping_add(b.into())) | 1;
        (1..=60u32).map(|i| format!("{:02x}", i.wrapping_mul(step) >> 5 & 0xFF)).collect()
    };
    let files: Vec<Value> = programs
        .iter()
        .map(|name| {
            json!({ "name": name, "kind": "code", "load_address": 0x2000, "hex": bytes(name), "header_leader_s": 0.8,
                    "data_leader_s": 0.6, "gap_s": 0.4 })
        })
        .collect();
    let each: Vec<Value> = takes
        .iter()
        .map(|(name, knobs)| json!({ "name": name, "file": format!("{name}.wav"), "knobs": knobs }))
        .collect();
    let recipe = folder.path().join("recipe.json");
    std::fs::write(&recipe, json!({ "seed": 5, "files": files, "takes": each }).to_string()).unwrap();
    let out = folder.path().join("takes");
    let made = program().arg("simulate").arg(&recipe).arg("--out").arg(&out).arg("-q").output().unwrap();
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    let paths = takes.iter().map(|(name, _)| out.join(format!("{name}.wav"))).collect();
    (folder, paths)
}

const OURS: [&str; 4] = ["TIDE", "CLOCK", "WADERS", "KNOT"];

fn ours() -> (TempDir, PathBuf) {
    let (_takes, paths) = simulated(&OURS, &[("ours", json!({}))]);
    dossier(&[&paths[0]])
}

/// Not let in, nothing changed, and these words say why; let in if that is asked for, and logged for what it is.
fn refused(out: &Path, take: &Path, words: &[&str]) {
    let before = contents(out);
    let output = add(out, &[take], &[]);
    assert_eq!(code(&output), 2, "{}", stderr(&output));
    for word in words.iter().chain(&["--allow-foreign"]) {
        assert!(stderr(&output).contains(word), "{word}: {}", stderr(&output));
    }
    assert!(contents(out) == before);
    let output = add(out, &[take], &["--allow-foreign"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert_eq!(log(out).iter().filter(|r| r["foreign"] == true).count(), 1);
}

/// Let in; `doubt` is said beside it, or nothing.
fn let_in(out: &Path, take: &Path, doubt: Option<&str>) {
    let output = add(out, &[take], &[]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    match doubt {
        Some(words) => assert!(stderr(&output).contains(words), "{words}: {}", stderr(&output)),
        None => assert_eq!(stderr(&output), ""),
    }
    assert!(log(out).iter().all(|r| r["foreign"] != true));
}

#[test]
fn another_tape_that_shares_a_program_is_refused() {
    for theirs in
        [&["TIDE", "DUNLIN", "PLOVER"][..], &["STINT", "DUNLIN", "WADERS", "SANDERLING"], &["CLOCK", "WADERS", "RUFF"]]
    {
        let (_folder, out) = ours();
        let (_takes, paths) = simulated(theirs, &[("theirs", json!({ "speed_error": 0.01 }))]);
        match theirs {
            ["CLOCK", ..] => refused(&out, &paths[0], &["2 programs in common", "RUFF in the place of KNOT"]),
            ["TIDE", ..] => refused(&out, &paths[0], &["TIDE alone in common", "DUNLIN in the place of CLOCK"]),
            _ => refused(&out, &paths[0], &["WADERS alone in common", "in the place of"]),
        }
    }
}

/// Its own programs before and after stay out of each other's way: what was established is as it was.
#[test]
fn what_was_established_stands_beside_what_is_let_in() {
    let (_folder, out) = ours();
    let (_takes, paths) = simulated(&["TIDE", "DUNLIN", "PLOVER"], &[("theirs", json!({}))]);
    let before: Vec<Value> = verdict(&out)["programs"].as_array().unwrap().iter().map(|p| p["name"].clone()).collect();
    assert_eq!(code(&add(&out, &[&paths[0]], &["-q", "--allow-foreign"])), 0);
    let after = verdict(&out);
    let names: Vec<&Value> = after["programs"].as_array().unwrap().iter().map(|p| &p["name"]).collect();
    assert!(before.iter().all(|name| names.contains(&name)), "{names:?}");
}

#[test]
fn a_part_of_the_tape_a_longer_play_and_half_a_take_are_let_in_without_a_word() {
    // a block of n bytes and its check lasts 2 (n + 10) 9.568 ms + some 64 ms (src/tape/twin_copy.rs), a program 8.7 s here
    let (_takes, paths) = simulated(
        &OURS,
        &[
            ("middle", json!({ "start_s": 9.0, "stop_s": 26.0, "speed_error": -0.02 })),
            ("one", json!({ "stop_s": 8.0 })),
            ("half", json!({ "lost_s": [[0.0, 17.0]], "speed_error": 0.01 })),
            ("torn", json!({ "lost_period_s": 1.6, "lost_length_s": 0.8, "speed_error": 0.01 })),
            ("noisy", json!({ "snr_db": -6 })),
        ],
    );
    for take in &paths {
        let (_folder, out) = ours();
        let_in(&out, take, None);
    }
    // the other way round: the longer one comes later
    let (_folder, out) = dossier(&[&paths[0]]);
    let (_more, longer) = simulated(&[&OURS[..], &["RUFF"]].concat(), &[("longer", json!({}))]);
    let_in(&out, &longer[0], None);
    assert_eq!(verdict(&out)["programs"].as_array().unwrap().len(), 5);
}

/// A take that has lost two letters of a name and most of a program makes another name and other bytes of them: no sign of
/// another tape, if there are two more programs in common or none.
#[test]
fn a_header_that_was_misheard_speaks_against_no_take() {
    // from the layout in src/tape/twin_copy.rs, as in takes.rs
    let byte = 9.568e-3;
    let both = |from: f64, bytes: f64, lost: [f64; 2]| {
        let second = from + (bytes + 10.0) * byte + 1.1e-3 + 79.0 * 0.39e-3;
        [from, second].map(|copy| json!([copy + (9.0 + lost[0]) * byte, copy + (9.0 + lost[1]) * byte]))
    };
    let data = 0.8 + 2.0 * 202.0 * byte + 2.2e-3 + 157.0 * 0.39e-3 + 0.6;
    let lost = [both(0.8, 192.0, [6.0, 8.0]), both(data, 60.0, [20.0, 45.0])].concat();
    for programs in [&OURS[..3], &OURS[..1]] {
        let (_takes, paths) = simulated(programs, &[("torn", json!({ "lost_s": lost })), ("good", json!({}))]);
        let (_folder, out) = dossier(&[&paths[0]]);
        let before = verdict(&out);
        assert_ne!(before["programs"][0]["name"], OURS[0], "the take is not torn enough to tell anything");
        let_in(&out, &paths[1], None);
        assert_eq!(verdict(&out)["programs"].as_array().unwrap().len(), programs.len());
    }
}

#[test]
fn where_it_is_doubtful_it_is_let_in_and_said() {
    // one program in common, and everything else beyond it: a longer play looks like another tape
    let (_takes, paths) = simulated(&OURS, &[("short", json!({ "stop_s": 8.0 }))]);
    let (_other, theirs) = simulated(&["TIDE", "DUNLIN", "PLOVER"], &[("theirs", json!({}))]);
    let (_folder, out) = dossier(&[&paths[0]]);
    let_in(&out, &theirs[0], Some("TIDE alone in common with the takes that are there; "));
    // three in their places, and one that was recorded over
    let (_over, over) = simulated(&["TIDE", "CLOCK", "STINTS", "KNOT"], &[("later", json!({}))]);
    let (_folder, out) = ours();
    let_in(
        &out,
        &over[0],
        Some("3 programs in common with the takes that are there, but holds STINTS in the place of WADERS"),
    );
}

/// `recover` tells of a take of another tape as `add` does: in its note, and first of all advice.
#[test]
fn recover_tells_of_a_take_of_another_tape() {
    let (_takes, paths) = simulated(&OURS, &[("ours", json!({})), ("more", json!({ "speed_error": -0.01 }))]);
    let (_other, theirs) = simulated(&["TIDE", "DUNLIN", "PLOVER"], &[("theirs", json!({ "speed_error": 0.01 }))]);
    let (_folder, out) = dossier(&[&paths[0], &paths[1], &theirs[0]]);
    let found = verdict(&out);
    let note = |file: &str| {
        let takes = found["takes"].as_array().unwrap();
        takes.iter().find(|t| t["file"] == file).unwrap()["note"].as_str().unwrap_or_default().to_string()
    };
    for words in [
        "Most likely not of the same tape",
        "TIDE alone in common with the other takes",
        "DUNLIN in the place of CLOCK",
    ] {
        assert!(note("theirs.wav").contains(words), "{words}: {found:#}");
    }
    assert_eq!((note("ours.wav"), note("more.wav")), (String::new(), String::new()));
    let id = found["takes"].as_array().unwrap().iter().find(|t| t["file"] == "theirs.wav").unwrap()["id"].clone();
    let summary = std::fs::read_to_string(out.join("summary.txt")).unwrap();
    assert!(crate::takes::flat(&summary).contains("Most likely"), "{summary}");
    for program in found["programs"].as_array().unwrap() {
        let first = program["advice"][0].as_str().unwrap_or_default();
        let part = program["takes"].as_array().unwrap().contains(&id) && program["verdict"] != "established";
        assert!(!part || first.contains("is most likely of another tape"), "{program:#}");
    }
    assert_eq!(code(&crate::takes::run("verify", &out, &[])), 0, "verify decides the same");
    // nothing in common at all
    let (_none, none) = simulated(&["RUFF", "KNOTS"], &[("none", json!({}))]);
    let (_folder, out) = dossier(&[&paths[0], &paths[1], &none[0]]);
    let found = verdict(&out);
    let notes: Vec<&Value> = found["takes"].as_array().unwrap().iter().map(|t| &t["note"]).collect();
    let told =
        |note: &&&Value| note.as_str().is_some_and(|n| n.contains("has no block in common with take-1 and take-3"));
    assert_eq!(notes.iter().filter(told).count(), 1, "{notes:?}");
}

/// Takes of one tape that each hold a part, or an older state of one program, are none of another tape.
#[test]
fn recover_accuses_no_take_that_holds_another_part() {
    let (_takes, paths) = simulated(
        &OURS,
        &[
            ("first", json!({ "stop_s": 26.0 })),
            ("last", json!({ "start_s": 9.0 })),
            ("noisy", json!({ "snr_db": -4 })),
        ],
    );
    let (_folder, out) = dossier(&[&paths[0], &paths[1], &paths[2]]);
    for take in verdict(&out)["takes"].as_array().unwrap() {
        assert!(!take["note"].as_str().unwrap_or_default().contains("same tape"), "{take}");
    }
}
