//! The character set of the twin-copy machines: upper-case letters and graphics.
//!
//! Codes 20–5F hex are ASCII but for the pound sign and two arrows. A1–BF and C0–DF are graphics; 60–7F and E0–FE show
//! the same pictures again, and FF is pi once more. 00–1F and 80–9F steer the screen (colours, cursor, clear).
//!
//! The graphics are the characters that Unicode gives them (Symbols for Legacy Computing, U+1FB00, proposals L2/18-275
//! and L2/19-025; box drawing; block elements). The tables were written from memory and common practice and then held
//! against the Unicode names and two published codec libraries: see `tests/oracles/export.py`. Never apply NFKC to such
//! text: it folds characters together.

/// Pictures of the codes A1–BF hex (and E1–FE).
const GRAPHICS_A1: [char; 31] = [
    '▌',
    '▄',
    '▔',
    '▁',
    '▏',
    '▒',
    '▕',
    '\u{1FB8F}',
    '◤',
    '\u{1FB87}',
    '├',
    '▗',
    '└',
    '┐',
    '▂',
    '┌',
    '┴',
    '┬',
    '┤',
    '▎',
    '▍',
    '\u{1FB88}',
    '\u{1FB82}',
    '\u{1FB83}',
    '▃',
    '\u{1FB7F}',
    '▖',
    '▝',
    '┘',
    '▘',
    '▚',
];

/// Pictures of the codes C0–DF hex (and 60–7F).
const GRAPHICS_C0: [char; 32] = [
    '─',
    '♠',
    '\u{1FB72}',
    '\u{1FB78}',
    '\u{1FB77}',
    '\u{1FB76}',
    '\u{1FB7A}',
    '\u{1FB71}',
    '\u{1FB74}',
    '╮',
    '╰',
    '╯',
    '\u{1FB7C}',
    '╲',
    '╱',
    '\u{1FB7D}',
    '\u{1FB7E}',
    '●',
    '\u{1FB7B}',
    '♥',
    '\u{1FB70}',
    '╭',
    '╳',
    '○',
    '♣',
    '\u{1FB75}',
    '♦',
    '┼',
    '\u{1FB8C}',
    '│',
    'π',
    '◥',
];

/// What the screen shows for a code; `None` for codes that steer the screen. The shifted space shows as a space.
pub fn glyph(code: u8) -> Option<char> {
    match code {
        0x00..=0x1F | 0x80..=0x9F => None,
        b'\\' => Some('£'),
        b'^' => Some('↑'),
        b'_' => Some('←'),
        0x20..=0x5D => Some(char::from(code)),
        0x60..=0x7F => Some(GRAPHICS_C0[usize::from(code - 0x60)]),
        0xA0 | 0xE0 => Some(' '),
        0xA1..=0xBF => Some(GRAPHICS_A1[usize::from(code - 0xA1)]),
        0xC0..=0xDF => Some(GRAPHICS_C0[usize::from(code - 0xC0)]),
        0xE1..=0xFE => Some(GRAPHICS_A1[usize::from(code - 0xE1)]),
        0xFF => Some('π'),
    }
}

/// True for the code that the keyboard gives for its picture, so that each picture has one usual code.
///
/// The other codes of a picture (60–7F, DE, E0–FE) and the shifted space A0 hardly occur in text typed by people: on a
/// damaged tape they are more often a flipped bit, and a listing should let that be seen.
fn usual(code: u8) -> bool {
    matches!(code, 0x20..=0x5F | 0xA1..=0xBF | 0xC0..=0xDD | 0xDF | 0xFF)
}

/// Appends the code as a listing shows it: its picture, or `{0x93}` for a code without one or with an unusual one. Each
/// of the 256 codes has its own spelling (the set has no braces), so no byte is lost.
pub fn spell(code: u8, out: &mut String) {
    match glyph(code).filter(|_| usual(code)) {
        Some(picture) => out.push(picture),
        None => out.push_str(&format!("{{0x{code:02X}}}")),
    }
}

/// The usual code of a picture; `None` for characters that this set does not have (lower case among them).
pub fn code_of(picture: char) -> Option<u8> {
    (0..=255).find(|&code| usual(code) && glyph(code) == Some(picture))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_has_a_spelling_of_its_own() {
        let spellings: std::collections::HashSet<String> = (0..=255)
            .map(|code| {
                let mut out = String::new();
                spell(code, &mut out);
                out
            })
            .collect();
        assert_eq!(spellings.len(), 256);
    }

    #[test]
    fn every_usual_picture_leads_back_to_its_code() {
        for code in (0..=255).filter(|&code| usual(code)) {
            assert_eq!(glyph(code).and_then(code_of), Some(code), "{code:02X}");
        }
        // From common practice: the keyboard gives FF for pi, not DE.
        assert_eq!(code_of('π'), Some(0xFF));
        assert_eq!(code_of('a'), None);
        assert_eq!(code_of('{'), None);
    }
}
