//! Whole tapes through the whole line, held against what was written on them. The takes are simulated; the recipe of
//! each is in `tests/recipes`, and what a test adds to it stands in the test.

mod support;

use quorate::channel::Recipe;
use quorate::confidence::Level;
use quorate::export::pulse_image;
use quorate::recovery::{self, Outcome};
use quorate::tape::{Kind, TwinCopy};
use quorate::{Error, capture::write::write_wav16};
use serde_json::{Value, json};
use std::path::PathBuf;
use support::{Takes, fault, faults, recipe, recover, wrongly_established};

/// One file of the tape holds this block: its place on the tape in seconds, leader included.
struct Copy {
    from: f64,
    to: f64,
}

/// A sync byte lasts 9568 µs like every other (long + medium + 9·(short + medium); layout and lengths from memory and
/// common practice).
const BYTE_S: f64 = 9568e-6;
/// Nine sync bytes stand before each copy.
const SYNC_S: f64 = 9.0 * BYTE_S;

/// The copies of a block with a leader of `leader_s`, from the layout (memory and common practice): sync and payload and check byte and
/// end marker, about 79 shorts, the same again, about 78 shorts.
fn copies(block_s: (f64, f64), leader_s: f64) -> [Copy; 2] {
    const SHORT_S: f64 = 390e-6;
    let (from, to) = (block_s.0 + leader_s, block_s.1 - 78.0 * SHORT_S);
    let length = (to - from - 79.0 * SHORT_S) / 2.0;
    [Copy { from, to: from + length }, Copy { from: to - length, to }]
}

/// Sets a knob of the whole deck.
fn deck(recipe: &mut Recipe, knob: &str, value: Value) {
    recipe.deck.insert(knob.into(), value);
}

/// Recovers the takes of a recipe and says what is wrong with the result.
fn faults_of(recipe: &Recipe) -> Vec<String> {
    let takes = Takes::make(recipe);
    faults(&takes.recover(), &takes.truth)
}

/// Every program of these seeds is established and right.
fn every_seed(name: &str, seeds: impl Iterator<Item = u64>) {
    let mut bad = Vec::new();
    for seed in seeds {
        let recipe = Recipe { seed, ..recipe(name) };
        bad.extend(faults_of(&recipe).into_iter().map(|fault| format!("seed {seed}: {fault}")));
    }
    assert!(bad.is_empty(), "{name}:\n{}", bad.join("\n"));
}

/// 12 dB, two shared and two own dropouts a second of up to 12 ms.
#[test]
fn dropouts_of_the_tape_and_of_each_take_are_mended() {
    every_seed("dropouts.json", 1..=6);
}

/// The same at full length: `scripts/acceptance`.
#[test]
#[ignore = "takes minutes: scripts/acceptance runs it"]
fn dropouts_are_mended_with_fifty_seeds() {
    every_seed("dropouts.json", 1..=50);
}

/// Single plays with a flutter of 0.4 % and four fades a second: where bytes come back after a fade, half a cell or some bytes
/// aside would be wrong to the end of the block. Both copies lose the same byte at times, which one play can't mend; most
/// programs come back whole.
#[test]
fn fades_and_flutter_move_no_bytes() {
    let mut recipe = recipe("two-programs.json");
    recipe.takes.truncate(1);
    for (knob, value) in
        [("snr_db", 8.0), ("own_dropouts_per_s", 4.0), ("dropout_max_ms", 20.0), ("flutter_rms", 0.004)]
    {
        deck(&mut recipe, knob, json!(value));
    }
    let (mut whole, mut bad) = (0, Vec::new());
    for seed in 1..=12 {
        let takes = Takes::make(&Recipe { seed, ..recipe.clone() });
        let outcome = takes.recover();
        bad.extend(wrongly_established(&outcome, &takes.truth));
        for written in &takes.truth.programs {
            let same = |p: &&recovery::RecoveredProgram| p.program.name.trim_ascii_end() == written.name.as_bytes();
            let found = outcome.programs.iter().find(same).map_or(&[][..], |p| &p.program.bytes);
            let right = found.iter().zip(&written.bytes).filter(|(a, b)| a == b).count();
            let n = written.bytes.len();
            whole += usize::from(right == n && found.len() == n);
            if found.len() != n || right * 100 < 97 * n {
                bad.push(format!("seed {seed}: {}: {right} of {n} bytes are right", written.name));
            }
        }
    }
    assert!(bad.is_empty() && whole >= 16, "{whole} of 24 are whole:\n{}", bad.join("\n"));
}

