//! The dossier: evidence kept, takes added, bits explained, decisions made and withdrawn; and what must not happen to it
//! when a process is killed, a disk is full or a file is damaged.
//!
//! Expected values come from the truth of simulated tapes (`channel`), from what `src/dossier/mod.rs` promises, and from
//! hashes computed here. `tests/oracles/dossier.py` holds the files against numpy, a JSON Schema validator and soundfile.
//! The long runs are ignored here: `scripts/attack-dossier`.

#[path = "dossier/attack.rs"]
mod attack;
#[path = "cli/desk.rs"]
#[allow(dead_code, reason = "every test program uses its own part")]
mod desk;
#[path = "dossier/evidence.rs"]
mod evidence;
#[path = "dossier/forecast.rs"]
mod forecast;
#[path = "dossier/foreign.rs"]
mod foreign;
#[path = "dossier/forged.rs"]
mod forged;
#[path = "dossier/listing.rs"]
mod listing;
#[path = "dossier/loud.rs"]
mod loud;
#[path = "dossier/outside.rs"]
mod outside;
#[path = "dossier/own.rs"]
mod own;
#[path = "dossier/people.rs"]
mod people;
#[path = "dossier/scale.rs"]
mod scale;
#[path = "dossier/takes.rs"]
mod takes;
