//! The listing of a program that is not established, from the takes to the file: two of the three demonstration takes leave WADER
//! COUNT open (`README.md`).

use std::path::{Path, PathBuf};

use quorate::tape::basic;

use crate::desk::{code, stderr, verdict};
use crate::takes::{dossier, run};

fn listing(out: &Path) -> (PathBuf, String) {
    let files = verdict(out)["programs"][3]["files"].clone();
    let files: Vec<String> = serde_json::from_value(files).unwrap();
    let file = files.iter().find(|f| f.ends_with(".txt")).expect("a listing");
    (file.into(), std::fs::read_to_string(out.join(file)).unwrap())
}

#[test]
fn a_listing_marks_what_is_guessed_and_what_a_person_decided() {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/marsh-station");
    let takes = ["take-1.flac", "take-3.flac"].map(|name| corpus.join(name));
    let (_folder, out) = dossier(&[&takes[0], &takes[1]]);
    let program = verdict(&out)["programs"][3].clone();
    assert_eq!((program["name"].as_str(), program["verdict"].as_str()), (Some("WADER COUNT"), Some("open")));
    let (file, text) = listing(&out);
    assert_eq!(file, Path::new("programs/04-WADER-COUNT.open.txt"));
    assert!(text.starts_with("# WADER COUNT: open. Chance of a wrong byte: almost certain. From take-2.\n"), "{text}");
    for (mark, class) in [('^', "inferred"), ('?', "unresolved")] {
        let head = text.lines().find(|l| l.starts_with(&format!("# {mark} under"))).expect("a legend");
        assert!(head.ends_with(&format!("({} bytes)", program["bytes"][class])), "{head}");
    }
    // without head and marks it is the program's listing
    let bytes = std::fs::read(out.join("programs/p04.bin")).unwrap();
    let address = program["load_address"].as_u64().unwrap() as u16;
    let plain: String =
        text.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())).map(|l| format!("{l}\n")).collect();
    assert_eq!(plain, basic::list(&bytes, address).text);

    // the first byte in doubt within the lines: text between quotes
    assert!(text.contains("\n    ? 0x0058-0x005A\n"), "{text}");
    let said = run("decide", &out, &["p04:0x58=0x45", "--because", "WADER stands in the log book", "--by", "Kit"]);
    assert_eq!(code(&said), 0, "{}", stderr(&said));
    let (again, text) = listing(&out);
    assert_eq!(again, file);
    assert!(text.contains("\n    ! 0x0058: E (0x45) as decided by Kit; the evidence has "), "{text}");
    assert!(text.contains("# ! under a character: the value of a person, not of the evidence (1 byte)\n"), "{text}");
    assert_eq!(code(&run("verify", &out, &[])), 0, "{}", stderr(&run("verify", &out, &[])));
}