/// Every block in turn, either copy, in all three takes.
#[test]
fn a_copy_that_is_erased_in_every_take_is_replaced_by_the_other() {
    for copy in 0..2 {
        let mut recipe = recipe("two-programs.json");
        let truth = recipe.prepare(&support::recipes()).unwrap().truth;
        let mut lost = Vec::new();
        for (program, file) in truth.programs.iter().zip(&recipe.files) {
            for (block, leader) in program.blocks_s.iter().zip([file.header_leader_s, file.data_leader_s]) {
                let Copy { from, to } = copies(*block, leader)[copy];
                lost.push((from, to));
            }
        }
        deck(&mut recipe, "lost_s", json!(lost));
        assert_eq!(faults_of(&recipe), [""; 0], "copy {} of every block erased", copy + 1);
    }
}

#[test]
fn a_copy_without_its_sync_bytes_is_still_read() {
    for copy in 0..2 {
        let mut recipe = recipe("two-programs.json");
        let truth = recipe.prepare(&support::recipes()).unwrap().truth;
        let mut lost = Vec::new();
        for (program, file) in truth.programs.iter().zip(&recipe.files) {
            for (block, leader) in program.blocks_s.iter().zip([file.header_leader_s, file.data_leader_s]) {
                let from = copies(*block, leader)[copy].from;
                lost.push((from, from + SYNC_S));
            }
        }
        deck(&mut recipe, "lost_s", json!(lost));
        assert_eq!(faults_of(&recipe), [""; 0], "sync of copy {} of every block destroyed", copy + 1);
    }
}

/// One play that loses six bytes in every thirty, in the second copy just behind where the first comes back: what stands right
/// behind a dropout is read, so every byte is in one copy or the other.
#[test]
fn bytes_right_behind_a_dropout_are_read() {
    let mut recipe = recipe("two-programs.json");
    recipe.takes.truncate(1);
    let truth = recipe.prepare(&support::recipes()).unwrap().truth;
    let mut lost: Vec<(f64, f64)> = Vec::new();
    for (written, file) in truth.programs.iter().zip(&recipe.files) {
        for (copy, first) in copies(written.blocks_s[1], file.data_leader_s).iter().zip([10, 19]) {
            let byte_s = |i: usize| copy.from + SYNC_S + i as f64 * BYTE_S;
            lost.extend((first..written.bytes.len()).step_by(30).map(|i| (byte_s(i), byte_s(i + 6))));
        }
    }
    deck(&mut recipe, "lost_s", json!(lost));
    assert_eq!(faults_of(&recipe), Vec::<String>::new());
}

/// One play that lost the sync sequence and the first bytes of both copies: the end of the block and the length in the
/// header say where the rest belongs.
#[test]
fn data_whose_beginning_is_lost_is_laid_by_its_end() {
    const GONE: usize = 5;
    let mut recipe = recipe("two-programs.json");
    recipe.takes.truncate(1);
    let truth = recipe.prepare(&support::recipes()).unwrap().truth;
    let data = truth.programs.iter().zip(&recipe.files).map(|(p, f)| copies(p.blocks_s[1], f.data_leader_s));
    let gone_s = SYNC_S + GONE as f64 * BYTE_S;
    let lost: Vec<(f64, f64)> = data.flatten().map(|c| (c.from - 0.1, c.from + gone_s)).collect();
    deck(&mut recipe, "lost_s", json!(lost));
    let outcome = Takes::make(&recipe).recover();
    for (written, (found, verdict)) in truth.programs.iter().zip(outcome.programs.iter().zip(&outcome.verdict.programs))
    {
        assert_eq!(found.program.bytes.len(), written.bytes.len());
        let bytes = found.program.bytes.iter().zip(&written.bytes).zip(&found.byte_p_wrong).enumerate();
        let wrong: Vec<(usize, f64)> = bytes.filter(|(_, ((a, b), _))| a != b).map(|(i, (_, &p))| (i, p)).collect();
        // some bytes more may be lost where the sound comes back
        assert!(wrong.iter().all(|&(i, p)| i < GONE + 4 && p > 0.1), "offset and chance of error: {wrong:?}");
        assert_eq!(verdict.verdict, Level::Open);
    }
}

