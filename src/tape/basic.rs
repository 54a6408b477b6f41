//! BASIC, version 2, of the commonest machine of the twin-copy family: text to bytes and back.
//!
//! A program is lines: address of the next line (the link), line number, the text with its keywords as one-byte tokens,
//! a zero byte; then two zero bytes. All numbers little-endian. On loading, the machine finds the lines by their zero
//! bytes and writes the links afresh, so a wrong link on tape does no harm, and a right one is evidence about the bytes
//! between: [`list`] reports it and changes nothing.
//!
//! Tokens and rules are from memory and common practice in the trade. `tests/oracles/export.py` holds them against a
//! second table and reader, written apart.

use std::ops::Range;

use super::charset;

/// Words of the tokens 80–CB hex, in order. The machine compares in this order, so GOTO is found before GO.
const WORDS: [&str; 76] = [
    "END", "FOR", "NEXT", "DATA", "INPUT#", "INPUT", "DIM", "READ", "LET", "GOTO", "RUN", "IF", "RESTORE", "GOSUB",
    "RETURN", "REM", "STOP", "ON", "WAIT", "LOAD", "SAVE", "VERIFY", "DEF", "POKE", "PRINT#", "PRINT", "CONT", "LIST",
    "CLR", "CMD", "SYS", "OPEN", "CLOSE", "GET", "NEW", "TAB(", "TO", "FN", "SPC(", "THEN", "NOT", "STEP", "+", "-",
    "*", "/", "↑", "AND", "OR", ">", "=", "<", "SGN", "INT", "ABS", "USR", "FRE", "POS", "SQR", "RND", "LOG", "EXP",
    "COS", "SIN", "TAN", "ATN", "PEEK", "LEN", "STR$", "VAL", "ASC", "CHR$", "LEFT$", "RIGHT$", "MID$", "GO",
];

const DATA: u8 = 0x83;
const REM: u8 = 0x8F;
const PRINT: u8 = 0x99;
const PI: u8 = 0xFF;
const QUOTE: u8 = b'"';

/// The highest line number that the machine accepts.
const LAST_NUMBER: u16 = 63_999;
/// The machine walks a line with an 8-bit index: link, number, text and zero byte fit 256 bytes.
const LONGEST_TEXT: usize = 251;
/// More notes than this say nothing more to a reader.
const MOST_NOTES: usize = 20;

fn word(token: u8) -> Option<&'static str> {
    token.checked_sub(0x80).and_then(|index| WORDS.get(usize::from(index))).copied()
}

/// Which rule holds at a place of a line; the same for both directions.
#[derive(Clone, Copy, PartialEq)]
enum Place {
    /// Keywords are tokens.
    Code,
    /// After DATA, to the next colon outside quotes: text as typed.
    Data,
    /// After REM, to the end of the line: text as typed, colons and quotes too.
    Remark,
}

/// Walks the bytes of a line as the machine does.
struct Walk {
    place: Place,
    quoted: bool,
}

impl Walk {
    fn new() -> Walk {
        Walk { place: Place::Code, quoted: false }
    }

    /// True where bytes mean characters, not tokens.
    fn text(&self) -> bool {
        self.quoted || self.place != Place::Code
    }

    fn pass(&mut self, byte: u8) {
        match (byte, self.place) {
            (_, Place::Remark) => {}
            (QUOTE, _) => self.quoted = !self.quoted,
            _ if self.quoted => {}
            (b':', _) => self.place = Place::Code,
            (DATA, Place::Code) => self.place = Place::Data,
            (REM, Place::Code) => self.place = Place::Remark,
            _ => {}
        }
    }
}

/// Why a source text is not a program.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line} of the source: {what}")]
pub struct SourceError {
    /// Line of the text, from 1.
    pub line: usize,
    pub what: String,
}

