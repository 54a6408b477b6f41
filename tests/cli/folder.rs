//! The result folder: nothing of the user's is ever overwritten, and a result is there whole or not at all.

use std::fs;
use std::path::Path;

use crate::desk::{code, files, marsh, misprint, names, program, recover, stderr, stdout};

fn refuses(out: &Path, says: &str) {
    let before = if out.is_dir() { files(out) } else { Vec::new() };
    let output = recover(&misprint().takes, out, &[]);
    assert_eq!(code(&output), 2, "{says}: {}", stderr(&output));
    assert!(stderr(&output).contains(says) && stderr(&output).lines().count() == 1, "{}", stderr(&output));
    let after = if out.is_dir() { files(out) } else { Vec::new() };
    assert_eq!(after, before);
}

#[test]
fn a_folder_with_anything_foreign_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    fs::create_dir(&out).unwrap();
    fs::write(out.join("ringing.txt"), "Knot 3414").unwrap();
    refuses(&out, "did not write");
    assert_eq!(fs::read_to_string(out.join("ringing.txt")).unwrap(), "Knot 3414");

    // a file that is no folder
    refuses(&out.join("ringing.txt"), "no folder");
    // a run record of something else does not make it ours
    fs::write(out.join("run.json"), r#"{"schema":"other/1","outputs":[]}"#).unwrap();
    refuses(&out, "did not write");
}

#[test]
fn an_earlier_result_is_replaced_as_a_whole() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("deep/er/out");
    assert_eq!(code(&recover(&marsh().takes, &out, &[])), 0);
    assert!(out.join("programs/p03.bin").is_file());
    refuses(&out, "evidence of takes that are not given now");
    assert_eq!(code(&recover(&misprint().takes, &out, &["--replace"])), 0);
    assert!(!out.join("programs/p03.bin").exists(), "nothing of the earlier result is left");
    assert_eq!(fs::read(out.join("programs/p01.bin")).unwrap(), misprint().programs[0].bytes);
    assert_eq!(names(out.parent().unwrap()), ["out"], "no temporary folder is left");
}

#[test]
fn a_result_that_the_user_changed_is_the_users() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    assert_eq!(code(&recover(&marsh().takes, &out, &[])), 0);

    let listing = out.join("programs/01-TIDE-TABLE.txt");
    let before = fs::read_to_string(&listing).unwrap();
    fs::write(&listing, before.replace("SLUICE", "BRIDGE")).unwrap();
    refuses(&out, "changed since");
    fs::write(&listing, before).unwrap();

    assert_eq!(code(&recover(&misprint().takes, &out, &["--replace"])), 0, "as it was: ours again");
}

#[test]
fn an_empty_folder_is_taken_and_keeps_its_rights() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    fs::create_dir(&out).unwrap();
    #[cfg(unix)]
    fs::set_permissions(&out, std::os::unix::fs::PermissionsExt::from_mode(0o750)).unwrap();
    assert_eq!(code(&recover(&misprint().takes, &out, &[])), 0);
    assert!(out.join("verdict.json").is_file());
    #[cfg(unix)]
    assert_eq!(std::os::unix::fs::PermissionsExt::mode(&fs::metadata(&out).unwrap().permissions()) & 0o777, 0o750);
}

#[test]
fn the_folder_one_stands_in_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    for out in [".", "..", "../"] {
        let inner = folder.path().join("inner");
        fs::create_dir_all(&inner).unwrap();
        let mut command = program();
        let output = command.current_dir(&inner).arg("recover").arg(&misprint().takes[0]).args(["--out", out]).output();
        assert_eq!(code(&output.unwrap()), 2, "{out}");
        assert!(inner.is_dir() && names(&inner).is_empty());
    }
}

#[test]
fn a_take_is_never_replaced_by_the_result() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    assert_eq!(code(&recover(&misprint().takes, &out, &[])), 0);
    let take = out.join("programs/01-WADERS.supported.wav");
    let before = fs::read(&take).unwrap();
    let output = recover(&[&take], &out, &[]);
    assert_eq!(code(&output), 2);
    assert!(stderr(&output).contains("lies in the folder for the result"), "{}", stderr(&output));
    assert_eq!(fs::read(&take).unwrap(), before);
}

