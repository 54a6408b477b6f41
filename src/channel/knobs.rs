//! Every knob of the model, with its unit.

use serde::{Deserialize, Serialize};

/// The machine that wrote, the tape, the deck that plays and the capture. Every field has a default: a sound home deck.
/// In every corner frequency 0 means that the filter is not there.
///
/// Knobs under "the tape" draw from the tape's seed: give all takes of one tape the same values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Knobs {
    // --- the tape, as it was written ---
    /// Tick of the writing machine in µs: every half cycle is a whole number of ticks. 0: not quantised.
    pub write_tick_us: f64,
    /// Standard deviation of every written edge in µs (limited to a quarter of its half cycle); does not add up.
    pub write_jitter_us: f64,
    /// Lasting speed error of the recorder while writing: 0.01 ran 1 % fast, and so plays 1 % slow.
    pub record_speed_error: f64,
    /// Wow of the recorder: standard deviation of its speed, as a fraction.
    pub record_wow_rms: f64,
    /// Centre of the recorder's wow, in Hz.
    pub record_wow_hz: f64,
    /// Mean number of dropouts a second that are fixed to the tape: all takes have them in the same places, each take
    /// draws its own depth.
    pub shared_dropouts_per_s: f64,

    // --- the deck: speed ---
    /// Lasting speed error of the play: 0.01 plays 1 % fast.
    pub speed_error: f64,
    /// Drift: standard deviation of the speed, as a fraction, spread around `drift_hz` at random.
    pub drift_rms: f64,
    pub drift_hz: f64,
    /// Wow: standard deviation of the speed, as a fraction. One steady tone of this rms peaks at 1.414 times it; a
    /// reading by the 2-sigma method of AES6 is about twice it (without its weighting curve).
    pub wow_rms: f64,
    pub wow_hz: f64,
    /// Share of the power of wow and flutter, 0 to 1, that is spread at random over half to twice the centre; the rest
    /// is one tone at the centre. With 0, wow is a pure tone and peaks at exactly 1.414 times its rms.
    pub wow_random_share: f64,
    /// Flutter, as wow.
    pub flutter_rms: f64,
    pub flutter_hz: f64,

    // --- the deck: losses ---
    /// First-order low-pass of the recording, in Hz.
    pub record_lowpass_hz: f64,
    /// Second-order (Butterworth) low-pass of the play, in Hz.
    pub playback_lowpass_hz: f64,
    /// Second-order (Butterworth) high-pass of the play, in Hz.
    pub highpass_hz: f64,
    /// Distance of tape and head in µm.
    pub spacing_um: f64,
    /// Tilt of the play head against the recording, in minutes of arc.
    pub azimuth_arcmin: f64,
    /// Width of the track in mm (1.5 mono, 0.6 one channel of stereo).
    pub track_mm: f64,
    /// Gap of the play head in µm.
    pub gap_um: f64,
    /// Mean number of dropouts a second that only this take has.
    pub own_dropouts_per_s: f64,
    /// Longest dropout in ms of tape; lengths are spread evenly in their logarithm from a tenth of it.
    pub dropout_max_ms: f64,
    /// Mean of the greatest lift of the tape in a dropout, in µm (exponential): the wave loses what the spacing formula
    /// says for it, at 2 kHz 2.3 dB a µm.
    pub dropout_lift_um: f64,
    /// A shared dropout's lift is multiplied in every take by a draw from 1 − this to 1 + this (0 to 1).
    pub dropout_spread: f64,
    /// Stretches of tape that this take has lost entirely, as pairs of tape seconds: no wave there, noise goes on.
    pub lost_s: Vec<(f64, f64)>,
    /// The same, periodic: from `lost_offset_s + k·lost_period_s` for `lost_length_s` each. Period 0: none.
    pub lost_period_s: f64,
    pub lost_length_s: f64,
    pub lost_offset_s: f64,

    // --- noise ---
    /// rms of the data wave over rms of the noise in the full band in dB, measured where data (leaders included) is and no
    /// dropout or lost stretch. The wave is measured after losses and band limits. `null`: no noise.
    pub snr_db: Option<f64>,
    /// Share of the noise power, 0 to 1, that is low-frequency: white noise through a first-order low-pass.
    pub noise_low_share: f64,
    /// Corner of that low-pass in Hz.
    pub noise_low_hz: f64,
    /// Hum: rms over rms of the data wave (0: none), at `hum_hz` with a third harmonic of a third of the amplitude.
    pub hum_level: f64,
    pub hum_hz: f64,

    // --- the capture ---
    /// Samples a second.
    pub sample_rate: u32,
    /// Bits a sample, 8 or 16.
    pub bits: u8,
    /// The take begins at this tape second (late, if above 0) …
    pub start_s: f64,
    /// … and stops at this one. `null`: at the end of the tape.
    pub stop_s: Option<f64>,
    /// Seconds of empty tape before the start and after the end.
    pub before_s: f64,
    pub after_s: f64,
    /// Coupling capacitor of the capture: first-order high-pass in Hz. A level droops by exp(−2π·hz·t).
    pub droop_hz: f64,
    /// Automatic gain: how fast the gain falls when the signal is loud, in ms. 0: no automatic gain. The faster it falls
    /// against `agc_release_ms`, the more it goes by peaks, and the lower is the level.
    pub agc_attack_ms: f64,
    /// How fast it rises again, in ms.
    pub agc_release_ms: f64,
    /// Most that it lifts a silent stretch above the gain that the data gets, in dB.
    pub agc_range_db: f64,
    /// True: an adapter's comparator makes a clean square wave of the signal.
    pub adapter: bool,
    /// Threshold of the comparator, over rms of the data wave …
    pub adapter_threshold: f64,
    /// … with half of this hysteresis to either side.
    pub adapter_hysteresis: f64,
    /// Standard deviation of the comparator's edges in µs.
    pub adapter_jitter_us: f64,
    /// True: turned over.
    pub inverted: bool,
    /// rms of the data wave, in dB below full scale (0 dB: an rms of 1).
    pub level_dbfs: f64,
    /// Added to every sample, as a fraction of full scale.
    pub offset: f64,
    /// Samples are cut at this fraction of full scale (0 to 1).
    pub clip_at: f64,
}

