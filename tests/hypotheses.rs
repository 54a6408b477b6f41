//! Tapes that contradict themselves or each other, at moderate noise, through the whole line: each gets the explanation that
//! the simulation made it by, in words. The tapes are written here; what is on them is the reference.

use quorate::Llr;
use quorate::capture::write::write_wav16;
use quorate::channel::{self, Knobs};
use quorate::confidence::{Level, decide};
use quorate::consensus::Vote;
use quorate::correction::hypotheses::{COPIES_DIFFER, OBEYS, OTHER_RECORDING, WRONG_CHECKSUM};
use quorate::dossier::next;
use quorate::recovery::{self, Outcome};
use quorate::report::advice::faults;
use quorate::report::verdict::ProgramVerdict;
use quorate::report::{summary, table::Look};
use quorate::tape::twin_copy::{self, TapeFile};
use quorate::tape::{Kind, Program, Pulse, TwinCopy};
use std::path::PathBuf;
use tempfile::TempDir;

const LEADER_S: f64 = 1.5;

/// A ringing log of one morning; a clock stands in bytes 40 to 42.
fn log() -> Vec<u8> {
    let line =
        |i: u32| format!("{:02} DUNLIN  B{:05} WING {} WT {}\r", i + 1, 70_311 + 7 * i, 114 + i % 9, 43 + i % 11);
    (0..9).flat_map(|i| line(i).into_bytes()).collect()
}

fn changed(bytes: &[u8], at: &[usize]) -> Vec<u8> {
    let mut out = bytes.to_vec();
    at.iter().for_each(|&i| out[i] = out[i].wrapping_mul(5).wrapping_add(77));
    out
}

fn file(bytes: &[u8]) -> TapeFile {
    let program =
        Program { kind: Kind::Code, name: b"RINGS".to_vec(), load_address: Some(0xc000), bytes: bytes.to_vec() };
    TapeFile { header_leader_s: LEADER_S, data_leader_s: LEADER_S, gap_s: 0.6, ..TapeFile::usual(program) }
}

fn tape(files: &[TapeFile]) -> Vec<Pulse> {
    twin_copy::write(files)
}

/// A tape with one program whose second copy holds other bytes, or another check byte.
fn copies(first: &[u8], second: &[u8], second_fault: u8) -> Vec<Pulse> {
    let header = file(first).blocks().swap_remove(0);
    let [one, two] = [(first, 0), (second, second_fault)].map(|(b, fault)| twin_copy::write_block(b, LEADER_S, fault));
    // the layout, from memory and common practice: a byte is twenty pulses, nine sync bytes stand before the payload, a check
    // byte and two pulses behind it
    let copy = (9 + first.len() + 1) * 20 + 2;
    let leader = (LEADER_S / 390e-6).round() as usize;
    let cut = leader + copy;
    [&header[..], &one[..cut], &two[cut..], &[Pulse::Silence(0.6)]].concat()
}

struct Takes {
    paths: Vec<PathBuf>,
    _folder: TempDir,
}

/// A take of each tape: 10 dB, a little wow, and some lifts of the tape in each.
fn takes(tapes: &[&[Pulse]], seed: u64) -> Takes {
    let folder = tempfile::tempdir().unwrap();
    let one = |(i, tape): (usize, &&[Pulse])| {
        let knobs = Knobs {
            snr_db: Some(10.0),
            wow_rms: 0.002,
            speed_error: 0.01 * (i as f64 - 1.0),
            own_dropouts_per_s: 0.3,
            dropout_max_ms: 6.0,
            ..Knobs::default()
        };
        let wave = channel::play(tape, &knobs, seed, 100 * seed + i as u64);
        let samples: Vec<i16> = wave.iter().map(|x| (x * 32767.0).clamp(-32768.0, 32767.0) as i16).collect();
        let path = folder.path().join(format!("take-{}.wav", i + 1));
        write_wav16(&path, knobs.sample_rate, 1, &samples).unwrap();
        path
    };
    let paths = tapes.iter().enumerate().map(one).collect();
    Takes { paths, _folder: folder }
}

fn recover(takes: &Takes) -> Outcome {
    recovery::recover(&takes.paths, &TwinCopy::default(), &|_, _| ()).unwrap()
}

/// The most probable explanation of a program's data block.
fn explanation(program: &ProgramVerdict) -> &str {
    let data = program.blocks.iter().find(|b| b.role == "data").unwrap();
    let best = data.hypotheses.iter().max_by(|a, b| a.posterior.total_cmp(&b.posterior)).unwrap();
    let sum: f64 = data.hypotheses.iter().map(|h| h.posterior).sum();
    assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    &best.hypothesis.name
}

