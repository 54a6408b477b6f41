//! The hidden folder in which a bag grows: what is there may be anybody's.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use crate::desk::{code, files, misprint, names, program, recover, stderr};

/// A dossier `out` in a folder of its own, and the hidden folder of its bag.
fn station() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(code(&recover(&misprint().takes, &folder.path().join("out"), &["-q"])), 0);
    let hidden = folder.path().join(".bag.packing");
    (folder, hidden)
}

fn pack(folder: &Path) -> Output {
    program().arg("pack").arg(folder.join("out")).args(["-q", "--out"]).arg(folder.join("bag")).output().unwrap()
}

/// A process that was stopped in the midst of it: no file may grow over 10 kB, and the first that would ends it.
#[cfg(unix)]
fn stopped(folder: &Path) {
    let script = "ulimit -c 0; ulimit -f 20; exec \"$0\" pack \"$1/out\" -q --out \"$1/bag\"";
    let quorate = assert_cmd::cargo::cargo_bin!("quorate");
    let output = std::process::Command::new("sh").arg("-c").arg(script).arg(quorate).arg(folder).output().unwrap();
    assert!(!output.status.success() && folder.join(".bag.packing/lock").exists(), "{}", stderr(&output));
}

/// Refused in one line, and all in the folder is as it was.
fn refused(folder: &Path, says: &str) {
    let all = || files(folder).into_iter().map(|f| (fs::read(folder.join(&f)).ok(), f)).collect::<Vec<_>>();
    let before = all();
    let output = pack(folder);
    assert_eq!((code(&output), stderr(&output).lines().count()), (2, 1), "{}", stderr(&output));
    assert!(stderr(&output).contains(says) && stderr(&output).contains("move it away"), "{}", stderr(&output));
    assert!(all() == before);
}

#[test]
fn a_folder_that_only_has_the_name_is_left_alone() {
    let (folder, hidden) = station();
    for (file, bytes) in
        [("letters.txt", &b"terns"[..]), ("bag/data/letters.txt", b"terns"), ("lock", b"terns"), ("hashed", b"")]
    {
        fs::create_dir_all(hidden.join(file).parent().unwrap()).unwrap();
        fs::write(hidden.join(file), bytes).unwrap();
        refused(folder.path(), ".bag.packing");
        fs::remove_dir_all(&hidden).unwrap();
    }
    fs::write(&hidden, "terns").unwrap();
    refused(folder.path(), ".bag.packing");
    fs::remove_file(&hidden).unwrap();
    assert_eq!(code(&pack(folder.path())), 0);
    assert_eq!(names(folder.path()), ["bag", "out"]);
}

#[cfg(unix)]
#[test]
fn no_link_leads_the_packing_elsewhere() {
    use std::os::unix::fs::symlink;
    let (folder, hidden) = station();
    let mine = folder.path().join("mine");
    fs::create_dir_all(mine.join("bag/data")).unwrap();
    fs::write(mine.join("bag/data/letters.txt"), "terns").unwrap();
    fs::write(mine.join("letters.txt"), "terns").unwrap();
    symlink(&mine, &hidden).unwrap();
    refused(folder.path(), ".bag.packing");
    fs::remove_file(&hidden).unwrap();

    stopped(folder.path());
    let begun = fs::read_to_string(hidden.join("begun")).unwrap();
    let copy = hidden.join("bag").join(begun.lines().next().unwrap());
    for (place, to) in [
        (hidden.join("lock"), mine.join("letters.txt")),
        (hidden.join("hashed"), mine.join("letters.txt")),
        (hidden.join("bag"), mine.join("bag")),
        (hidden.join("bag/data"), mine.join("bag/data")),
        (copy.parent().unwrap().to_path_buf(), mine.clone()),
        (copy.clone(), mine.join("letters.txt")),
    ] {
        let aside = folder.path().join("aside");
        let was_there = fs::rename(&place, &aside).is_ok();
        symlink(&to, &place).unwrap();
        refused(folder.path(), ".bag.packing");
        fs::remove_file(&place).unwrap();
        if was_there {
            fs::rename(&aside, &place).unwrap();
        }
    }
    // a second name of somebody's file, in the place of a copy: that name is made free, the file stays
    let _ = fs::remove_file(&copy);
    fs::hard_link(mine.join("letters.txt"), &copy).unwrap();
    assert_eq!(code(&pack(folder.path())), 0);
    assert_eq!(fs::read(mine.join("letters.txt")).unwrap(), b"terns");
    assert_eq!(names(folder.path()), ["bag", "mine", "out"]);
}

#[cfg(unix)]
#[test]
fn what_somebody_put_into_the_bag_in_the_making_is_not_removed() {
    let (folder, hidden) = station();
    stopped(folder.path());
    for place in ["bag/letters.txt", "bag/data/letters.txt", "bag/data/dossier/letters.txt", "letters.txt"] {
        fs::create_dir_all(hidden.join(place).parent().unwrap()).unwrap();
        fs::write(hidden.join(place), "terns").unwrap();
        refused(folder.path(), "letters.txt");
        fs::remove_file(hidden.join(place)).unwrap();
    }
    // what an earlier run with other sources has begun is: with the captures, and then without
    let mut command = program();
    command.arg("pack").arg(folder.path().join("out")).args(["-q", "--without-captures", "--out"]);
    assert_eq!(code(&command.arg(folder.path().join("bag")).output().unwrap()), 0);
    assert_eq!(names(folder.path()), ["bag", "out"]);
    assert!(!folder.path().join("bag/data/captures").exists());
}