impl Default for Knobs {
    fn default() -> Knobs {
        Knobs {
            write_tick_us: 0.0,
            write_jitter_us: 1.0,
            record_speed_error: 0.0,
            record_wow_rms: 0.0005,
            record_wow_hz: 1.0,
            shared_dropouts_per_s: 0.0,
            speed_error: 0.0,
            drift_rms: 0.001,
            drift_hz: 0.05,
            wow_rms: 0.001,
            wow_hz: 1.2,
            wow_random_share: 0.5,
            flutter_rms: 0.0005,
            flutter_hz: 9.0,
            record_lowpass_hz: 12_000.0,
            playback_lowpass_hz: 6_000.0,
            highpass_hz: 60.0,
            spacing_um: 0.5,
            azimuth_arcmin: 0.0,
            track_mm: 1.5,
            gap_um: 2.0,
            own_dropouts_per_s: 0.0,
            dropout_max_ms: 20.0,
            dropout_lift_um: 8.0,
            dropout_spread: 0.5,
            lost_s: Vec::new(),
            lost_period_s: 0.0,
            lost_length_s: 0.0,
            lost_offset_s: 0.0,
            snr_db: Some(30.0),
            noise_low_share: 0.5,
            noise_low_hz: 300.0,
            hum_level: 0.0,
            hum_hz: 50.0,
            sample_rate: 44_100,
            bits: 16,
            start_s: 0.0,
            stop_s: None,
            before_s: 0.5,
            after_s: 0.5,
            droop_hz: 10.0,
            agc_attack_ms: 0.0,
            agc_release_ms: 300.0,
            agc_range_db: 20.0,
            adapter: false,
            adapter_threshold: 0.0,
            adapter_hysteresis: 0.6,
            adapter_jitter_us: 0.0,
            inverted: false,
            level_dbfs: -12.0,
            offset: 0.0,
            clip_at: 1.0,
        }
    }
}