fn say(outcome: &Outcome) -> String {
    let one = |p: &ProgramVerdict| {
        let blocks: Vec<String> = p
            .blocks
            .iter()
            .map(|b| {
                b.hypotheses
                    .iter()
                    .map(|h| format!("{} {:.1e}", h.hypothesis.name, h.posterior))
                    .collect::<Vec<_>>()
                    .join(", ")
            })
            .collect();
        format!(
            "{} {} {:?} {:.1e} {:?} {:?}\n   {}",
            p.id,
            p.name,
            p.verdict,
            p.p_wrong,
            p.takes,
            p.obstacles,
            blocks.join("\n   ")
        )
    };
    outcome.verdict.programs.iter().map(one).collect::<Vec<_>>().join("\n")
}

/// Every program of the result holds one of these, each once, all under the name.
fn holds(outcome: &Outcome, bytes: &[&[u8]]) {
    assert_eq!(outcome.programs.len(), bytes.len(), "{}", say(outcome));
    for wanted in bytes {
        assert_eq!(outcome.programs.iter().filter(|p| p.program.bytes == *wanted).count(), 1, "{}", say(outcome));
    }
    assert!(outcome.verdict.programs.iter().all(|p| p.name.trim_end() == "RINGS"), "{}", say(outcome));
}

fn told(outcome: &Outcome, words: &str) {
    for p in &outcome.verdict.programs {
        assert!(p.obstacles.iter().any(|o| o.contains(words)), "{}", say(outcome));
    }
    let screen = summary::summary(&outcome.verdict, Look::PLAIN);
    let flat = screen.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains(words), "{screen}");
}

#[test]
fn copies_that_differ_are_told_and_both_are_given_out() {
    let first = log();
    for (seed, at) in [(1, &[40, 41, 42][..]), (2, &[7]), (3, &[11, 90, 91, 92, 200])] {
        let second = changed(&first, at);
        let tape = copies(&first, &second, 0);
        for n in [1, 3] {
            let outcome = recover(&takes(&vec![&tape[..]; n], seed));
            holds(&outcome, &[&first, &second]);
            for p in &outcome.verdict.programs {
                assert_eq!((p.verdict, explanation(p)), (Level::Supported, COPIES_DIFFER), "{}", say(&outcome));
                assert!(p.p_wrong < 0.05, "{}", say(&outcome));
            }
            // what the machine would load comes first
            assert_eq!(outcome.programs[0].program.bytes, first, "{}", say(&outcome));
            told(&outcome, "written differently");
            told(&outcome, if at.len() == 1 { "1 byte differs" } else { "bytes differ" });
        }
    }
}

#[test]
fn a_second_copy_that_differs_and_fails_its_checksum_needs_several_takes() {
    let first = log();
    let second = changed(&first, &[40, 41, 42, 120]);
    let tape = copies(&first, &second, 0x21);
    let outcome = recover(&takes(&[&tape, &tape, &tape], 4));
    holds(&outcome, &[&first, &second]);
    told(&outcome, "the first copy obeys its checksum, the second copy fails its checksum");
    assert_eq!(outcome.programs[0].program.bytes, first);
    // one take could have misheard it: never established
    let outcome = recover(&takes(&[&tape], 4));
    assert!(outcome.verdict.programs.iter().all(|p| p.verdict != Level::Established), "{}", say(&outcome));
}

#[test]
fn takes_of_different_recordings_are_told_and_never_mixed() {
    let ours = log();
    for (seed, at) in [(5, &[40, 41, 42][..]), (6, &[7]), (7, &[3, 60, 61, 100, 101, 150, 151, 152, 250])] {
        let theirs = changed(&ours, at);
        let (one, other) = (tape(&[file(&ours)]), tape(&[file(&theirs)]));
        for tapes in [&[&one[..], &one, &other][..], &[&one, &other]] {
            let outcome = recover(&takes(tapes, seed));
            holds(&outcome, &[&ours, &theirs]);
            told(&outcome, "different recordings");
            for (p, r) in outcome.verdict.programs.iter().zip(&outcome.programs) {
                assert_eq!(p.verdict, Level::Supported, "{}", say(&outcome));
                let last = format!("take-{}", tapes.len());
                let data = outcome.tapes[r.tape].blocks[r.data[0].0].block.takes();
                assert_eq!(r.program.bytes == theirs, data == [tapes.len() - 1], "{} {data:?}", say(&outcome));
                assert!(p.obstacles.iter().any(|o| o.contains(&last)), "{}", say(&outcome));
            }
            if tapes.len() == 3 {
                assert_eq!(outcome.programs[0].program.bytes, ours, "most takes first");
            }
        }
    }
}

