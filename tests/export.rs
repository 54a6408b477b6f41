//! What is written for the user: BASIC text, names, pulse images, audio, and the demo programs of the marsh station.
//!
//! `tests/oracles/export.py` runs the ignored test `writes_files_for_the_oracle` and holds its files against readers
//! written apart from this crate.

use std::path::{Path, PathBuf};

use proptest::prelude::*;
use quorate::confidence::Level;
use quorate::export::atomic::Existing;
use quorate::export::listing::{self, Doubt, DoubtKind, Standing};
use quorate::export::{audio, names, prg, pulse_image};
use quorate::tape::{Kind, Program, Pulse, basic, charset};

const BASIC_START: u16 = 0x0801;

// ---- BASIC ----------------------------------------------------------------------------------------------------------

/// Characters of the keyboard outside quotes. Without `?`, which is another spelling of PRINT.
const PLAIN: &str = "[A-Z0-9 !#$%&'()*+,./:;<=>@£↑←\\[\\]π-]{0,12}";
const WORD: &str = "(PRINT|GOTO|GOSUB|GO|TO|INPUT#|INPUT|GET|DATA|REM|LEFT\\$\\(|TAB\\(|STR\\$|THEN|FN|↑|=)";

/// A character of the set as a listing spells it, graphics and steering codes included; no quote, no zero byte.
fn spelling() -> impl Strategy<Value = String> {
    (1..=255u8).prop_filter("a quote would end the string", |&code| code != b'"').prop_map(|code| {
        let mut out = String::new();
        charset::spell(code, &mut out);
        out
    })
}

fn quoted() -> impl Strategy<Value = String> {
    prop::collection::vec(spelling(), 0..12).prop_map(|codes| format!("\"{}\"", codes.concat()))
}

fn line_text() -> impl Strategy<Value = String> {
    let part = prop_oneof![PLAIN.boxed(), WORD.boxed(), quoted().boxed()];
    let end = prop_oneof![
        Just(String::new()),
        // a string whose closing quote was never typed
        quoted().prop_map(|text| text.trim_end_matches('"').to_owned()),
        prop::collection::vec(spelling(), 0..12).prop_map(|codes| format!(":REM {}", codes.concat())),
    ];
    ("[A-Z@!]", prop::collection::vec(part, 0..6), end).prop_map(|(first, parts, end)| first + &parts.concat() + &end)
}

fn program_text() -> impl Strategy<Value = String> {
    prop::collection::btree_map(0..64_000u32, line_text(), 0..20)
        .prop_map(|lines| lines.iter().map(|(number, text)| format!("{number} {text}\n")).collect())
}

proptest! {
    #[test]
    fn a_program_lists_as_it_was_typed(source in program_text(), start in 0x0100..0x8000u16) {
        let bytes = basic::tokenise(&source, start).unwrap();
        let listing = basic::list(&bytes, start);
        prop_assert_eq!(&listing.text, &source);
        prop_assert_eq!(&listing.notes, &Vec::<String>::new());
        prop_assert_eq!(listing.links_hold, !source.is_empty());
        prop_assert_eq!(listing.used, bytes.len());
    }

    #[test]
    fn no_byte_of_a_string_or_remark_is_lost_in_the_text(
        text in prop::collection::vec((1..=255u8).prop_filter("would end the string", |&b| b != b'"'), 0..80),
    ) {
        for before in [&b"\x99\""[..], b"\x8F "] {
            let line = [before, &text, b"\x00"].concat();
            let link = BASIC_START + 4 + line.len() as u16;
            let program = [&link.to_le_bytes(), &[10, 0][..], &line, &[0, 0]].concat();
            let listing = basic::list(&program, BASIC_START);
            prop_assert_eq!(basic::tokenise(&listing.text, BASIC_START).unwrap(), program);
        }
    }

    #[test]
    fn any_bytes_list_without_harm(bytes in prop::collection::vec(any::<u8>(), 0..2000), start: u16) {
        check_listing(&bytes, start);
    }

    #[test]
    fn damaged_programs_list_without_harm(
        source in program_text(), faults in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
        cut: prop::sample::Index,
    ) {
        let mut bytes = basic::tokenise(&source, BASIC_START).unwrap();
        for (place, value) in faults {
            let place = place.index(bytes.len());
            bytes[place] = value;
        }
        bytes.truncate(cut.index(bytes.len() + 1));
        check_listing(&bytes, BASIC_START);
    }

    #[test]
    fn any_text_is_a_program_or_refused(source in "\\PC{0,80}", numbered in "[0-9]{1,5} [ -~{}$\"♠]{0,60}") {
        let _ = basic::tokenise(&source, BASIC_START);
        let _ = basic::tokenise(&numbered, BASIC_START);
    }
}

