//! What `next` foretells, held against what happens.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::desk::{code, program, stderr, stdout};
use crate::takes::{add, dossier, run};

/// A tape of programs with bytes of their own and six takes of it, with these knobs for all.
fn six_takes(seed: u64, sizes: &[usize], knobs: &Value) -> (TempDir, Vec<PathBuf>) {
    let folder = tempfile::tempdir().unwrap();
    let file = |(i, size): (usize, &usize)| {
        let hex: String = (1..=*size).map(|k| format!("{:02x}", (k * (2_654_435_761 + 2 * i)) >> 13 & 0xFF)).collect();
        json!({ "name": format!("LOG {i}"), "kind": "code", "load_address": 0x2000, "hex": hex, "header_leader_s": 0.8,
                "data_leader_s": 0.6, "gap_s": 0.4 })
    };
    let files: Vec<Value> = sizes.iter().enumerate().map(file).collect();
    let takes: Vec<Value> = (1..=6).map(|i| json!({ "name": format!("t{i}"), "file": format!("t{i}.wav") })).collect();
    let recipe = folder.path().join("recipe.json");
    std::fs::write(&recipe, json!({ "seed": seed, "files": files, "deck": knobs, "takes": takes }).to_string())
        .unwrap();
    let out = folder.path().join("takes");
    let made = program().arg("simulate").arg(&recipe).arg("--out").arg(&out).arg("-q").output().unwrap();
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    (folder, (1..=6).map(|i| out.join(format!("t{i}.wav"))).collect())
}

/// The verdict on whatever lies at this second of the first take.
fn level(out: &Path, file: &str, at_s: f64) -> String {
    let verdict = crate::desk::verdict(out);
    let take = verdict["takes"].as_array().unwrap().iter().find(|t| t["file"] == file).unwrap()["id"].clone();
    let covers = |p: &&Value| {
        let places = p["places"].as_array().unwrap().iter().filter(|l| l["take"] == take);
        places.into_iter().any(|l| (l["from_s"].as_f64().unwrap()..l["to_s"].as_f64().unwrap()).contains(&at_s))
    };
    let found = verdict["programs"].as_array().unwrap().iter().find(covers);
    found.map_or(String::new(), |p| p["verdict"].as_str().unwrap().into())
}

/// What `next` foretold for one to three more takes, and what happened: shares of programs established. The names of noisy
/// programs may be misheard, so they are known by their place.
struct Held {
    cases: usize,
    foretold: [f64; 3],
    happened: [f64; 3],
}

/// The dossier has `known` takes, the first of each of `firsts` and those after it; `more` are added one by one.
fn held(paths: &[PathBuf], known: usize, firsts: &[usize], more: usize) -> Held {
    let mut held = Held { cases: 0, foretold: [0.0; 3], happened: [0.0; 3] };
    for first in firsts {
        let order: Vec<&Path> = (0..6).map(|i| paths[(first + i) % 6].as_path()).collect();
        let (_folder, out) = dossier(&order[..known]);
        let verdict = crate::desk::verdict(&out);
        let file = order[0].file_name().unwrap().to_str().unwrap();
        let take = verdict["takes"].as_array().unwrap().iter().find(|t| t["file"] == file).unwrap()["id"].clone();
        let advice: Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
        let mut middles = Vec::new();
        for one in advice.as_array().unwrap().iter().filter(|a| a["forecast"]["kind"] == "simulated") {
            let own = verdict["programs"].as_array().unwrap().iter().find(|p| p["id"] == one["program"]).unwrap();
            let Some(place) = own["places"].as_array().unwrap().iter().find(|l| l["take"] == take) else { continue };
            middles.push(0.5 * (place["from_s"].as_f64().unwrap() + place["to_s"].as_f64().unwrap()));
            for (k, foretold) in held.foretold.iter_mut().enumerate() {
                let told = &one["forecast"]["by_takes"][k];
                *foretold += told["settled"].as_f64().unwrap() / one["forecast"]["trials"].as_f64().unwrap();
            }
        }
        for k in 0..more {
            assert_eq!(code(&add(&out, &[order[known + k]], &["-q", "--allow-foreign"])), 0);
            let established = middles.iter().filter(|&&middle| level(&out, file, middle) == "established").count();
            held.happened[k] += established as f64;
        }
        held.cases += middles.len();
    }
    held
}

