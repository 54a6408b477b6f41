//! What is kept, and what comes of adding to it.

use std::path::Path;

use crate::desk::{self, code, files, recover, stderr, stdout, verdict};
use crate::takes::{add, contents, copy_folder, dossier, flat, hex, kinds, log, reseal, run, side, state};
use quorate::channel::Knobs;
use quorate::dossier::Dossier;
use quorate::tape::Kind;
use quorate::tape::twin_copy::TapeFile;

#[test]
fn any_order_of_adding_ends_in_the_same_bytes_as_all_at_once() {
    let takes: [&Path; 3] = [&side().good, &side().torn, &side().late];
    let (_folder, whole) = dossier(&takes);
    let want = state(&whole);
    for order in [[0, 1, 2], [1, 2, 0], [2, 1, 0]] {
        let (_folder, out) = dossier(&[takes[order[0]]]);
        for next in &order[1..] {
            let output = add(&out, &[takes[*next]], &["-q"]);
            assert_eq!(code(&output), 0, "{}", stderr(&output));
        }
        let got = state(&out);
        assert_eq!(got.keys().collect::<Vec<_>>(), want.keys().collect::<Vec<_>>());
        want.iter().for_each(|(file, bytes)| assert!(got[file] == *bytes, "{file} differs for {order:?}"));
    }
    // two at once, too, and a verdict that is the same for another number of threads is in tests/cli
    let (_folder, out) = dossier(&[takes[2]]);
    assert_eq!(code(&add(&out, &takes[..2], &["-q"])), 0);
    assert!(state(&out) == want);
}

