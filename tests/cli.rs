//! The built program, as a person at the station's desk would run it: takes from the channel model, then the commands.
//!
//! What is expected comes from `src/cli/mod.rs`'s own promises to the user (exit codes, "nothing written") and from the
//! truth of the simulation. File layouts are built by hand from the WAV description (RIFF, "from memory").

#[path = "cli/desk.rs"]
mod desk;
#[path = "cli/faults.rs"]
mod faults;
#[path = "cli/floats.rs"]
mod floats;
#[path = "cli/folder.rs"]
mod folder;
#[path = "cli/hostile.rs"]
mod hostile;
#[path = "cli/packing.rs"]
mod packing;
#[path = "cli/papers.rs"]
mod papers;
#[path = "cli/results.rs"]
mod results;
#[path = "cli/simulate.rs"]
mod simulate;
