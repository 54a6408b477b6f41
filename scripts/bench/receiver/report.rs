//! The tables and files of reports/.

use super::scene::{BYTES, TAKES};
use super::tally::Tally;
use super::trial::Trial;
use super::{Climbed, Measured, plot};
use anyhow::Result;
use quorate::confidence::statistics::{clopper_pearson, upper_bound};
use quorate::export::atomic::{self, Existing};
use serde_json::{Value, json};
use std::path::Path;

/// Writes the three files.
pub fn write(folder: &Path, measured: &Measured, page: &str) -> Result<()> {
    std::fs::create_dir_all(folder)?;
    let json = serde_json::to_string_pretty(&json(measured))? + "\n";
    let mut files = vec![("receiver.json", json), ("receiver.md", page.to_string())];
    if let Some(core) = measured.climbed.iter().find(|c| c.ladder.id == "core") {
        files.push(("receiver.svg", plot::svg(core, &measured.bound)));
    }
    for (name, text) in files {
        atomic::write(&folder.join(name), Existing::Replace, text.as_bytes())?;
    }
    Ok(())
}

/// The sums for one take by itself, or for all three.
pub fn of(trial: &Trial, takes: usize) -> &Tally {
    if takes == TAKES { &trial.three } else { &trial.single }
}

/// The ratio at which a share passes one half, by straight lines between the points; `None` if it does not.
pub fn half(curve: &[(f64, f64)]) -> Option<f64> {
    let mut curve = curve.to_vec();
    curve.sort_by(|a, b| a.0.total_cmp(&b.0));
    let step = curve.windows(2).rev().find(|w| w[0].1 < 0.5 && w[1].1 >= 0.5)?;
    let ((x0, y0), (x1, y1)) = (step[0], step[1]);
    Some(x0 + (0.5 - y0) / (y1 - y0) * (x1 - x0))
}

/// Ratio and share of trials, along the core ladder.
pub fn curve(core: &Climbed, takes: usize, name: &'static str) -> Vec<(f64, f64)> {
    let share = |trial: &Trial| of(trial, takes).per(name, "trials").unwrap_or(0.0);
    core.ladder.points.iter().zip(&core.sums).map(|(point, trial)| (point.x, share(trial))).collect()
}

pub fn bound_curve(bound: &[(f64, Trial)], takes: usize, name: &'static str) -> Vec<(f64, f64)> {
    bound.iter().map(|(snr, trial)| (*snr, of(trial, takes).per(name, "bound_trials").unwrap_or(0.0))).collect()
}

/// Pairs of (name of ours, name of the bound's) that are compared at one half.
const HALVES: [(&str, &str, &str); 2] =
    [("data block", "exact_right", "bound_exact_right"), ("program", "program_recovered", "bound_program_recovered")];

fn json(measured: &Measured) -> Value {
    let point = |(point, trial): (&super::ladders::Point, &Trial)| {
        json!({
            "step": point.label, "x": point.x, "snr_db": point.snr_db, "bits": point.bits, "knobs": point.knobs,
            "one_take": trial.single, "three_takes": trial.three, "claims": trial.claims,
        })
    };
    let ladder = |c: &Climbed| {
        json!({
            "id": c.ladder.id, "title": c.ladder.title, "about": c.ladder.about, "step": c.ladder.step,
            "points": c.ladder.points.iter().zip(&c.sums).map(point).collect::<Vec<_>>(),
        })
    };
    let fine =
        |(snr, trial): &(f64, Trial)| json!({ "snr_db": snr, "one_take": trial.single, "three_takes": trial.three });
    json!({
        "schema": "quorate/bench-receiver/1",
        "version": env!("CARGO_PKG_VERSION"),
        "command": measured.command,
        "first_seed": measured.seed,
        "seeds": measured.seeds,
        "ffmpeg": measured.ffmpeg,
        "half": halves(measured).iter().map(|h| json!({
            "takes": h.takes, "what": h.what, "ours_db": h.ours, "bound_db": h.bound,
        })).collect::<Vec<_>>(),
        "ladders": measured.climbed.iter().map(ladder).collect::<Vec<_>>(),
        "bound": measured.bound.iter().map(fine).collect::<Vec<_>>(),
    })
}