#[test]
fn a_wrong_checksum_is_told_by_one_take_and_by_three() {
    let mut wrong = file(&log());
    wrong.checksum_fault = 0x14;
    let tape = tape(&[wrong]);
    for n in [1, 3] {
        let outcome = recover(&takes(&vec![&tape[..]; n], 8));
        holds(&outcome, &[&log()]);
        let p = &outcome.verdict.programs[0];
        assert_eq!((p.verdict, explanation(p)), (Level::Supported, WRONG_CHECKSUM), "{}", say(&outcome));
        told(&outcome, "most probably it was written wrong");
    }
}

#[test]
fn one_name_twice_is_two_programs_and_nothing_contradicts() {
    let (one, two) = (log(), changed(&log(), &[7]));
    let tape = tape(&[file(&one), file(&two)]);
    for n in [1, 3] {
        let outcome = recover(&takes(&vec![&tape[..]; n], 9));
        holds(&outcome, &[&one, &two]);
        for p in &outcome.verdict.programs {
            assert_eq!((p.verdict, explanation(p)), (Level::Established, OBEYS), "{}", say(&outcome));
        }
    }
}

/// What is damaged in one copy, or in one take, is not taken for other bytes.
#[test]
fn damage_is_not_taken_for_another_block() {
    let tape = tape(&[file(&log())]);
    for seed in 20..26 {
        for n in [1, 3] {
            let outcome = recover(&takes(&vec![&tape[..]; n], seed));
            holds(&outcome, &[&log()]);
            for h in outcome.verdict.programs[0].blocks.iter().flat_map(|b| &b.hypotheses) {
                let name = &h.hypothesis.name;
                assert!(name != COPIES_DIFFER && name != OTHER_RECORDING || h.posterior < 1e-6, "{}", say(&outcome));
            }
        }
    }
}

#[test]
fn order_and_threads_change_nothing_where_takes_contradict_each_other() {
    let (ours, theirs) = (log(), changed(&log(), &[40, 41, 42]));
    let (one, other, twins) = (tape(&[file(&ours)]), tape(&[file(&theirs)]), copies(&ours, &theirs, 0));
    for tapes in [[&one[..], &other, &one], [&twins, &twins, &twins]] {
        let takes = takes(&tapes, 10);
        let page = |threads: usize, order: [usize; 3]| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let paths: Vec<PathBuf> = order.iter().map(|&i| takes.paths[i].clone()).collect();
            let outcome = pool.install(|| recovery::recover(&paths, &TwinCopy::default(), &|_, _| ())).unwrap();
            serde_json::to_string(&outcome.verdict).unwrap()
        };
        let first = page(1, [0, 1, 2]);
        assert!(first.contains("given out beside it"));
        for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0]] {
            assert_eq!(page(3, order), first, "{order:?}");
        }
    }
}

/// The same file under another name, and the same samples under another header: with a chunk of text before the samples.
#[test]
fn the_same_file_twice_changes_nothing() {
    let tape = tape(&[file(&log())]);
    let mut takes = takes(&[&tape, &tape], 11);
    let programs = |outcome: &Outcome| serde_json::to_value(&outcome.verdict.programs).unwrap();
    let before = programs(&recover(&takes));
    let twice = takes._folder.path().join("take-8.wav");
    std::fs::copy(&takes.paths[0], &twice).unwrap();
    // RIFF: the length of all that follows stands in bytes 4 to 7, the first chunk begins at byte 12
    let mut bytes = std::fs::read(&takes.paths[1]).unwrap();
    let chunk = [&b"note"[..], &8u32.to_le_bytes(), b"HIDE 86 "].concat();
    let length = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) + chunk.len() as u32;
    bytes[4..8].copy_from_slice(&length.to_le_bytes());
    bytes.splice(12..12, chunk);
    let renamed = takes._folder.path().join("take-9.wav");
    std::fs::write(&renamed, bytes).unwrap();
    takes.paths.extend([twice, renamed]);
    let outcome = recover(&takes);
    assert_eq!(programs(&outcome), before);
    for take in &outcome.verdict.takes[2..] {
        assert!(take.note.as_ref().is_some_and(|n| n.contains("ounted once")), "{:?}", take.note);
    }
}

/// A reading that heard nothing: no soft bit says anything.
#[test]
fn a_reading_of_zeros_changes_nothing() {
    let (ours, theirs) = (log(), changed(&log(), &[40, 41, 42]));
    for tape in [tape(&[file(&ours)]), copies(&ours, &theirs, 0)] {
        let outcome = recover(&takes(&[&tape, &tape], 12));
        for b in &outcome.tapes[0].blocks {
            let (mut block, mut weights) = (b.block.clone(), b.weights.clone());
            let plain = format!("{:?}", decide(&TwinCopy::default(), &block, &weights).unwrap());
            let first = &block.votes[0];
            let zeros = Vote {
                take: 7,
                stretches: vec![(0, block.bytes, 0)],
                bits: vec![Llr::LOST; first.bits.len()],
                ..first.clone()
            };
            block.votes.push(zeros);
            weights.push(1.0);
            assert_eq!(format!("{:?}", decide(&TwinCopy::default(), &block, &weights).unwrap()), plain);
        }
    }
}

