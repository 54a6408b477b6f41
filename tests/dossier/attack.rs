//! Killed processes, full disks, damaged files, two at once. The ignored tests are the same at length:
//! `scripts/attack-dossier`.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use quorate::dossier::verify::verify;
use quorate::dossier::{Dossier, Lock};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::desk::{code, files, names, program, recover, stderr, stdout};
use crate::takes::{add, contents, copy_folder, dossier, run, side, state};

fn spawn(arguments: &[&str], dir: &Path, takes: &[&Path]) -> Child {
    let mut command = program();
    if arguments[0] == "add" {
        command.arg("add").arg(dir).args(takes).arg("-q");
    } else {
        command.arg("recover").args(takes).arg("--out").arg(dir).arg("-q");
    }
    command.args(&arguments[1..]).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
}

/// Kills `add` and `recover` at random points of their time, half of them while they write. What is there afterwards is
/// the old dossier or the new one, whole, and the next run works.
fn killed(points: usize, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (folder, out) = dossier(&[&side().torn]);
    let old = contents(&out);
    let (_other, whole) = dossier(&[&side().torn, &side().good]);
    let new = state(&whole);
    let began = Instant::now();
    assert!(spawn(&["add"], &out, &[&side().good]).wait().unwrap().success());
    let takes_ms = began.elapsed().as_millis() as u64;
    let (mut caught, mut finished) = (0, 0);
    for point in 0..points {
        fs::remove_dir_all(&out).unwrap();
        copy_folder_of(&old, &out);
        let recovers = point % 2 == 1;
        let mut child = if recovers {
            spawn(&["recover"], &out, &[&side().torn, &side().good])
        } else {
            spawn(&["add"], &out, &[&side().good])
        };
        if point % 4 < 2 {
            std::thread::sleep(Duration::from_millis(random.random_range(0..=takes_ms + takes_ms / 4)));
        } else {
            let staged = || names(folder.path()).iter().any(|n| n.starts_with(".quorate-out-") && n.ends_with(".tmp"));
            while child.try_wait().unwrap().is_none() && !staged() {
                std::thread::sleep(Duration::from_micros(200));
            }
            std::thread::sleep(Duration::from_micros(random.random_range(0..60_000)));
        }
        child.kill().unwrap();
        if child.wait().unwrap().success() {
            finished += 1
        } else {
            caught += 1
        }
        let there = contents(&out);
        if there != old {
            let mut now = there;
            now.retain(|f, _| new.contains_key(f));
            assert!(now == new, "point {point}: neither the old nor the new dossier");
        }
        let report = verify(&out).unwrap();
        assert!(report.faults.is_empty(), "point {point}: {:?}", report.faults);
    }
    assert!(caught * 3 > points, "caught only {caught} of {points} in the act, {finished} finished");
    // nothing that a killed run left is in the way, and it is cleared away
    let output = add(&out, &[&side().late], &[]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    assert_eq!(names(folder.path()), ["out"]);
}

fn copy_folder_of(contents: &BTreeMap<String, Vec<u8>>, to: &Path) {
    for (file, bytes) in contents {
        let path = to.join(file);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
}

#[test]
fn a_killed_process_leaves_the_old_dossier_or_the_new_one() {
    killed(8, 1);
}

#[test]
#[ignore = "minutes: scripts/attack-dossier"]
fn killed_at_400_points() {
    killed(400, 2);
}

/// Damages every file in many ways, and expects every reader to name it.
fn damaged(flips: usize, cuts: usize, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (_folder, out) = dossier(&[&side().torn]);
    assert_eq!(code(&add(&out, &[&side().good], &["-q"])), 0);
    // what a person who goes on working reads of it
    let read = |out: &Path| -> Result<(), quorate::Error> {
        let dossier = Dossier::open(out)?;
        dossier.decide(&|_, _| ())?;
        dossier.takes.iter().try_for_each(|take| dossier.waves(take).map(drop))
    };
    read(&out).unwrap();
    for file in files(&out) {
        let path = out.join(&file);
        let good = fs::read(&path).unwrap();
        let flip = |(at, mask): (usize, u8)| {
            let mut bytes = good.clone();
            bytes[at] ^= mask;
            bytes
        };
        let mut variants: Vec<Vec<u8>> =
            (0..flips).map(|_| flip((random.random_range(0..good.len()), 1 << random.random_range(0..8)))).collect();
        variants.extend((0..cuts).map(|_| good[..random.random_range(0..good.len())].to_vec()));
        variants.push([good.as_slice(), b" "].concat());
        for bytes in variants {
            fs::write(&path, &bytes).unwrap();
            let faults = match verify(&out) {
                Ok(report) => report.faults.iter().map(|f| f.file.clone()).collect(),
                // the version itself was hit
                Err(error) => vec![error.to_string()],
            };
            assert!(faults.iter().any(|f| f.contains(&file)), "{file}: {faults:?}");
            let needed = ["dossier.json", "run.json", "log.jsonl", "verdict.json"].contains(&file.as_str())
                || file.starts_with("takes/")
                || (file.starts_with("programs/p") && file.ends_with(".bin"));
            match read(&out) {
                Ok(()) => assert!(!needed, "{file} was believed"),
                Err(error) => {
                    assert!(error.to_string().contains(&file), "{file}: {error}");
                    assert_eq!(error.exit_code(), 2, "{error}");
                }
            }
        }
        // and nothing is built on it
        fs::write(&path, &good[..good.len() - 1]).unwrap();
        let output = add(&out, &[&side().late], &["-q"]);
        assert_eq!(code(&output), 2, "{file}");
        assert!(
            stderr(&output).lines().count() == 1 && !stderr(&output).contains("panicked"),
            "{file}: {}",
            stderr(&output)
        );
        fs::write(&path, &good).unwrap();
    }
    assert_eq!(code(&run("verify", &out, &[])), 0);
}

#[test]
fn a_damaged_file_is_named_and_nothing_is_built_on_it() {
    damaged(3, 2, 3);
}

#[test]
#[ignore = "minutes: scripts/attack-dossier"]
fn damaged_in_a_hundred_ways() {
    damaged(70, 30, 4);
}

/// Everything that can happen to a file of a dossier without anybody meaning it: each is named, and no other is.
#[test]
fn whatever_is_done_to_a_file_is_said_of_that_file() {
    let (folder, out) = dossier(&[&side().torn]);
    assert_eq!(code(&add(&out, &[&side().good], &["-q"])), 0);
    let decision = ["p01:1=2", "--by", "Kit", "--because", "as it is"];
    let (_other, other) = dossier(&[&side().torn]);
    assert_eq!(code(&run("decide", &other, &["p02:30=7", decision[1], decision[2], decision[3], decision[4]])), 0);
    for dir in [&out, &other] {
        assert_eq!(code(&run("report", dir, &["-q"])), 0, "{}", stderr(&run("report", dir, &["-q"])));
    }
    // every file of the dossier has one that is called alike in the other, or is of its kind
    let theirs: Vec<String> = files(&other);
    let like = |file: &str| {
        let end = |name: &str| name.rsplit('/').next().unwrap().to_string();
        theirs.iter().find(|t| *t == file).or_else(|| theirs.iter().find(|t| end(t) == end(file))).cloned()
    };
    let work = folder.path().join("work");
    let faults = |change: &dyn Fn()| -> Vec<String> {
        let _ = fs::remove_dir_all(&work);
        copy_folder(&out, &work);
        change();
        match verify(&work) {
            Ok(report) => report.faults.into_iter().map(|f| f.file).collect(),
            Err(error) => vec![error.to_string().replace(work.to_str().unwrap(), "").trim_start_matches('/').into()],
        }
    };
    assert_eq!(faults(&|| ()), [""; 0]);
    let mut swapped = 0;
    for file in files(&out) {
        let path = work.join(&file);
        let named = |faults: Vec<String>, what: &str| {
            assert!(!faults.is_empty() && faults.iter().all(|f| f.starts_with(&file)), "{file} {what}: {faults:?}");
        };
        let bytes = fs::read(out.join(&file)).unwrap();
        let mut altered = bytes.clone();
        let middle = altered.len() / 2;
        altered[middle] ^= 0x04;
        named(faults(&|| fs::write(&path, &altered).unwrap()), "altered");
        if let Some(theirs) = like(&file).map(|t| fs::read(other.join(t)).unwrap()).filter(|t| *t != bytes) {
            swapped += 1;
            named(faults(&|| fs::write(&path, &theirs).unwrap()), "swapped");
        }
        let gone = faults(&|| fs::remove_file(&path).unwrap());
        // a report can be made again at any time
        if file == "report.html" { assert_eq!(gone, [""; 0]) } else { named(gone, "removed") }
    }
    assert!(swapped > 10, "{swapped}");
    // what a person puts beside it is no fault, and named
    for extra in ["notes.txt", "takes/notes.txt", "programs/p99.bin", "history/0009-verdict.json"] {
        assert_eq!(faults(&|| fs::write(work.join(extra), "dunlin").unwrap()), [""; 0]);
        assert_eq!(verify(&work).unwrap().own, [extra]);
    }
    assert_eq!(faults(&|| fs::create_dir_all(work.join("takes/0000/1111")).unwrap()), [""; 0]);
    assert_eq!(verify(&work).unwrap().own, ["takes/0000/"]);
    // the run record of an earlier state of the same dossier
    let (_earlier, earlier) = dossier(&[&side().torn]);
    let record = fs::read(earlier.join("run.json")).unwrap();
    assert_eq!(faults(&|| fs::write(work.join("run.json"), &record).unwrap()), ["run.json"]);
}

#[test]
fn the_second_of_two_processes_hears_the_name_of_the_first_and_nothing_is_lost() {
    let (folder, out) = dossier(&[&side().torn]);
    let mut first = spawn(&["add"], &out, &[&side().good]);
    let lock = folder.path().join(".quorate-out.lock");
    while fs::read_to_string(&lock).unwrap_or_default().is_empty() {
        assert!(first.try_wait().unwrap().is_none(), "it was too quick");
        std::thread::sleep(Duration::from_micros(200));
    }
    let name = format!("process {} (quorate add) is at work on it", first.id());
    let late = side().late.to_str().unwrap();
    for (command, rest) in [("add", vec![late]), ("decide", vec!["p02:30=1", "--because", "so", "--by", "Kit"])] {
        let output = run(command, &out, &rest);
        assert_eq!(code(&output), 2, "{command}");
        assert!(stderr(&output).contains(&name), "{command}: {}", stderr(&output));
    }
    let output = recover(&[&side().torn], &out, &[]);
    assert!(code(&output) == 2 && stderr(&output).contains(&name), "{}", stderr(&output));
    // reading is free
    assert_eq!(code(&run("explain", &out, &["p01"])), 0);
    assert!(first.wait().unwrap().success());
    assert_eq!(code(&add(&out, &[&side().late], &["-q"])), 0);
    let (_other, whole) = dossier(&[&side().torn, &side().good, &side().late]);
    assert!(state(&out) == state(&whole));
    assert_eq!(names(folder.path()), ["out"]);
}

#[test]
fn a_lock_goes_with_its_owner_and_is_no_matter_of_files() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let held = Lock::take(&out, "add").unwrap().unwrap();
    let refused = Lock::take(&out, "decide").unwrap_err();
    assert!(refused.to_string().contains(&format!("process {}", std::process::id())), "{refused}");
    drop(held);
    assert!(names(folder.path()).is_empty());
    // what a killed process left is no lock
    fs::write(folder.path().join(".quorate-out.lock"), "process 1 (quorate add)\n").unwrap();
    assert!(Lock::take(&out, "add").unwrap().is_some());
    // without a parent there is nothing to guard
    assert!(Lock::take(&folder.path().join("not/there"), "add").unwrap().is_none());
}

/// Whatever lies where the lock would: a link to a file of somebody's, or such a file itself, stays as it is.
#[cfg(unix)]
#[test]
fn a_lock_overwrites_nothing_of_anybodys() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mine, lock) =
        (folder.path().join("out"), folder.path().join("mine"), folder.path().join(".quorate-out.lock"));
    fs::write(&mine, "ringed 14 terns").unwrap();
    let refused = || {
        let refused = Lock::take(&out, "add").unwrap_err().to_string();
        assert!(refused.contains(".quorate-out.lock") && refused.contains("move it away"), "{refused}");
    };
    // even one that reads like a lock is not written through
    for text in ["ringed 14 terns", "process 1 (quorate add)\n", ""] {
        fs::write(&mine, text).unwrap();
        std::os::unix::fs::symlink(&mine, &lock).unwrap();
        refused();
        assert_eq!(fs::read_to_string(&mine).unwrap(), text);
        fs::remove_file(&lock).unwrap();
    }
    std::os::unix::fs::symlink(folder.path().join("nowhere"), &lock).unwrap();
    refused();
    assert!(!folder.path().join("nowhere").exists());
    fs::remove_file(&lock).unwrap();
    fs::create_dir(&lock).unwrap();
    refused();
    fs::remove_dir(&lock).unwrap();
    fs::write(&lock, "ringed 14 terns").unwrap();
    refused();
    assert_eq!(fs::read_to_string(&lock).unwrap(), "ringed 14 terns");
}

