//! `quorate simulate`: takes with known truth, and back.

use std::fs;

use crate::desk::{code, files, names, program, recover, stderr, stdout, verdict};

const RECIPE: &str = r#"{ "seed": 86, "files": [ { "name": "TIDE CLOCK", "kind": "code", "load_address": 49152,
    "hex": "a9 00 8d 20 d0 ee 21 d0 4c 05 c0", "header_leader_s": 1.5, "data_leader_s": 1, "gap_s": 0.5 } ],
  "takes": [ { "name": "marsh-1" }, { "name": "marsh-2", "file": "marsh-2.wav", "knobs": { "snr_db": 15 } } ] }"#;

#[test]
fn a_simulated_tape_is_recovered_to_its_truth() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = folder.path().join("marsh.json");
    fs::write(&recipe, RECIPE).unwrap();
    let takes = folder.path().join("takes");
    let simulate = |out: &std::path::Path, options: &[&str]| {
        program().arg("simulate").arg(&recipe).arg("--out").arg(out).args(options).output().unwrap()
    };
    let output = simulate(&takes, &[]);
    assert_eq!((code(&output), stderr(&output)), (0, String::new()));
    for words in ["Seed 86", "marsh-1.flac", "marsh-2.wav", "truth/p01.prg"] {
        assert!(stdout(&output).contains(words), "{words}: {}", stdout(&output));
    }
    let expected = ["marsh-1.flac", "marsh-2.wav", "truth/p01.prg", "truth/truth.json"];
    assert_eq!(files(&takes), expected);

    let out = folder.path().join("out");
    assert_eq!(code(&recover(&[takes.join("marsh-1.flac"), takes.join("marsh-2.wav")], &out, &[])), 0);
    assert_eq!(verdict(&out)["programs"][0]["verdict"], "established");
    let prg = fs::read(out.join("programs/01-TIDE-CLOCK.prg")).unwrap();
    assert_eq!(prg, fs::read(takes.join("truth/p01.prg")).unwrap());

    // the same seed, the same bytes; another seed, others; and nothing is overwritten
    let again = folder.path().join("again");
    assert_eq!(code(&simulate(&again, &["--seed", "86", "--quiet"])), 0);
    assert_eq!(fs::read(again.join("marsh-2.wav")).unwrap(), fs::read(takes.join("marsh-2.wav")).unwrap());
    let other = folder.path().join("other");
    let output = simulate(&other, &["--seed", "87"]);
    assert!(stdout(&output).contains("Seed 87"));
    assert_ne!(fs::read(other.join("marsh-2.wav")).unwrap(), fs::read(takes.join("marsh-2.wav")).unwrap());
    let output = simulate(&other, &[]);
    assert_eq!((code(&output), stderr(&output).lines().count()), (2, 1), "{}", stderr(&output));
}

#[test]
fn a_recipe_with_a_fault_makes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    for (text, says) in [
        ("not json", "recipe"),
        (&RECIPE.replace("snr_db", "loudness"), "loudness"),
        (&RECIPE.replace("\"snr_db\": 15", "\"speed_error\": 7"), "speed_error"),
        (&RECIPE.replace("\"hex\"", "\"path\": \"no-such.prg\", \"hex\""), "path"),
    ] {
        let recipe = folder.path().join("recipe.json");
        fs::write(&recipe, text).unwrap();
        let mut command = program();
        let output = command.arg("simulate").arg(&recipe).arg("--out").arg(folder.path().join("out")).output().unwrap();
        assert_eq!((code(&output), stderr(&output).lines().count()), (2, 1), "{}", stderr(&output));
        assert!(stderr(&output).contains(says), "{}", stderr(&output));
    }
    assert_eq!(names(folder.path()), ["recipe.json"]);
}
