//! How a program, or a byte of it, is named on the command line.

use crate::Error;
use crate::recovery::Outcome;
use crate::report::words;

/// `PROGRAM` or `PROGRAM:OFFSET`.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// Number in the outcome, from 0.
    pub program: usize,
    pub offset: Option<usize>,
}

/// Finds what `text` names: an id (`p02`), a number (`2`) or a name, and behind a colon an offset (`17` or `0x11`) or an
/// address (`@C011`, in hexadecimal).
pub fn find(outcome: &Outcome, text: &str) -> Result<Place, Error> {
    if let Ok(program) = program(outcome, text) {
        return Ok(Place { program, offset: None });
    }
    let Some((name, place)) = text.rsplit_once(':') else {
        return program(outcome, text).map(|program| Place { program, offset: None });
    };
    let program = program(outcome, name)?;
    let recovered = &outcome.programs[program].program;
    let offset = match place.strip_prefix('@') {
        None => number(place)
            .ok_or_else(|| Error::Usage(format!("{place:?} is no offset: write 17, 0x11, or @C011 for an address")))?,
        Some(address) => {
            let address = usize::from_str_radix(address.trim_start_matches("0x"), 16).ok();
            let offset = address.zip(recovered.load_address).and_then(|(a, load)| a.checked_sub(load.into()));
            offset.ok_or_else(|| Error::Usage(format!("{place:?} is no address within {name}")))?
        }
    };
    if offset >= recovered.bytes.len() {
        let size = recovered.bytes.len();
        return Err(Error::Usage(match size {
            0 => format!("{name} has no bytes"),
            _ => format!("{name} has {size} bytes: offsets are {} to {}", words::offset(0), words::offset(size - 1)),
        }));
    }
    Ok(Place { program, offset: Some(offset) })
}

/// A number as people write them: `17` or `0x11`. Not `$11`, of which a shell makes `1`.
pub fn number(text: &str) -> Option<usize> {
    let text = text.trim();
    // which the parsers would take
    if text.contains('+') {
        return None;
    }
    match text.strip_prefix("0x").or(text.strip_prefix("0X")) {
        Some(hex) => usize::from_str_radix(hex, 16).ok(),
        None => text.parse().ok(),
    }
}

fn program(outcome: &Outcome, text: &str) -> Result<usize, Error> {
    let programs = &outcome.verdict.programs;
    let number = text.parse::<usize>().ok();
    if let Some(i) = programs.iter().position(|p| p.id == text) {
        return Ok(i);
    }
    // one without a name goes by its number
    let named = |i: &usize| !text.trim_end().is_empty() && programs[*i].name.trim_end() == text.trim_end();
    let mut meant: Vec<usize> = (0..programs.len()).filter(named).collect();
    meant.extend(number.and_then(|n| n.checked_sub(1)).filter(|&i| i < programs.len()));
    meant.sort_unstable();
    meant.dedup();
    match meant.as_slice() {
        [one] => Ok(*one),
        [] => {
            let all = programs.iter().map(|p| format!("{} {}", p.id, words::name(p.name.trim_end())));
            Err(Error::Usage(format!("no program {text:?}; there are {}", all.collect::<Vec<_>>().join(", "))))
        }
        several => {
            let ids: Vec<&str> = several.iter().map(|&i| programs[i].id.as_str()).collect();
            Err(Error::Usage(format!("{text:?} may be several programs: name one of {}", ids.join(", "))))
        }
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn numbers_are_read_as_people_write_them() {
        for (text, value) in [
            ("17", Some(17)),
            ("0x11", Some(17)),
            ("$11", None),
            ("-1", None),
            ("0x+5", None),
            ("11h", None),
            ("", None),
        ] {
            assert_eq!(super::number(text), value, "{text}");
        }
    }
}