#[cfg(unix)]
#[test]
fn a_link_to_a_folder_of_the_users_is_no_way_around() {
    let folder = tempfile::tempdir().unwrap();
    let mine = folder.path().join("mine");
    fs::create_dir(&mine).unwrap();
    fs::write(mine.join("ringing.txt"), "Knot 3414").unwrap();
    let out = folder.path().join("out");
    std::os::unix::fs::symlink(&mine, &out).unwrap();
    refuses(&out, "did not write");
}

/// Killed while it writes, the program leaves the earlier result as it was, and can run again.
#[test]
fn a_killed_run_leaves_the_earlier_result() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let mut caught = 0;
    for _ in 0..3 {
        assert_eq!(
            code(&recover(&misprint().takes, &out, &["--replace"])),
            0,
            "what a killed run left beside it does no harm"
        );
        let before: Vec<_> = files(&out).into_iter().map(|f| (fs::read(out.join(&f)).unwrap(), f)).collect();
        let stages = names(folder.path());
        let mut child = program()
            .arg("recover")
            .args(&marsh().takes)
            .arg("--out")
            .arg(&out)
            .args(["-q", "--replace"])
            .spawn()
            .unwrap();
        // its hidden folder holds the first program
        let writing = || {
            let new = names(folder.path()).into_iter().filter(|name| !stages.contains(name));
            new.into_iter().any(|name| folder.path().join(name).join("programs/p01.bin").exists())
        };
        while child.try_wait().unwrap().is_none() && !writing() {
            std::thread::sleep(std::time::Duration::from_millis(1));
        }
        child.kill().unwrap();
        if !child.wait().unwrap().success() {
            caught += 1;
            let after: Vec<_> = files(&out).into_iter().map(|f| (fs::read(out.join(&f)).unwrap(), f)).collect();
            assert!(after == before, "{:?}", files(&out));
        }
    }
    assert!(caught > 0, "never caught in the act");
}

/// Runs `quorate` with these words.
fn quorate(words: &[&std::ffi::OsStr]) -> std::process::Output {
    program().args(words).output().unwrap()
}

/// A folder and what is in it, to compare.
fn all(folder: &Path) -> Vec<(String, Vec<u8>)> {
    files(folder).into_iter().map(|f| (f.clone(), fs::read(folder.join(&f)).unwrap())).collect()
}