#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_fills_up_at_any_file_leaves_the_old_dossier() {
    let (folder, out) = dossier(&[&side().torn]);
    let before = contents(&out);
    // blocks of 512 bytes, the largest file has some 700 kB
    for blocks in [1, 2, 5, 20, 60, 150, 400, 900] {
        let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" add \"$1\" \"$2\" -q");
        let mut shell = Command::new("sh");
        let quorate = assert_cmd::cargo::cargo_bin!("quorate");
        let output = shell.arg("-c").arg(script).arg(quorate).arg(&out).arg(&side().good).output().unwrap();
        assert_eq!((code(&output), stderr(&output).lines().count()), (4, 1), "{blocks}: {}", stderr(&output));
        assert!(contents(&out) == before, "{blocks}");
        assert_eq!(names(folder.path()), ["out"], "{blocks}");
    }
}

/// A small file system of its own, in a name space of its own: needs root, or a system that gives such spaces to anybody.
#[cfg(target_os = "linux")]
#[test]
#[ignore = "needs a mount: scripts/attack-dossier"]
fn a_disk_that_is_really_full() {
    let (folder, out) = dossier(&[&side().torn]);
    let (disk, quorate) = (folder.path().join("disk"), assert_cmd::cargo::cargo_bin!("quorate"));
    fs::create_dir(&disk).unwrap();
    let script = r#"set -e
        mount -t tmpfs -o size="$1"k none "$2"
        cp -r "$3" "$2/out"
        "$0" add "$2/out" "$4" -q > "$2.said" 2>&1 && code=0 || code=$?
        diff -r "$3" "$2/out" > /dev/null && echo "$code same" || echo "$code other"
        ls -A "$2"
        "$0" verify "$2/out" > /dev/null"#;
    let used: usize = contents(&out).values().map(|b| b.len().div_ceil(4096) * 4).sum();
    let mut seen = Vec::new();
    for more in [40, 80, 200, 500, 900, 1500, 2500, 3500, 20_000] {
        let mut command = Command::new("unshare");
        command.args(["--map-root-user", "--mount", "sh", "-c", script]).arg(quorate);
        let output = command.arg((used + more).to_string()).args([&disk, &out, &side().good]).output().unwrap();
        assert_eq!((code(&output), stderr(&output)), (0, String::new()), "{more}");
        seen.push(stdout(&output));
    }
    println!("{seen:?}");
    assert!(seen.iter().all(|s| s == "4 same\nout\n" || s == "0 other\nout\n"), "{seen:?}");
    assert!(seen[0].starts_with('4') && seen[seen.len() - 1].starts_with('0'), "{seen:?}");
}