/// Six takes alike in quality, three times with another one first. What was measured at length stands at
/// `dossier::forecast::forecasts`; here the mean of all cases may be off by 0.3, which with 9 cases is a little more than
/// chance does. That the dropouts of the last deck are each take's own one take can't tell: if any share of them is as likely to
/// be the tape's, one of the two that hide a byte in both copies moves in two tapes of three, and not in all.
#[test]
fn a_forecast_comes_true() {
    let decks = [
        (json!({ "snr_db": -5 }), 1, 0.3),
        (json!({ "snr_db": -6.5 }), 2, 0.3),
        (json!({ "snr_db": 5, "own_dropouts_per_s": 4, "dropout_max_ms": 60 }), 1, 0.4),
    ];
    for (knobs, more, most_off) in decks {
        let (_takes, paths) = six_takes(11, &[400, 500, 700], &knobs);
        let Held { cases, foretold, happened } = held(&paths, 1, &[0, 2, 4], more);
        let [foretold, happened] = [foretold, happened].map(|sum| sum[more - 1] / cases as f64);
        println!("{knobs}: {more} more, {cases} cases: foretold {foretold:.2}, happened {happened:.2}");
        assert!(cases >= 3, "{knobs}: {cases}");
        assert!((foretold - happened).abs() < most_off, "{knobs}: foretold {foretold:.2}, happened {happened:.2}");
    }
}

/// Makes the table at `dossier::forecast::forecasts`. Dropouts of the tape and of each take: the mean of both is what one
/// take can foretell, and that may be off by 0.25.
#[test]
#[ignore = "minutes: scripts/attack-dossier forecast"]
fn forecasts_at_length() {
    let (tape, own) = ("shared_dropouts_per_s", "own_dropouts_per_s");
    let noise = |snr_db: f64| json!({ "snr_db": snr_db });
    let dropouts = |of: &[(&str, f64)]| {
        let mut knobs = json!({ "snr_db": 5, "dropout_max_ms": 60 });
        of.iter().for_each(|(knob, rate)| knobs[knob] = json!(rate));
        knobs
    };
    let rows = [
        (noise(-5.0), 1),
        (noise(-6.0), 1),
        (noise(-7.0), 1),
        (noise(-7.0), 2),
        (noise(-8.0), 2),
        (dropouts(&[(own, 4.0)]), 1),
        (dropouts(&[(own, 2.0), (tape, 1.0)]), 1),
        (dropouts(&[(tape, 3.0)]), 1),
        (dropouts(&[(tape, 3.0)]), 2),
    ];
    let mut means = Vec::new();
    for (knobs, known) in rows {
        let mut all = Held { cases: 0, foretold: [0.0; 3], happened: [0.0; 3] };
        for seed in 11..=14 {
            let (_takes, paths) = six_takes(seed, &[273, 611, 998], &knobs);
            let one = held(&paths, known, &[0, 2, 4], 3);
            all.cases += one.cases;
            for k in 0..3 {
                all.foretold[k] += one.foretold[k];
                all.happened[k] += one.happened[k];
            }
        }
        let mean = |sums: [f64; 3], k: usize| sums[k] / all.cases as f64;
        let cells = (0..3).map(|k| format!("{:.2}, {:.2}", mean(all.foretold, k), mean(all.happened, k)));
        println!("{knobs} | {known} | {} | {}", all.cases, cells.collect::<Vec<_>>().join(" | "));
        let off = [0, 1, 2].map(|k| mean(all.foretold, k) - mean(all.happened, k));
        // two standard errors of the share that happened (Laplace's estimate of it), and what the forecast may be off beside
        let most = [0, 1, 2].map(|k| {
            let (happened, cases) = (all.happened[k], all.cases as f64);
            let share = (happened + 1.0) / (cases + 2.0);
            0.2 + 2.0 * (share * (1.0 - share) / cases).sqrt()
        });
        means.push(off);
        if ![5, 6, 7].contains(&(means.len() - 1)) {
            assert!(off.iter().zip(most).all(|(off, most)| off.abs() < most), "{off:?}, at most {most:?}");
        }
    }
    for (own, tape) in means[5].iter().zip(&means[7]) {
        assert!(((own + tape) / 2.0).abs() < 0.25, "{own:.2} {tape:.2}");
    }
}