/// Source text to the bytes of a program, as they sit in memory from `load_address` on.
///
/// One program line per text line, numbers ascending. Characters are those of [`charset`]; `{0x93}` stands for the byte
/// 93 hex. Blank lines are passed over. As on the machine, blanks between number and text vanish and `?` becomes PRINT.
/// Unlike the machine, which drops them without a word, graphics outside quotes are refused.
pub fn tokenise(source: &str, load_address: u16) -> Result<Vec<u8>, SourceError> {
    let mut program = Vec::new();
    let mut last = None;
    for (index, line) in source.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        let at = |what: String| SourceError { line: index + 1, what };
        let digits = line.len() - line.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let number: u16 = (line[..digits].parse().ok())
            .filter(|&number| number <= LAST_NUMBER)
            .ok_or_else(|| at(format!("begin with a line number from 0 to {LAST_NUMBER}")))?;
        if last.is_some_and(|last| last >= number) {
            return Err(at(format!("line number {number} does not come after the one before")));
        }
        last = Some(number);
        let text = line[digits..].trim_start_matches(' ');
        if text.is_empty() || text.starts_with(|c: char| c.is_ascii_digit()) {
            return Err(at(format!("line {number} needs a text that does not begin with a digit")));
        }
        let bytes = crunch(&typed(text).map_err(at)?).map_err(at)?;
        if bytes.len() > LONGEST_TEXT {
            return Err(at(format!("line {number} has {} bytes, {LONGEST_TEXT} are possible", bytes.len())));
        }
        let next = usize::from(load_address) + program.len() + bytes.len() + 5;
        let link = u16::try_from(next).map_err(|_| at("the program runs past address FFFF hex".into()))?;
        program.extend(link.to_le_bytes());
        program.extend(number.to_le_bytes());
        program.extend(bytes);
        program.push(0);
    }
    program.extend([0, 0]);
    Ok(program)
}

/// A code of the character set, and whether it was written as `{0x93}`: such a byte is kept as it is.
type Typed = (u8, bool);

fn typed(text: &str) -> Result<Vec<Typed>, String> {
    let mut codes = Vec::new();
    let mut rest = text;
    while let Some(character) = rest.chars().next() {
        if character == '{' {
            let digits = rest
                .strip_prefix("{0x")
                .and_then(|rest| rest.split_once('}'))
                .filter(|(digits, _)| digits.len() == 2 && digits.bytes().all(|d| d.is_ascii_hexdigit()));
            let (code, after) = digits
                .and_then(|(digits, after)| Some((u8::from_str_radix(digits, 16).ok()?, after)))
                .ok_or("a brace opens a byte in hexadecimal, such as {0x93}")?;
            if code == 0 {
                return Err("{0x00} would end the line".into());
            }
            codes.push((code, true));
            rest = after;
        } else {
            let code = charset::code_of(character)
                .ok_or_else(|| format!("the machine has no character {character:?} (write upper case)"))?;
            codes.push((code, false));
            rest = &rest[character.len_utf8()..];
        }
    }
    Ok(codes)
}

/// Words to tokens, by the rules of the machine's line editor.
fn crunch(line: &[Typed]) -> Result<Vec<u8>, String> {
    let mut out = Vec::new();
    let mut walk = Walk::new();
    let mut at = 0;
    while let Some(&(code, literal)) = line.get(at) {
        let (byte, length) = if literal || walk.quoted || walk.place == Place::Remark {
            (code, 1)
        } else if code >= 0x80 && code != PI {
            return Err("graphics characters belong in quotes or after REM".into());
        } else if walk.text() {
            (code, 1)
        } else if code == b'?' {
            (PRINT, 1)
        } else {
            keyword(&line[at..]).unwrap_or((code, 1))
        };
        out.push(byte);
        walk.pass(byte);
        at += length;
    }
    Ok(out)
}

/// The token at the start of `line` and the length of its word.
fn keyword(line: &[Typed]) -> Option<(u8, usize)> {
    (0x80..=0xFF).zip(WORDS).find_map(|(token, word)| {
        let length = word.chars().count();
        let codes = line.get(..length)?;
        let same = word.chars().zip(codes).all(|(c, &(code, literal))| !literal && charset::code_of(c) == Some(code));
        same.then_some((token, length))
    })
}

