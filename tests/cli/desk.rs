//! Tapes to work on, made once, and ways to run the program.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use quorate::capture::write::write_wav16;
use quorate::channel::{self, Knobs};
use quorate::tape::twin_copy::{self, TapeFile};
use quorate::tape::{Kind, Program, basic};
use serde_json::Value;
use tempfile::TempDir;

pub fn program() -> Command {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("quorate"));
    command.env_remove("NO_COLOR");
    command
}

/// Runs `quorate recover TAKES --out OUT OPTIONS`.
pub fn recover(takes: &[impl AsRef<Path>], out: &Path, options: &[&str]) -> Output {
    let mut command = program();
    command.arg("recover").args(takes.iter().map(AsRef::as_ref)).arg("--out").arg(out).args(options);
    command.output().unwrap()
}

pub fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

pub fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

pub fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

pub fn verdict(out: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(out.join("verdict.json")).unwrap()).unwrap()
}

/// Every file under a folder, relative, sorted.
pub fn files(folder: &Path) -> Vec<String> {
    fn walk(root: &Path, folder: &Path, out: &mut Vec<String>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(root, &path, out);
            } else {
                out.push(path.strip_prefix(root).unwrap().to_str().unwrap().to_owned());
            }
        }
    }
    let mut out = Vec::new();
    walk(folder, folder, &mut out);
    out.sort();
    out
}

/// Names directly in a folder, hidden ones too.
pub fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// A file on the tape with short leaders.
pub fn file(kind: Kind, name: &[u8], load_address: Option<u16>, bytes: Vec<u8>) -> TapeFile {
    TapeFile {
        header_leader_s: 1.5,
        data_leader_s: 1.0,
        gap_s: 0.7,
        ..TapeFile::usual(Program { kind, name: name.to_vec(), load_address, bytes })
    }
}

/// Plays a tape several times and writes each take.
pub fn play(folder: &Path, files: &[TapeFile], takes: &[(&str, Knobs)]) -> Vec<PathBuf> {
    let tape = twin_copy::write(files);
    let write = |(i, (name, knobs)): (usize, &(&str, Knobs))| {
        let samples = channel::play(&tape, knobs, 1986, 100 + i as u64);
        let samples: Vec<i16> =
            samples.iter().map(|x| (x * 32_768.0).round().clamp(-32_768.0, 32_767.0) as i16).collect();
        let path = folder.join(name);
        write_wav16(&path, knobs.sample_rate, 1, &samples).unwrap();
        path
    };
    takes.iter().enumerate().map(write).collect()
}

/// The station's tape: three good takes, and the programs on it.
pub struct Marsh {
    pub takes: Vec<PathBuf>,
    pub programs: Vec<Program>,
    _folder: TempDir,
}

pub fn marsh() -> &'static Marsh {
    static MARSH: OnceLock<Marsh> = OnceLock::new();
    MARSH.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let text = "10 PRINT \"HIGH WATER AT THE SLUICE\"\n20 FOR D=1 TO 7\n30 READ H,M:PRINT D,H,M:NEXT\n\
                    40 DATA 6,12,7,1,7,55,8,50,9,44,10,36,11,27";
        let basic = basic::tokenise(text, 0x0801).unwrap();
        let code: Vec<u8> = (0..90u8).map(|i| i.wrapping_mul(73) ^ 0x5A).collect();
        // two blocks of a data file, the second ended by a zero byte and filled up, as the machine writes it
        let mut log = b"REDSHANK 3412 DUNLIN 3413 KNOT 3414\r".repeat(6);
        log.truncate(2 * 191 - 1);
        let files = [
            file(Kind::Basic, b"TIDE TABLE", Some(0x0801), basic),
            file(Kind::Code, b"CLOCK", Some(0xC000), code),
            file(Kind::Data, b"RING LOG", None, log),
        ];
        let takes = [
            ("take-b.wav", Knobs { speed_error: 0.02, ..Knobs::default() }),
            ("take-a.wav", Knobs::default()),
            ("take-c.wav", Knobs { snr_db: Some(20.0), inverted: true, ..Knobs::default() }),
        ];
        let takes = play(folder.path(), &files, &takes);
        Marsh { takes, programs: files.map(|f| f.program).to_vec(), _folder: folder }
    })
}

/// Two takes of a program whose checksum was written wrong: it can't be established.
pub fn misprint() -> &'static Marsh {
    static MISPRINT: OnceLock<Marsh> = OnceLock::new();
    MISPRINT.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let code: Vec<u8> = (0..60u8).map(|i| i.wrapping_mul(29) ^ 0x33).collect();
        let faulty = TapeFile { checksum_fault: 0x44, ..file(Kind::Code, b"WADERS", Some(0x2000), code) };
        let takes = play(
            folder.path(),
            std::slice::from_ref(&faulty),
            &[("1.wav", Knobs::default()), ("2.wav", Knobs { speed_error: -0.01, ..Knobs::default() })],
        );
        Marsh { takes, programs: vec![faulty.program], _folder: folder }
    })
}

/// A WAV file as a recorder writes it: `format` is the 16 bytes of its fmt chunk.
pub fn wav(format: [u8; 16], data: &[u8]) -> Vec<u8> {
    let mut out = b"RIFF".to_vec();
    out.extend((36 + data.len() as u32).to_le_bytes());
    out.extend(b"WAVEfmt \x10\0\0\0");
    out.extend(format);
    out.extend(b"data");
    out.extend((data.len() as u32).to_le_bytes());
    out.extend(data);
    out
}

/// The fmt chunk: tag 1 is integers, 3 is floating point.
pub fn format(tag: u16, channels: u16, rate: u32, bits: u16) -> [u8; 16] {
    let frame = channels * (bits / 8);
    let mut out = Vec::new();
    out.extend(tag.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(rate.to_le_bytes());
    out.extend((rate * u32::from(frame)).to_le_bytes());
    out.extend(frame.to_le_bytes());
    out.extend(bits.to_le_bytes());
    out.try_into().unwrap()
}
