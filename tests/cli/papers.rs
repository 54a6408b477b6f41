//! `report`, `pack`, `shelf` and `schema` as commands. What is in the papers is checked by `tests/oracles/report.py`,
//! `archive.py` and `documents.py`.

use std::path::Path;
use std::process::Output;

use sha2::{Digest, Sha256, Sha512};

use crate::desk::{code, files, marsh, misprint, names, program, recover, stderr, stdout};

fn run(command: &str, dir: &Path, options: &[&str]) -> Output {
    program().arg(command).arg(dir).args(options).output().unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn a_report_stands_in_its_folder_and_disturbs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    assert_eq!(code(&recover(&marsh().takes, &out, &["-q"])), 0);
    let report = run("report", &out, &["-q"]);
    assert_eq!(code(&report), 0, "{}", stderr(&report));
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(page.starts_with("<!DOCTYPE html>") && page.contains("TIDE TABLE") && page.contains("default-src 'none'"));
    // the folder is still whole, and still ours to replace
    assert_eq!(code(&run("verify", &out, &[])), 0);
    assert_eq!(code(&run("report", &out, &["-q"])), 0);
    assert_eq!(std::fs::read_to_string(out.join("report.html")).unwrap(), page, "the same bytes again");
    assert_eq!(code(&recover(&marsh().takes, &out, &["-q"])), 0);

    // a report that somebody wrote on is theirs
    std::fs::write(out.join("report.html"), page.replace("TIDE TABLE", "MY TABLE")).unwrap();
    let refused = run("report", &out, &[]);
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("report.html"), "{}", stderr(&refused));
    assert_eq!(code(&recover(&marsh().takes, &out, &["-q"])), 2);
    assert_ne!(code(&run("verify", &out, &[])), 0);
}

#[test]
fn what_is_no_dossier_has_no_papers() {
    let folder = tempfile::tempdir().unwrap();
    for (command, options) in
        [("report", &[][..]), ("pack", &["--out", "/nowhere/bag"]), ("shelf", &["--out", "/nowhere/shelf"])]
    {
        let refused = run(command, folder.path(), options);
        assert_ne!(code(&refused), 0, "{command}");
        assert!(stderr(&refused).starts_with("error: "), "{command}: {}", stderr(&refused));
    }
    assert!(names(folder.path()).is_empty());
}

#[test]
fn a_bag_lists_every_file_with_both_hashes() {
    let folder = tempfile::tempdir().unwrap();
    let (out, bag) = (folder.path().join("out"), folder.path().join("bag"));
    assert_eq!(code(&recover(&misprint().takes, &out, &["-q"])), 0);
    let packed = run("pack", &out, &["--out", text(&bag), "-q"]);
    assert_eq!(code(&packed), 0, "{}", stderr(&packed));
    assert_eq!(names(folder.path()), ["bag", "out"], "nothing is left beside it");
    let hex = |bytes: &[u8]| bytes.iter().map(|b| format!("{b:02x}")).collect::<String>();
    for name in ["sha256", "sha512"] {
        let digest = |b: &[u8]| match name {
            "sha256" => Sha256::digest(b).to_vec(),
            _ => Sha512::digest(b).to_vec(),
        };
        let manifest = std::fs::read_to_string(bag.join(format!("manifest-{name}.txt"))).unwrap();
        let payload: Vec<String> = files(&bag).into_iter().filter(|f| f.starts_with("data/")).collect();
        let wanted: Vec<String> =
            payload.iter().map(|f| format!("{}  {f}", hex(&digest(&std::fs::read(bag.join(f)).unwrap())))).collect();
        assert_eq!(manifest.lines().collect::<Vec<_>>(), wanted);
    }
    for take in &misprint().takes {
        let name = take.file_name().unwrap().to_str().unwrap();
        assert!(files(&bag).iter().any(|f| f.starts_with("data/captures/take-") && f.ends_with(&format!("/{name}"))));
    }
    let again = run("pack", &out, &["--out", text(&bag)]);
    assert_eq!(code(&again), 2, "a bag is never overwritten");
}

#[test]
fn a_shelf_holds_all_tapes_and_is_replaced_as_a_whole() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    assert_eq!(code(&recover(&marsh().takes, &at("marsh"), &["-q"])), 0);
    assert_eq!(code(&recover(&misprint().takes, &at("misprint"), &["-q"])), 0);
    for _ in 0..2 {
        let shelf = run("shelf", &at("marsh"), &[text(&at("misprint")), "--out", text(&at("shelf"))]);
        assert_eq!(code(&shelf), 0, "{}", stderr(&shelf));
        assert!(stdout(&shelf).starts_with("4 programs on 2 tape sides: 3 established, 1 supported, 0 open."));
    }
    assert_eq!(names(&at("shelf")), ["index.html", "programs.jsonl", "run.json"]);
    let lines = std::fs::read_to_string(at("shelf").join("programs.jsonl")).unwrap();
    assert_eq!(lines.lines().count(), 4);
    assert!(lines.lines().all(|line| !line.contains("null")));

    std::fs::write(at("shelf").join("mine.txt"), "mine").unwrap();
    let shelf = run("shelf", &at("marsh"), &["--out", text(&at("shelf"))]);
    assert!(stdout(&shelf).starts_with("3 programs on 1 tape side"), "{}", stderr(&shelf));
    assert_eq!(std::fs::read(at("shelf").join("mine.txt")).unwrap(), b"mine");
}

