//! What is written and shown is right, complete and the same however it was asked for.

use std::collections::BTreeSet;
use std::path::PathBuf;

use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::desk::{code, file, files, marsh, misprint, play, recover, stderr, stdout, verdict};
use quorate::channel::Knobs;
use quorate::tape::Kind;

/// A data file as its blocks hold it: ended by a zero byte and filled with zeros (from memory, as `tape` says).
fn in_blocks(bytes: &[u8]) -> Vec<u8> {
    let mut out = [bytes, &[0]].concat();
    out.resize(out.len().div_ceil(191) * 191, 0);
    out
}

#[test]
fn programs_come_back_with_all_their_files() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let output = recover(&marsh().takes, &out, &[]);
    assert_eq!((code(&output), stderr(&output)), (0, String::new()));
    let found = verdict(&out);
    assert_eq!(found["schema"], "quorate/verdict/1");
    assert_eq!(found["tool"]["version"], env!("CARGO_PKG_VERSION"));
    let programs = found["programs"].as_array().unwrap();
    assert_eq!(programs.len(), 3, "{}", stdout(&output));

    let mut expected: BTreeSet<String> = ["dossier.json", "log.jsonl", "run.json", "summary.txt", "verdict.json"]
        .iter()
        .map(|s| s.to_string())
        .collect();
    for (program, truth) in programs.iter().zip(&marsh().programs) {
        assert_eq!(program["verdict"], "established", "{}", stdout(&output));
        let bytes = if truth.kind == Kind::Data { in_blocks(&truth.bytes) } else { truth.bytes.clone() };
        assert_eq!(std::fs::read(out.join(program["data"].as_str().unwrap())).unwrap(), bytes);
        assert_eq!(program["size"], bytes.len());
        expected.insert(program["data"].as_str().unwrap().into());
        expected.extend(program["files"].as_array().unwrap().iter().map(|f| f.as_str().unwrap().to_string()));
    }
    let (evidence, others): (BTreeSet<String>, BTreeSet<String>) =
        files(&out).into_iter().partition(|f| f.starts_with("takes/"));
    assert_eq!(others, expected);
    // three takes, each in a folder with five files
    let folders: BTreeSet<&str> = evidence.iter().map(|f| &f[..f.rfind('/').unwrap()]).collect();
    assert_eq!((folders.len(), evidence.len()), (3, 15), "{evidence:?}");
    let basic = &marsh().programs[0];
    let prg = std::fs::read(out.join("programs/01-TIDE-TABLE.prg")).unwrap();
    assert_eq!(prg, [&[0x01, 0x08], basic.bytes.as_slice()].concat());
    let listing = std::fs::read_to_string(out.join("programs/01-TIDE-TABLE.txt")).unwrap();
    assert!(
        listing.starts_with("# TIDE TABLE: established. Chance of a wrong byte: 1 in a billion. From take-1, "),
        "{listing}"
    );
    let (_, listing) = listing.split_once("\n\n").unwrap();
    assert!(listing.starts_with("10 PRINT \"HIGH WATER AT THE SLUICE\"\n20 FOR D=1 TO 7\n"), "{listing}");

    // what the screen says is what the file says, and neither steers a terminal
    let shown = stdout(&output);
    let summary = std::fs::read_to_string(out.join("summary.txt")).unwrap();
    assert_eq!(shown, format!("{summary}Written to {}\n", out.display()));
    assert!(!shown.contains('\u{1b}'), "no colour into a pipe");
    assert!(summary.lines().all(|line| line.chars().count() <= 80), "{summary}");
    for words in ["TIDE TABLE", "CLOCK", "RING LOG", "C000", "take-a.wav", "established", "1 in "] {
        assert!(summary.contains(words), "{words}: {summary}");
    }
}

#[test]
fn clean_tapes_are_read_back_to_the_same_programs() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    assert_eq!(code(&recover(&marsh().takes, &out, &[])), 0);
    for program in verdict(&out)["programs"].as_array().unwrap() {
        let bytes = std::fs::read(out.join(program["data"].as_str().unwrap())).unwrap();
        let tapes = program["files"].as_array().unwrap().iter().map(|f| f.as_str().unwrap());
        let tapes: Vec<&str> = tapes.filter(|f| f.ends_with(".tap") || f.ends_with(".wav")).collect();
        assert_eq!(tapes.len(), 2, "{program}");
        for tape in tapes {
            let again = folder.path().join("again");
            let output = recover(&[out.join(tape)], &again, &["--replace"]);
            let found = verdict(&again);
            let only = &found["programs"][0];
            assert_eq!(found["programs"].as_array().unwrap().len(), 1, "{tape}: {}", stdout(&output));
            for field in ["name", "kind", "load_address", "size", "verdict"] {
                assert_eq!(only[field], program[field], "{tape}: {field}");
            }
            assert_eq!(std::fs::read(again.join("programs/p01.bin")).unwrap(), bytes, "{tape}");
        }
    }
}

