//! The JSON Schemas (2020-12) of every document that quorate writes.

/// A schema by its name.
pub struct Schema {
    pub name: &'static str,
    /// The document it describes.
    pub describes: &'static str,
    pub text: &'static str,
}

/// All of them, by name.
pub const SCHEMAS: &[Schema] = &[
    Schema { name: "run", describes: "run.json, the run record", text: include_str!("schemas/run.json") },
    Schema {
        name: "shelf-row",
        describes: "one line of a shelf's JSON Lines file",
        text: include_str!("schemas/shelf-row.json"),
    },
    Schema { name: "verdict", describes: "verdict.json, the verdict", text: include_str!("schemas/verdict.json") },
];

pub fn named(name: &str) -> Option<&'static Schema> {
    SCHEMAS.iter().find(|schema| schema.name == name)
}
