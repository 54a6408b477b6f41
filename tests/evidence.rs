//! The figures of the report against the truth of a simulation: what the take was played with, and where things lie.

use std::path::Path;
use std::process::Command;

use quorate::dossier::Dossier;
use quorate::dossier::take::Waves;
use quorate::recovery::Outcome;
use quorate::report::evidence::{Evidence, bytes, strip, takes};

/// Three takes: steady and 2 % fast from the start; begun at 9 s and upside down, with wow; and one with two lost stretches.
const RECIPE: &str = r#"{ "seed": 21, "deck": { "sample_rate": 44100 },
  "files": [
    { "name": "TIDES", "kind": "code", "load_address": 4096, "hex": "HEX",
      "header_leader_s": 1.5, "data_leader_s": 1.0, "gap_s": 1.0 },
    { "name": "RINGS", "kind": "code", "load_address": 8192, "hex": "HEX",
      "header_leader_s": 1.5, "data_leader_s": 1.0, "gap_s": 1.0 } ],
  "takes": [
    { "name": "a", "knobs": { "speed_error": 0.02, "wow_rms": 0, "flutter_rms": 0, "own_dropouts_per_s": 0, "snr_db": 30 } },
    { "name": "b", "knobs": { "start_s": 9.0, "inverted": true, "wow_rms": 0.004, "wow_hz": 0.7, "snr_db": 20 } },
    { "name": "c", "knobs": { "lost_s": [[7.0, 7.1], [18.5, 18.8]], "own_dropouts_per_s": 0, "snr_db": 12 } } ] }"#;

