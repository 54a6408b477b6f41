//! The JSON Schemas (2020-12) of every document that quorate writes.

use serde::Deserialize;

use crate::dossier;

/// A schema by its name.
#[derive(Clone, Copy, Debug)]
pub struct Schema {
    pub name: &'static str,
    pub text: &'static str,
}

/// Those that are not the dossier's own.
const OWN: [(&str, &str); 2] =
    [("verdict", include_str!("schemas/verdict.json")), ("shelf-row", include_str!("schemas/shelf-row.json"))];

/// All of them, by name.
pub fn all() -> Vec<Schema> {
    let mut all: Vec<Schema> = dossier::SCHEMAS.iter().chain(&OWN).map(|&(name, text)| Schema { name, text }).collect();
    all.sort_by_key(|schema| schema.name);
    all
}

impl Schema {
    /// The document it describes, in a line.
    pub fn title(&self) -> String {
        #[derive(Deserialize)]
        struct Titled {
            title: String,
        }
        serde_json::from_str::<Titled>(self.text).map_or_else(|_| String::new(), |titled| titled.title)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_every_schema_has_a_title() {
        let all = all();
        assert!(all.len() >= 7);
        for pair in all.windows(2) {
            assert!(pair[0].name < pair[1].name);
        }
        assert!(all.iter().all(|schema| !schema.title().is_empty()));
    }
}