/// A folder that may not be written: root may write anywhere, so the process becomes nobody for this.
#[cfg(unix)]
#[test]
fn a_read_only_place_is_an_error_of_output_and_reading_works_there() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let (folder, out) = dossier(&[&side().torn]);
    let before = contents(&out);
    let root = fs::metadata(folder.path()).unwrap().uid() == 0;
    let allow_in = |place: &Path, mode: u32| fs::set_permissions(place, fs::Permissions::from_mode(mode)).unwrap();
    let allow = |mode| allow_in(folder.path(), mode);
    allow(0o555);
    // nobody must be able to reach the program and the take
    let quorate = folder.path().join("out").with_file_name("../quorate-for-nobody");
    let quorate = PathBuf::from(quorate.to_str().unwrap().replace("/../", "-"));
    fs::copy(assert_cmd::cargo::cargo_bin!("quorate"), &quorate).unwrap();
    let take = quorate.with_extension("wav");
    fs::copy(&side().good, &take).unwrap();
    let as_nobody = |arguments: &[&str]| {
        let mut command = Command::new(&quorate);
        command.arg(arguments[0]).arg(&out).args(&arguments[1..]).current_dir("/");
        if root {
            command.uid(65_534).gid(65_534);
        }
        command.output().unwrap()
    };
    let written = as_nobody(&["add", take.to_str().unwrap(), "-q"]);
    let explained = as_nobody(&["explain", "p01"]);
    let verified = as_nobody(&["verify"]);
    // the folder itself, or one within, where everything beside it may be written
    allow(0o777);
    let within = ["", "programs"].map(|inner| {
        allow_in(&out.join(inner), 0o555);
        let refused = as_nobody(&["decide", "p02:30=7", "--by", "Kit", "--because", "the log book"]);
        let left = names(folder.path());
        allow_in(&out.join(inner), 0o777);
        (refused, left)
    });
    allow(0o755);
    fs::remove_file(&quorate).unwrap();
    fs::remove_file(&take).unwrap();
    for (refused, left) in within {
        assert_eq!((code(&refused), stderr(&refused).contains("cannot write")), (4, true), "{}", stderr(&refused));
        assert_eq!(left, ["out"]);
    }
    assert_eq!((code(&written), stderr(&written).contains("cannot write")), (4, true), "{}", stderr(&written));
    assert_eq!((code(&explained), code(&verified)), (0, 0), "{} {}", stderr(&explained), stderr(&verified));
    assert!(contents(&out) == before && names(folder.path()) == ["out"]);
}

