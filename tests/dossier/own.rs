//! What a person has put into the folder, and what a file manager has: it stays, and stands in nobody's way.

use std::fs;
use std::path::Path;

use crate::desk::{code, recover, stderr, stdout};
use crate::takes::{add, contents, dossier, run, side, state};

const LITTER: [&str; 8] = [
    ".DS_Store",
    "Thumbs.db",
    "desktop.ini",
    ".directory",
    "._summary.txt",
    "programs/.DS_Store",
    "programs/._p01.bin",
    "takes/Desktop.ini",
];

fn put(out: &Path, file: &str, bytes: &[u8]) {
    fs::create_dir_all(out.join(file).parent().unwrap()).unwrap();
    fs::write(out.join(file), bytes).unwrap();
}

fn decide(out: &Path) -> std::process::Output {
    run("decide", out, &["p02:30=7", "--by", "Kit", "--because", "the log book"])
}

#[test]
fn litter_of_file_managers_is_no_matter() {
    let (_folder, out) = dossier(&[&side().torn]);
    LITTER.iter().for_each(|file| put(&out, file, b"icons"));
    let verified = run("verify", &out, &[]);
    assert_eq!((code(&verified), stderr(&verified)), (0, String::new()));
    assert!(
        !stdout(&verified).contains("DS_Store") && !stdout(&verified).contains("let alone"),
        "{}",
        stdout(&verified)
    );
    for output in [decide(&out), add(&out, &[&side().good], &["-q"]), run("report", &out, &["-q"])] {
        assert_eq!(code(&output), 0, "{}", stderr(&output));
    }
    let output = recover(&[&side().torn, &side().good], &out, &["-q"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert_eq!(code(&run("verify", &out, &[])), 0);
    // a folder with nothing else in it is as good as empty
    let fresh = out.with_file_name("fresh");
    put(&fresh, ".DS_Store", b"icons");
    assert_eq!(code(&recover(&[&side().torn], &fresh, &["-q"])), 0);
}

#[test]
fn a_persons_own_files_go_along_unchanged_and_are_named() {
    let (_folder, out) = dossier(&[&side().torn]);
    let own: [(&str, &[u8]); 5] = [
        ("inlay.jpg", b"\xFF\xD8 the inlay"),
        ("photos/1986/hide.jpg", b"\xFF\xD8 the hide"),
        ("photos/._hide.jpg", b"where it was taken"),
        ("programs/notes.txt", b"the second one is the clock"),
        ("takes/read me", b"deck in the shed"),
    ];
    own.iter().for_each(|(file, bytes)| put(&out, file, bytes));
    fs::create_dir(out.join("for later")).unwrap();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(out.join("inlay.jpg"), fs::Permissions::from_mode(0o440)).unwrap();
        fs::set_permissions(out.join("photos/1986"), fs::Permissions::from_mode(0o711)).unwrap();
        std::os::unix::fs::symlink("../elsewhere/tide.pdf", out.join("tide.pdf")).unwrap();
    }
    let changed = |out: &Path| fs::metadata(out.join("inlay.jpg")).unwrap().modified().unwrap();
    let time = changed(&out);
    let all_there = |after: &str| {
        own.iter()
            .for_each(|(file, bytes)| assert_eq!(fs::read(out.join(file)).unwrap(), *bytes, "{file} after {after}"));
        assert!(out.join("for later").is_dir(), "{after}");
        assert_eq!(changed(&out), time, "{after}");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = |file: &str| fs::metadata(out.join(file)).unwrap().permissions().mode() & 0o777;
            assert_eq!((mode("inlay.jpg"), mode("photos/1986")), (0o440, 0o711), "{after}");
            assert_eq!(fs::read_link(out.join("tide.pdf")).unwrap(), Path::new("../elsewhere/tide.pdf"), "{after}");
        }
        let verified = run("verify", &out, &[]);
        assert_eq!(code(&verified), 0, "{after}: {}", stderr(&verified));
        let said = stdout(&verified);
        assert!(
            said.contains("let alone") && said.contains("inlay.jpg") && said.contains("for later/"),
            "{after}: {said}"
        );
        let report: serde_json::Value = serde_json::from_str(&stdout(&run("verify", &out, &["--json"]))).unwrap();
        let named: Vec<&str> = report["own"].as_array().unwrap().iter().map(|n| n.as_str().unwrap()).collect();
        assert!(named.contains(&"photos/1986/hide.jpg") && !named.contains(&"photos/._hide.jpg"), "{named:?}");
    };
    all_there("nothing");
    assert_eq!(code(&decide(&out)), 0, "{}", stderr(&decide(&out)));
    all_there("decide");
    assert_eq!(code(&add(&out, &[&side().good], &["-q"])), 0);
    all_there("add");
    assert_eq!(code(&run("report", &out, &["-q"])), 0);
    all_there("report");
    assert_eq!(code(&recover(&[&side().torn, &side().good], &out, &["-q"])), 0);
    all_there("recover");
    assert_eq!(code(&recover(&[&side().late], &out, &["-q", "--replace"])), 0);
    all_there("recover --replace");
    // what it is made of is the same as without them
    #[cfg(unix)]
    fs::remove_file(out.join("tide.pdf")).unwrap();
    let (_other, plain) = dossier(&[&side().late]);
    let mut now = state(&out);
    now.retain(|file, _| !own.iter().any(|(own, _)| own == file) && file != "report.html");
    assert!(now == state(&plain));
    // a bag takes the dossier alone
    let bag = out.with_file_name("bag");
    let packed = run("pack", &out, &["--without-captures", "-q", "--out", bag.to_str().unwrap()]);
    assert_eq!(code(&packed), 0, "{}", stderr(&packed));
    assert!(!bag.join("data/dossier/inlay.jpg").exists());
}