/// Noise all over two takes is weak in both at many bytes: that is chance, and none of the tape's. Dropouts of the tape are
/// in all takes at the same place.
#[test]
fn the_tape_is_blamed_for_its_dropouts_and_not_for_noise() {
    let causes = |knobs: Value| -> Vec<String> {
        let (_takes, paths) = six_takes(11, &[400, 500, 700], &knobs);
        let (_folder, out) = dossier(&[&paths[0], &paths[1]]);
        let advice: Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
        let stretches = advice.as_array().unwrap().iter().flat_map(|a| a["stretches"].as_array().unwrap());
        stretches.map(|s| s["cause"].as_str().unwrap().to_string()).collect()
    };
    let noise = causes(json!({ "snr_db": -8 }));
    assert!(noise.len() > 10 && !noise.contains(&"tape".into()), "{noise:?}");
    let tape = causes(json!({ "snr_db": 5, "shared_dropouts_per_s": 3, "dropout_max_ms": 60 }));
    assert!(!tape.is_empty() && tape.iter().filter(|c| *c == "tape").count() * 2 > tape.len(), "{tape:?}");
}

/// Noise weakens one bit of a byte and not the next: something is heard of every byte. And of so many bytes some are misheard
/// clearly: that is what their soft bits say themselves, and no contradiction. A program that is noisy from its first byte to its
/// last in both takes is not the tape's fault.
#[test]
fn noise_is_called_noise() {
    let (_takes, paths) = six_takes(5, &[12, 15, 18, 400], &json!({ "snr_db": -7 }));
    let mut seen = 0;
    for takes in [&paths[..1], &paths[..2], &paths[2..4], &paths[4..6]] {
        let (_folder, out) = dossier(&takes.iter().map(PathBuf::as_path).collect::<Vec<_>>());
        let advice: Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
        let stretches = advice.as_array().unwrap().iter().flat_map(|a| a["stretches"].as_array().unwrap());
        // a size that was misheard announces bytes that nobody has
        for stretch in stretches.filter(|s| s["cause"] != "unheard") {
            seen += 1;
            let allowed = if takes.len() == 1 { ["one-take", "thin"] } else { ["take", "thin"] };
            assert!(allowed.contains(&stretch["cause"].as_str().unwrap()), "{stretch}");
            for heard in stretch["heard"].as_array().unwrap() {
                assert!(["noisily", "well"].contains(&heard["how"].as_str().unwrap()), "{stretch}");
            }
        }
    }
    assert!(seen > 10, "{seen}");
}

/// Where the name or the size is in doubt, the header is what to play again: that is said, and where it lies on the tape as
/// it was written (`truth.json`).
#[test]
fn a_doubtful_header_is_told_with_its_place() {
    let (takes, paths) = six_takes(11, &[20, 30, 40], &json!({ "snr_db": -6.5, "before_s": 0.5 }));
    let (_folder, out) = dossier(&[&paths[0]]);
    let truth = std::fs::read(takes.path().join("takes/truth/truth.json")).unwrap();
    let truth: Value = serde_json::from_slice(&truth).unwrap();
    let headers: Vec<(f64, f64)> = truth["programs"].as_array().unwrap().iter().map(|p| block(p, 0)).collect();
    let advice: Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
    let stretches = advice.as_array().unwrap().iter().flat_map(|a| a["stretches"].as_array().unwrap());
    let of_headers: Vec<&Value> = stretches.filter(|s| s["header"] == true).collect();
    assert!(!of_headers.is_empty(), "{advice}");
    for stretch in &of_headers {
        for place in stretch["places"].as_array().unwrap() {
            // the take begins half a second before the tape does
            let [from, to] = [1, 2].map(|k| place[k].as_f64().unwrap() - 0.5);
            assert!(headers.iter().any(|h| h.0 < from && to < h.1), "{from} {to}: {headers:?}");
        }
    }
    assert!(stdout(&run("next", &out, &[])).contains("header 0x00"));
    let program = advice.as_array().unwrap().iter().find(|a| a["stretches"][0]["header"] == true).unwrap();
    let said = stdout(&run("explain", &out, &[program["program"].as_str().unwrap()]));
    assert!(said.contains("In doubt") && said.contains("header 0x00"), "{said}");
}