/// Two takes establish a program; a third of the same tape, recorded over in between, says other bytes as surely.
#[test]
fn a_take_that_contradicts_what_was_established_is_a_conflict() {
    let (ours, theirs) = (log(), changed(&log(), &[40, 41, 42, 43]));
    let (one, other) = (tape(&[file(&ours)]), tape(&[file(&theirs)]));
    let takes = takes(&[&one, &one, &other], 13);
    let out = takes._folder.path().join("out");
    let run = |args: &[&std::path::Path], command: &str| {
        let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_quorate"));
        let output = program.arg(command).args(args).arg("--quiet").output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    run(&[&takes.paths[0], &takes.paths[1], std::path::Path::new("--out"), &out], "recover");
    let verdict =
        || -> serde_json::Value { serde_json::from_slice(&std::fs::read(out.join("verdict.json")).unwrap()).unwrap() };
    assert_eq!(verdict()["programs"][0]["verdict"], "established");
    run(&[&out, &takes.paths[2]], "add");
    let after = verdict();
    let programs = after["programs"].as_array().unwrap();
    assert_eq!(programs.len(), 2, "{after:#}");
    for (program, bytes) in programs.iter().zip([&ours, &theirs]) {
        assert_eq!(program["verdict"], "supported");
        assert_eq!(&std::fs::read(out.join(program["data"].as_str().unwrap())).unwrap(), bytes);
    }
    let log = std::fs::read_to_string(out.join("log.jsonl")).unwrap();
    let conflicts: Vec<&str> = log.lines().filter(|l| l.contains("\"conflict\"")).collect();
    assert!(conflicts.len() == 1 && conflicts[0].contains("take-3.wav"), "{log}");
    let summary = std::fs::read_to_string(out.join("summary.txt")).unwrap();
    let flat = summary.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("The takes hold different recordings of the data: 4 bytes differ"), "{summary}");
}

/// The second of two takes says another byte, and a checksum that fits it, with soft bits from faint to strong. Somewhere between
/// it is likelier that it was misheard than that it is another recording, and the doubt comes from the latter: then that is the
/// reason, and the advice is about it. Above, both are given out; below, nothing is in doubt.
#[test]
fn doubt_from_another_explanation_is_told_as_such() {
    let (format, at) = (TwinCopy::default(), 50);
    let tape = tape(&[file(&log())]);
    let takes = takes(&[&tape, &tape], 14);
    let check = log().iter().fold(0, |sum, byte| sum ^ byte);
    let decide = |strength: f32| {
        let mut intake = recovery::Intake::receive(&takes.paths, &format, &|_, _| ()).unwrap();
        for reading in &mut intake.received[1].reception.readings {
            if reading.bytes() < log().len() + 1 {
                continue;
            }
            for (byte, value) in [(at, log()[at] ^ 0x11), (log().len(), check ^ 0x11)] {
                for (k, bit) in twin_copy::byte_bits(value).into_iter().enumerate() {
                    reading.bits[9 * byte + k] = Llr(if bit { strength } else { -strength });
                }
            }
        }
        recovery::decide_all(intake, &format, &|_, _| ()).unwrap()
    };
    let mut seen = 0;
    for tenths in 10..120 {
        let outcome = decide(tenths as f32 / 10.0);
        let p = &outcome.verdict.programs[0];
        let data = p.blocks.iter().find(|b| b.role == "data").unwrap();
        let chance = data.hypotheses.iter().find(|h| h.hypothesis.name == OTHER_RECORDING).map_or(0.0, |h| h.posterior);
        // clear enough to be the reason, not enough for two programs
        if !(1e-3..0.4).contains(&chance) || data.p_wrong > 1.5 * chance {
            continue;
        }
        seen += 1;
        assert_ne!(p.verdict, Level::Established, "{}", say(&outcome));
        told(&outcome, "The takes may hold different recordings of the data, take-2 against the others");
        assert!(p.advice[0].starts_with("Find out whether all takes are of one recording"), "{:?}", p.advice);
        let advice = next::advise(&outcome, &format, &|_, _| ()).unwrap();
        let stretch = advice[0].stretches.iter().find(|s| s.from == at && s.to == at).unwrap();
        assert_eq!(stretch.cause, next::Cause::Explanation);
        let faults = faults(&advice[0], &outcome);
        assert!(faults.iter().all(|f| !f.cause.contains("not surely enough")), "{}", faults[0].cause);
        assert!(faults[0].cause.contains("different recordings") && faults[0].cure == p.advice[0]);
    }
    assert!(seen > 0, "no strength of the soft bits leaves the doubt open");
}