#[test]
fn where_a_persons_file_has_the_name_of_one_of_ours_it_is_said_and_kept() {
    let (folder, out) = dossier(&[&side().torn]);
    for file in ["history/0001-verdict.json", "history", "report.html"] {
        put(&out, file, b"mine");
        let before = contents(&out);
        for output in [decide(&out), add(&out, &[&side().good], &["-q"])] {
            assert_eq!((code(&output), stderr(&output).lines().count()), (2, 1), "{file}: {}", stderr(&output));
            assert!(stderr(&output).contains(&format!("{file:?}")), "{file}: {}", stderr(&output));
            assert!(stderr(&output).contains("move"), "{file}: {}", stderr(&output));
            assert!(contents(&out) == before, "{file}");
        }
        fs::remove_file(out.join(file)).unwrap();
        let _ = fs::remove_dir(out.join("history"));
    }
    assert_eq!(code(&decide(&out)), 0);
    assert_eq!(crate::desk::names(folder.path()), ["out"]);
    // a file of ours that changed is no file of theirs
    fs::write(out.join("summary.txt"), "all is well\n").unwrap();
    let verified = run("verify", &out, &[]);
    assert_eq!((code(&verified), stderr(&verified).contains("summary.txt")), (7, true));
    assert_eq!(code(&add(&out, &[&side().good], &["-q"])), 2);
}

#[test]
fn the_report_in_the_folder_is_drawn_anew_with_all_that_changes() {
    let (_folder, out) = dossier(&[&side().torn]);
    let page = |out: &Path| fs::read_to_string(out.join("report.html")).unwrap();
    let elsewhere = out.with_file_name("page.html");
    assert_eq!(code(&run("report", &out, &["-q", "--out", elsewhere.to_str().unwrap()])), 0);
    // one written elsewhere makes none here, and stays
    assert_eq!(code(&decide(&out)), 0);
    assert!(!out.join("report.html").exists());
    let kept = fs::read(&elsewhere).unwrap();
    assert_eq!(code(&run("report", &out, &["-q"])), 0);
    let mut seen = vec![page(&out)];
    let withdraw = || run("decide", &out, &["p02:30", "--withdraw", "--by", "Kit"]);
    for (what, done) in [
        ("withdraw", &withdraw as &dyn Fn() -> std::process::Output),
        ("decide", &|| decide(&out)),
        ("add", &|| add(&out, &[&side().good], &["-q"])),
        ("recover", &|| recover(&[&side().torn, &side().good], &out, &["-q"])),
        ("recover --replace", &|| recover(&[&side().good], &out, &["-q", "--replace"])),
    ] {
        let output = done();
        assert_eq!(code(&output), 0, "{what}: {}", stderr(&output));
        let now = page(&out);
        assert!(!seen.contains(&now), "{what}: an old page stands there");
        // it is the page that `report` draws of the new state, and `verify` knows it for that
        assert_eq!(code(&run("verify", &out, &[])), 0, "{what}: {}", stderr(&run("verify", &out, &[])));
        assert_eq!(code(&run("report", &out, &["-q"])), 0, "{what}");
        assert!(page(&out) == now, "{what}");
        seen.push(now);
    }
    assert_eq!(fs::read(&elsewhere).unwrap(), kept);
}
