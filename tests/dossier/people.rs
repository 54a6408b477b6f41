//! What people see and decide: explain, decide, verify, next.

use std::path::Path;

use quorate::channel::Knobs;
use quorate::dossier::{Dossier, explain};
use quorate::report::evidence::{Evidence, bytes};
use quorate::tape::Kind;
use quorate::tape::twin_copy::TapeFile;

use crate::desk::{self, code, stderr, stdout, verdict};
use crate::takes::{add, contents, dossier, flat, kinds, log, run, side, state};

/// An offset of the second program that `torn.wav` has lost.
const LOST: usize = 32;

#[test]
fn a_byte_is_explained_by_every_vote_the_checks_and_the_rival() {
    let (_folder, out) = dossier(&[&side().good, &side().late]);
    let output = run("explain", &out, &["p02:3"]);
    assert_eq!((code(&output), stderr(&output)), (0, String::new()));
    let said = stdout(&output);
    let value = format!("address 0xC003: 0x{:02X}", side().clock[3]);
    for words in [
        &*value,
        "class",
        "agreed",
        "rival",
        "loses by",
        "checks",
        "take-1 (good.wav), copy 1",
        "take-2 (late.wav), copy 2",
        "0.98",
        "bits",
        "⠀",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    // by number, by name and by address it is the same byte
    for place in ["2:0x3", "CLOCK:3", "CLOCK:@C003"] {
        assert_eq!(stdout(&run("explain", &out, &[place])), said, "{place}");
    }
    let story: serde_json::Value = serde_json::from_str(&stdout(&run("explain", &out, &["p02:3", "--json"]))).unwrap();
    let votes = story["votes"].as_array().unwrap();
    assert_eq!(votes.len(), 4);
    for vote in votes {
        assert_eq!(vote["value"], side().clock[3]);
        // the vote's odds against the rival are the sum of the soft bits in which the two differ, with their signs
        let differ = side().clock[3] ^ story["rival"]["value"].as_u64().unwrap() as u8;
        let bits = (0..8).filter(|k| differ >> k & 1 == 1).map(|k| {
            let soft = vote["bits"][k].as_f64().unwrap();
            if side().clock[3] >> k & 1 == 1 { soft } else { -soft }
        });
        assert!((bits.sum::<f64>() - vote["ln_odds"].as_f64().unwrap()).abs() < 1e-4, "{vote}");
        assert!(vote["wave"].as_array().unwrap().len() > 100, "9.6 ms and a half more at 11 kHz");
    }
    for (place, says) in [
        ("p02:70", "offsets are 0x0000 to 0x0045"),
        ("p07", "there are p01 TIDE"),
        ("p02:x", "no offset"),
        ("p02:@1000", "no address"),
    ] {
        let output = run("explain", &out, &[place]);
        assert!(code(&output) == 2 && stderr(&output).contains(says), "{place}: {}", stderr(&output));
    }
}

/// A reading that has the place and hears nothing there is a witness too: it is named, and its waveform drawn.
#[test]
fn a_reading_that_heard_nothing_is_shown() {
    let (_folder, out) = dossier(&[&side().torn]);
    let said = flat(&stdout(&run("explain", &out, &["p02:32"])));
    for words in ["take-1 (torn.wav), copy 1", "take-1 (torn.wav), copy 2", "No reading heard this byte", "⠤"] {
        assert!(said.contains(words), "{words}: {said}");
    }
    assert_eq!(said.matches("says nothing: it has the place").count(), 2, "{said}");
}

#[test]
fn a_program_is_explained_by_its_blocks_and_its_weak_stretches() {
    let (_folder, out) = dossier(&[&side().torn]);
    let said = flat(&stdout(&run("explain", &out, &["CLOCK"])));
    for words in
        ["p02 CLOCK: open", "header block", "data block", "71 bytes, 2 readings", "In doubt", "unresolved", "take-1"]
    {
        assert!(said.contains(words), "{words}: {said}");
    }
    let story: serde_json::Value = serde_json::from_str(&stdout(&run("explain", &out, &["CLOCK", "--json"]))).unwrap();
    let weak = story["weak"].as_array().unwrap();
    assert_eq!(weak.len(), 1, "{weak:?}");
    let (from, to) = (weak[0]["from"].as_u64().unwrap(), weak[0]["to"].as_u64().unwrap());
    assert!((29..=31).contains(&from) && (34..=44).contains(&to), "{from}..{to}");
    assert!(stdout(&run("explain", &out, &["TIDE"])).contains("No byte is in doubt"));
}

#[test]
fn a_persons_decision_stands_in_the_files_marked_and_proves_nothing() {
    let (_folder, out) = dossier(&[&side().torn]);
    let (before, evidence) = (verdict(&out), std::fs::read(out.join("programs/p02.bin")).unwrap()[LOST]);
    let untouched = state(&out);
    let place = format!("p02:{LOST}={:#04x}", evidence ^ 0x21);
    let output = run("decide", &out, &[&place, "--because", "the log book has it", "--by", "Kit"]);
    assert_eq!((code(&output), stderr(&output)), (0, String::new()), "{}", stdout(&output));
    let bytes = std::fs::read(out.join("programs/p02.bin")).unwrap();
    assert_eq!(bytes[LOST], evidence ^ 0x21);
    assert_eq!(std::fs::read(out.join("programs/02-CLOCK.open.prg")).unwrap()[2..], bytes);
    // marked wherever it shows
    let now = verdict(&out);
    let decision = &now["programs"][1]["decisions"][0];
    assert_eq!(
        (decision["offset"].as_u64(), decision["by"].as_str(), decision["evidence"].as_u64()),
        (Some(LOST as u64), Some("Kit"), Some(evidence.into()))
    );
    let summary = std::fs::read_to_string(out.join("summary.txt")).unwrap();
    assert!(flat(&summary).contains("the decision of Kit, not of the evidence"), "{summary}");
    let said = flat(&stdout(&run("explain", &out, &[&format!("p02:{LOST}")])));
    assert!(said.contains("by Kit, not by the evidence") && said.contains("the log book has it"), "{said}");
    assert_eq!(kinds(&out)[3..], ["person-decided", "decided"]);
    // and evidence for nothing: all else is as before
    let mut same = now.clone();
    for field in ["decisions", "notes"] {
        same["programs"][1][field] = before["programs"][1][field].clone();
    }
    assert_eq!(same, before);
    assert_eq!(code(&run("verify", &out, &[])), 0, "{}", stderr(&run("verify", &out, &[])));

    // withdrawn, only the log knows
    let output = run("decide", &out, &[&format!("CLOCK:{LOST}"), "--withdraw", "--by", "Kit"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert!(state(&out) == untouched);
    assert_eq!(kinds(&out)[5..], ["person-withdrew", "decided"]);
    let output = run("decide", &out, &[&format!("CLOCK:{LOST}"), "--withdraw", "--by", "Kit"]);
    assert!(code(&output) == 2 && stderr(&output).contains("nobody has decided"), "{}", stderr(&output));
}

#[test]
fn established_is_out_of_a_persons_reach_and_evidence_overrules_one() {
    let (_folder, out) = dossier(&[&side().torn]);
    let before = contents(&out);
    for (place, because, says) in [
        ("p01:3=1", "I like it", "is established"),
        ("p02:32=300", "so", "is no byte"),
        ("p02:32", "so", "gives no value"),
        ("p02=1", "so", "names no byte"),
        ("p02:32=1", " ", "needs a reason"),
    ] {
        let output = run("decide", &out, &[place, "--because", because, "--by", "Kit"]);
        assert_eq!(code(&output), 2, "{place}");
        assert!(stderr(&output).contains(says), "{place}: {}", stderr(&output));
        assert!(contents(&out) == before, "{place}");
    }
    let wrong = format!("p02:{LOST}={}", side().clock[LOST] ^ 1);
    assert_eq!(code(&run("decide", &out, &[&wrong, "--because", "a guess", "--by", "Kit"])), 0);
    let output = add(&out, &[&side().good], &[]);
    assert!(stderr(&output).contains("set aside") && stderr(&output).contains("established"), "{}", stderr(&output));
    assert_eq!(std::fs::read(out.join("programs/p02.bin")).unwrap(), side().clock);
    // the decision came and went: the same as if it had never been
    let (_other, whole) = dossier(&[&side().good, &side().torn]);
    assert!(state(&out) == state(&whole));
    assert!(log(&out).iter().any(|r| r["kind"] == "person-decided"), "the log forgets nothing");
}

#[test]
fn next_says_where_the_fault_is_and_how_many_takes_would_do() {
    let (_folder, out) = dossier(&[&side().good, &side().late]);
    assert!(stdout(&run("next", &out, &[])).contains("nothing is left to do"));
    let (_folder, out) = dossier(&[&side().torn]);
    let said = flat(&stdout(&run("next", &out, &[])));
    for words in ["p02 CLOCK: open", "only one take covers it", "take-1", "Clean the head", "simulated cases"] {
        assert!(said.contains(words), "{words}: {said}");
    }
    assert_eq!(flat(&stdout(&run("next", &out, &[]))), said, "the simulation is seeded");
    let advice: serde_json::Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
    assert_eq!(advice[0]["stretches"][0]["cause"], "one-take");
    // one take can't tell whether a hole is the tape's or its own: in some tapes of those it may be the next take settles
    // it, in others no take does
    let by_takes = advice[0]["forecast"]["by_takes"].as_array().unwrap();
    let settled: Vec<u64> = by_takes.iter().map(|s| s["settled"].as_u64().unwrap()).collect();
    let trials = advice[0]["forecast"]["trials"].as_u64().unwrap();
    assert!(settled.is_sorted() && settled[0] > 0 && settled[4] < trials, "{settled:?} of {trials}");
    let place = &advice[0]["stretches"][0]["places"][0];
    assert_eq!(place[0], 1);

    // the same hole in two takes is the tape's
    let again = out.with_file_name("torn-2.wav");
    let mut bytes = std::fs::read(&side().torn).unwrap();
    bytes.truncate(bytes.len() - 2_000);
    std::fs::write(&again, bytes).unwrap();
    assert_eq!(code(&add(&out, &[&again], &["-q"])), 0);
    let advice: serde_json::Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
    assert_eq!(advice[0]["stretches"][0]["cause"], "tape", "{advice}");
}

/// Names on tape are anything: a number, or nothing at all.
#[test]
fn a_name_that_is_a_number_is_asked_about_and_none_goes_by_its_number() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = |step: u8| (0..40u8).map(|i| i.wrapping_mul(step) ^ 0x5A).collect();
    let short = |name: &[u8], address, step| TapeFile {
        header_leader_s: 0.8,
        data_leader_s: 0.6,
        gap_s: 0.4,
        ..desk::file(Kind::Code, name, Some(address), bytes(step))
    };
    let tape = [short(b"2", 0x1000, 73), short(b"TERNS", 0x2000, 29), short(b"", 0x3000, 31)];
    let take = desk::play(folder.path(), &tape, &[("numbers.wav", Knobs::default())]).remove(0);
    let (_folder, out) = dossier(&[&take]);
    let refused = |what: &str| {
        let output = run("explain", &out, &[what]);
        assert_eq!(code(&output), 2, "{what}: {}", stdout(&output));
        stderr(&output)
    };
    assert!(refused("2").contains("name one of p01, p02"), "{}", refused("2"));
    assert!(refused("2:5").contains("name one of p01, p02"));
    for what in ["", ":3", "0", "4", "gulls"] {
        assert!(refused(what).contains("p03 (no name)"), "{what}: {}", refused(what));
    }
    for (what, says) in
        [("p02", "p02 TERNS"), ("1", "p01 2"), ("3", "p03 (no name)"), ("3:5", "p03 (no name), offset 0x0005")]
    {
        assert!(stdout(&run("explain", &out, &[what])).starts_with(says), "{what}");
    }
}

/// What is read off the screen can be typed again: a hexadecimal value says that it is one.
#[test]
fn the_value_explained_is_the_value_decided() {
    let (_folder, out) = dossier(&[&side().torn]);
    let title = |out: &Path| stdout(&run("explain", out, &["p02:30"])).lines().next().unwrap().to_string();
    let before = title(&out);
    let value = before.rsplit(' ').next().unwrap().to_string();
    assert!(value.starts_with("0x"), "{before}");
    let what = format!("p02:30={value}");
    assert_eq!(code(&run("decide", &out, &[&what, "--by", "Kit", "--because", "as it is"])), 0);
    assert_eq!(title(&out), before);
}

/// Two programs of one name and size: what was decided about one is no history of the other. And what is said of a byte
/// that a person decided tells the person's value from the evidence's.
#[test]
fn a_decision_is_told_of_the_byte_it_is_about() {
    let folder = tempfile::tempdir().unwrap();
    let short = |step: u8| TapeFile {
        header_leader_s: 0.8,
        data_leader_s: 0.6,
        gap_s: 0.4,
        ..desk::file(Kind::Code, b"TIDE", Some(0x1000), (0..48u8).map(|i| i.wrapping_mul(step) ^ 0x5A).collect())
    };
    // bytes 20 to 25 of the first program are lost in both copies, by the layout in takes.rs
    let block = |n: f64| 2.0 * (n + 10.0) * 9.568e-3 + 2.2e-3 + 157.0 * 0.39e-3;
    let data = 0.8 + block(192.0) + 0.6;
    let second = data + (48.0 + 10.0) * 9.568e-3 + 1.1e-3 + 79.0 * 0.39e-3;
    let hole = |copy: f64| (copy + (9.0 + 20.0) * 9.568e-3, copy + (9.0 + 26.0) * 9.568e-3);
    let knobs = Knobs { lost_s: vec![hole(data), hole(second)], ..Knobs::default() };
    let take = desk::play(folder.path(), &[short(73), short(29)], &[("twins.wav", knobs)]).remove(0);
    let (_folder, out) = dossier(&[&take]);
    let decide = |what: &str| run("decide", &out, &[what, "--by", "Kit", "--because", "the log book"]);
    let said = stdout(&decide("p01:22=7"));
    assert!(said.contains("0x07 as Kit decided") && !said.contains("no doubt"), "{said}");
    assert!(stdout(&decide("p01:2=7")).contains("and no doubt about it"));
    let explained = |what: &str| flat(&stdout(&run("explain", &out, &[what])));
    let evidence = &verdict(&out)["programs"][0]["decisions"][1]["evidence"];
    let evidence = format!("chance of 0x{:02X} being wrong", evidence.as_u64().unwrap());
    for words in ["Kit decided 0x07: the log book", &evidence] {
        assert!(explained("p01:22").contains(words), "{words}: {}", explained("p01:22"));
    }
    assert!(!explained("p02:22").contains("Kit"), "{}", explained("p02:22"));
    assert_eq!(code(&run("decide", &out, &["p01:22", "--withdraw", "--by", "Kit"])), 0);
    let said = explained("p01:22");
    assert!(
        said.contains("Kit decided 0x07") && said.contains("Kit withdrew") && said.contains("chance of being"),
        "{said}"
    );
}

/// One program recorded twice, alike to the last byte: decisions near each other stay with the program they were made about,
/// and so does what is told of them. `verify` replays the log with code of its own.
#[test]
fn decisions_near_each_other_stay_with_their_twin() {
    let folder = tempfile::tempdir().unwrap();
    let bytes: Vec<u8> = (0..40u8).map(|i| i.wrapping_mul(73) ^ 0x5A).collect();
    let twin = TapeFile {
        header_leader_s: 0.8,
        data_leader_s: 0.6,
        gap_s: 0.4,
        checksum_fault: 0x21,
        ..desk::file(Kind::Code, b"TIDE", Some(0x1000), bytes.clone())
    };
    let take = desk::play(folder.path(), &[twin.clone(), twin], &[("twins.wav", Knobs::default())]).remove(0);
    let (_folder, out) = dossier(&[&take]);
    let decide = |what: &str, more: &[&str]| {
        let output = run("decide", &out, &[&[what, "--by", "Kit"], more].concat());
        assert_eq!((code(&output), stderr(&output)), (0, String::new()), "{what}");
    };
    let because = ["--because", "the log book"];
    let files = || ["p01", "p02"].map(|p| std::fs::read(out.join(format!("programs/{p}.bin"))).unwrap());
    let sound = || assert_eq!(code(&run("verify", &out, &[])), 0, "{}", stderr(&run("verify", &out, &[])));
    for what in ["p01:3=1", "p01:5=2", "p02:4=3", "p02:5=4"] {
        decide(what, &because);
    }
    let (mut first, mut second) = (bytes.clone(), bytes.clone());
    (first[3], first[5], second[4], second[5]) = (1, 2, 3, 4);
    assert_eq!(files(), [first.clone(), second.clone()]);
    sound();
    let told = |what: &str, value: &str| stdout(&run("explain", &out, &[what])).contains(&format!("decided {value}"));
    assert!(told("p01:5", "0x02") && !told("p01:5", "0x04") && told("p02:5", "0x04") && !told("p02:5", "0x02"));
    decide("p01:5", &["--withdraw"]);
    first[5] = bytes[5];
    assert_eq!(files(), [first, second]);
    assert!(told("p01:5", "0x02") && !told("p01:5", "0x04") && told("p02:5", "0x04"));
    sound();
}

#[test]
fn advice_names_the_take_that_starts_late_or_stops_early() {
    let whole = std::fs::read(&side().good).unwrap();
    let folder = tempfile::tempdir().unwrap();
    // a WAV file of 44 bytes of header, 16 bits, mono
    let advice = |program: usize, from_s: f64, left_s: f64| {
        let at = |s: f64| 2 * (44_100.0 * s) as usize;
        let samples = &whole[44 + at(from_s)..whole.len() - at(left_s)];
        let path = folder.path().join("part.wav");
        std::fs::write(&path, desk::wav(desk::format(1, 1, 44_100, 16), samples)).unwrap();
        let (_folder, out) = dossier(&[&path]);
        verdict(&out)["programs"][program]["advice"].to_string()
    };
    // by the layout in takes.rs the data of TIDE begins 6 s into the take, those of CLOCK 2.5 s before its end
    assert!(advice(0, 6.1, 0.0).contains("take-1 may start too late"), "{}", advice(0, 6.1, 0.0));
    assert!(advice(1, 0.0, 1.9).contains("take-1 stops too early"), "{}", advice(1, 0.0, 1.9));
}

/// Takes that came in one by one, from different folders: all are packed from where each was last heard, and what is gone is
/// named with where it was.
#[test]
fn every_capture_is_found_where_it_was_last_heard() {
    let folder = tempfile::tempdir().unwrap();
    let at = |place: &str| folder.path().join(place);
    for (place, take) in
        [("spring/a.wav", &side().torn), ("autumn/b.wav", &side().good), ("autumn/c.wav", &side().late)]
    {
        std::fs::create_dir_all(at(place).parent().unwrap()).unwrap();
        std::fs::copy(take, at(place)).unwrap();
    }
    let out = at("station/out");
    // named as seen from where the command was given
    let recover =
        desk::program().current_dir(at("spring")).args(["recover", "a.wav", "-q", "--out"]).arg(&out).output();
    assert_eq!(code(&recover.unwrap()), 0);
    assert_eq!(code(&run("decide", &out, &["p02:30=7", "--by", "Kit", "--because", "the log book"])), 0);
    for take in ["b.wav", "c.wav"] {
        let added = desk::program().current_dir(at("autumn")).arg("add").arg(&out).args([take, "-q"]).output().unwrap();
        assert_eq!(code(&added), 0, "{}", stderr(&added));
    }
    let pack = |bag: &str, more: &[&str]| {
        desk::program().arg("pack").arg(&out).arg("--out").arg(at(bag)).arg("-q").args(more).output().unwrap()
    };
    let packed = pack("bag", &[]);
    assert_eq!(code(&packed), 0, "{}", stderr(&packed));
    for (name, take) in [("take-1/a.wav", &side().torn), ("take-2/b.wav", &side().good), ("take-3/c.wav", &side().late)]
    {
        let copy = std::fs::read(at("bag/data/captures").join(name)).unwrap();
        assert!(copy == std::fs::read(take).unwrap(), "{name}");
    }
    std::fs::rename(at("spring"), at("attic")).unwrap();
    std::fs::remove_file(at("autumn/c.wav")).unwrap();
    let refused = pack("second", &[]);
    let said = stderr(&refused);
    assert_eq!(code(&refused), 2, "{said}");
    let places = [at("spring/a.wav"), at("autumn/c.wav")].map(|p| p.to_str().unwrap().to_string());
    for words in ["2 of 3 captures", "take-1 (a.wav", "take-3 (c.wav", &places[0], &places[1]] {
        assert!(said.contains(words), "{words}: {said}");
    }
    assert!(!said.contains("b.wav") && said.contains("--captures"), "{said}");
    let still = pack("third", &["--captures", at("attic").to_str().unwrap()]);
    assert!(stderr(&still).contains("1 of 3 captures") && !stderr(&still).contains("a.wav"), "{}", stderr(&still));
}

/// Where no play can settle a program, nothing beside it says that one would.
#[test]
fn advice_and_forecast_speak_with_one_voice() {
    let (_folder, out) = dossier(&desk::misprint().takes.iter().map(|t| t.as_path()).collect::<Vec<_>>());
    let said = flat(&stdout(&run("next", &out, &[])));
    assert!(said.contains("can't settle it: the checksum on the tape does not fit"), "{said}");
    let told = verdict(&out)["programs"][0]["advice"].to_string();
    assert!(told.contains("Nothing on this tape can settle it"), "{told}");
    // the same with a hole in the only take: by one take the checksum may be misheard, and all say so
    let folder = tempfile::tempdir().unwrap();
    let code_bytes: Vec<u8> = (0..60u8).map(|i| i.wrapping_mul(29) ^ 0x33).collect();
    let faulty = TapeFile { checksum_fault: 0x44, ..desk::file(Kind::Code, b"WADERS", Some(0x2000), code_bytes) };
    let noisy = Knobs { snr_db: Some(-4.0), ..Knobs::default() };
    let take = desk::play(folder.path(), &[faulty], &[("noisy.wav", noisy)]).remove(0);
    let (_folder, out) = dossier(&[&take]);
    let advice: serde_json::Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
    let kind = advice[0]["forecast"]["kind"].as_str().unwrap().to_string();
    let told = verdict(&out)["programs"][0]["advice"].to_string();
    match kind.as_str() {
        "not-by-takes" => assert!(told.contains("Nothing on this tape") || told.contains("settles nothing"), "{told}"),
        _ => assert!(!told.contains("Nothing on this tape") && told.to_lowercase().contains("play"), "{kind}: {told}"),
    }
    let curable = advice[0]["stretches"].as_array().unwrap().iter().all(|s| s["curable"] == (kind != "not-by-takes"));
    assert!(curable, "{advice}");
}

/// The names of a program's files tell its verdict, and change with it: nothing of the old names is left.
#[test]
fn files_of_a_guess_say_so_in_their_names() {
    let names = |out: &Path| -> Vec<String> {
        let all = crate::desk::files(&out.join("programs"));
        all.into_iter().filter(|f| f.starts_with("02-")).collect()
    };
    let of = |word: &str| ["prg", "tap", "wav"].map(|ending| format!("02-CLOCK{word}.{ending}")).to_vec();
    let (_folder, out) = dossier(&[&side().torn]);
    assert_eq!(names(&out), of(".open"));
    assert_eq!(code(&run("verify", &out, &[])), 0, "{}", stderr(&run("verify", &out, &[])));
    assert_eq!(code(&add(&out, &[&side().good], &["-q"])), 0);
    assert_eq!(names(&out), of(""));
    let told: Vec<String> = serde_json::from_value(verdict(&out)["programs"][1]["files"].clone()).unwrap();
    assert_eq!(told, names(&out).iter().map(|n| format!("programs/{n}")).collect::<Vec<_>>());
    assert_eq!(code(&run("verify", &out, &[])), 0, "{}", stderr(&run("verify", &out, &[])));
    // a wrong checksum on the tape
    let (_folder, out) = dossier(&crate::desk::misprint().takes.iter().map(|p| p.as_path()).collect::<Vec<_>>());
    assert!(out.join("programs/01-WADERS.supported.prg").is_file() && !out.join("programs/01-WADERS.prg").exists());
}

/// Page and command tell one rival of a byte, the one that is held against brute force beside the engine.
#[test]
fn the_report_has_the_rival_that_explain_tells() {
    let (_folder, out) = dossier(&[&side().torn]);
    let dossier = Dossier::open(&out).unwrap();
    let (outcome, format) = (dossier.decide(&|_, _| ()).unwrap(), dossier.format().unwrap());
    let none = |_: usize, _: usize, _: f64, _: f64| Vec::new();
    let evidence = Evidence { outcome: &outcome, format: format.as_ref(), waveforms: &none };
    let facts = bytes::facts(&evidence, 1);
    let told: Vec<_> = facts.iter().filter_map(|fact| Some((fact, fact.rival?))).collect();
    assert!(told.len() >= 6, "six bytes are lost");
    for (fact, rival) in told {
        let story = explain::byte(&dossier, &outcome, 1, fact.offset).unwrap().rival.unwrap();
        assert_eq!((story.value, story.loses_by), (rival.value, rival.loses_by), "{fact:?}");
        assert!(rival.value != fact.value && rival.loses_by >= 0.0, "{fact:?}");
        // of bytes that nobody heard, another one must change with it: the checksum has to fit
        assert!(!story.with.is_empty(), "{fact:?}");
    }
}
