//! The corpus is what its recipes make, and the demonstration does what the README says.

mod support;

use quorate::channel::{self, Recipe};
use quorate::confidence::Level;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use support::{fault, faults, recover, wrongly_established};

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus")
}

fn demo_takes() -> Vec<PathBuf> {
    (1..=3).map(|n| corpus().join(format!("marsh-station/take-{n}.flac"))).collect()
}

fn demo_truth() -> channel::Truth {
    let folder = corpus().join("marsh-station");
    Recipe::read(&folder.join("recipe.json")).unwrap().prepare(&folder).unwrap().truth
}

/// Every file below a folder, as paths relative to it with `/`.
fn files(folder: &Path, under: &str) -> Vec<String> {
    let entries = std::fs::read_dir(folder.join(under)).unwrap().map(|e| e.unwrap());
    let below = |e: std::fs::DirEntry| {
        let name = format!("{under}{}", e.file_name().to_str().unwrap());
        if e.path().is_dir() { files(folder, &format!("{name}/")) } else { vec![name] }
    };
    entries.flat_map(below).collect()
}

/// Regenerates every take, and compares it byte for byte with the committed one.
#[test]
fn every_take_is_what_its_recipe_makes() {
    let mut compared = 0;
    for recipe in files(&corpus(), "").iter().filter(|f| f.ends_with("/recipe.json")) {
        let (made, committed) = (tempfile::tempdir().unwrap(), corpus().join(recipe));
        let truth = channel::run(&committed, made.path(), None, &mut |_, _, _| ()).unwrap();
        let names = truth.takes.iter().map(|t| (t.file.clone(), t.file.clone()));
        for (made_name, name) in names.chain([("truth/truth.json".into(), "truth.json".into())]) {
            let same = std::fs::read(made.path().join(made_name)).unwrap()
                == std::fs::read(committed.with_file_name(&name)).unwrap();
            assert!(same, "{name} beside {recipe} is not what the recipe makes now; run scripts/make-corpus");
            compared += 1;
        }
    }
    assert!(compared >= 4, "{compared} files compared");
}

#[test]
fn the_manifest_lists_every_file_with_its_hash_and_origin() {
    let page: Value = serde_json::from_slice(&std::fs::read(corpus().join("manifest.json")).unwrap()).unwrap();
    let hash = |path: &String| {
        let digest = Sha256::digest(std::fs::read(corpus().join(path)).unwrap());
        digest.iter().map(|b| format!("{b:02x}")).collect::<String>()
    };
    let entries = page["files"].as_array().unwrap();
    let listed: BTreeMap<_, _> = entries
        .iter()
        .map(|f| (f["path"].as_str().unwrap().to_string(), f["sha256"].as_str().unwrap().to_string()))
        .collect();
    let there: BTreeMap<_, _> =
        files(&corpus(), "").into_iter().filter(|f| f != "manifest.json").map(|f| (f.clone(), hash(&f))).collect();
    assert_eq!(listed, there, "run scripts/make-corpus");
    for entry in entries {
        for field in ["origin", "generator", "licence"] {
            assert!(entry[field].as_str().is_some_and(|text| !text.is_empty()), "{field} of {}", entry["path"]);
        }
    }
}

#[test]
fn three_takes_together_give_every_program() {
    let truth = demo_truth();
    assert_eq!(truth.programs.len(), 4);
    assert_eq!(faults(&recover(&demo_takes()), &truth), [""; 0]);
}

#[test]
fn each_take_alone_loses_a_program() {
    let truth = demo_truth();
    for take in demo_takes() {
        let outcome = recover(std::slice::from_ref(&take));
        let lost: Vec<String> = truth.programs.iter().filter_map(|p| fault(&outcome, p, Level::Established)).collect();
        println!("{}:\n{}", take.display(), lost.join("\n"));
        assert!(!lost.is_empty(), "{} alone gives everything", take.display());
        assert_eq!(wrongly_established(&outcome, &truth), [""; 0]);
    }
}

/// A take is 25 to 60 s long, so that the repository stays small.
#[test]
fn the_takes_of_the_demonstration_are_short() {
    for take in demo_takes() {
        let seconds = quorate::capture::Capture::open(&take).unwrap().duration_s();
        assert!((25.0..=60.0).contains(&seconds), "{} lasts {seconds:.1} s", take.display());
    }
}