fn quorate(arguments: &[&str]) {
    let done = Command::new(assert_cmd::cargo::cargo_bin!("quorate")).args(arguments).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

fn with_evidence(check: impl FnOnce(&Evidence, &serde_json::Value)) {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    let hex: String = (0..220u32).map(|i| format!("{:02x}", i * 89 % 251)).collect();
    std::fs::write(at("recipe.json"), RECIPE.replace("HEX", &hex)).unwrap();
    quorate(&["simulate", &at("recipe.json"), "--out", &at("takes"), "-q"]);
    let paths = ["a", "b", "c"].map(|name| at(&format!("takes/{name}.flac")));
    quorate(&["recover", &paths[0], &paths[1], &paths[2], "--out", &at("out"), "-q"]);
    let truth = serde_json::from_slice(&std::fs::read(at("takes/truth/truth.json")).unwrap()).unwrap();
    let dossier = Dossier::open(Path::new(&at("out"))).unwrap();
    let outcome: Outcome = dossier.decide(&|_, _| ()).unwrap();
    let format = dossier.format().unwrap();
    let waves: Vec<Waves> =
        (0..3).map(|take| dossier.waves(dossier.record_of(&outcome, take).unwrap()).unwrap()).collect();
    let cut = |take: usize, reading: usize, from: f64, to: f64| waves[take].cut(reading, from, to);
    check(&Evidence { outcome: &outcome, format: format.as_ref(), waveforms: &cut }, &truth);
}

fn near(what: &str, got: f64, wanted: f64, within: f64) {
    assert!((got - wanted).abs() <= within, "{what}: {got}, wanted {wanted} within {within}");
}

#[test]
fn figures_of_the_takes_are_those_they_were_played_with() {
    with_evidence(|evidence, _| {
        let [a, b, c] = [0, 1, 2].map(|take| takes::facts(evidence, take));
        // speed: the curve of a steady take is level, at the error it was given
        let speeds: Vec<f64> = a.speed.iter().flatten().map(|p| p.1).collect();
        assert!(speeds.len() > 50);
        near("speed of a", speeds.iter().sum::<f64>() / speeds.len() as f64, 0.02, 0.002);
        near("spread of a", speeds.iter().fold(0.0, |m: f64, s| m.max((s - 0.02).abs())), 0.0, 0.004);
        // wow of 0.4 % rms; its frequency of 0.7 Hz lies under the line of 6 Hz
        near("wow of b", b.wow.unwrap(), 0.004, 0.0012);
        assert!(a.wow.unwrap() < 0.001 && b.flutter.unwrap() < 0.5 * b.wow.unwrap(), "{:?} {:?}", a.wow, b.flutter);
        // noise: in the order in which it was given
        assert!(a.snr_db > b.snr_db && b.snr_db > c.snr_db, "{:?} {:?} {:?}", a.snr_db, b.snr_db, c.snr_db);
        // two stretches of 0.1 and 0.3 s of nothing: dropouts, and bits that are not right
        assert!((2..=6).contains(&c.dropouts), "{}", c.dropouts);
        near("dropouts of c", c.dropout_s, 0.4, 0.12);
        let missing = (c.bits + c.lost - c.right) as f64 / 9.0;
        // a byte lasts some 8.9 ms
        assert!((25.0..60.0).contains(&missing), "{missing} bytes");
        assert_eq!((a.right, a.lost), (a.bits, 0), "a clean take is right");
    });
}

#[test]
fn pulses_stand_in_three_heaps_whichever_way_round_the_take_is() {
    with_evidence(|evidence, _| {
        let symbols: Vec<f64> = evidence.format.grammar().symbols.iter().map(|s| 1e6 * s.cycle).collect();
        for take in [0, 1] {
            let pulses = takes::facts(evidence, take).pulses;
            let around = |us: f64| {
                let bin = ((us - takes::PULSES_US.0) / takes::PULSE_BIN_US) as usize;
                pulses[bin - 3..=bin + 3].iter().sum::<usize>()
            };
            let all: usize = pulses.iter().sum();
            let heaps: usize = symbols.iter().map(|&us| around(us)).sum();
            assert!(heaps as f64 > 0.85 * all as f64, "take {take}: {heaps} of {all}: {pulses:?}");
            // every byte has one long pulse, ten medium and nine short: the longest heap is the smallest
            assert!(around(symbols[2]) * 4 < around(symbols[0]) && around(symbols[2]) > 0, "{pulses:?}");
        }
    });
}

#[test]
fn the_strip_lays_all_takes_in_the_time_of_the_tape() {
    with_evidence(|evidence, truth| {
        let strip = strip::strip(evidence, 0);
        let wanted: Vec<(f64, f64)> = truth["programs"]
            .as_array()
            .unwrap()
            .iter()
            .map(|p| {
                let blocks = p["blocks_s"].as_array().unwrap();
                (blocks[0][0].as_f64().unwrap(), blocks[blocks.len() - 1][1].as_f64().unwrap())
            })
            .collect();
        assert_eq!(strip.programs.len(), 2);
        // readings begin behind leader and sync, the truth counts from the leader's first pulse: compare what lies between
        let apart = strip.programs[1].at.start - strip.programs[0].at.start;
        near("from program to program", apart, wanted[1].0 - wanted[0].0, 0.3);
        assert!(strip.length_s > 0.9 * wanted[1].1, "{}", strip.length_s);
        // every take that heard a copy of a block, and which copy it was, has it at the same place
        for tape in &evidence.outcome.tapes {
            for block in &tape.blocks {
                for copy in 0..2 {
                    let begins: Vec<f64> = strip
                        .lanes
                        .iter()
                        .flat_map(|lane| {
                            let readings = &evidence.outcome.takes[lane.take].readings;
                            let votes = block.block.votes.iter().filter(|v| v.take == lane.take && v.copy == copy);
                            let votes = votes.filter(|v| readings[v.reading].copy == Some(copy));
                            votes.filter_map(|v| {
                                let at = bytes::seconds(evidence, v, 5)?.start;
                                let take = &evidence.outcome.takes[lane.take];
                                Some(at * take.speed + lane.at.start)
                            })
                        })
                        .collect();
                    let (low, high) = begins.iter().fold((f64::MAX, f64::MIN), |(l, h), &b| (l.min(b), h.max(b)));
                    assert!(begins.len() < 2 || high - low < 0.1, "{begins:?}");
                }
            }
        }
        // the second take began 9 s later
        near("begin of b", strip.lanes[1].at.start - strip.lanes[0].at.start, 9.0, 0.3);
        let lost: f64 = strip.lanes[2].lost.iter().map(|r| r.end - r.start).sum();
        near("lost in c", lost, 0.4, 0.15);
    });
}

#[test]
fn votes_and_rivals_of_a_byte_are_told() {
    with_evidence(|evidence, _| {
        let facts = bytes::facts(evidence, 0);
        assert_eq!(facts.len(), 220);
        for fact in &facts {
            let votes = bytes::votes(evidence, 0, fact.offset);
            let told = fact.tally.with + fact.tally.against;
            assert_eq!(votes.iter().filter(|v| v.value.is_some()).count(), told, "{fact:?}");
            assert_eq!(votes.iter().filter(|v| v.value == Some(fact.value)).count(), fact.tally.with, "{fact:?}");
            assert_eq!(fact.rival.is_some(), fact.notable(), "{fact:?}");
        }
        // the stretch that take c lost is in the first program's data or the second's: somebody is silent there
        let silent = |index: usize| bytes::facts(evidence, index).iter().filter(|f| f.tally.silent > 0).count();
        assert!(silent(0) + silent(1) > 5);
    });
}
