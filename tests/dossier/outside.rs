//! Forged names, and links: nothing outside a folder is written, cut or taken in, and every reader says what is wrong.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use serde_json::{Value, json};

use crate::desk::{code, files, names, program, stderr, stdout};
use crate::takes::{contents, dossier, hex, run, side};

/// A folder with a dossier and, beside it, what must not be touched.
struct Station {
    folder: tempfile::TempDir,
    out: PathBuf,
}

const RECORDING: &[u8] = b"the only recording of 1986";

fn station() -> Station {
    let (folder, out) = dossier(&[&side().torn]);
    fs::write(folder.path().join("my-recording.wav"), RECORDING).unwrap();
    Station { folder, out }
}

/// The forger's work: changes the run record and seals it again.
fn forge(out: &Path, change: impl FnOnce(&mut Value)) {
    let path = out.join("run.json");
    let mut run: Value = serde_json::from_slice(&fs::read(&path).unwrap()).unwrap();
    change(&mut run);
    run.as_object_mut().unwrap().remove("seal");
    fs::write(&path, quorate::export::folder::sealed(&run).unwrap()).unwrap();
}

/// Runs every command that reads the folder, and shows what came of each.
fn each_command(out: &Path, see: &mut dyn FnMut(&str, Output)) {
    let text = |path: &Path| path.to_str().unwrap().to_string();
    let (bag, shelf) = (text(&out.with_file_name("bag")), text(&out.with_file_name("shelf")));
    let (torn, good, folder) = (text(&side().torn), text(&side().good), text(out));
    for words in [
        &["explain", &folder, "p01"][..],
        &["decide", &folder, "p02:30=7", "--by", "Kit", "--because", "the log book"],
        &["recover", &torn, "-q", "--out", &folder],
        &["add", &folder, &good, "-q"],
        &["recover", &good, "--replace", "-q", "--out", &folder],
        &["report", &folder, "-q"],
        &["shelf", &folder, "--out", &shelf],
        &["pack", &folder, "--without-captures", "-q", "--out", &bag],
    ] {
        see(words[0], program().args(words).output().unwrap());
    }
}

/// Nobody writes, `verify` has something to say, and all is as it was.
fn refused_by_all(station: &Station, says: &str, what: &str) {
    let before = contents(station.folder.path());
    each_command(&station.out, &mut |command, output| {
        let said = stderr(&output);
        assert_eq!((code(&output), said.lines().count()), (2, 1), "{what}, {command}: {said}");
        assert!(said.contains(says), "{what}, {command}: {said}");
        assert!(contents(station.folder.path()) == before, "{what}: {command} changed something");
    });
    let verified = run("verify", &station.out, &[]);
    assert_eq!(code(&verified), 7, "{what}: {}", stdout(&verified));
    assert!(stderr(&verified).contains("run.json"), "{what}: {}", stderr(&verified));
    assert_eq!(names(station.folder.path()), ["my-recording.wav", "out"]);
}

#[test]
fn a_record_cannot_name_a_file_outside_its_folder() {
    let absolute = |station: &Station| {
        let recording = station.folder.path().join("my-recording.wav");
        let up = "../".repeat(12);
        [format!("history/{up}{}", recording.strip_prefix("/").unwrap().display()), recording.display().to_string()]
    };
    for way in 0..5 {
        let station = station();
        let name = match way {
            0 => "history/../../my-recording.wav".to_string(),
            1 => "takes/../../my-recording.wav".to_string(),
            2 => "../my-recording.wav".to_string(),
            way => absolute(&station)[way - 3].clone(),
        };
        forge(&station.out, |run| {
            let entry = json!({"file": name, "bytes": RECORDING.len(), "sha256": hex(RECORDING)});
            run["outputs"].as_array_mut().unwrap().push(entry);
        });
        refused_by_all(&station, "is no name of a file", &name);
        // with other contents than the file has: what would be written over it
        forge(&station.out, |run| {
            let last = run["outputs"].as_array().unwrap().len() - 1;
            run["outputs"][last]["sha256"] = hex(b"").into();
            run["outputs"][last]["bytes"] = 0.into();
        });
        refused_by_all(&station, "is no name of a file", &name);
    }
}

#[test]
fn what_should_be_a_hash_is_one() {
    let station = station();
    forge(&station.out, |run| run["outputs"][0]["sha256"] = "../../../../../../../tmp/x".into());
    refused_by_all(&station, "is no hash", "run.json");
}