#[test]
fn a_lost_dossier_record_is_named_and_a_link_is_no_file_of_ours() {
    let (folder, out) = dossier(&[&side().good]);
    let prg = out.join("programs/01-TIDE.prg");
    let elsewhere = folder.path().join("elsewhere.prg");
    fs::rename(&prg, &elsewhere).unwrap();
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(&elsewhere, &prg).unwrap();
        let output = run("verify", &out, &[]);
        assert_eq!(code(&output), 7);
        assert!(stderr(&output).contains("01-TIDE.prg: is a link"), "{}", stderr(&output));
        fs::remove_file(&prg).unwrap();
    }
    assert!(stderr(&run("verify", &out, &[])).contains("01-TIDE.prg: is missing"));
    fs::remove_file(out.join("dossier.json")).unwrap();
    for (command, rest, exit) in [("verify", vec![], 7), ("explain", vec!["p01"], 2), ("next", vec![], 2)] {
        let output = run(command, &out, &rest);
        assert_eq!((code(&output), stderr(&output).contains("dossier.json: is missing")), (exit, true), "{command}");
    }
}

/// Every command that writes is ended by the system in the midst of it: no file may grow over the limit, and whoever tries is
/// killed. What is in the way afterwards would be in the way for ever.
#[cfg(target_os = "linux")]
#[test]
fn a_writer_that_is_killed_leaves_nothing_in_the_way() {
    let (folder, out) = dossier(&[&side().torn]);
    assert_eq!(code(&run("report", &out, &["-q"])), 0);
    let recipe = folder.path().join("recipe.json");
    let text =
        r#"{ "seed": 1, "tone": { "hz": 1000, "seconds": 2 }, "takes": [ { "name": "tone", "file": "tone.wav" } ] }"#;
    fs::write(&recipe, text).unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    let (out_text, good) = (at("out"), side().good.to_str().unwrap().to_string());
    let quorate = assert_cmd::cargo::cargo_bin!("quorate");
    let mut killed = 0;
    for (words, limits) in [
        (vec!["report", &out_text, "-q"], &[1, 40, 100][..]),
        (vec!["decide", &out_text, "p02:30=7", "--by", "Kit", "--because", "the log book"], &[1, 40, 100]),
        (vec!["add", &out_text, &good, "-q"], &[1, 20, 150, 400]),
        (vec!["recover", side().torn.to_str().unwrap(), &good, "-q", "--out", &out_text], &[1, 150, 400]),
        (vec!["shelf", &out_text, "--out", &at("shelf")], &[1, 4]),
        (vec!["pack", &out_text, "--without-captures", "-q", "--out", &at("bag")], &[1, 40, 400]),
        (vec!["simulate", recipe.to_str().unwrap(), "-q", "--out", &at("takes")], &[1, 40]),
    ] {
        for limit in limits {
            let before = contents(&out);
            let script = format!("ulimit -c 0; ulimit -f {limit}; exec \"$0\" \"$@\"");
            let output = Command::new("sh").arg("-c").arg(script).arg(quorate).args(&words).output().unwrap();
            killed += usize::from(output.status.code().is_none());
            let same = contents(&out) == before;
            assert!(same || output.status.success(), "{words:?} {limit}: {:?}", files(&out));
            let verified = run("verify", &out, &[]);
            assert_eq!((code(&verified), stderr(&verified)), (0, String::new()), "{words:?} {limit}");
            assert!(!stdout(&verified).contains("let alone"), "{words:?} {limit}: {}", stdout(&verified));
        }
        let whole = program().args(&words).output().unwrap();
        assert_eq!(code(&whole), 0, "{words:?}: {}", stderr(&whole));
    }
    assert!(killed > 12, "only {killed} were killed in the act");
    let left = names(folder.path());
    assert_eq!(left, ["bag", "out", "recipe.json", "shelf", "takes"]);
    assert_eq!(files(Path::new(&at("takes"))), ["tone.wav", "truth/truth.json"]);
}

/// Killed at any moment of it, `report` leaves the folder with the page or without it.
#[test]
fn a_report_that_is_killed_leaves_a_sound_folder() {
    let mut random = ChaCha8Rng::seed_from_u64(9);
    let (folder, out) = dossier(&[&side().torn]);
    let plain = contents(&out);
    let began = Instant::now();
    assert_eq!(code(&run("report", &out, &["-q"])), 0);
    let whole = began.elapsed();
    let page = fs::read(out.join("report.html")).unwrap();
    let mut caught = 0;
    for _ in 0..12 {
        let _ = fs::remove_file(out.join("report.html"));
        let mut child = program().arg("report").arg(&out).arg("-q").stdout(Stdio::null()).spawn().unwrap();
        std::thread::sleep(whole.mul_f64(random.random_range(0.3..1.1)));
        child.kill().unwrap();
        caught += usize::from(!child.wait().unwrap().success());
        let mut there = contents(&out);
        assert!(there.remove("report.html").is_none_or(|there| there == page));
        assert!(there == plain);
    }
    assert!(caught > 3, "{caught}");
    assert_eq!(code(&add(&out, &[&side().good], &["-q"])), 0);
    assert_eq!(names(folder.path()), ["out"]);
}
