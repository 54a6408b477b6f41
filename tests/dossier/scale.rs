//! 200 programs on a side and ten takes of it: adding one costs its receiving and little more.

use std::process::Command;
use std::time::Instant;

use quorate::Llr;
use quorate::channel::Knobs;
use quorate::dossier::Dossier;
use quorate::dossier::store::{Seconds, Update};
use quorate::export::folder::{Holds, Target};
use quorate::recovery::{Intake, Received, decide_all};
use quorate::tape::Kind;
use quorate::tape::twin_copy::TapeFile;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::desk::{self, code, play, recover, stderr};
use crate::takes::hex;

const PROGRAMS: usize = 200;
const TAKES: usize = 10;

#[test]
#[ignore = "minutes, and some 500 MB of disk: scripts/attack-dossier"]
fn a_take_added_to_200_programs_and_9_takes_is_decided_in_2_seconds_and_500_megabytes() {
    let folder = tempfile::tempdir().unwrap();
    let tape: Vec<TapeFile> = (0..PROGRAMS)
        .map(|i| {
            let bytes = (0..60u8).map(|k| k.wrapping_mul(31).wrapping_add((i * 7) as u8) ^ (i >> 3) as u8).collect();
            let file = desk::file(Kind::Code, format!("LOG {i:03}").as_bytes(), Some(0x1000 + i as u16), bytes);
            TapeFile { header_leader_s: 0.5, data_leader_s: 0.4, gap_s: 0.2, ..file }
        })
        .collect();
    let knobs = |speed_error: f64| Knobs {
        sample_rate: 22_050,
        speed_error,
        snr_db: Some(16.0),
        own_dropouts_per_s: 0.3,
        dropout_max_ms: 10.0,
        ..Knobs::default()
    };
    let takes = play(folder.path(), &tape, &[("first.wav", knobs(-0.01)), ("last.wav", knobs(0.02))]);
    let began = Instant::now();
    let one = folder.path().join("one");
    let output = recover(&takes[..1], &one, &["-q"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let receiving = began.elapsed().as_secs_f64();
    println!("recover 1 take: {receiving:.1} s");

    // eight more with evidence like that of the first, each with noise of its own: to receive ten takes of 20 minutes would
    // tell nothing more
    let out = folder.path().join("out");
    let first = Dossier::open(&one).unwrap();
    let format = first.format().unwrap();
    let received = (0..TAKES - 1).map(|i| again(first.intake().unwrap().received.remove(0), i)).collect();
    let mut intake = Intake::of(received, Vec::new());
    let target = Target::new(&out, Holds::Dossier).unwrap();
    let mut update = Update::begin(target, None, format.as_ref(), "2026-01-01T00:00:00Z").unwrap();
    update.takes(&mut intake).unwrap();
    let mut outcome = decide_all(intake, format.as_ref(), &|_, _| ()).unwrap();
    update.decided(&mut outcome, &[]).unwrap();
    update.commit(&"made by a test", &[], Seconds { recover: 0.0, write: 0.0 }).unwrap();

    // GNU time tells the largest resident set of a process, in kilobytes
    let quorate = assert_cmd::cargo::cargo_bin!("quorate");
    let mut command = Command::new("/usr/bin/time");
    command.args(["-f", "%M %e"]).arg(quorate).arg("add").arg(&out).arg(&takes[1]).arg("-q");
    let output = command.output().unwrap();
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let told = stderr(&output);
    let kilobytes: f64 = told.split_whitespace().next().unwrap().parse().unwrap();
    println!("add 1 take: {told}");

    let began = Instant::now();
    let dossier = Dossier::open(&out).unwrap();
    let intake = dossier.intake().unwrap();
    assert_eq!(intake.received.len(), TAKES);
    println!("open: {:.2} s", began.elapsed().as_secs_f64());
    let began = Instant::now();
    let outcome = decide_all(intake, format.as_ref(), &|_, _| ()).unwrap();
    let seconds = began.elapsed().as_secs_f64();
    println!("decide: {seconds:.2} s, {} programs", outcome.programs.len());
    assert_eq!(outcome.programs.len(), PROGRAMS);
    assert!(seconds < 2.0, "deciding took {seconds:.2} s");
    assert!(kilobytes < 500_000.0, "add took {kilobytes} kB");
}

/// A take like another, with soft bits of its own.
fn again(mut take: Received, number: usize) -> Received {
    let mut random = ChaCha8Rng::seed_from_u64(number as u64);
    take.path = format!("take-{number:02}.wav").into();
    take.sha256 = hex(&[number as u8]);
    take.samples_blake3 = hex(&[number as u8, 1]);
    let stretch = 1.0 + 0.003 * number as f64;
    for reading in &mut take.reception.readings {
        reading
            .bits
            .iter_mut()
            .for_each(|l| *l = Llr(l.0 * random.random_range(0.6..1.0) + random.random_range(-1.0..1.0)));
        reading.starts_s.iter_mut().for_each(|s| *s *= stretch);
    }
    take
}
