//! Takes that were recorded too loudly, and those that are at full scale by nature.

use quorate::channel::Knobs;

use crate::desk::{code, file, play, stderr, verdict};
use crate::takes::{dossier, flat, run};
use quorate::tape::Kind;

fn note(knobs: Knobs) -> (String, serde_json::Value, String) {
    let folder = tempfile::tempdir().unwrap();
    let bytes = (0..120u8).map(|i| i.wrapping_mul(73) ^ 0x5A).collect();
    let tape = [file(Kind::Code, b"WADERS", Some(0x2000), bytes)];
    let takes = play(folder.path(), &tape, &[("take.wav", knobs)]);
    let (_folder, out) = dossier(&[&takes[0]]);
    let found = verdict(&out);
    assert_eq!(code(&run("verify", &out, &[])), 0, "{}", stderr(&run("verify", &out, &[])));
    let summary = flat(&std::fs::read_to_string(out.join("summary.txt")).unwrap());
    (found["takes"][0]["note"].as_str().unwrap_or_default().into(), found["programs"].clone(), summary)
}

#[test]
fn a_take_that_is_cut_off_is_told_in_its_note_and_first_of_all_advice() {
    // data of an rms 3 dB over full scale is cut off for much of its time; lost stretches leave something to advise
    let lost = vec![(6.0, 6.4), (7.6, 8.0)];
    let loud = Knobs { level_dbfs: 3.0, snr_db: Some(14.0), lost_s: lost, ..Knobs::default() };
    let (note, programs, summary) = note(loud);
    let share: f64 = note.split(" % of its samples").next().unwrap().rsplit(' ').next().unwrap().parse().unwrap();
    assert!((25.0..90.0).contains(&share) && note.contains("Cut off"), "{note}");
    assert!(summary.contains("Cut off"), "{summary}");
    let open = programs.as_array().unwrap().iter().find(|p| p["verdict"] == "open").expect("an open program");
    assert!(
        open["advice"][0].as_str().unwrap().starts_with("take-1 was recorded too loudly and is cut off"),
        "{open:#}"
    );
}

/// An adapter gives two levels; drawn with edges between the samples and up to full scale, many of them are at its ends.
#[test]
fn a_wave_of_two_levels_is_at_full_scale_by_nature() {
    for (level_dbfs, offset) in [(0.0, 0.0), (2.0, 0.0), (-6.0, 0.5)] {
        let knobs = Knobs { adapter: true, level_dbfs, offset, snr_db: Some(20.0), ..Knobs::default() };
        let (note, programs, _) = note(knobs);
        assert!(!note.contains("Cut off"), "{level_dbfs} dB: {note}");
        let told = programs.to_string();
        assert!(!told.contains("too loudly"), "{told}");
    }
}