fn check_listing(bytes: &[u8], start: u16) {
    let listing = basic::list(bytes, start);
    assert!(listing.used <= bytes.len());
    assert_eq!(listing.text.lines().count(), listing.lines);
    // the longest word has seven letters, the longest spelling six characters, a line number with its blank six
    assert!(listing.text.chars().count() <= 7 * bytes.len() + 7 * listing.lines);
    // the set has neither braces nor small letters: they are of spellings such as {0x93}
    assert!(listing.text.chars().all(|c| "\n{x}".contains(c) || charset::code_of(c).is_some()));
    assert!(listing.notes.len() <= 21);
    if listing.used < bytes.len() || listing.lines == 0 && bytes != [0, 0] {
        assert!(!listing.notes.is_empty(), "bytes left out without a word");
    }
}

// ---- names ----------------------------------------------------------------------------------------------------------

proptest! {
    #[test]
    fn any_name_is_safe_on_screen_and_disk(name in prop::collection::vec(any::<u8>(), 0..80), number in 1..2000usize) {
        let text = names::for_screen(&name);
        prop_assert!(!text.contains(|c: char| c.is_control() || (c.is_whitespace() && c != ' ')));
        prop_assert!(!text.ends_with(' '));
        let stem = names::file_stem(number, &name);
        let (prefix, rest) = stem.split_once('-').unwrap();
        prop_assert_eq!(prefix.parse::<usize>(), Ok(number));
        prop_assert!(prefix.len() >= 2 && stem.len() <= 40);
        for word in rest.split('-') {
            prop_assert!(!word.is_empty() && word.chars().all(|c| c.is_ascii_uppercase() || c.is_ascii_digit()));
        }
    }
}

fn standing(level: Level, doubts: Vec<Doubt>) -> Standing {
    let takes = vec!["take-1".to_string(), "take-3".into()];
    Standing { level, p_wrong: 2e-5, takes, obstacles: Vec::new(), doubts }
}

/// Columns by hand: `10 PRINT"KNOT"` has its bytes at offsets 0 and 1 (link), 2 and 3 (number), 4 (PRINT), 5 to 10 (the text in
/// its quotes), 11 (the end); the digits are characters 0 and 1, PRINT 3 to 7, the first quote 8.
#[test]
fn guesses_are_marked_under_the_listing() {
    let source = "10 PRINT\"KNOT\"\n20 END\n";
    let program = Program {
        kind: Kind::Basic,
        name: b"1986 LOG".to_vec(),
        load_address: Some(BASIC_START),
        bytes: basic::tokenise(source, BASIC_START).unwrap(),
    };
    let doubt = |offset, kind| Doubt { offset, kind };
    let doubts = vec![
        doubt(1, DoubtKind::Guess(Some(0x18))),
        doubt(4, DoubtKind::Guess(Some(0x98))),
        doubt(6, DoubtKind::Guess(None)),
        doubt(7, DoubtKind::Unknown),
        doubt(8, DoubtKind::Unknown),
        doubt(9, DoubtKind::Person { by: "the warden".into(), evidence: b'U' }),
        doubt(11, DoubtKind::Guess(Some(1))),
        doubt(18, DoubtKind::Unknown),
    ];
    let open = Standing { obstacles: vec!["8 bytes are not settled.".into()], ..standing(Level::Open, doubts) };
    let expected = "\
# 1986 LOG: open. Chance of a wrong byte: 1 in 50,000. From take-1 and take-3.
# In the way: 8 bytes are not settled.
# ^ under a character: a best guess, with what else it may be (4 bytes)
# ? under a character: not known at all: any value stands there (3 bytes)
# ! under a character: the value of a person, not of the evidence (1 byte)
# 1 byte is in doubt in no line of this listing
# Offsets count from the first byte of the program; lines that begin with a digit are the program

10 PRINT\"KNOT\"
   ^^^^^ ^??! ^
    ^ 0x0001 (the link, which the machine makes anew): 0x08 or 0x18
    ^ 0x0004: PRINT (0x99) or PRINT# (0x98)
    ^ 0x0006: K (0x4B) or something else
    ? 0x0007-0x0008
    ! 0x0009: T (0x54) as decided by the warden; the evidence has U (0x55)
    ^ 0x000B (the end of the line): 0x00 or {0x01} (0x01)
20 END
";
    let text = listing::text(&program, &open).unwrap();
    assert_eq!(text, expected);
    // without head and marks it is the listing, and makes the same bytes again
    let lines: String =
        text.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())).map(|l| format!("{l}\n")).collect();
    assert_eq!(lines, source);
    assert_eq!(basic::tokenise(&lines, BASIC_START).unwrap(), program.bytes);
}