/// Each kind of folder is replaced by its own kind alone, and nothing is written into one by a command that makes another.
#[test]
fn a_folder_of_ours_is_no_place_for_anything_else_of_ours() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    for tape in ["tape-1", "tape-2"] {
        assert_eq!(code(&recover(&misprint().takes, &at(tape), &["-q"])), 0);
    }
    let (one, two, shelf, bag) = (at("tape-1"), at("tape-2"), at("shelf"), at("bag"));
    assert_eq!(code(&quorate(&["shelf".as_ref(), one.as_ref(), "--out".as_ref(), shelf.as_ref()])), 0);
    assert_eq!(code(&quorate(&["pack".as_ref(), one.as_ref(), "--out".as_ref(), bag.as_ref(), "-q".as_ref()])), 0);
    let recipe = at("recipe.json");
    fs::write(&recipe, r#"{ "seed": 1, "tone": { "hz": 1000, "seconds": 0.2 }, "takes": [ { "name": "tone" } ] }"#)
        .unwrap();
    let before = all(folder.path());
    let take = misprint().takes[0].as_os_str();
    for (words, out, says) in [
        (vec!["shelf".as_ref(), one.as_os_str()], two.clone(), "is a dossier"),
        (vec!["shelf".as_ref(), one.as_os_str()], bag.clone(), "is a bag"),
        (vec!["shelf".as_ref(), one.as_os_str()], two.join("shelf"), "is a dossier"),
        (vec!["recover".as_ref(), take], shelf.clone(), "is an overview"),
        (vec!["recover".as_ref(), take, "--replace".as_ref()], shelf.clone(), "is an overview"),
        (vec!["recover".as_ref(), take, "--replace".as_ref()], bag.clone(), "is a bag"),
        (vec!["recover".as_ref(), take, "--replace".as_ref()], bag.join("data/dossier"), "is a bag"),
        (vec!["recover".as_ref(), take], two.join("programs/again"), "is a dossier"),
        (vec!["report".as_ref(), one.as_os_str()], two.join("report.html"), "is a dossier"),
        (vec!["report".as_ref(), one.as_os_str()], one.join("page.html"), "is a dossier"),
        (vec!["report".as_ref(), one.as_os_str()], shelf.join("page.html"), "is an overview"),
        (vec!["report".as_ref(), one.as_os_str()], bag.join("data/page.html"), "is a bag"),
        (vec!["pack".as_ref(), one.as_os_str()], two.join("bag"), "is a dossier"),
        (vec!["simulate".as_ref(), recipe.as_os_str()], two.clone(), "is a dossier"),
        (vec!["simulate".as_ref(), recipe.as_os_str()], two.join("deep/er"), "is a dossier"),
        (vec!["simulate".as_ref(), recipe.as_os_str()], shelf.clone(), "is an overview"),
        (vec!["simulate".as_ref(), recipe.as_os_str()], bag.join("data"), "is a bag"),
    ] {
        let refused = quorate(&[words.clone(), vec!["--out".as_ref(), out.as_os_str()]].concat());
        assert_eq!(code(&refused), 2, "{words:?} {out:?}: {}", stdout(&refused));
        assert!(stderr(&refused).contains(says) && stderr(&refused).lines().count() == 1, "{}", stderr(&refused));
        assert!(all(folder.path()) == before, "{words:?} {out:?}");
    }
    // nor is a bag made invalid by who forgets that the dossier is in one
    let packed = bag.join("data/dossier");
    for words in [vec!["report"], vec!["decide"], vec!["add"]] {
        let mut command = program();
        command.arg(words[0]).arg(&packed);
        match words[0] {
            "decide" => drop(command.args(["p01:0=1", "--by", "Kit", "--because", "the log book"])),
            "add" => drop(command.arg(take)),
            _ => {}
        }
        let refused = command.output().unwrap();
        assert_eq!((code(&refused), stderr(&refused).contains("is a bag")), (2, true), "{}", stderr(&refused));
        assert!(all(folder.path()) == before, "{words:?}");
    }
    // its own kind: as ever
    assert_eq!(code(&quorate(&["shelf".as_ref(), two.as_ref(), "--out".as_ref(), shelf.as_ref()])), 0);
    assert_eq!(code(&recover(&misprint().takes, &two, &["-q"])), 0);
    let page = one.join("report.html");
    assert_eq!(code(&quorate(&["report".as_ref(), one.as_ref(), "--out".as_ref(), page.as_ref()])), 0);
}

/// A dossier that has lost a file holds evidence all the same.
#[test]
fn a_dossier_that_has_lost_a_record_is_not_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    assert_eq!(code(&recover(&misprint().takes, &out, &["-q"])), 0);
    let decide = ["p01:0=1", "--by", "Kit", "--because", "the log book"];
    assert_eq!(code(&program().arg("decide").arg(&out).args(decide).output().unwrap()), 0);
    let take = files(&out).into_iter().find(|f| f.ends_with("take.json")).unwrap();
    for lost in ["dossier.json", "log.jsonl", "verdict.json", "run.json", &take] {
        let kept = fs::read(out.join(lost)).unwrap();
        fs::remove_file(out.join(lost)).unwrap();
        let before = all(&out);
        // all of the old takes, or one of them, or others
        for takes in [&misprint().takes[..], &misprint().takes[..1], &marsh().takes[..1]] {
            let refused = recover(takes, &out, &["-q"]);
            let said = stderr(&refused);
            assert_eq!((code(&refused), said.lines().count()), (2, 1), "{lost}: {said}");
            assert!(said.contains(lost) && said.contains("missing") && said.contains("restore"), "{lost}: {said}");
            assert!(all(&out) == before, "{lost}");
        }
        fs::write(out.join(lost), kept).unwrap();
    }
    fs::remove_file(out.join("dossier.json")).unwrap();
    assert_eq!(code(&recover(&misprint().takes, &out, &["-q", "--replace"])), 0);
}