struct Half {
    takes: usize,
    what: &'static str,
    ours: Option<f64>,
    bound: Option<f64>,
}

fn halves(measured: &Measured) -> Vec<Half> {
    let mut out = Vec::new();
    let core = measured.climbed.iter().find(|c| c.ladder.id == "core");
    for takes in [1, TAKES] {
        for (what, ours, bound) in HALVES {
            out.extend(core.map(|core| Half {
                takes,
                what,
                ours: half(&curve(core, takes, ours)),
                bound: half(&bound_curve(&measured.bound, takes, bound)),
            }));
        }
    }
    out
}

/// The page for people.
pub fn markdown(measured: &Measured) -> String {
    let last = measured.seed + measured.seeds - 1;
    let mut out = format!(
        "# The receiver, measured\n\n\
         Made by `{}` (seeds {} to {last}, quorate {}). Every number of this page is in `receiver.json`.\n\n\
         A tape holds one program of 500 random bytes behind a header, every block twice, leaders of 2 s. Each tape is played \
         three times, each play with a lasting speed error of its own within ±2 %. \"1 take\" is every take by itself, \"3 takes\" \
         all three together. SNR is the rms of the data wave over the rms of the noise in the full band.\n\n\
         - **edges**: counting the time between level changes, readings vote byte by byte (a plain reference in \
         scripts/bench/receiver/edges.rs).\n\
         - **soft**: soft bits of all readings added, hard decision. **exact**: the most probable block that obeys parity and XOR.\n\
         - **bound**: a matched filter that is told the timing, the waveforms, the noise and all other bits, then the same sum and \
         correction (scripts/bench/receiver/bound.rs).\n\
         - Wrong bytes are means of the {BYTES} of the data block (check byte included); a block not found counts as {BYTES}. \
         *right* is the share of trials with none wrong. *program* is header and data together as `recover` gives \
         them; *established* is what it claims. *read* is the share of bits wrong in single readings of the data block, *missing* \
         the share of readings that were not found.\n",
        measured.command,
        measured.seed,
        env!("CARGO_PKG_VERSION"),
    );
    out += &claims_of_truth(measured);
    out += &acceptance(measured);
    for climbed in &measured.climbed {
        out += &format!("\n## {}\n\n{}\n", climbed.ladder.title, climbed.ladder.about);
        if let Some(version) = measured.ffmpeg.as_ref().filter(|_| climbed.ladder.id == "codecs") {
            out += &format!("\nMade with {version}.\n");
        }
        if climbed.ladder.id == "core" {
            out += "\n![shares and wrong bytes over SNR](receiver.svg)\n";
        }
        for takes in [1, TAKES] {
            out += &table(climbed, takes);
        }
    }
    out + &reliability(measured)
}

/// How often something was established and wrong, over everything.
fn claims_of_truth(measured: &Measured) -> String {
    let mut all = Tally::default();
    for trial in measured.climbed.iter().flat_map(|c| &c.sums) {
        all.add(&trial.single);
        all.add(&trial.three);
    }
    let line = |what: &str, claims: &'static str, wrong: &'static str| {
        let (wrong, claims) = (all.get(wrong), all.get(claims));
        let most = upper_bound(wrong, claims, 0.95).map_or("nothing is known".into(), |p| format!("at most {p:.1e}"));
        format!("- {what}: **{wrong}** of {claims} established were wrong ({most}, 95 % one-sided).\n")
    };
    format!("\n## Established and wrong\n\n{} trials over all ladders.\n\n", all.get("trials"))
        + &line("Programs", "program_established", "program_established_and_wrong")
        + &line("Data blocks by themselves", "block_established", "block_established_and_wrong")
}