#[test]
fn a_program_becomes_its_files() {
    let folder = tempfile::tempdir().unwrap();
    let read = |name: &str| std::fs::read(folder.path().join(name)).unwrap();
    let bytes = basic::tokenise("10 PRINT\"♣\"", BASIC_START).unwrap();
    let mut program = Program {
        kind: Kind::Basic,
        name: b"TIDE/TABLE      ".to_vec(),
        load_address: Some(BASIC_START),
        bytes: bytes.clone(),
    };
    let sure = standing(Level::Established, Vec::new());
    let written = prg::write(folder.path(), Existing::Keep, 1, &program, &sure, Some(&[Pulse::Cycle(390e-6)])).unwrap();
    assert_eq!(written.data, "p01.bin");
    let names = ["prg", "txt", "tap", "wav"].map(|ending| format!("01-TIDE-TABLE.{ending}"));
    assert_eq!(written.files, names);
    assert_eq!(read("p01.bin"), bytes);
    assert_eq!(read("01-TIDE-TABLE.prg"), [&[0x01, 0x08], bytes.as_slice()].concat());
    let head = "# TIDE/TABLE: established. Chance of a wrong byte: 1 in 50,000. From take-1 and take-3.\n\n";
    assert_eq!(read("01-TIDE-TABLE.txt"), format!("{head}10 PRINT\"♣\"\n").as_bytes());
    assert_eq!(read("01-TIDE-TABLE.tap")[20..], [0x30]);
    assert_eq!(read("01-TIDE-TABLE.wav")[..4], *b"RIFF");
    // a link that leads elsewhere changes nothing but is told under the listing
    program.bytes[0] ^= 0x40;
    let moved = listing::text(&program, &sure).unwrap();
    assert_eq!(moved, format!("{head}10 PRINT\"♣\"\n\nNote: all line links fit a start at 0x0841, not 0x0801.\n"));
    program.bytes[0] ^= 0x40;

    (program.kind, program.load_address) = (Kind::Unknown, None);
    let open = standing(Level::Open, Vec::new());
    let written = prg::write(folder.path(), Existing::Keep, 2, &program, &open, None).unwrap();
    assert_eq!(written.files, ["02-TIDE-TABLE.open.bin"], "no address is made up");
    assert_eq!(read("02-TIDE-TABLE.open.bin"), bytes);

    assert_eq!(
        prg::write(folder.path(), Existing::Keep, 2, &program, &open, None).unwrap_err().exit_code(),
        2,
        "nothing overwritten"
    );
}

// ---- pulses ---------------------------------------------------------------------------------------------------------

fn pulses() -> impl Strategy<Value = Vec<Pulse>> {
    let pulse = prop_oneof![
        8 => (150e-6..3e-3).prop_map(Pulse::Cycle),
        1 => (1e-3..40.0).prop_map(Pulse::Silence),
    ];
    prop::collection::vec(pulse, 0..400)
}

/// The times of a pulse image in ticks, as its description in the trade has them.
fn times(image: &[u8]) -> Vec<u64> {
    let (mut data, mut times) = (&image[20..], Vec::new());
    assert_eq!(u32::from_le_bytes(image[16..20].try_into().unwrap()) as usize, data.len());
    while let Some((&first, rest)) = data.split_first() {
        if first == 0 {
            times.push(u64::from(u32::from_le_bytes([rest[0], rest[1], rest[2], 0])));
            data = &rest[3..];
        } else {
            times.push(8 * u64::from(first));
            data = rest;
        }
    }
    times
}