/// One play that heard one copy of the data, without its beginning and without its end: what was read is given out, but which
/// byte of the program each is nobody knows.
#[test]
fn bytes_of_which_no_take_tells_the_place_claim_nothing() {
    let mut recipe = recipe("two-programs.json");
    recipe.takes.truncate(1);
    let truth = recipe.prepare(&support::recipes()).unwrap().truth;
    let [first, second] = copies(truth.programs[0].blocks_s[1], recipe.files[0].data_leader_s);
    let lost = [(first.from - 0.1, first.from + SYNC_S + 3.0 * BYTE_S), (first.to - 20.0 * BYTE_S, second.to + 0.1)];
    deck(&mut recipe, "lost_s", json!(lost));
    let outcome = Takes::make(&recipe).recover();
    let (found, verdict) = (&outcome.programs[0], &outcome.verdict.programs[0]);
    assert_eq!(found.program.name.trim_ascii_end(), truth.programs[0].name.as_bytes());
    assert!(!found.placed && verdict.verdict == Level::Open, "{verdict:?}");
    assert!(found.byte_p_wrong.iter().all(|&p| p >= 0.5));
}

/// Two letters of a name that no take heard: the bytes of the program are sure, but its name is not, and that is said. The name
/// stands at byte 5 of a header (from memory and common practice).
#[test]
fn a_name_that_nobody_heard_whole_is_said_to_be_in_doubt() {
    let mut recipe = recipe("two-programs.json");
    let truth = recipe.prepare(&support::recipes()).unwrap().truth;
    let header = copies(truth.programs[0].blocks_s[0], recipe.files[0].header_leader_s);
    let letters = |c: Copy| (c.from + SYNC_S + 6.0 * BYTE_S, c.from + SYNC_S + 9.0 * BYTE_S);
    deck(&mut recipe, "lost_s", json!(header.map(letters)));
    let verdict = Takes::make(&recipe).recover().verdict;
    let [doubtful, sure] = &verdict.programs[..] else { panic!("{:?}", verdict.programs) };
    assert_eq!(doubtful.bytes.inferred + doubtful.bytes.unresolved, 0);
    assert_ne!(doubtful.verdict, Level::Established);
    assert!(doubtful.obstacles.iter().any(|o| o.contains("a header that is in doubt")), "{:?}", doubtful.obstacles);
    assert!(sure.verdict == Level::Established && sure.obstacles.is_empty(), "{sure:?}");
}

/// The data of the first program is lost in the only play, so behind its header stands the header of the next: a block of
/// another length than announced, which is cut for nobody.
#[test]
fn another_header_is_not_taken_for_data() {
    let mut recipe = recipe("two-programs.json");
    recipe.takes.truncate(1);
    let truth = recipe.prepare(&support::recipes()).unwrap().truth;
    let (from, to) = truth.programs[0].blocks_s[1];
    deck(&mut recipe, "lost_s", json!([(from, to)]));
    let outcome = Takes::make(&recipe).recover();
    let (first, second) = (&outcome.programs[0], &truth.programs[1]);
    assert_eq!(first.program.name.trim_ascii_end(), truth.programs[0].name.as_bytes());
    assert_eq!(first.program.bytes.len(), truth.programs[0].bytes.len());
    assert!(first.byte_p_wrong.iter().all(|&p| p > 0.9), "{:?}", outcome.verdict.programs[0]);
    assert_eq!(fault(&outcome, second, Level::Established), None);
    assert_eq!(outcome.programs.len(), truth.programs.len());
}

/// A data file whose header lost bytes of its name in every copy: the bytes of the file are sure, under which name they stand is not.
#[test]
fn a_data_file_with_a_doubtful_name_is_not_established() {
    let mut recipe = recipe("two-programs.json");
    recipe.takes.truncate(1);
    recipe.files.truncate(1);
    let file = &mut recipe.files[0];
    (file.kind, file.path, file.hex) = (Kind::Data, None, Some("4b4e4f54".repeat(40)));
    let truth = recipe.prepare(&support::recipes()).unwrap().truth;
    let name = copies(truth.programs[0].blocks_s[0], recipe.files[0].header_leader_s).map(|copy| {
        // the name begins at byte 5 of a header (from memory and common practice)
        let byte_s = |i: usize| copy.from + SYNC_S + i as f64 * BYTE_S;
        (byte_s(7), byte_s(10))
    });
    deck(&mut recipe, "lost_s", json!(name));
    let outcome = Takes::make(&recipe).recover();
    // an end mark and filler stand behind them
    assert!(outcome.programs[0].program.bytes.starts_with(&truth.programs[0].bytes));
    let verdict = &outcome.verdict.programs[0];
    assert!(verdict.verdict < Level::Established && verdict.p_wrong > 0.5, "{verdict:?}");
}

