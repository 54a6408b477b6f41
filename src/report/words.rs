//! Words for numbers and names that screen, report and shelf share.

use crate::capture::Lost;
use crate::confidence::score;
use crate::tape::Kind;

pub use super::table::word as level;

/// What a program is, for people.
pub fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Basic => "BASIC",
        Kind::Code => "machine code",
        Kind::Data => "data",
        Kind::Unknown => "unknown",
    }
}

/// Bits of a byte on tape, in the format with this id.
pub fn bits_per_byte(format: &str) -> usize {
    let formats = crate::tape::formats();
    formats.iter().find(|f| f.id() == format).map_or(8, |f| f.grammar().bits_per_byte)
}

/// A name of tape, or a word for none.
pub fn name(name: &str) -> &str {
    if name.is_empty() { "(no name)" } else { name }
}

/// Numbers of takes, runs drawn together: `1-3, 5` for `take-1` to `take-3` and `take-5`.
pub fn takes(takes: &[String]) -> String {
    let numbers = takes.iter().filter_map(|id| id.trim_start_matches("take-").parse::<usize>().ok());
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for n in numbers {
        match runs.last_mut() {
            Some((_, to)) if *to + 1 == n => *to = n,
            _ => runs.push((n, n)),
        }
    }
    let runs = runs.iter().map(|&(from, to)| match to - from {
        0 => format!("{from}"),
        1 => format!("{from}, {to}"),
        _ => format!("{from}-{to}"),
    });
    runs.collect::<Vec<_>>().join(", ")
}

/// A number of things: `1 program`, `1,204 bytes`.
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", thousands(n), if n == 1 { one } else { many })
}

/// A place in a program, in a sentence. Offsets, addresses and values of bytes are hexadecimal everywhere: with `0x` in
/// sentences, bare in tables and drawings.
pub fn offset(n: usize) -> String {
    format!("0x{n:04X}")
}

/// From one place to another, both included: `0x0010-0x001F`, or one place.
pub fn offsets(from: usize, to: usize) -> String {
    if from == to { offset(from) } else { format!("{}-{}", offset(from), offset(to)) }
}

/// Digits in groups of three.
pub fn thousands(n: usize) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// Minutes and seconds: `2:05`.
pub fn minutes(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

/// Minutes, seconds and tenths: `2:05.3`.
pub fn clock(seconds: f64) -> String {
    // round first: 59.96 s are a minute
    let tenths = (seconds.max(0.0) * 10.0).round() as u64;
    format!("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
}

/// A sentence's first letter as a capital.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// About samples that read as silence; `some` says how many they are.
pub fn lost(lost: Lost, some: &str) -> String {
    let (first, last) = (seconds(lost.first_s), seconds(lost.last_s));
    let at = if lost.samples == 1 { format!("at {first}") } else { format!("from {first} to {last}") };
    format!(
        "{some} infinite, not a number or over a million times full scale, {at}, and read as silence: the file is damaged or was \
         badly converted; save it again as 16- or 24-bit integers."
    )
}

/// Seconds to the millisecond.
fn seconds(s: f64) -> String {
    format!("{s:.3} s")
}

/// A fraction as a percentage with its sign.
pub fn percent(x: f64) -> String {
    let tenths = (1_000.0 * x).round() / 10.0;
    if tenths == 0.0 { "0.0 %".into() } else { format!("{tenths:+.1} %") }
}

/// The chance that something is wrong, in words that fit a table.
pub fn chance(p_wrong: f64) -> String {
    if p_wrong > 0.99 { "almost certain".into() } else { score::chance(p_wrong) }
}

/// `a`, `a and b`, `a, b and c`.
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [all @ .., last] => format!("{} and {last}", all.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        assert_eq!(count(1, "byte", "bytes"), "1 byte");
        assert_eq!(count(65_536, "byte", "bytes"), "65,536 bytes");
        assert_eq!([thousands(7), thousands(1_000), thousands(1_234_567)], ["7", "1,000", "1,234,567"]);
        assert_eq!([minutes(-0.2), minutes(59.6), minutes(3_605.0)], ["0:00", "1:00", "60:05"]);
        assert_eq!([clock(59.96), clock(125.34)], ["1:00.0", "2:05.3"]);
        assert_eq!([percent(0.0667), percent(-0.0004), percent(-0.012)], ["+6.7 %", "0.0 %", "-1.2 %"]);
        let ids = |numbers: &[usize]| numbers.iter().map(|n| format!("take-{n}")).collect::<Vec<_>>();
        assert_eq!([takes(&[]), takes(&ids(&[1, 2])), takes(&ids(&[1, 2, 3, 5, 10]))], ["", "1, 2", "1-3, 5, 10"]);
        let words = |n: usize| list(&["a", "b", "c"][..n].iter().map(|w| w.to_string()).collect::<Vec<_>>());
        assert_eq!([words(0), words(1), words(2), words(3)], ["", "a", "a and b", "a, b and c"]);
    }
}