proptest! {
    #[test]
    fn a_pulse_image_is_nowhere_early_or_late(pulses in pulses()) {
        for clock in [pulse_image::CLOCK_50_HZ, pulse_image::CLOCK_60_HZ] {
            let image = pulse_image::encode(&pulses, clock).unwrap();
            let mut times = times(&image).into_iter();
            let (mut truth, mut played) = (0.0, 0);
            for pulse in &pulses {
                truth += pulse.seconds() * clock;
                // a silence may take several times
                let parts = (pulse.seconds() * clock / 16_777_215.0).ceil() as usize;
                played += times.by_ref().take(parts).inspect(|&ticks| assert!(ticks > 0)).sum::<u64>();
                prop_assert!((played as f64 - truth).abs() <= 4.01, "{played} {truth}");
            }
            prop_assert_eq!(times.next(), None);
        }
    }
}

/// A second of leader, two bytes' worth of medium and long, silence, again; 10,000 cycles so that rounding would show.
fn hand_made_tape() -> Vec<Pulse> {
    let mut tape = vec![Pulse::Silence(0.05)];
    for _ in 0..4 {
        tape.extend([Pulse::Cycle(390e-6); 2564]);
        tape.extend([Pulse::Cycle(698e-6), Pulse::Cycle(536e-6)]);
        tape.extend([Pulse::Cycle(390e-6), Pulse::Cycle(536e-6)].repeat(9));
        tape.push(Pulse::Silence(0.2));
    }
    // longer than 24 bits of ticks
    tape.push(Pulse::Silence(18.0));
    tape.push(Pulse::Cycle(698e-6));
    tape
}

#[test]
fn audio_has_the_length_and_level_of_the_tape() {
    let folder = tempfile::tempdir().unwrap();
    let mut all = Vec::new();
    for polarity in [audio::Polarity::Normal, audio::Polarity::Inverted] {
        let path = folder.path().join("tape.wav");
        audio::write(&path, Existing::Replace, &hand_made_tape(), polarity).unwrap();
        let samples: Vec<i32> =
            hound::WavReader::open(&path).unwrap().samples::<i16>().map(|sample| sample.unwrap().into()).collect();
        let seconds: f64 = hand_made_tape().iter().map(|pulse| pulse.seconds()).sum();
        assert!((samples.len() as f64 / 44_100.0 - seconds - 0.2).abs() < 1.0 / 44_100.0);
        let peak = samples.iter().map(|sample| sample.abs()).max().unwrap();
        // -3 dB of 32767, by hand
        assert!((23190..=23205).contains(&peak), "{peak}");
        all.push(samples);
    }
    assert!(all[0].iter().zip(&all[1]).all(|(normal, inverted)| *normal == -inverted));
}

#[test]
fn an_endless_tape_is_refused_before_it_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("tape.wav");
    let error = audio::write(&path, Existing::Keep, &[Pulse::Silence(50_000.0)], audio::Polarity::Normal).unwrap_err();
    assert!(matches!(error, quorate::Error::Limit { .. }), "{error}");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

// ---- the demo programs ----------------------------------------------------------------------------------------------

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/marsh-station/programs")
}

/// Bytes and address of a file of lines `C000: 4C 06 …`.
fn from_hex(text: &str) -> (u16, Vec<u8>) {
    let rows: Vec<(u16, Vec<u8>)> = (text.lines())
        .map(|line| line.split_once(": ").unwrap())
        .map(|(address, bytes)| {
            let bytes = bytes.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect();
            (u16::from_str_radix(address, 16).unwrap(), bytes)
        })
        .collect();
    let mut all = Vec::new();
    for (address, bytes) in &rows {
        assert_eq!(usize::from(*address), usize::from(rows[0].0) + all.len(), "a row is out of place");
        all.extend(bytes);
    }
    (rows[0].0, all)
}

/// The programs as made from their sources, with the names they have on tape.
fn demo() -> Vec<(&'static str, Program)> {
    let source = |file: &str| std::fs::read_to_string(corpus().join(file)).unwrap();
    let program = |name: &str, kind, address, bytes| Program {
        kind,
        name: format!("{name:16}").into_bytes(),
        load_address: Some(address),
        bytes,
    };
    let basic = |name, file: &str| {
        let bytes = basic::tokenise(&source(file), BASIC_START).unwrap_or_else(|error| panic!("{file}: {error}"));
        program(name, Kind::Basic, BASIC_START, bytes)
    };
    let (address, bytes) = from_hex(&source("tide-clock.hex"));
    vec![
        ("tide-table", basic("TIDE TABLE", "tide-table.bas")),
        ("ringing-log", basic("RINGING LOG", "ringing-log.bas")),
        ("wader-count", basic("WADER COUNT", "wader-count.bas")),
        ("tide-clock", program("TIDE CLOCK", Kind::Code, address, bytes)),
    ]
}

