//! Tapes and takes drawn over the whole range of the channel. One seed, one tape.

use super::codec::{Codec, aac, mp3, opus};
use quorate::channel::Recipe;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Map, Value, json};

/// Programs on a tape.
pub const PROGRAMS: usize = 3;

/// A recipe of three programs of 20 to 250 bytes and one to five takes.
pub fn recipe(seed: u64) -> Result<Recipe, String> {
    let mut r = ChaCha8Rng::seed_from_u64(seed);
    let files: Vec<Value> = (0..PROGRAMS)
        .map(|i| {
            let size = r.random_range(20..250);
            // half of the programs are text: many equal bytes
            let text = r.random_bool(0.5);
            let byte = |r: &mut ChaCha8Rng| if text { b"TIDE 0123456789 "[r.random_range(0..16)] } else { r.random() };
            let hex: String = (0..size).map(|_| format!("{:02x}", byte(&mut r))).collect();
            json!({"name": format!("LOG {i}"), "kind": "code", "load_address": 4096 + 1024 * i, "hex": hex,
                   "header_leader_s": 1.2, "data_leader_s": 0.7, "gap_s": 0.4})
        })
        .collect();
    let deck = deck(&mut r);
    let takes: Vec<Value> =
        (0..r.random_range(1..=5)).map(|t| json!({"name": format!("take-{}", t + 1), "knobs": take(&mut r)})).collect();
    let whole = json!({"seed": seed, "files": files, "deck": deck, "takes": takes});
    serde_json::from_value(whole).map_err(|e| e.to_string())
}

/// Whether a take was kept in a lossy file, and in which: one in seven.
pub fn codec(seed: u64, take: usize) -> Option<Codec> {
    let mut r = ChaCha8Rng::seed_from_u64(seed);
    r.set_stream(take as u64 + 1);
    let kinds = [mp3(192), mp3(96), mp3(64), opus(96), opus(48), opus(32), aac(128), aac(64), aac(48)];
    r.random_bool(1.0 / 7.0).then(|| kinds[r.random_range(0..kinds.len())])
}

/// What all takes of a tape share: its damage, and how it was recorded.
fn deck(r: &mut ChaCha8Rng) -> Map<String, Value> {
    let mut knobs = Map::new();
    let mut set = |name: &str, value: Value| knobs.insert(name.into(), value);
    if r.random_bool(0.4) {
        set("shared_dropouts_per_s", json!(r.random_range(0.5..4.0)));
        set("dropout_max_ms", json!(r.random_range(4.0..80.0)));
    }
    if r.random_bool(0.3) {
        set("record_lowpass_hz", json!(r.random_range(3500.0..9000.0)));
    }
    set("noise_low_share", json!(r.random_range(0.0..0.8)));
    knobs
}

/// One play.
fn take(r: &mut ChaCha8Rng) -> Map<String, Value> {
    let mut knobs = Map::new();
    let mut set = |name: &str, value: Value| knobs.insert(name.into(), value);
    set("snr_db", json!(r.random_range(-10.0..16.0)));
    set("speed_error", json!(r.random_range(-0.08..0.08)));
    set("wow_rms", json!(r.random_range(0.0005..0.006)));
    set("flutter_rms", json!(r.random_range(0.0002..0.004)));
    set("playback_lowpass_hz", json!(r.random_range(3000.0..10000.0)));
    if r.random_bool(0.4) {
        set("own_dropouts_per_s", json!(r.random_range(0.5..4.0)));
    }
    if r.random_bool(0.2) {
        set("lost_period_s", json!(r.random_range(1.5..5.0)));
        set("lost_length_s", json!(r.random_range(0.1..0.6)));
        set("lost_offset_s", json!(r.random_range(0.0..1.5)));
    }
    if r.random_bool(0.2) {
        set("start_s", json!(r.random_range(0.0..8.0)));
    }
    if r.random_bool(0.25) {
        set("sample_rate", json!(22050));
        set("bits", json!(8));
        set("level_dbfs", json!(-10.0));
    }
    if r.random_bool(0.2) {
        set("clip_at", json!(r.random_range(0.15..0.6)));
    }
    if r.random_bool(0.15) {
        set("agc_range_db", json!(20.0));
        set("agc_attack_ms", json!(5.0));
        set("agc_release_ms", json!(300.0));
    }
    if r.random_bool(0.2) {
        set("hum_level", json!(r.random_range(0.1..1.0)));
    }
    set("inverted", json!(r.random_bool(0.3)));
    knobs
}