fn acceptance(measured: &Measured) -> String {
    let Some(core) = measured.climbed.iter().find(|c| c.ladder.id == "core") else { return String::new() };
    let mut out = String::from("\n## Goals\n\n| goal | measured | |\n|---|---|---|\n");
    for (snr, takes, goal) in [(-2.0, 1, 0.95), (-6.0, TAKES, 0.95), (-8.0, TAKES, 0.5)] {
        let Some(i) = core.ladder.points.iter().position(|p| p.x == snr) else { continue };
        let tally = of(&core.sums[i], takes);
        let (good, n) = (tally.get("program_established"), tally.get("trials"));
        let range =
            clopper_pearson(good, n, 0.95).map_or(String::new(), |i| format!(", {:.2} to {:.2}", i.low, i.high));
        let met = if good as f64 >= goal * n as f64 { "met" } else { "not met" };
        out += &format!(
            "| {}: established at {snr:+} dB in at least {:.0} % | {good} of {n}{range} | {met} |\n",
            plural(takes),
            100.0 * goal,
        );
    }
    for h in halves(measured) {
        let goal = if h.takes == 1 { 1.5 } else { 1.0 };
        let text = |x: Option<f64>| x.map_or("not reached".into(), |x| format!("{x:+.1} dB"));
        let (gap, met) = match (h.ours, h.bound) {
            (Some(a), Some(b)) => (format!(": {:.1} dB", a - b), if a - b <= goal { "met" } else { "not met" }),
            _ => (String::new(), "not met"),
        };
        out += &format!(
            "| {}: half of the trials give the {} within {goal} dB of the bound | ours {}, bound {}{gap} | {met} |\n",
            plural(h.takes),
            h.what,
            text(h.ours),
            text(h.bound),
        );
    }
    out
}

fn plural(takes: usize) -> String {
    if takes == 1 { "1 take".into() } else { format!("{takes} takes") }
}

fn table(climbed: &Climbed, takes: usize) -> String {
    let mut out = format!(
        "\n### {}, {}\n\n\
         | {} | trials | edges | soft | exact | bound soft | bound exact | edges right | soft right | exact right | bound right \
         | program | established | bound program | established and wrong | read | bound read | missing |\n\
         |{}\n",
        climbed.ladder.title,
        plural(takes),
        climbed.ladder.step,
        "---:|".repeat(18),
    );
    for (point, trial) in climbed.ladder.points.iter().zip(&climbed.sums) {
        let tally = of(trial, takes);
        let mean = |name| tally.per(name, "trials").map_or("–".into(), |x| format!("{x:.1}"));
        let bound = |name| tally.per(name, "bound_trials").map_or("–".into(), |x| format!("{x:.1}"));
        let share = |name, of| tally.per(name, of).map_or("–".into(), |x| format!("{:.0} %", 100.0 * x));
        let rate = |name, of| tally.per(name, of).map_or("–".into(), |x| format!("{x:.5}"));
        let cells = [
            point.label.clone(),
            tally.get("trials").to_string(),
            mean("edges_wrong_bytes"),
            mean("soft_wrong_bytes"),
            mean("exact_wrong_bytes"),
            bound("bound_soft_wrong_bytes"),
            bound("bound_exact_wrong_bytes"),
            share("edges_right", "trials"),
            share("soft_right", "trials"),
            share("exact_right", "trials"),
            share("bound_exact_right", "bound_trials"),
            share("program_recovered", "trials"),
            share("program_established", "trials"),
            share("bound_program_recovered", "bound_trials"),
            tally.get("program_established_and_wrong").to_string(),
            rate("bits_wrong", "bits_read"),
            rate("bound_bits_wrong", "bound_bits"),
            share("readings_missing", "readings_expected"),
        ];
        out += &format!("| {} |\n", cells.join(" | "));
    }
    out
}

fn reliability(measured: &Measured) -> String {
    let mut out = String::from(
        "\n## Reliability\n\nBits, and blocks, binned by what was claimed of them; lost bits are left out. The intervals are exact \
         (Clopper–Pearson) and take every bit for a trial of its own; errors come in groups, so the true ones are wider.\n",
    );
    for climbed in &measured.climbed {
        let mut claims = super::reliability::Claims::default();
        climbed.sums.iter().for_each(|trial| claims.add(&trial.claims));
        let title = climbed.ladder.title;
        out += &format!("\n### {title}: bits of single readings\n\n{}", claims.readings.markdown("abs(llr), nats"));
        if climbed.ladder.id == "core" {
            out += &format!("\n### {title}: bits of all readings added\n\n{}", claims.votes.markdown("abs(llr), nats"));
            out += &format!("\n### {title}: bits after the checks\n\n{}", claims.posterior.markdown("abs(llr), nats"));
        }
        out += &format!(
            "\n### {title}: whole blocks\n\n{}",
            claims.blocks.markdown("−log10 of the claimed chance of error")
        );
    }
    out
}