#[test]
fn the_demo_programs_are_those_of_their_sources() {
    for (file, program) in demo() {
        let committed = std::fs::read(corpus().join(format!("{file}.prg"))).unwrap();
        assert_eq!(Some(committed), prg::prg(&program), "{file}: run the ignored test makes_the_demo_programs_anew");
        assert_eq!(program.name.len(), 16);
        if program.kind == Kind::Basic {
            assert!((600..=1500).contains(&program.bytes.len()), "{file}: {} bytes", program.bytes.len());
            let listing = basic::list(&program.bytes, BASIC_START);
            assert!(listing.links_hold && listing.notes.is_empty(), "{file}: {:?}", listing.notes);
            assert_eq!(listing.text, std::fs::read_to_string(corpus().join(format!("{file}.bas"))).unwrap());
        }
    }
}

#[test]
#[ignore = "writes into corpus/: run it after changing a source there"]
fn makes_the_demo_programs_anew() {
    for (file, program) in demo() {
        std::fs::write(corpus().join(format!("{file}.prg")), prg::prg(&program).unwrap()).unwrap();
    }
}

#[test]
#[ignore = "run by tests/oracles/export.py, with QUORATE_EXPORT_OUT naming a folder"]
fn writes_files_for_the_oracle() {
    let folder = PathBuf::from(std::env::var_os("QUORATE_EXPORT_OUT").expect("QUORATE_EXPORT_OUT names a folder"));
    let text = |name: &str, text: String| std::fs::write(folder.join(name), text).unwrap();
    for (file, program) in demo() {
        if program.kind == Kind::Basic {
            text(&format!("{file}.txt"), basic::list(&program.bytes, BASIC_START).text);
        }
    }
    // every token and every code, in and out of quotes: one line each
    let lines = (1..=255u8).flat_map(|code| {
        let inside = [b"\x01\x01\x02\x00\"", &[code][..], b"\"\x00"].concat();
        [[b"\x01\x01\x01\x00", &[code][..], b"\x00"].concat(), inside]
    });
    let bytes: Vec<u8> = lines.flatten().chain([0, 0]).collect();
    std::fs::write(folder.join("every-code.prg"), [b"\x01\x08", bytes.as_slice()].concat()).unwrap();
    text("every-code.txt", basic::list(&bytes, BASIC_START).text);

    let glyphs =
        (0..=255).map(|code| format!("{code:02X}\t{}\n", charset::glyph(code).map_or("".into(), String::from)));
    text("charset.tsv", glyphs.collect());

    let hostile: [&[u8]; 12] = [
        b"TIDE TABLE      ",
        b"CON             ",
        b"NUL.TXT",
        b"COM1",
        b"../../X",
        b"-RF *",
        b"",
        b"\x00\x00",
        b".HIDDEN",
        b"A:B\\C|D?E*F<G>",
        b"\xE2\x80\xAE\xE2\x80\x8B",
        b"ENDS IN DOT.....",
    ];
    let all_codes: Vec<Vec<u8>> = (0..=255).map(|code| vec![code, b'A', code]).collect();
    let all = hostile.iter().map(|name| name.to_vec()).chain(all_codes);
    let rows =
        all.enumerate().map(|(n, name)| format!("{}\t{}\n", names::file_stem(n + 1, &name), names::for_screen(&name)));
    text("names.tsv", rows.collect());

    let tape = hand_made_tape();
    let rows = tape.iter().map(|pulse| match pulse {
        Pulse::Cycle(s) => format!("cycle\t{s}\n"),
        Pulse::Silence(s) => format!("silence\t{s}\n"),
    });
    text("tape.tsv", rows.collect());
    pulse_image::write(&folder.join("tape-50.image"), Existing::Replace, &tape, pulse_image::CLOCK_50_HZ).unwrap();
    pulse_image::write(&folder.join("tape-60.image"), Existing::Replace, &tape, pulse_image::CLOCK_60_HZ).unwrap();
    audio::write(&folder.join("tape.wav"), Existing::Replace, &tape, audio::Polarity::Normal).unwrap();
    // a tone whose harmonics do not fold onto one another: what is between them is aliasing and rounding
    let tone = vec![Pulse::Cycle(1.0 / 2563.7); 6000];
    audio::write(&folder.join("tone.wav"), Existing::Replace, &tone, audio::Polarity::Normal).unwrap();
}