/// Bytes that are all alike sound like a tone, on a fast tape nearly like a leader: they must teach nothing and hide nothing.
#[test]
fn a_fast_take_that_begins_among_equal_bytes_is_read() {
    let mut recipe = recipe("two-programs.json");
    recipe.files[0].path = Some("../../corpus/marsh-station/programs/ringing-log.prg".into());
    recipe.takes.truncate(1);
    let truth = recipe.prepare(&support::recipes()).unwrap().truth;
    let data = truth.programs[0].blocks_s[1];
    for (share, speed) in [(0.2, 0.03), (0.4, 0.06), (0.1, 0.09)] {
        recipe.takes[0].knobs.insert("start_s".into(), json!(data.0 + share * (data.1 - data.0)));
        deck(&mut recipe, "speed_error", json!(speed));
        let takes = Takes::make(&recipe);
        let fault = fault(&takes.recover(), &truth.programs[1], Level::Established);
        assert_eq!(fault, None, "speed {speed:+}");
    }
}

/// In the header, in the first and in the second copy of the data.
#[test]
fn a_first_take_that_begins_in_the_middle_of_a_program_is_of_use() {
    let whole = recipe("two-programs.json");
    let truth = whole.prepare(&support::recipes()).unwrap().truth;
    let [header, data] = truth.programs[0].blocks_s[..] else { panic!("a header and one data block") };
    for block in [header, data] {
        for share in [0.45, 0.85] {
            let mut recipe = whole.clone();
            let start = block.0 + share * (block.1 - block.0);
            recipe.takes[0].knobs.insert("start_s".into(), json!(start));
            assert_eq!(faults_of(&recipe), [""; 0], "first take begins at {start:.2} s");
        }
    }
}

/// Half a second in every 1.5 s, at another place in each take: every piece of tape is heard by two of three.
#[test]
fn takes_that_lose_a_third_of_the_tape_each_fill_in_for_one_another() {
    every_seed("lost-thirds.json", 1..=3);
}

/// −7 %, +6 % and 0 %, with a wow of 1.2 % rms.
#[test]
fn takes_of_different_speed_with_wow_agree() {
    every_seed("speeds.json", 1..=3);
}

#[test]
fn a_checksum_that_was_written_wrong_is_told_not_mended() {
    for fault_bits in [0x01, 0x44, 0xff] {
        let mut recipe = recipe("two-programs.json");
        recipe.files[0].checksum_fault = fault_bits;
        let takes = Takes::make(&recipe);
        let outcome = takes.recover();
        assert_eq!(fault(&outcome, &takes.truth.programs[0], Level::Supported), None, "fault {fault_bits:#x}");
        assert_eq!(fault(&outcome, &takes.truth.programs[1], Level::Established), None);
        let verdict = &outcome.verdict.programs[0];
        assert!(verdict.notes.iter().any(|n| n.contains("checksum")), "not explained: {:?}", verdict.notes);
        assert!(verdict.obstacles.iter().any(|n| n.contains("checksum")), "no obstacle: {:?}", verdict.obstacles);
    }
}

/// The second differs from the first in one bit (and so in its check byte), or in most bytes.
#[test]
fn programs_of_one_name_with_different_bytes_stay_two() {
    let first = std::fs::read(support::recipes().join("../../corpus/marsh-station/programs/tide-clock.prg")).unwrap();
    let hex = |bytes: &[u8]| bytes.iter().map(|b| format!("{b:02x}")).collect::<String>();
    let one_bit: Vec<u8> = first[2..].iter().enumerate().map(|(i, b)| b ^ u8::from(i == 100)).collect();
    let other: Vec<u8> = first[2..].iter().rev().map(|b| b.wrapping_mul(3)).collect();
    for second in [one_bit, other] {
        let mut recipe = recipe("two-programs.json");
        recipe.files[1] = recipe.files[0].clone();
        recipe.files[1].path = None;
        recipe.files[1].hex = Some(hex(&second));
        recipe.files[1].load_address = Some(0xc000);
        assert_eq!(faults_of(&recipe), [""; 0]);
    }
}