#[test]
fn a_better_take_settles_what_was_open_and_the_change_is_said() {
    let (_folder, out) = dossier(&[&side().torn]);
    let before = std::fs::read(out.join("verdict.json")).unwrap();
    assert_eq!(verdict(&out)["programs"][1]["verdict"], "open");
    let output = add(&out, &[&side().good], &[]);
    assert_eq!((code(&output), stderr(&output)), (0, String::new()));
    let said = stdout(&output);
    for words in [
        "p02 CLOCK",
        "rose from open to established",
        "decided differently",
        "take-1 copy 1 says",
        "1 program as before",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    assert_eq!(std::fs::read(out.join("programs/p02.bin")).unwrap(), side().clock);
    assert_eq!(std::fs::read(out.join("history/0001-verdict.json")).unwrap(), before, "the verdict before is kept");
    assert_eq!(kinds(&out), ["created", "take-added", "decided", "take-added", "decided"]);
    assert_eq!(log(&out)[4]["superseded"], "history/0001-verdict.json");
    // as JSON: every byte that changed is one of those in the hole, and the votes for the new value outweigh
    let (_folder, out) = dossier(&[&side().torn]);
    let torn = std::fs::read(out.join("programs/p02.bin")).unwrap();
    let output = add(&out, &[&side().good], &["--json"]);
    let change: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
    let bytes = change["programs"][1]["bytes"].as_array().unwrap();
    assert!(!bytes.is_empty());
    for byte in bytes {
        let offset = byte["offset"].as_u64().unwrap() as usize;
        assert!((29..=44).contains(&offset), "{byte}");
        assert_eq!(
            (byte["before"].as_u64(), byte["now"].as_u64()),
            (Some(torn[offset].into()), Some(side().clock[offset].into()))
        );
        let votes = byte["votes"].as_array().unwrap().iter().map(|v| v["ln_odds"].as_f64().unwrap());
        assert!(votes.sum::<f64>() > 0.0, "{byte}");
    }
}

#[test]
fn the_log_chains_by_hashes_and_dates_live_nowhere_else() {
    let (_folder, out) = dossier(&[&side().late]);
    assert_eq!(code(&add(&out, &[&side().good], &[])), 0);
    let text = std::fs::read_to_string(out.join("log.jsonl")).unwrap();
    let mut prev = "0".repeat(64);
    for (i, line) in text.lines().enumerate() {
        let record: serde_json::Value = serde_json::from_str(line).unwrap();
        assert_eq!((record["n"].as_u64(), record["prev"].as_str()), (Some(i as u64 + 1), Some(prev.as_str())));
        prev = hex(line.as_bytes());
    }
    let last = log(&out).pop().unwrap();
    assert_eq!(last["verdict_sha256"], hex(&std::fs::read(out.join("verdict.json")).unwrap()));
    let year = &last["date"].as_str().unwrap()[..5];
    for (file, bytes) in state(&out).iter().filter(|(f, _)| f.ends_with(".json") || f.ends_with(".txt")) {
        assert!(!String::from_utf8_lossy(bytes).contains(year), "{file}");
    }
}

#[test]
fn what_the_person_at_the_deck_said_is_kept() {
    let (folder, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    drop(folder);
    let out = out.path().join("out");
    let said = ["--deck", "grey one", "--operator", "M.", "--note", "head cleaned", "--note", "azimuth by ear"];
    assert_eq!(code(&recover(&[&side().torn], &out, &said)), 0);
    assert_eq!(code(&add(&out, &[&side().good], &["--deck", "black one"])), 0);
    let opened = Dossier::open(&out).unwrap();
    let about = |name: &str| opened.takes.iter().find(|t| t.files[0].file == name).unwrap().files[0].about.clone();
    assert_eq!(about("torn.wav").notes, ["head cleaned", "azimuth by ear"]);
    assert_eq!(
        (about("torn.wav").deck.as_deref(), about("torn.wav").operator.as_deref()),
        (Some("grey one"), Some("M."))
    );
    assert_eq!((about("good.wav").deck.as_deref(), about("good.wav").operator), (Some("black one"), None));
}

#[test]
fn a_take_that_is_there_is_known() {
    let (folder, out) = dossier(&[&side().good, &side().late]);
    let before = contents(&out);
    let output = add(&out, &[&side().good], &[]);
    assert_eq!(code(&output), 0);
    assert!(stderr(&output).contains("good.wav is there already") && stdout(&output).contains("Nothing has changed"));
    assert!(contents(&out) == before, "not a byte was touched");
    assert_eq!(stderr(&add(&out, &[&side().good, &side().good], &[])), stderr(&output), "said once");

    // what was made from the evidence is none, wherever it lies
    let clean = folder.path().join("clean.wav");
    std::fs::copy(out.join("programs/01-TIDE.wav"), &clean).unwrap();
    let takes = [side().good.as_path(), &side().late, &clean];
    for output in [add(&out, &[&clean], &[]), recover(&takes, &out, &[])] {
        let said = stderr(&output);
        assert!(code(&output) == 2 && said.contains("programs/01-TIDE.wav of the dossier itself"), "{said}");
    }
    assert!(contents(&out) == before);

    // under another name: counted once, and it makes no difference when it came
    let copy = folder.path().join("again.wav");
    std::fs::copy(&side().good, &copy).unwrap();
    let output = add(&out, &[&copy], &[]);
    assert!(stderr(&output).contains("good.wav and again.wav have the same samples"), "{}", stderr(&output));
    let used = |out: &Path| verdict(out)["takes"].as_array().unwrap().iter().filter(|t| t["used"] == true).count();
    assert_eq!((verdict(&out)["takes"].as_array().unwrap().len(), used(&out)), (3, 2));
    let (_other, whole) = dossier(&[&copy, &side().late, &side().good]);
    assert!(state(&out) == state(&whole));
    assert_eq!(code(&run("verify", &out, &[])), 0);
}

#[test]
fn a_take_of_another_tape_is_refused_unless_allowed() {
    let (_folder, out) = dossier(&[&side().good]);
    let before = contents(&out);
    let output = add(&out, &[&side().foreign], &[]);
    assert_eq!(code(&output), 2);
    assert!(
        stderr(&output).contains("foreign.wav") && stderr(&output).contains("no block in common"),
        "{}",
        stderr(&output)
    );
    assert!(contents(&out) == before);
    let output = add(&out, &[&side().foreign], &["--allow-foreign"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert!(stdout(&output).contains("WADERS  found: established"), "{}", stdout(&output));
    let arrivals: Vec<bool> = log(&out).iter().filter_map(|r| r["foreign"].as_bool()).collect();
    assert_eq!(arrivals, [false, true]);
    let (_other, whole) = dossier(&[&side().foreign, &side().good]);
    assert!(state(&out) == state(&whole));
}

#[test]
fn what_cannot_be_read_is_left_out_and_alone_is_an_error() {
    let (folder, out) = dossier(&[&side().good]);
    let before = contents(&out);
    let bad = folder.path().join("notes.wav");
    std::fs::write(&bad, "Dunlin, 12\n").unwrap();
    let output = add(&out, &[&bad], &[]);
    assert_eq!((code(&output), stderr(&output).contains("notes.wav")), (2, true), "{}", stderr(&output));
    assert!(contents(&out) == before);
    let output = add(&out, &[&bad, &side().late], &[]);
    assert_eq!((code(&output), stderr(&output).starts_with("skipped: ")), (0, true), "{}", stderr(&output));
    let (_other, whole) = dossier(&[&side().late, &bad, &side().good]);
    assert!(state(&out) == state(&whole));
}

#[test]
fn recover_on_a_dossier_continues_it_and_throws_no_evidence_away() {
    let (_folder, out) = dossier(&[&side().good, &side().late]);
    let before = contents(&out);
    let output = recover(&[&side().good], &out, &[]);
    assert_eq!(code(&output), 2);
    assert!(stderr(&output).contains("late.wav") && stderr(&output).contains("--replace"), "{}", stderr(&output));
    assert!(contents(&out) == before);
    assert_eq!(code(&recover(&[&side().good, &side().late, &side().torn], &out, &[])), 0);
    assert_eq!(kinds(&out).iter().filter(|k| *k == "created").count(), 1, "the log goes on");
    assert_eq!(kinds(&out)[4..7], ["take-received-again", "take-received-again", "take-added"]);
    assert_eq!(code(&recover(&[&side().good], &out, &["--replace"])), 0);
    assert_eq!(kinds(&out), ["created", "take-added", "decided"]);
}

/// A newer version is refused by name before anything else is looked at; a folder without a dossier too.
#[test]
fn what_is_no_dossier_of_ours_is_refused_with_a_clear_word() {
    let (folder, out) = dossier(&[&side().good]);
    let newer = folder.path().join("newer");
    copy_folder(&out, &newer);
    let path = newer.join("dossier.json");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("quorate/dossier/1", "quorate/dossier/2")).unwrap();
    let good = side().good.to_str().unwrap();
    for (command, rest) in [
        ("add", vec![good]),
        ("explain", vec!["p01"]),
        ("decide", vec!["p01:1=2", "--by", "Kit"]),
        ("verify", vec![]),
        ("next", vec![]),
    ] {
        let output = run(command, &newer, &rest);
        assert_eq!(code(&output), 2, "{command}");
        assert!(stderr(&output).contains("newer quorate"), "{command}: {}", stderr(&output));
        let empty = tempfile::tempdir().unwrap();
        let output = run(command, empty.path(), &rest);
        assert_eq!(
            (code(&output), stderr(&output).contains("holds no dossier")),
            (2, true),
            "{command}: {}",
            stderr(&output)
        );
        assert_eq!(std::fs::read_dir(empty.path()).unwrap().count(), 0);
    }
    // sealed as they should be, all but what they say they are
    let take = files(&out).into_iter().find(|f| f.ends_with("take.json")).unwrap();
    for (file, from, to, says) in [
        ("dossier.json", "quorate/dossier/1", "quorate/dossier/0", "where quorate/dossier/1 was expected"),
        ("dossier.json", "takes/", "../takes/", "which is none of its own"),
        (take.as_str(), "quorate/take/1", "quorate/take/2", "was written by a newer quorate"),
    ] {
        let forged = folder.path().join(says.replace(['/', ' '], "-"));
        copy_folder(&out, &forged);
        let text = std::fs::read_to_string(forged.join(file)).unwrap().replace(from, to);
        reseal(&forged, &[(file, text.into_bytes())]);
        let output = run("verify", &forged, &[]);
        assert_eq!(code(&output), 7, "{file}");
        let line = stderr(&output).lines().find(|l| l.contains(says)).map(String::from);
        assert!(line.is_some_and(|l| l.contains(file)), "{file}: {}", stderr(&output));
    }
    // of a newer run record nothing is known, its seal least of all
    let path = out.join("run.json");
    let text = std::fs::read_to_string(&path).unwrap().replace("quorate/run/1", "quorate/run/2");
    std::fs::write(&path, text).unwrap();
    for (command, rest) in [("add", vec![good]), ("next", vec![])] {
        let output = run(command, &out, &rest);
        let said = stderr(&output);
        assert!(code(&output) == 2 && said.contains("run.json") && said.contains("newer quorate"), "{said}");
    }
    let before = contents(&out);
    let output = recover(&[&side().good], &out, &[]);
    assert!(code(&output) == 2 && stderr(&output).contains("newer quorate"), "{}", stderr(&output));
    assert!(contents(&out) == before);
}

/// What was established is never silently weakened. The dossier is given a past in which other bytes were established:
/// the take that is added contradicts it.
#[test]
fn a_contradiction_of_what_was_established_is_a_conflict_until_it_is_resolved() {
    let (_folder, out) = dossier(&[&side().good]);
    // the verdict of a run that had established another CLOCK, sealed as quorate seals it
    let mut wrong = side().clock.clone();
    wrong[7] ^= 0x10;
    reseal(&out, &[("programs/p02.bin", wrong.clone())]);
    let output = add(&out, &[&side().late], &[]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let said = flat(&stdout(&output));
    assert!(said.contains("Conflict: CLOCK") && said.contains("1 byte differs with late.wav"), "{said}");
    let program = verdict(&out)["programs"][1].clone();
    assert_eq!(program["verdict"], "supported");
    assert!(program["obstacles"][0].as_str().unwrap().starts_with("Conflict: "), "{program}");
    let file = program["files"][0].as_str().unwrap();
    assert!(file.ends_with(&format!(".{}.prg", program["verdict"].as_str().unwrap())) && out.join(file).is_file());
    let record = log(&out).into_iter().find(|r| r["kind"] == "conflict").unwrap();
    assert_eq!(
        (record["established_sha256"].as_str(), record["takes"][0].as_str()),
        (Some(hex(&wrong).as_str()), Some("late.wav"))
    );
    assert_eq!(code(&run("verify", &out, &[])), 0, "{}", stderr(&run("verify", &out, &[])));
    // it stays while the evidence says otherwise than what was established
    assert_eq!(code(&add(&out, &[&side().torn], &[])), 0);
    assert_eq!(verdict(&out)["programs"][1]["verdict"], "supported");
    assert_eq!(kinds(&out).iter().filter(|k| *k == "conflict").count(), 1);
}

/// Two programs of a tape may hold the same bytes: that the one still stands settles nothing for the other. The log is given
/// the past in which CLOCK was established with the bytes of TIDE.
#[test]
fn a_twin_with_the_same_bytes_does_not_resolve_a_conflict() {
    let (_folder, out) = dossier(&[&side().good]);
    let tide = std::fs::read(out.join("programs/p01.bin")).unwrap();
    let mut lines = log(&out);
    let last = lines.len() - 1;
    assert_eq!(lines[last]["programs"][1]["name"], "CLOCK");
    lines[last]["programs"][1]["sha256"] = hex(&tide).into();
    // the lines before stay as they were written, so that the chain holds
    let old = std::fs::read_to_string(out.join("log.jsonl")).unwrap();
    let kept: String = old.lines().take(last).map(|line| format!("{line}\n")).collect();
    let text = format!("{kept}{}\n", lines[last]);
    reseal(&out, &[("programs/p02.bin", tide), ("log.jsonl", text.into_bytes())]);
    // by what was established the take is of another tape
    assert_eq!(code(&add(&out, &[&side().late], &["-q", "--allow-foreign"])), 0);
    let levels: Vec<_> = verdict(&out)["programs"].as_array().unwrap().iter().map(|p| p["verdict"].clone()).collect();
    assert_eq!(levels, ["established", "supported"]);
    assert!(verdict(&out)["programs"][1]["obstacles"][0].as_str().unwrap().starts_with("Conflict: "));
    assert_eq!(code(&run("verify", &out, &[])), 0);
}

/// One program recorded twice, the first time with a wrong checksum: that one is never established, the second is. A value
/// that a person put into the first makes no other program of it, and what becomes of it is no conflict about the second.
#[test]
fn what_a_person_put_into_a_twin_is_no_conflict_and_no_change() {
    let folder = tempfile::tempdir().unwrap();
    let bytes: Vec<u8> = (0..60u8).map(|i| i.wrapping_mul(73) ^ 0x5A).collect();
    let twin = |checksum_fault| TapeFile {
        header_leader_s: 0.8,
        data_leader_s: 0.6,
        gap_s: 0.4,
        checksum_fault,
        ..desk::file(Kind::Code, b"TIDE", Some(0x1000), bytes.clone())
    };
    let takes = [("a.wav", Knobs::default()), ("b.wav", Knobs { snr_db: Some(20.0), ..Knobs::default() })];
    let takes = desk::play(folder.path(), &[twin(0x21), twin(0)], &takes);
    let (_folder, out) = dossier(&[&takes[0]]);
    let levels = || -> Vec<String> {
        let verdict = verdict(&out);
        let programs = verdict["programs"].as_array().unwrap().iter();
        programs.map(|p| p["verdict"].as_str().unwrap().to_string()).collect()
    };
    assert_eq!(levels(), ["supported", "established"]);
    let decided = run("decide", &out, &["p01:3=1", "--by", "Kit", "--because", "the log book"]);
    assert_eq!(code(&decided), 0, "{}", stderr(&decided));
    let output = add(&out, &[&takes[1]], &[]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let said = stdout(&output);
    assert!(said.contains("Nothing has changed: 2 programs as before"), "{said}");
    assert!(!kinds(&out).contains(&"conflict".to_string()), "{:?}", kinds(&out));
    assert_eq!(levels(), ["supported", "established"]);
    assert_eq!(std::fs::read(out.join("programs/p01.bin")).unwrap()[3], 1);
    assert_eq!(std::fs::read(out.join("programs/p02.bin")).unwrap(), bytes);
}

#[test]
fn a_copy_whose_name_comes_first_is_no_foreign_take() {
    let (folder, out) = dossier(&[&side().good]);
    let copy = folder.path().join("a-copy.wav");
    std::fs::copy(&side().good, &copy).unwrap();
    let output = add(&out, &[&copy], &[]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert!(stderr(&output).contains("have the same samples: counted once"), "{}", stderr(&output));
    let (_other, whole) = dossier(&[&side().good, &copy]);
    assert!(state(&out) == state(&whole));
    // the same samples, said to be faster: whoever comes first, the result is one, and it is said
    let mut fast = std::fs::read(&side().good).unwrap();
    fast[24..28].copy_from_slice(&48_000u32.to_le_bytes());
    let path = folder.path().join("z-fast.wav");
    std::fs::write(&path, fast).unwrap();
    let (_third, fast_first) = dossier(&[&path]);
    let output = add(&fast_first, &[&side().good, &copy], &["-q"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert_eq!(code(&add(&out, &[&path], &["-q"])), 0);
    assert!(state(&out) == state(&fast_first));
    let note = verdict(&out)["takes"][2]["note"].as_str().unwrap().to_string();
    assert_eq!(note, "The same samples as take-1, though the file names another sample rate: counted once.");
}

#[test]
fn what_came_in_is_shown_and_require_tells_by_the_exit_code() {
    let (folder, out) = dossier(&[&side().torn]);
    // silence with a crackle: nothing to hear
    let mut hiss = std::fs::read(&side().torn).unwrap();
    let mut state = 1u32;
    for byte in &mut hiss[44..] {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *byte = (state >> 24) as u8;
    }
    let path = folder.path().join("hiss.wav");
    std::fs::write(&path, hiss).unwrap();
    let output = add(&out, &[&path], &["--require", "established"]);
    let said = flat(&stdout(&output));
    assert_eq!(code(&output), 3, "{said}");
    assert!(said.contains("New. No data was found on this take."), "{said}");
    assert!(said.contains("Nothing has changed") && said.contains("1 established, 1 open"), "{said}");
    assert!(stderr(&output).contains("1 of 2 programs below --require"), "{}", stderr(&output));
    // a take that is there already
    let output = add(&out, &[&side().torn], &["-q", "--require", "established"]);
    assert_eq!((code(&output), stderr(&output)), (3, String::new()));
    assert_eq!(code(&add(&out, &[&side().torn], &["-q", "--require", "open"])), 0);
    let output = add(&out, &[&side().good], &["--require", "established"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert!(stdout(&output).contains("take-1  good.wav"), "{}", stdout(&output));
    let run: serde_json::Value = serde_json::from_slice(&std::fs::read(out.join("run.json")).unwrap()).unwrap();
    let options = run["command"]["options"].as_array().unwrap();
    assert!(options.iter().any(|o| o["name"] == "require" && o["value"] == "established"), "{options:?}");
}