#[test]
fn a_shelf_believes_no_changed_dossier_and_counts_each_once() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    assert_eq!(code(&recover(&misprint().takes, &at("tape"), &["-q"])), 0);
    let shelf = |more: &[&str]| {
        let options: Vec<&str> = more.iter().copied().chain(["--out"]).collect();
        program().arg("shelf").arg(at("tape")).args(options).arg(at("shelf")).output().unwrap()
    };
    let twice = shelf(&[text(&at("tape")), text(&at("tape/."))]);
    assert!(stdout(&twice).contains(" on 1 tape side:"), "{}", stdout(&twice));
    for name in ["verdict.json", "programs/p01.bin"] {
        let file = at("tape").join(name);
        let right = std::fs::read(&file).unwrap();
        let wrong = String::from_utf8_lossy(&right).replacen("supported", "established", 1).into_bytes();
        std::fs::write(&file, if wrong == right { vec![0; right.len()] } else { wrong }).unwrap();
        let refused = shelf(&[]);
        assert_eq!(code(&refused), 2, "{name}");
        assert!(stderr(&refused).contains(name) && stderr(&refused).contains("changed"), "{}", stderr(&refused));
        std::fs::write(&file, right).unwrap();
    }
    // all that is wrong is said at once
    let refused = shelf(&[text(&at("gone")), text(folder.path())]);
    assert_eq!(code(&refused), 2);
    assert_eq!(stderr(&refused).matches("holds no dossier").count(), 2, "{}", stderr(&refused));
}

#[test]
fn schemas_are_printed_by_name() {
    let schema = |name: &[&str]| program().arg("schema").args(name).output().unwrap();
    let all = stdout(&schema(&[]));
    for name in ["verdict", "shelf-row", "run", "log", "take", "dossier"] {
        assert!(all.lines().any(|line| line.starts_with(name)), "{name}");
        let text = stdout(&schema(&[name]));
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["$schema"], "https://json-schema.org/draft/2020-12/schema");
    }
    let none = schema(&["verdicts"]);
    assert_eq!(code(&none), 2);
    assert!(stderr(&none).contains("verdict"), "{}", stderr(&none));
}

/// What `quorate help COMMAND` lists, as the names of the run record: `--require <LEVEL>` is `require`.
fn helped(command: &str) -> Vec<String> {
    let help = stdout(&program().args(["help", command]).output().unwrap());
    let mut names = Vec::new();
    for line in help.lines().map(str::trim_start) {
        let short = line.strip_prefix("-q, ").unwrap_or(line);
        if let Some(long) = short.strip_prefix("--") {
            names.push(long.split([' ', '.']).next().unwrap().to_string());
        }
    }
    names.retain(|name| name != "help");
    names
}

/// The help text is the other side of the same definitions: what it lists must be in the record, and in the report.
#[test]
fn every_option_stands_in_the_run_record_and_in_the_report() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let out = at("out");
    let check = |command: &str, dir: &Path, arguments: &[&str]| {
        let run: serde_json::Value = serde_json::from_slice(&std::fs::read(dir.join("run.json")).unwrap()).unwrap();
        assert_eq!(run["command"]["name"], command);
        let options = run["command"]["options"].as_array().unwrap();
        let name = |o: &serde_json::Value| o["name"].as_str().unwrap().to_string();
        let required = options.iter().filter(|o| o["required"] == true).map(name);
        assert_eq!(required.collect::<Vec<_>>(), arguments, "{command}");
        let mut recorded: Vec<String> = options.iter().map(name).filter(|n| !arguments.contains(&n.as_str())).collect();
        let mut helped: Vec<String> = helped(command).into_iter().filter(|n| n != "out").collect();
        recorded.sort();
        helped.sort();
        assert_eq!(recorded, helped, "{command}");
        for option in options {
            assert!(option.get("value").is_some() && option.get("default").is_some(), "{option}");
            assert!(option["what"].as_str().unwrap().len() > 5, "{option}");
        }
        options.clone()
    };
    let in_report = |options: &[serde_json::Value]| {
        assert_eq!(code(&run("report", &out, &["-q"])), 0);
        let page = std::fs::read_to_string(out.join("report.html")).unwrap();
        let software = page.split("id=\"software\"").nth(1).unwrap();
        for option in options {
            let row = format!("<th scope=\"row\">{}</th>", option["name"].as_str().unwrap());
            let what = option["what"].as_str().unwrap().split(['\'', '"', '<', '&']).next().unwrap();
            assert!(software.contains(&row) && software.contains(what), "{option}");
        }
    };

    assert_eq!(code(&recover(&misprint().takes[..1], &out, &["-q", "--note", "ebb", "--note", "flow"])), 0);
    let options = check("recover", &out, &["takes", "out"]);
    let note = options.iter().find(|o| o["name"] == "note").unwrap();
    assert_eq!((&note["value"], &note["default"]), (&serde_json::json!(["ebb", "flow"]), &serde_json::json!([])));
    in_report(&options);
    assert_eq!(code(&run("add", &out, &[text(&misprint().takes[1]), "-q"])), 0);
    in_report(&check("add", &out, &["dir", "takes"]));
    let decided = run("decide", &out, &["p01:0=1", "--because", "the log book", "--by", "warden"]);
    assert_eq!(code(&decided), 0, "{}", stderr(&decided));
    in_report(&check("decide", &out, &["dir", "what"]));
    assert_eq!(code(&run("shelf", &out, &["--out", text(&at("shelf"))])), 0);
    check("shelf", &at("shelf"), &["folders", "out"]);
}