#[test]
fn a_take_of_another_tape_is_recognised_and_listed_apart() {
    let ours = recipe("two-programs.json");
    let mut theirs = recipe("two-programs.json");
    theirs.seed += 1;
    theirs.files.truncate(1);
    theirs.files[0].path = Some("../../corpus/marsh-station/programs/tide-table.prg".into());
    theirs.files[0].name = "TIDE TABLE".into();
    theirs.files[0].kind = quorate::tape::Kind::Basic;
    theirs.takes.truncate(1);
    theirs.takes[0].name = "stray".into();
    let (ours, theirs) = (Takes::make(&ours), Takes::make(&theirs));
    let outcome = recover(&[&ours.paths[..], &theirs.paths[..]].concat());
    for program in ours.truth.programs.iter().chain(&theirs.truth.programs) {
        assert_eq!(fault(&outcome, program, Level::Established), None);
    }
    let verdict = &outcome.verdict;
    assert_eq!(verdict.programs.len(), 3);
    let stray = verdict.takes.iter().find(|t| t.file == "stray.wav").unwrap();
    let tapes: Vec<_> = verdict.takes.iter().filter(|t| t.id != stray.id).map(|t| t.tape).collect();
    assert!(stray.tape.is_some() && tapes.iter().all(|t| t.is_some() && *t == tapes[0] && *t != stray.tape));
    let table = verdict.programs.iter().find(|p| p.name.trim_end() == "TIDE TABLE").unwrap();
    assert_eq!((Some(table.tape), &table.takes), (stray.tape, &vec![stray.id.clone()]));
    assert!(table.notes.iter().any(|n| n.contains("tape")), "not told: {:?}", table.notes);
}

/// Version 1 as exported, and the same as version 0, where a single 00 stands for whatever is longer than 255 steps.
#[test]
fn pulse_images_serve_as_takes() {
    let takes = Takes::make(&recipe("two-programs.json"));
    let tape = recipe("two-programs.json").prepare(&support::recipes()).unwrap().tape;
    let one = pulse_image::encode(&tape, pulse_image::CLOCK_50_HZ).unwrap();
    let (head, mut pulses) = one.split_at(20);
    let mut data = Vec::new();
    while let [pulse, rest @ ..] = pulses {
        data.push(*pulse);
        pulses = if *pulse == 0 { &rest[3..] } else { rest };
    }
    let zero = [&head[..12], &[0; 4], &(data.len() as u32).to_le_bytes(), &data].concat();
    for (version, image) in [(1, one), (0, zero)] {
        let path = takes.folder.path().join(format!("image-{version}.tap"));
        std::fs::write(&path, image).unwrap();
        assert_eq!(faults(&recover(std::slice::from_ref(&path)), &takes.truth), [""; 0], "version {version} alone");
        let with_audio = recover(&[path, takes.paths[0].clone()]);
        assert_eq!(faults(&with_audio, &takes.truth), [""; 0], "version {version} beside an audio take");
    }
}

#[test]
fn an_adapters_square_wave_gives_the_same_bytes_as_an_analogue_capture() {
    let takes = Takes::make(&recipe("adapter-and-analogue.json"));
    for path in &takes.paths {
        assert_eq!(faults(&recover(std::slice::from_ref(path)), &takes.truth), [""; 0], "{}", path.display());
    }
    assert_eq!(faults(&takes.recover(), &takes.truth), [""; 0]);
}

#[test]
fn threads_and_the_order_of_the_takes_change_nothing() {
    let takes = Takes::make(&recipe("dropouts.json"));
    let [a, b, c] = &takes.paths[..] else { panic!("three takes") };
    let page = |outcome: &Outcome| serde_json::to_string(&outcome.verdict).unwrap();
    let with = |threads: usize, paths: &[&PathBuf]| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let paths: Vec<PathBuf> = paths.iter().copied().cloned().collect();
        page(&pool.install(|| recover(&paths)))
    };
    let first = with(1, &[a, b, c]);
    assert_eq!(with(4, &[a, b, c]), first, "four threads");
    for order in [[a, c, b], [b, a, c], [b, c, a], [c, a, b], [c, b, a]] {
        assert_eq!(with(4, &order), first, "order {order:?}");
    }
}