impl Knobs {
    /// What makes these knobs impossible, in a sentence that names the knob and what it may be.
    pub fn check(&self) -> Result<(), String> {
        let rate = f64::from(self.sample_rate);
        let within: [(&str, f64, f64, f64); 46] = [
            ("sample_rate", rate, 8_000.0, 192_000.0),
            ("write_tick_us", self.write_tick_us, 0.0, 100.0),
            ("write_jitter_us", self.write_jitter_us, 0.0, 1_000.0),
            ("record_speed_error", self.record_speed_error, -0.5, 0.5),
            ("record_wow_rms", self.record_wow_rms, 0.0, 0.05),
            ("record_wow_hz", self.record_wow_hz, 0.001, 100.0),
            ("shared_dropouts_per_s", self.shared_dropouts_per_s, 0.0, 1_000.0),
            ("speed_error", self.speed_error, -0.5, 0.5),
            ("drift_rms", self.drift_rms, 0.0, 0.05),
            ("drift_hz", self.drift_hz, 0.001, 100.0),
            ("wow_rms", self.wow_rms, 0.0, 0.05),
            ("wow_hz", self.wow_hz, 0.001, 100.0),
            ("wow_random_share", self.wow_random_share, 0.0, 1.0),
            ("flutter_rms", self.flutter_rms, 0.0, 0.05),
            ("flutter_hz", self.flutter_hz, 0.001, 100.0),
            ("record_lowpass_hz", self.record_lowpass_hz, 0.0, 100_000.0),
            ("playback_lowpass_hz", self.playback_lowpass_hz, 0.0, 100_000.0),
            ("highpass_hz", self.highpass_hz, 0.0, 0.49 * rate),
            ("spacing_um", self.spacing_um, 0.0, 1_000.0),
            ("azimuth_arcmin", self.azimuth_arcmin, -600.0, 600.0),
            ("track_mm", self.track_mm, 0.0, 6.3),
            ("gap_um", self.gap_um, 0.0, 100.0),
            ("own_dropouts_per_s", self.own_dropouts_per_s, 0.0, 1_000.0),
            ("dropout_max_ms", self.dropout_max_ms, 0.0, 60_000.0),
            ("dropout_lift_um", self.dropout_lift_um, 0.0, 1_000.0),
            ("dropout_spread", self.dropout_spread, 0.0, 1.0),
            ("lost_period_s", self.lost_period_s, 0.0, 1e6),
            ("lost_length_s", self.lost_length_s, 0.0, 1e6),
            ("lost_offset_s", self.lost_offset_s, 0.0, 1e6),
            ("snr_db", self.snr_db.unwrap_or(0.0), -60.0, 200.0),
            ("noise_low_share", self.noise_low_share, 0.0, 1.0),
            ("noise_low_hz", self.noise_low_hz, 1.0, 0.49 * rate),
            ("hum_level", self.hum_level, 0.0, 1_000.0),
            ("hum_hz", self.hum_hz, 1.0, 1_000.0),
            ("start_s", self.start_s, 0.0, 1e6),
            ("stop_s", self.stop_s.unwrap_or(1e6), self.start_s, 1e6),
            ("before_s", self.before_s, 0.0, 600.0),
            ("after_s", self.after_s, 0.0, 600.0),
            ("droop_hz", self.droop_hz, 0.0, 0.49 * rate),
            ("agc_attack_ms", self.agc_attack_ms, 0.0, 60_000.0),
            ("agc_release_ms", self.agc_release_ms, 0.1, 60_000.0),
            ("agc_range_db", self.agc_range_db, 0.0, 80.0),
            ("adapter_jitter_us", self.adapter_jitter_us, 0.0, 1_000.0),
            ("level_dbfs", self.level_dbfs, -100.0, 40.0),
            ("offset", self.offset, -1.0, 1.0),
            ("clip_at", self.clip_at, 0.0, 1.0),
        ];
        for (name, value, low, high) in within {
            if !(low..=high).contains(&value) {
                return Err(format!("`{name}` is {value}; it must lie between {low} and {high}"));
            }
        }
        if self.bits != 8 && self.bits != 16 {
            return Err(format!("`bits` is {}; it must be 8 or 16", self.bits));
        }
        if !(self.adapter_threshold.is_finite() && self.adapter_hysteresis >= 0.0) {
            return Err("`adapter_threshold` must be a number and `adapter_hysteresis` 0 or more".into());
        }
        if self.lost_s.iter().any(|(from, to)| !(0.0 <= *from && from <= to)) {
            return Err("`lost_s` must hold pairs of tape seconds, the earlier first".into());
        }
        if self.lost_period_s > 0.0 && self.lost_period_s < 0.001 {
            return Err("`lost_period_s` must be 0 (none) or at least 0.001".into());
        }
        Ok(())
    }
}