fn block(program: &Value, nth: usize) -> (f64, f64) {
    let at = |k: usize| program["blocks_s"][nth][k].as_f64().unwrap();
    (at(0), at(1))
}

/// No take establishes what was written with a wrong checksum. As long as that is only possible, so many of the simulated
/// cases fail: the share of them is the chance that stands in the verdict.
#[test]
fn what_may_be_written_wrong_is_foretold_with_that_chance() {
    let folder = tempfile::tempdir().unwrap();
    let file = json!({ "name": "LOG", "kind": "code", "load_address": 0x2000, "hex": "10 32 54 76 98 ba dc fe 13",
                       "checksum_fault": 0x11, "header_leader_s": 0.8, "data_leader_s": 0.6 });
    let mut tried = Vec::new();
    for seed in 1..=12 {
        let recipe = folder.path().join("recipe.json");
        let takes = json!([{ "name": "a" }, { "name": "b" }]);
        let made =
            json!({ "seed": seed, "files": [file], "deck": { "snr_db": -5, "sample_rate": 22050 }, "takes": takes });
        std::fs::write(&recipe, made.to_string()).unwrap();
        let out = folder.path().join(format!("takes-{seed}"));
        assert_eq!(code(&program().arg("simulate").arg(&recipe).arg("--out").arg(&out).output().unwrap()), 0);
        let (_dossier, out) = dossier(&[&out.join("a.flac"), &out.join("b.flac")]);
        let verdict = crate::desk::verdict(&out);
        let own = &verdict["programs"][0];
        let Some(data) = own["blocks"].as_array().unwrap().iter().find(|b| b["role"] == "data") else { continue };
        let weighed = data["hypotheses"].as_array().unwrap();
        let wrong = weighed.iter().find(|h| h["name"] == "written with a wrong checksum").unwrap();
        let chance = wrong["posterior"].as_f64().unwrap();
        let advice: Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
        let forecast = &advice[0]["forecast"];
        let (Some(trials), true) = (forecast["trials"].as_f64(), (0.05..0.5).contains(&chance)) else { continue };
        let most = forecast["by_takes"].as_array().unwrap().last().unwrap();
        let low = most["interval"]["low"].as_f64().unwrap();
        tried.push((seed, chance, most["settled"].as_f64().unwrap() / trials));
        assert!(low <= 1.0 - chance, "{seed}: {chance}, {forecast}");
    }
    // one case may fail by luck in none of its trials
    assert!(!tried.is_empty() && tried.iter().any(|t| t.2 < 1.0), "{tried:?}");
    println!("{tried:?}");
}

/// Twenty open programs share what one would have: a second or two in all, measured on two cores.
#[test]
fn twenty_open_programs_are_foretold_on_one_budget() {
    let (_takes, paths) = six_takes(11, &[300; 20], &json!({ "snr_db": -7 }));
    let (_folder, out) = dossier(&[&paths[0]]);
    let advice: Value = serde_json::from_str(&stdout(&run("next", &out, &["--json"]))).unwrap();
    let trials: Vec<u64> = advice.as_array().unwrap().iter().filter_map(|a| a["forecast"]["trials"].as_u64()).collect();
    assert!(trials.len() > 10, "{trials:?}");
    // one alone is tried until its intervals are narrow: with six trials they are not
    assert!(trials.iter().all(|&t| t >= 6) && trials.iter().sum::<u64>() < 40 * trials.len() as u64, "{trials:?}");
}