#[test]
fn the_verdict_is_the_same_for_every_order_and_any_number_of_threads() {
    let folder = tempfile::tempdir().unwrap();
    let takes = &marsh().takes;
    let mut first: Option<(Vec<u8>, Vec<u8>)> = None;
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    for (i, order) in orders.iter().enumerate() {
        let takes: Vec<PathBuf> = order.iter().map(|&k| takes[k].clone()).collect();
        for threads in if i == 0 { &["1", "4"][..] } else { &["4"] } {
            let out = folder.path().join(format!("out-{i}-{threads}"));
            assert_eq!(code(&recover(&takes, &out, &["--threads", threads])), 0);
            let read = |name: &str| std::fs::read(out.join(name)).unwrap();
            let result = (read("verdict.json"), read("summary.txt"));
            assert_eq!(&result, first.get_or_insert_with(|| result.clone()), "order {order:?}, {threads} threads");
        }
    }
}

#[test]
fn json_on_the_screen_is_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let output = recover(&misprint().takes, &out, &["--json", "--quiet"]);
    assert_eq!((code(&output), stderr(&output)), (0, String::new()));
    assert_eq!(output.stdout, std::fs::read(out.join("verdict.json")).unwrap());
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    let program = &found["programs"][0];
    assert_eq!(program["verdict"], "supported", "{program}");
    let counts = ["agreed", "corrected", "inferred", "unresolved"].map(|c| program["bytes"][c].as_u64().unwrap());
    assert_eq!(counts.iter().sum::<u64>(), program["size"].as_u64().unwrap());
}

#[test]
fn what_stands_in_the_way_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let output = recover(&misprint().takes, &folder.path().join("out"), &["--quiet"]);
    let shown = stdout(&output);
    assert_eq!(stderr(&output), "");
    for words in ["p01 WADERS: supported", "in the way", "checksum", "would help", "lies at"] {
        assert!(shown.contains(words), "{words}: {shown}");
    }
}

#[test]
fn the_run_record_holds_dates_defaults_and_hashes() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    assert_eq!(code(&recover(&misprint().takes, &out, &["--threads", "2"])), 0);
    let run: Value = serde_json::from_slice(&std::fs::read(out.join("run.json")).unwrap()).unwrap();
    assert_eq!(run["schema"], "quorate/run/1");
    let options = run["command"]["options"].as_array().unwrap();
    let value = |name: &str| &options.iter().find(|o| o["name"] == name).unwrap()["value"];
    // what was used, though it was given as text
    assert_eq!((value("threads"), value("require"), value("json")), (&2.into(), &Value::Null, &false.into()));
    assert_eq!(run["inputs"].as_array().unwrap().len(), 2);
    let started = run["started"].as_str().unwrap();
    assert!(started.len() == 20 && started.starts_with("20") && started.ends_with('Z'), "{started}");
    let listed: Vec<&str> = run["outputs"].as_array().unwrap().iter().map(|o| o["file"].as_str().unwrap()).collect();
    let there: Vec<String> = files(&out).into_iter().filter(|f| f != "run.json").collect();
    assert_eq!(listed, there);
    for output in run["outputs"].as_array().unwrap() {
        let bytes = std::fs::read(out.join(output["file"].as_str().unwrap())).unwrap();
        let hash: String = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(
            (output["sha256"].as_str().unwrap(), output["bytes"].as_u64().unwrap()),
            (&*hash, bytes.len() as u64)
        );
    }
    // dates live there only
    let verdict = std::fs::read_to_string(out.join("verdict.json")).unwrap();
    assert!(!verdict.contains(&started[..10]));
}

#[test]
fn takes_of_two_tapes_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let takes = [marsh().takes.clone(), misprint().takes.clone()].concat();
    let output = recover(&takes, &out, &["--threads", "2"]);
    let shown = stdout(&output);
    let found = verdict(&out);
    let of = |tape: u64| -> Vec<&str> {
        let programs = found["programs"].as_array().unwrap().iter().filter(|p| p["tape"] == tape);
        programs.map(|p| p["name"].as_str().unwrap()).collect()
    };
    let (one, other) = (of(1), of(2));
    let (marsh, misprint) = (vec!["TIDE TABLE", "CLOCK", "RING LOG"], vec!["WADERS"]);
    assert!((one == marsh && other == misprint) || (one == misprint && other == marsh), "{shown}");
    assert!(shown.contains("Tape 1 of 2, heard by take-") && shown.contains("Tape 2 of 2, heard by take-"), "{shown}");
}

/// Six programs, two clean takes: six programs, and no piece of one beside them.
#[test]
fn clean_takes_give_no_pieces() {
    let folder = tempfile::tempdir().unwrap();
    let names = [
        &b"../../ETC/PASSWD"[..],
        b"\x1B[2J\x93\x07\x0E\x9B31m\x12",
        b"NUL",
        b"CON.TXT",
        b"/",
        b"\xE2\x80\xAE\xFF\x00\x0A\x0D",
    ];
    let bytes = |i: usize| (0..40u8).map(|k| k.wrapping_mul(31) ^ i as u8).collect::<Vec<u8>>();
    let tape: Vec<_> = names.iter().enumerate().map(|(i, n)| file(Kind::Code, n, Some(0x1000), bytes(i))).collect();
    let takes = play(folder.path(), &tape, &[("1.wav", Knobs::default()), ("2.wav", Knobs::default())]);
    let out = folder.path().join("out");
    let output = recover(&takes, &out, &[]);
    assert_eq!(verdict(&out)["programs"].as_array().unwrap().len(), names.len(), "{}", stdout(&output));
}
