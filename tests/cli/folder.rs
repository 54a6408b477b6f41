//! The result folder: nothing of the user's is ever overwritten, and a result is there whole or not at all.

use std::fs;
use std::path::Path;

use crate::desk::{code, files, marsh, misprint, names, program, recover, stderr};

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

    fs::write(out.join("programs/mine.txt"), "").unwrap();
    refuses(&out, "mine.txt");
    fs::remove_file(out.join("programs/mine.txt")).unwrap();

    fs::create_dir(out.join("photos")).unwrap();
    refuses(&out, "photos");
    fs::remove_dir(out.join("photos")).unwrap();

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