/// A program as text, and what its structure says about its bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// One line per program line, each ended by a line feed.
    pub text: String,
    /// Number of program lines.
    pub lines: usize,
    /// Where the bytes of every line stand in the text.
    pub rows: Vec<Row>,
    /// Every line's link names the address at which the next line begins. Evidence only; false without lines.
    pub links_hold: bool,
    /// The load address at which every link would hold: `load_address` itself, or another if the links agree among
    /// themselves but not with it (a moved program, or a damaged header). `None` if they do not agree.
    pub links_fit: Option<u16>,
    /// Bytes that belong to the program: up to and with its end mark, or up to where listing stopped.
    pub used: usize,
    /// What does not look as a program should, and where; at most about twenty sentences.
    pub notes: Vec<String>,
}

/// A line of a listing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Its bytes: two of the link, two of the number, the text, and the zero byte if there is one.
    pub bytes: Range<usize>,
    pub spans: Vec<Span>,
}

/// Where a byte stands in the text of its line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    /// Offset of the byte in the program.
    pub offset: usize,
    /// Characters of the line. Both bytes of the number have all its digits, and the zero byte the place behind the text.
    pub columns: Range<usize>,
    /// True where the byte means a character, not a token.
    pub text: bool,
}

/// Bytes of a program to text. Takes any bytes: it never fails, and always ends.
///
/// Lines are found by their zero bytes, as the machine finds them. Outside quotes, REM and DATA tokens become words;
/// everything else becomes its character, or `{0x93}` (see [`charset::spell`]). For text after REM the machine's own
/// listing shows words where graphics were typed; this one shows the graphics.
pub fn list(bytes: &[u8], load_address: u16) -> Listing {
    let mut listing = Listing::default();
    let mut notes = Notes::default();
    let address = |at: usize| (usize::from(load_address) + at) & 0xFFFF;
    // for each line, how far its link is from the place where the next line begins
    let mut off = Vec::new();
    let mut last = None;
    let mut at = 0;
    loop {
        let place = address(at);
        let (link, number) = match bytes[at..] {
            [0, 0, ..] => {
                at += 2;
                let after = bytes.len() - at;
                if after > 0 {
                    notes.add(format!("the program ends at 0x{place:04X}; {after} more bytes follow, not listed"));
                }
                break;
            }
            [a, b, c, d, ..] => (u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d])),
            _ => {
                notes.add(format!(
                    "the bytes stop at 0x{:04X} without the two zero bytes of the end",
                    address(bytes.len())
                ));
                at = bytes.len();
                break;
            }
        };
        let rest = &bytes[at + 4..];
        let length = rest.iter().position(|&byte| byte == 0);
        let text = &rest[..length.unwrap_or(rest.len())];
        let (digits, whole) = (number.to_string(), length.is_some());
        listing.text.push_str(&format!("{digits} "));
        let number_span = |offset| Span { offset, columns: 0..digits.len(), text: true };
        let mut row = Row {
            bytes: at..at + 4 + text.len() + usize::from(whole),
            spans: [at + 2, at + 3].map(number_span).to_vec(),
        };
        let mut column = digits.len() + 1;
        for (offset, spelling, text) in detokenise(text) {
            let width = spelling.chars().count();
            row.spans.push(Span { offset: at + 4 + offset, columns: column..column + width, text });
            listing.text.push_str(&spelling);
            column += width;
        }
        if whole {
            row.spans.push(Span { offset: row.bytes.end - 1, columns: column..column + 1, text: true });
        }
        listing.text.push('\n');
        listing.lines += 1;
        listing.rows.push(row);
        if number > LAST_NUMBER || last.is_some_and(|last| last >= number) {
            notes.add(format!("line {number} at 0x{place:04X}: its number does not fit the lines before it"));
        }
        last = Some(number);
        at += 4 + text.len();
        if length.is_none() {
            notes.add(format!("line {number} at 0x{place:04X}: the bytes stop before the zero byte that ends it"));
            break;
        }
        at += 1;
        off.push((number, place, link, link.wrapping_sub(address(at) as u16)));
    }
    listing.used = at;
    let whole = off.len() == listing.lines;
    listing.links_fit = (off.first().filter(|_| whole))
        .map(|first| first.3)
        .filter(|by| off.iter().all(|(.., other)| other == by))
        .map(|by| load_address.wrapping_add(by));
    listing.links_hold = listing.links_fit == Some(load_address);
    match listing.links_fit {
        Some(start) if start != load_address => {
            notes.add(format!("all line links fit a start at 0x{start:04X}, not 0x{load_address:04X}"));
        }
        _ => {
            for (number, place, link, by) in off.into_iter().filter(|(.., by)| *by != 0) {
                let next = link.wrapping_sub(by);
                notes.add(format!(
                    "line {number} at 0x{place:04X}: its link says the next line is at 0x{link:04X}, its zero byte 0x{next:04X}"
                ));
            }
        }
    }
    listing.notes = notes.finish();
    listing
}

