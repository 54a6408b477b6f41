//! Names from tape, for the screen and for the disk.
//!
//! A name on tape is whatever bytes were there: hostile input. It may hold screen control codes, path separators,
//! nothing at all, or words that an operating system keeps for itself.

use crate::tape::charset;

/// Longest name part of a file stem. Names on tape have at most 16 characters, but damaged or foreign ones may be longer.
const LONGEST: usize = 32;
const UNNAMED: &str = "UNNAMED";

/// A name for people: pictures of the machine's character set, control codes as `{0x93}`, trailing padding removed.
///
/// Holds only the pictures of [`charset`] and ASCII: nothing in it can move the cursor, join with its neighbours, hide,
/// or turn the direction of writing. May be empty.
pub fn for_screen(name: &[u8]) -> String {
    let mut text = String::new();
    for &code in unpadded(name) {
        match charset::glyph(code) {
            Some(picture) => text.push(picture),
            None => charset::spell(code, &mut text),
        }
    }
    text
}

/// Any other text for the screen, such as the name of the user's file: what could move the cursor, hide, break the
/// line or turn the direction of writing is shown as its code, `\u{1b}`.
pub fn printable(text: &str) -> String {
    let hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{ad}' | '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e0fff}')
    };
    text.chars().fold(String::new(), |mut out, c| {
        if hidden(c) {
            out.extend(c.escape_unicode())
        } else {
            out.push(c)
        }
        out
    })
}

/// The stem of a file name, such as `01-TIDE-TABLE`, for the `number`-th program (from 1).
///
/// Letters A–Z, digits and single dashes only, which every file system takes; beginning with the number keeps it from
/// being empty, hidden, an option on a command line or a reserved name (CON, NUL, …). Stems of different numbers
/// differ, also where upper and lower case are one.
pub fn file_stem(number: usize, name: &[u8]) -> String {
    let words: String = unpadded(name).iter().map(|&code| letter(code).unwrap_or(' ')).collect();
    let words = words.split_whitespace().collect::<Vec<_>>().join("-");
    let words = words.get(..LONGEST).unwrap_or(&words).trim_end_matches('-');
    format!("{number:02}-{}", if words.is_empty() { UNNAMED } else { words })
}

/// Names are padded with spaces; some writers pad with shifted spaces or zeros.
fn unpadded(name: &[u8]) -> &[u8] {
    let padding = |&code: &u8| code == 0 || charset::glyph(code) == Some(' ');
    let end = name.iter().rposition(|code| !padding(code)).map_or(0, |last| last + 1);
    &name[..end]
}

/// The letter or digit on the key that types the code: a graphics character stands on the key of its shifted letter.
fn letter(code: u8) -> Option<char> {
    match code {
        b'0'..=b'9' | b'A'..=b'Z' => Some(char::from(code)),
        0x61..=0x7A => Some(char::from(code - 0x20)),
        0xC1..=0xDA => Some(char::from(code - 0x80)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plain_name_reads_as_it_was_typed() {
        assert_eq!(for_screen(b"TIDE TABLE      "), "TIDE TABLE");
        assert_eq!(file_stem(1, b"TIDE TABLE      "), "01-TIDE-TABLE");
        assert_eq!(for_screen(b"A\x5C\x5E\x5F\xFF\x61\xC1\xA0\xA0"), "A£↑←π♠♠");
    }

    #[test]
    fn hostile_names_are_tamed() {
        for (name, screen, stem) in [
            (&b""[..], "", "07-UNNAMED"),
            (b"                ", "", "07-UNNAMED"),
            (b"\x93\x0E\x9B2J", "{0x93}{0x0E}{0x9B}2J", "07-2J"),
            (b"../../ETC/PASSWD", "../../ETC/PASSWD", "07-ETC-PASSWD"),
            (b"C:\\X", "C:£X", "07-C-X"),
            (b"-RF", "-RF", "07-RF"),
            (b"NUL.", "NUL.", "07-NUL"),
            (b"\xE2\x80\xAE\x1B[31M", "▄{0x80}┐{0x1B}[31M", "07-31M"),
            (b"A\0B\n", "A{0x00}B{0x0A}", "07-A-B"),
            (b"\xD4IDE", "\u{1FB70}IDE", "07-TIDE"),
            (b"***", "***", "07-UNNAMED"),
        ] {
            assert_eq!(for_screen(name), screen);
            assert_eq!(file_stem(7, name), stem);
        }
    }

    #[test]
    fn file_names_of_the_user_cannot_steer_the_screen() {
        assert_eq!(printable("côté 1.wav"), "côté 1.wav");
        assert_eq!(printable("a\u{1b}[2J\nb\u{202e}c"), "a\\u{1b}[2J\\u{a}b\\u{202e}c");
    }

    #[test]
    fn long_names_are_cut_without_a_dangling_dash() {
        let name = [&[b'A'; 31][..], b" ", &[b'B'; 40]].concat();
        assert_eq!(file_stem(123, &name), format!("123-{}", "A".repeat(31)));
    }
}
