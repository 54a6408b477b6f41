//! One self-contained HTML page: no script, nothing fetched, a content-security policy that forbids both.

use base64::Engine;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use crate::confidence::Level;

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
    page.into_string() + "\n"
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