/// The other records, sealed again so that only what they say can tell.
#[test]
fn no_other_record_leads_out_either() {
    let original = station();
    let copy = |change: &dyn Fn(&Path) -> String| {
        let copy = original.folder.path().join("forged");
        let _ = fs::remove_dir_all(&copy);
        crate::takes::copy_folder(&original.out, &copy);
        let file = change(&copy);
        let bytes = fs::read(copy.join(&file)).unwrap();
        crate::takes::reseal(&copy, &[(&file, bytes)]);
        copy
    };
    let edit = |file: &str, from: &str, to: &str| {
        let text = fs::read_to_string(original.out.join(file)).unwrap();
        assert!(text.contains(from), "{file}: {from}");
        text.replace(from, to)
    };
    let take = files(&original.out).into_iter().find(|f| f.ends_with("take.json")).unwrap();
    let hash = take.split('/').nth(1).unwrap();
    let samples = fs::read_to_string(original.out.join("dossier.json")).unwrap();
    let samples = samples.split('"').find(|s| s.len() == 64).unwrap().to_string();
    let climbing = format!("../../{}", &samples[6..]);
    for (file, from, to) in [
        ("dossier.json", format!("takes/{hash}"), "takes/../../my-recording.wav".to_string()),
        ("dossier.json", samples.clone(), climbing.clone()),
        (&*take, samples.clone(), climbing.clone()),
        ("log.jsonl", samples.clone(), climbing),
        ("log.jsonl", "\"superseded\":null".into(), "\"superseded\":\"../my-recording.wav\"".into()),
        ("verdict.json", "\"programs/p01.bin\"".into(), "\"../my-recording.wav\"".into()),
        ("verdict.json", "\"programs/01-TIDE.prg\"".into(), "\"../my-recording.wav\"".into()),
    ] {
        let forged = copy(&|copy| {
            fs::write(copy.join(file), edit(file, &from, &to)).unwrap();
            if file == "verdict.json" {
                // the log's last word on it, too
                let hash = hex(&fs::read(copy.join(file)).unwrap());
                let log = fs::read_to_string(copy.join("log.jsonl")).unwrap();
                let old = log.split("\"verdict_sha256\":\"").nth(1).unwrap()[..64].to_string();
                fs::write(copy.join("log.jsonl"), log.replace(&old, &hash)).unwrap();
                let bytes = fs::read(copy.join("log.jsonl")).unwrap();
                crate::takes::reseal(copy, &[("log.jsonl", bytes)]);
            }
            file.into()
        });
        let before = contents(original.folder.path());
        let refused = program().arg("add").arg(&forged).arg(&side().good).arg("-q").output().unwrap();
        assert_eq!(code(&refused), 2, "{file} {to}: {}", stderr(&refused));
        let bag = original.folder.path().join("bag");
        let mut pack = program();
        let packed =
            pack.arg("pack").arg(&forged).args(["--without-captures", "-q", "--out"]).arg(bag).output().unwrap();
        assert_eq!(code(&packed), 2, "{file} {to}: {}", stderr(&packed));
        assert!(contents(original.folder.path()) == before, "{file} {to}");
        assert_eq!(code(&run("verify", &forged, &[])), 7, "{file} {to}");
    }
}

#[cfg(unix)]
mod links {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A file of ours, or a folder of ours, that is a link to the same bytes elsewhere.
    #[test]
    fn a_link_in_the_place_of_a_file_of_ours_is_followed_by_nobody() {
        for place in ["programs/01-TIDE.prg", "takes", "dossier.json", "run.json", "history"] {
            let station = station();
            if place == "history" {
                let decided = run("decide", &station.out, &["p02:30=7", "--by", "Kit", "--because", "the log book"]);
                assert_eq!(code(&decided), 0);
            }
            let elsewhere = station.folder.path().join("elsewhere");
            fs::rename(station.out.join(place), &elsewhere).unwrap();
            symlink(&elsewhere, station.out.join(place)).unwrap();
            let before = contents(station.folder.path());
            each_command(&station.out, &mut |command, output| {
                let needed = !matches!(place, "programs/01-TIDE.prg" | "history");
                if needed || !["report", "explain", "shelf"].contains(&command) {
                    assert_eq!(code(&output), 2, "{place}, {command}: {} {}", stdout(&output), stderr(&output));
                }
                // who has no need of the file may write what is its own
                let _ = fs::remove_dir_all(station.folder.path().join("shelf"));
                if !needed {
                    let _ = fs::remove_file(station.out.join("report.html"));
                }
                assert!(contents(station.folder.path()) == before, "{place}: {command} changed something");
            });
            let verified = run("verify", &station.out, &[]);
            assert_eq!((code(&verified), stderr(&verified).contains("is a link")), (7, true), "{}", stderr(&verified));
        }
    }

    /// Hard links are how backups share files: whatever is written here, the other name keeps its bytes.
    #[test]
    fn files_that_have_a_second_name_elsewhere_keep_their_bytes_there() {
        let station = station();
        let backup = station.folder.path().join("backup");
        for file in files(&station.out) {
            let to = backup.join(&file);
            fs::create_dir_all(to.parent().unwrap()).unwrap();
            fs::hard_link(station.out.join(&file), to).unwrap();
        }
        let before = contents(&backup);
        each_command(&station.out, &mut |command, output| {
            assert_eq!(code(&output), 0, "{command}: {}", stderr(&output));
        });
        assert!(contents(&backup) == before);
    }

    /// A pipe would be waited for without end.
    #[test]
    fn a_pipe_in_the_place_of_a_file_is_not_waited_for() {
        for place in ["programs/p01.bin", "dossier.json", "run.json", "report.html"] {
            let station = station();
            let _ = fs::remove_file(station.out.join(place));
            let made = std::process::Command::new("mkfifo").arg(station.out.join(place)).status();
            if !made.is_ok_and(|m| m.success()) {
                return;
            }
            let limited = |words: &[&str]| {
                let mut command = std::process::Command::new("timeout");
                command.arg("20").arg(assert_cmd::cargo::cargo_bin!("quorate")).arg(words[0]).arg(&station.out);
                command.args(&words[1..]).output().unwrap()
            };
            let good = side().good.to_str().unwrap();
            for words in [&["add", good, "-q"][..], &["report", "-q"], &["verify"], &["explain", "p01"]] {
                let done = limited(words);
                let fine = words[0] == "explain" && place == "report.html";
                let exit = if fine {
                    0
                } else if words[0] == "verify" {
                    7
                } else {
                    2
                };
                assert_eq!(code(&done), exit, "{place} {words:?}: {}", stderr(&done));
            }
        }
    }
}
