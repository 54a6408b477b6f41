//! What is measured: every ladder changes one thing.

use super::codec::{self, Codec};
use super::scene::reference_deck;
use quorate::channel::Knobs;

pub struct Ladder {
    pub id: &'static str,
    pub title: &'static str,
    pub about: &'static str,
    /// What the steps are, as the head of a column.
    pub step: &'static str,
    pub points: Vec<Point>,
}

pub struct Point {
    pub label: String,
    pub x: f64,
    pub snr_db: f64,
    pub bits: u32,
    pub knobs: Knobs,
    pub codec: Option<Codec>,
}

pub const IDS: [&str; 6] = ["core", "dropouts", "flutter", "band", "sampling", "codecs"];

/// A ladder by name; `None` for any other name. `points` are those of the core ladder, in dB.
pub fn ladder(id: &str, points: &[f64]) -> Option<Ladder> {
    Some(match id {
        "core" => core(points),
        "dropouts" => dropouts(),
        "flutter" => flutter(),
        "band" => band(),
        "sampling" => sampling(),
        "codecs" => codecs(),
        _ => return None,
    })
}

fn at(snr_db: f64, knobs: Knobs, x: f64, label: String) -> Point {
    Point { label, x, snr_db, bits: 16, knobs, codec: None }
}

fn core(points: &[f64]) -> Ladder {
    Ladder {
        id: "core",
        title: "Signal to noise",
        about: "The reference deck: 44.1 kHz 16-bit, 6 kHz second-order low-pass, wow 0.2 %, flutter 0.1 %, noise half \
                white and half below 300 Hz.",
        step: "SNR, dB",
        points: points.iter().map(|&snr| at(snr, reference_deck(), snr, format!("{snr:+}"))).collect(),
    }
}

fn dropouts() -> Ladder {
    let knobs = |each: f64| Knobs { own_dropouts_per_s: each, shared_dropouts_per_s: each, ..reference_deck() };
    let point = |&total: &f64| at(6.0, knobs(total / 2.0), total, format!("{total}"));
    Ladder {
        id: "dropouts",
        title: "Dropouts",
        about: "The reference deck at +6 dB. Half of the dropouts are fixed to the tape, half are of the take alone: 2 to \
                20 ms long, lifted by 8 µm on average (18 dB at 2 kHz). The bound knows where they are.",
        step: "dropouts a second",
        points: [0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0].iter().map(point).collect(),
    }
}

fn flutter() -> Ladder {
    let point = |&percent: &f64| {
        at(0.0, Knobs { flutter_rms: percent / 100.0, ..reference_deck() }, percent, format!("{percent}"))
    };
    Ladder {
        id: "flutter",
        title: "Flutter",
        about: "The reference deck at 0 dB, wow 0.2 %; flutter around 9 Hz, rms.",
        step: "flutter, %",
        points: [0.1, 0.2, 0.3, 0.5, 0.7, 1.0].iter().map(point).collect(),
    }
}

fn band() -> Ladder {
    let point =
        |&khz: &f64| at(0.0, Knobs { playback_lowpass_hz: 1000.0 * khz, ..reference_deck() }, khz, format!("{khz}"));
    Ladder {
        id: "band",
        title: "Band limit",
        about: "The reference deck at 0 dB, measured behind the band limit; corner of the second-order low-pass.",
        step: "corner, kHz",
        points: [2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0].iter().map(point).collect(),
    }
}

fn sampling() -> Ladder {
    const SNR_DB: f64 = -2.0;
    // The tape stays the same: a faster capture only lets in more of the white noise.
    let point = |&(rate, bits): &(u32, u32)| {
        let white = 0.5 * f64::from(rate) / 44_100.0;
        let knobs = Knobs { sample_rate: rate, noise_low_share: 0.5 / (0.5 + white), ..reference_deck() };
        let snr_db = SNR_DB - 10.0 * (0.5 + white).log10();
        let label = format!("{} kHz, {bits} bit", f64::from(rate) / 1000.0);
        Point { bits, ..at(snr_db, knobs, f64::from(rate), label) }
    };
    let steps = [(22_050, 8), (22_050, 16), (32_000, 16), (44_100, 8), (44_100, 16), (48_000, 16), (96_000, 24)];
    Ladder {
        id: "sampling",
        title: "Sampling",
        about: "The tape of the reference deck at −2 dB (as measured at 44.1 kHz), captured at other rates and depths: the noise a hertz \
                stays the same. Data at 24 dB below full scale.",
        step: "capture",
        points: steps.iter().map(point).collect(),
    }
}

fn codecs() -> Ladder {
    let codecs = [
        None,
        Some(codec::mp3(192)),
        Some(codec::mp3(96)),
        Some(codec::mp3(48)),
        Some(codec::opus(96)),
        Some(codec::opus(48)),
        Some(codec::opus(24)),
        Some(codec::aac(128)),
        Some(codec::aac(64)),
        Some(codec::aac(32)),
    ];
    let point = |&(i, codec): &(usize, Option<Codec>)| {
        let label = codec.map_or("WAV".into(), |c| format!("{} {} kbit/s", c.name, c.kbit));
        Point { codec, ..at(6.0, reference_deck(), i as f64, label) }
    };
    Ladder {
        id: "codecs",
        title: "Lossy files",
        about: "The reference deck at +6 dB, mono, kept in a lossy file. The bound is that of the WAV.",
        step: "file",
        points: codecs.iter().copied().enumerate().collect::<Vec<_>>().iter().map(point).collect(),
    }
}
