//! Names on tape are hostile: they must harm neither the disk nor the screen.

use crate::desk::{code, file, files, play, recover, stderr, stdout, verdict};
use quorate::channel::Knobs;
use quorate::tape::Kind;

#[test]
fn names_from_tape_harm_neither_disk_nor_screen() {
    let folder = tempfile::tempdir().unwrap();
    let names: [&[u8]; 6] = [
        b"../../ETC/PASSWD",
        b"\x1B[2J\x93\x07\x0E\x9B31m\x12",
        b"NUL",
        b"CON.TXT",
        b"/",
        b"\xE2\x80\xAE\xFF\x00\x0A\x0D",
    ];
    let bytes = |i: usize| (0..40u8).map(|k| k.wrapping_mul(31) ^ i as u8).collect::<Vec<u8>>();
    let tape: Vec<_> =
        names.iter().enumerate().map(|(i, name)| file(Kind::Code, name, Some(0x1000), bytes(i))).collect();
    let takes = [("\u{1b}[31m take\n1.wav", Knobs::default()), ("2.wav", Knobs::default())];
    let takes = play(folder.path(), &tape, &takes);
    let out = folder.path().join("out");
    let output = recover(&takes, &out, &[]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));

    let programs = verdict(&out)["programs"].as_array().unwrap().clone();
    let data: Vec<Vec<u8>> =
        programs.iter().map(|p| std::fs::read(out.join(p["data"].as_str().unwrap())).unwrap()).collect();
    for i in 0..names.len() {
        assert!(data.contains(&bytes(i)), "program {}: {}", i + 1, stdout(&output));
    }
    let summary = std::fs::read_to_string(out.join("summary.txt")).unwrap();
    for text in [stdout(&output), stderr(&output), summary, programs.iter().map(|p| p["name"].to_string()).collect()] {
        let steers = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
        assert!(!text.contains(steers), "{text:?}");
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || "-./".contains(c);
    for file in files(&out) {
        assert!(file.chars().all(plain) && !file.contains(".."), "{file}");
        let stem = file.rsplit('/').next().unwrap();
        assert!(!["NUL", "CON"].iter().any(|word| stem.to_ascii_uppercase().starts_with(word)), "{file}");
    }
    // nothing climbed out of the folder
    assert_eq!(crate::desk::names(folder.path()).len(), 3);
}