/// Silence, noise and three kinds of music: no program, exit code 5.
#[test]
fn what_holds_no_data_is_no_program() {
    const RATE: u32 = 44_100;
    let folder = tempfile::tempdir().unwrap();
    let mut state = 1986u64;
    let mut noise = move || {
        // xorshift (Marsaglia 2003)
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 40) as f64 / f64::from(1 << 23) - 1.0
    };
    let tone = |hz: f64, t: f64| (std::f64::consts::TAU * hz * t).sin();
    let note =
        |t: f64, step: f64| 220.0 * 2f64.powf(f64::from([0, 4, 7, 12, 9, 5, 2, 11][(t / step) as usize % 8]) / 12.0);
    type Sound = Box<dyn FnMut(f64) -> f64>;
    let sounds: [(&str, Sound); 5] = [
        ("silence", Box::new(|_| 0.0)),
        ("noise", Box::new(move |_| 0.3 * noise())),
        ("melody", Box::new(move |t| 0.4 * (tone(note(t, 0.25), t) + 0.5 * tone(3.0 * note(t, 0.25), t)))),
        ("high melody", Box::new(move |t| 0.5 * tone(9.0 * note(t, 0.6), t).signum())),
        ("whistle", Box::new(move |t| 0.5 * tone(2564.0, t))),
    ];
    for (name, mut sound) in sounds {
        let path = folder.path().join(format!("{name}.wav"));
        let samples: Vec<i16> =
            (0..20 * RATE).map(|n| (32767.0 * sound(f64::from(n) / f64::from(RATE))) as i16).collect();
        write_wav16(&path, RATE, 1, &samples).unwrap();
        let result = recovery::recover(&[path], &TwinCopy::default(), &|_, _| ());
        match result {
            Err(error @ Error::NoData(_)) => assert_eq!(error.exit_code(), 5),
            Err(error) => panic!("{name}: {error}"),
            Ok(outcome) => {
                panic!("{name}: {:?}", outcome.verdict.programs.iter().map(support::say).collect::<Vec<_>>())
            }
        }
    }
}

#[test]
fn a_bad_take_among_good_ones_is_named_and_left_out() {
    let takes = Takes::make(&recipe("two-programs.json"));
    let bad = takes.folder.path().join("notes.txt");
    std::fs::write(&bad, "NETS UP TWO HOURS BEFORE HIGH WATER").unwrap();
    let outcome = recover(&[&takes.paths[..2], &[bad, takes.folder.path().join("missing.wav")]].concat());
    assert_eq!(faults(&outcome, &takes.truth), [""; 0]);
    for file in ["notes.txt", "missing.wav"] {
        let take = outcome.verdict.takes.iter().find(|t| t.file == file).expect("named");
        assert!(!take.used && take.note.as_ref().is_some_and(|n| !n.is_empty()), "{:?}", take.note);
    }
}

/// From silence to noise louder than the data: whatever is recovered, nothing wrong is called established.
#[test]
fn nothing_that_is_established_is_wrong() {
    let mut established = [0, 0];
    for (i, snr) in [-6, -3, 0, 3].into_iter().enumerate() {
        let mut recipe = Recipe { seed: 100 + i as u64, ..recipe("dropouts.json") };
        deck(&mut recipe, "snr_db", json!(snr));
        deck(&mut recipe, "dropout_max_ms", json!(40));
        let takes = Takes::make(&recipe);
        for paths in [&takes.paths[..1], &takes.paths[..]] {
            let Ok(outcome) = recovery::recover(paths, &TwinCopy::default(), &|_, _| ()) else { continue };
            assert_eq!(wrongly_established(&outcome, &takes.truth), [""; 0], "at {snr} dB, {} takes", paths.len());
            let sound = outcome.verdict.programs.iter().filter(|p| p.verdict == Level::Established).count();
            established[usize::from(sound > 0)] += 1;
        }
    }
    // the range must reach from what can be established to what cannot
    assert!(established.iter().all(|&n| n > 0), "{established:?}");
}
