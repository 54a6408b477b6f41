//! One self-contained HTML page: no script, nothing fetched, a content-security policy that forbids both.

use base64::Engine;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use crate::confidence::Level;
use crate::tape::charset;

/// What all pages share: colours (light, dark, paper), type, tables, badges.
const STYLE: &str = include_str!("style.css");

/// A page with its style: `style` is added to the common one. Colours are chosen for colour-blind readers, and never
/// say anything that a shape or a word does not say too.
pub fn page(title: &str, style: &str, body: Markup) -> String {
    let style = format!("{STYLE}{style}");
    let hash = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(style.as_bytes()));
    let policy = format!("default-src 'none'; style-src 'sha256-{hash}'; base-uri 'none'; form-action 'none'");
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body { (body) }
        }
    };
    legible(&page.into_string()) + "\n"
}

/// Graphics of the old machines that common fonts lack (Unicode's Symbols for Legacy Computing) as the code that types them,
/// `{0xD4}` as in listings: a reader would see an empty box. Other text is left as it is.
pub fn legible(text: &str) -> String {
    text.chars().fold(String::with_capacity(text.len()), |mut out, c| {
        match c {
            '\u{1FB00}'..='\u{1FBFF}' => match charset::code_of(c) {
                Some(code) => out.push_str(&format!("{{0x{code:02X}}}")),
                None => out.push_str(&format!("{{U+{:X}}}", u32::from(c))),
            },
            c => out.push(c),
        }
        out
    })
}

/// Numbers are kept on one line with their sign or unit.
pub fn unbroken(text: &str) -> String {
    [" %", " µs", " dB"].iter().fold(text.to_string(), |text, unit| text.replace(unit, &unit.replace(' ', "\u{a0}")))
}

/// What is to be said where one of these names holds such a code; `None` if none does.
pub fn code_note<'a>(mut names: impl Iterator<Item = &'a str>) -> Option<&'static str> {
    let told = "A code in braces in a name, such as {0xD4}, stands for a graphics character of the old machine that few fonts have.";
    names.any(|name| legible(name) != name).then_some(told)
}

/// The verdict as shape and word: a full disc, a half one, a ring.
pub fn badge(level: Level) -> Markup {
    let word = crate::report::words::level(level);
    html! {
        span class={ "badge " (word) } {
            svg viewBox="0 0 16 16" aria-hidden="true" {
                @match level {
                    Level::Established => circle class="vs" cx="8" cy="8" r="6.5" {},
                    Level::Supported => {
                        circle class="vh" cx="8" cy="8" r="6.5" {}
                        path class="vs" d="M8 1.5a6.5 6.5 0 0 1 0 13z" {}
                    },
                    Level::Open => circle class="vo" cx="8" cy="8" r="6.2" {},
                }
            }
            (word)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_not_parted_from_its_sign() {
        assert_eq!(unbroken("0 to 46 % at 95 %, 536 µs long"), "0 to 46\u{a0}% at 95\u{a0}%, 536\u{a0}µs long");
    }

    /// U+1FB70 is the picture of D4 hex in the machine's set (Unicode proposal L2/19-025, from memory); U+1FBF0 is in none.
    #[test]
    fn no_page_holds_what_few_fonts_have() {
        assert_eq!(legible("♠\u{1FB70}IDE │ ┐\u{1FBF0}"), "♠{0xD4}IDE │ ┐{U+1FBF0}");
        assert!(page("\u{1FB70}", "", html! { p title="\u{1FB8C}" { "\u{1FB7C}" } }).chars().all(|c| c < '\u{1FB00}'));
        assert!(code_note(["TIDE", "♠"].into_iter()).is_none() && code_note(["A", "\u{1FB70}"].into_iter()).is_some());
    }
}
