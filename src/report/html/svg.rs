//! Small helpers for drawing.

use std::fmt::Write;

use maud::{Markup, html};

use crate::confidence::Class;

/// A coordinate with at most one decimal.
pub fn px(x: f64) -> String {
    let tenths = (10.0 * x).round() / 10.0;
    // no sign before nothing
    format!("{}", tenths + 0.0)
}

/// A share of the width, as a percentage with two decimals: drawings without a view box stretch, their text does not.
pub fn share(x: f64) -> String {
    format!("{:.2}%", 100.0 * x)
}

/// A path through points.
pub fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    let (mut out, mut at) = (String::new(), (0, 0));
    for (i, (x, y)) in points.enumerate() {
        // relative steps are short; each is taken from where rounding has led, so that errors do not add up
        let (x, y) = ((10.0 * x).round() as i64, (10.0 * y).round() as i64);
        let tenth = |n: i64| px(n as f64 / 10.0);
        let _ = if i == 0 {
            write!(out, "M{} {}", tenth(x), tenth(y))
        } else {
            write!(out, "l{} {}", tenth(x - at.0), tenth(y - at.1))
        };
        at = (x, y);
    }
    out
}

/// The shape of a class, 10 by 10, on ground of its own: in the byte map it covers the square of an agreed byte. Agreed bytes
/// are small quiet squares, so that the eye falls on the others.
pub fn symbol(id: &str) -> Markup {
    html! {
        g id={ "s" (id) } {
            rect class="ground" width="10" height="10" {}
            @match id {
                "c" => path class="c" d="M5 .2L9.8 5 5 9.8.2 5z" {},
                "i" => path class="i" d="M5 .4L9.9 9.4H.1z" {},
                "u" => path class="u" d="M1.3 1.3l7.4 7.4m0-7.4l-7.4 7.4" {},
                "p" => { circle class="p" cx="5" cy="5" r="3.8" {} circle class="pd" cx="5" cy="5" r="1.5" {} },
                _ => rect class="a" x="1.5" y="1.5" width="7" height="7" rx="1" {},
            }
        }
    }
}

/// All shapes, defined once a page.
pub fn symbols() -> Markup {
    html! {
        svg class="hidden" width="0" height="0" aria-hidden="true" {
            defs {
                @for id in ["a", "c", "i", "u", "p"] { (symbol(id)) }
                // the same for small cells
                @for id in ["c", "i", "u", "p"] {
                    g id={ "s" (id) "5" } { g transform="scale(.5)" { use href={ "#s" (id) } {} } }
                }
                // cells without titles of their own
                @for id in ["c", "i", "u", "p"] {
                    pattern id={ "p" (id) } width="10" height="10" patternUnits="userSpaceOnUse" { use href={ "#s" (id) } {} }
                    pattern id={ "p" (id) "5" } width="5" height="5" patternUnits="userSpaceOnUse" { use href={ "#s" (id) "5" } {} }
                }
                pattern id="ag" width="10" height="10" patternUnits="userSpaceOnUse" {
                    rect class="a" x="1.5" y="1.5" width="7" height="7" rx="1" {}
                }
                pattern id="ag5" width="5" height="5" patternUnits="userSpaceOnUse" {
                    rect class="a" x=".7" y=".7" width="3.6" height="3.6" {}
                }
            }
        }
    }
}

/// Letter of a class's shape.
pub fn letter(class: Class, decided: bool) -> &'static str {
    match class {
        _ if decided => "p",
        Class::Agreed => "a",
        Class::Corrected => "c",
        Class::Inferred => "i",
        Class::Unresolved => "u",
    }
}

/// Word of a class.
pub fn word(class: Class, decided: bool) -> &'static str {
    match class {
        _ if decided => "decided by a person",
        Class::Agreed => "agreed",
        Class::Corrected => "corrected",
        Class::Inferred => "inferred",
        Class::Unresolved => "unresolved",
    }
}

/// A shape in running text.
pub fn mark(letter: &str) -> Markup {
    html! { svg width="12" height="12" viewBox="0 0 10 10" aria-hidden="true" { use href={ "#s" (letter) } {} } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coordinates_are_short() {
        assert_eq!([px(0.0), px(-0.04), px(12.04), px(-3.25)], ["0", "0", "12", "-3.3"]);
        assert_eq!(share(0.12345), "12.35%");
        assert_eq!(path([(0.0, 1.0), (2.26, -1.0)].into_iter()), "M0 1l2.3 -2");
    }
}