/// The bytes of one line, without link, number and zero byte: place, spelling, and whether it means a character.
fn detokenise(line: &[u8]) -> impl Iterator<Item = (usize, String, bool)> {
    let mut walk = Walk::new();
    line.iter().enumerate().map(move |(offset, &byte)| {
        let text = walk.text();
        walk.pass(byte);
        (offset, spelling(byte, text), text)
    })
}

/// How a listing shows a byte where bytes mean characters, or tokens.
pub fn spelling(byte: u8, text: bool) -> String {
    let mut out = String::new();
    match word(byte).filter(|_| !text) {
        Some(word) => out.push_str(word),
        None if text || byte < 0x80 || byte == PI => charset::spell(byte, &mut out),
        // no token: neither a word nor a character that could have been typed here
        None => out.push_str(&format!("{{0x{byte:02X}}}")),
    }
    out
}

#[derive(Default)]
struct Notes {
    kept: Vec<String>,
    dropped: usize,
}

impl Notes {
    fn add(&mut self, note: String) {
        if self.kept.len() < MOST_NOTES {
            self.kept.push(note);
        } else {
            self.dropped += 1;
        }
    }

    fn finish(mut self) -> Vec<String> {
        if self.dropped > 0 {
            self.kept.push(format!("and {} more of the kind", self.dropped));
        }
        self.kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: u16 = 0x0801;

    /// From common practice: these bytes are widely printed as the first examples of the format.
    #[test]
    fn a_known_line_has_its_known_bytes() {
        let bytes = tokenise("10 PRINT\"HELLO\"", START).unwrap();
        assert_eq!(bytes, b"\x0E\x08\x0A\x00\x99\"HELLO\"\x00\x00\x00");
        let stub = tokenise("10 SYS2061", START).unwrap();
        assert_eq!(stub, b"\x0B\x08\x0A\x00\x9E2061\x00\x00\x00");
    }

    #[test]
    fn words_in_quotes_remarks_and_data_stay_text() {
        let source = "10 DATA TO,FOR:PRINT\"FOR:REM\":REM TO:FOR ♠\n";
        let bytes = tokenise(source, START).unwrap();
        assert_eq!(&bytes[4..], b"\x83 TO,FOR:\x99\"FOR:REM\":\x8F TO:FOR \xC1\x00\x00\x00");
        assert_eq!(list(&bytes, START).text, source);
    }

    /// By hand: `10 PRINT"A"` has its link at 0801 and 0802, the number 10 in two bytes, PRINT in one.
    #[test]
    fn every_byte_of_a_line_has_its_columns() {
        let listing = list(&tokenise("10 PRINT\"A\"", START).unwrap(), START);
        assert_eq!(listing.rows.len(), 1);
        assert_eq!(listing.rows[0].bytes, 0..9);
        let columns: Vec<(usize, Range<usize>)> =
            listing.rows[0].spans.iter().map(|s| (s.offset, s.columns.clone())).collect();
        assert_eq!(columns, [(2, 0..2), (3, 0..2), (4, 3..8), (5, 8..9), (6, 9..10), (7, 10..11), (8, 11..12)]);
    }

    #[test]
    fn a_word_inside_a_name_is_a_token_as_on_the_machine() {
        let bytes = tokenise("10 TOTAL=1", START).unwrap();
        assert_eq!(&bytes[4..], b"\xA4TAL\xB21\x00\x00\x00");
    }

    #[test]
    fn a_source_that_is_no_program_is_refused_with_its_line() {
        for (source, part) in [
            ("PRINT", "line number"),
            ("64000 PRINT", "line number"),
            ("10 PRINT\n10 END", "after the one before"),
            ("10 print", "upper case"),
            ("10 ♠", "quotes"),
            ("10 {0x9}", "hexadecimal"),
            ("10 {0x+9}", "hexadecimal"),
            ("10 {0x00}", "end the line"),
            ("10  ", "needs a text"),
            ("10 5", "digit"),
        ] {
            let error = tokenise(source, START).unwrap_err();
            assert!(error.what.contains(part), "{source}: {error}");
            assert_eq!(error.line, source.lines().count(), "{source}");
        }
        assert!(tokenise(&format!("10 REM{}", "X".repeat(251)), START).is_err());
        assert!(tokenise("10 PRINT", 0xFFFC).is_err());
    }

    fn two_lines() -> Vec<u8> {
        tokenise("10 PRINT\n20 GOTO 10", START).unwrap()
    }

    #[test]
    fn links_are_evidence_and_change_nothing() {
        let sound = list(&two_lines(), START);
        assert!(sound.links_hold && sound.notes.is_empty());
        let mut bytes = two_lines();
        bytes[0] ^= 0x40;
        let damaged = list(&bytes, START);
        assert_eq!(damaged.text, sound.text);
        assert!(!damaged.links_hold && damaged.links_fit.is_none());
        assert_eq!(
            damaged.notes,
            ["line 10 at 0x0801: its link says the next line is at 0x0847, its zero byte 0x0807"]
        );
    }

    #[test]
    fn links_that_agree_tell_another_start() {
        let listing = list(&two_lines(), 0x0401);
        assert_eq!((listing.links_hold, listing.links_fit), (false, Some(START)));
        assert_eq!(listing.notes, ["all line links fit a start at 0x0801, not 0x0401"]);
    }

    #[test]
    fn a_lost_end_is_named() {
        let bytes = two_lines();
        let cut = list(&bytes[..9], START);
        assert_eq!(cut.text, "10 PRINT\n");
        assert_eq!(cut.notes, ["the bytes stop at 0x080A without the two zero bytes of the end"]);
        let cut = list(&bytes[..12], START);
        assert_eq!(cut.text, "10 PRINT\n20 GOTO \n");
        assert_eq!(cut.notes, ["line 20 at 0x0807: the bytes stop before the zero byte that ends it"]);
        assert!(!cut.links_hold);
        let mut long = bytes.clone();
        long.extend([1, 2, 3]);
        assert_eq!(list(&long, START).used, bytes.len());
        assert_eq!(list(&long, START).notes, ["the program ends at 0x0810; 3 more bytes follow, not listed"]);
        assert!(!list(&[], START).links_hold);
    }

    #[test]
    fn bytes_that_are_no_tokens_are_shown_as_such() {
        let bytes = b"\x0A\x08\x01\x00\xCC\x99\xFE\xFF\x00\x00\x00";
        assert_eq!(list(bytes, START).text, "1 {0xCC}PRINT{0xFE}π\n");
    }
}
