//! What can hurt people or tapes. Report and README say it in the same words.

/// Each with its source. "Common practice" is the trade's, without a publication.
pub const CAUTIONS: [(&str, &str); 10] = [
    (
        "Record protection",
        "before the first play, see that both tabs on the back edge of the cassette are broken out, or break them out; never \
         press record. (common practice)",
    ),
    (
        "Azimuth",
        "turn the screw of the head only through the hole that the deck has for it, cover on, with an insulated screwdriver \
         that is not magnetic, and note first where the screw stood. Never with the cover off and the mains connected. (common \
         practice)",
    ),
    (
        "Magnets",
        "keep magnets, loudspeakers and head demagnetisers away from tapes; wearers of a pacemaker keep away from \
         demagnetisers. (common practice)",
    ),
    ("A tape that squeals or sticks", "stop at once. Never bake it at home; ask a laboratory. (common practice)"),
    (
        "Mould of any colour",
        "do not play the tape; seal it in a bag. People with allergies or asthma keep away; everybody else wears gloves, a \
         fitted N95 or FFP2 mask and eye protection, or leaves it to professionals. (Canadian Conservation Institute; US National \
         Archives)",
    ),
    (
        "Isopropanol for cleaning",
        "the deck unplugged, a few drops on a swab, no flame or spark, the room aired, and all dry before the next \
         play. It burns (flash point 12 °C, 53 °F); 400 ppm is the limit for the average over a working day. (NIOSH Pocket Guide)",
    ),
    (
        "Mains",
        "before you open a deck, pull the plug and keep it in sight; capacitors stay charged. If you can't prove it dead, leave \
         it to a qualified electrician. (HSE, HSG85)",
    ),
    (
        "Loudness",
        "data tones are harsh, from headphones and from loudspeakers: at most 80 dB(A) for 40 hours a week, for children 75 \
         dB(A). (WHO–ITU 2019)",
    ),
    (
        "People in the data",
        "data files may hold names and addresses: look before you pass them on. A person's decision is kept with a name, in the \
         log and in the preservation record; a role, such as archivist, will do. (common practice)",
    ),
    ("Copying programs", "the law where you live decides: your own tapes, or with permission."),
];

/// What stands above them all.
pub const FIRST: &str =
    "The rules of the place where you work, and people licensed for the work, come before these lines.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_readme_has_the_same_words() {
        let readme = include_str!("../../README.md").split_whitespace().collect::<Vec<_>>().join(" ");
        let list: String = CAUTIONS.iter().map(|(what, told)| format!("- **{what}**: {told} ")).collect();
        assert!(
            readme.contains(&format!("## Cautions {FIRST} {list}## ")),
            "bring README.md in line:\n{FIRST}\n\n{list}"
        );
    }
}
