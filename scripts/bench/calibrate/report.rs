//! `calibration.json`, `.md` and `.svg`.

use quorate::confidence::ESTABLISHED_BELOW;
use quorate::confidence::statistics::{Reliability, clopper_pearson, reliability_between, upper_bound};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::Path;

use super::tally::{DECADES, SURE, Tally};

const EDGES: [f64; 14] = [0.0, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0];

pub fn write(t: &Tally, first: u64, last: u64, folder: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let command = format!("scripts/calibrate --programs {} --seed {first}", t.programs);
    let bits = reliability_between(&t.bits, &EDGES);
    let bytes = reliability_between(&t.bytes, &EDGES);
    let programs = reliability_between(&t.all_programs, &EDGES);
    let supported = reliability_between(&t.supported, &EDGES);
    let bound = upper_bound(t.established_wrong, t.established, 0.95);
    let value = json!({
        "schema": "quorate/calibration/1",
        "model": quorate::confidence::score::MODEL,
        "command": command,
        "seeds": [first, last],
        "tapes": t.tapes,
        "programs": t.programs,
        "right": t.found,
        "established": {"count": t.established, "wrong": t.established_wrong, "upper_95": bound, "wrong_seeds": t.wrong_seeds},
        "supported": {"count": t.supported.len(), "wrong": t.supported.iter().filter(|c| c.happened).count(),
            "claimed": t.supported.iter().map(|c| c.forecast).sum::<f64>(), "reliability": supported},
        "open": t.open,
        "not_on_the_tape": {"supported": t.strange[0], "open": t.strange[1]},
        "surprises": t.surprises.iter().map(|(seed, name, bits)| json!({"seed": seed, "program": name, "bits": bits})).collect::<Vec<_>>(),
        "bits": {"below_0_999": bits, "sure": sure(&t.sure_bits)},
        "guessed_bits": {"count": t.guessed_bits.0, "wrong": t.guessed_bits.1},
        "bytes": {"below_0_999": bytes, "sure": sure(&t.sure_bytes)},
        "programs_by_claim": programs,
    });
    std::fs::create_dir_all(folder)?;
    std::fs::write(folder.join("calibration.json"), serde_json::to_string_pretty(&value)? + "\n")?;
    std::fs::write(
        folder.join("calibration.md"),
        markdown(t, &command, &[("bits", &bits), ("bytes", &bytes), ("programs", &programs)]),
    )?;
    std::fs::write(folder.join("calibration.svg"), svg(bits.as_ref(), bytes.as_ref()))?;
    Ok(())
}

fn sure(decades: &[(u64, u64); DECADES]) -> Value {
    let row = |(i, &(count, wrong)): (usize, &(u64, u64))| {
        json!({"claimed_below": 10f64.powi(-3 - i as i32), "count": count, "wrong": wrong,
               "upper_95": upper_bound(wrong, count, 0.95)})
    };
    decades.iter().enumerate().map(row).collect()
}

fn markdown(t: &Tally, command: &str, tables: &[(&str, &Option<Reliability>)]) -> String {
    let mut out = String::new();
    let bound = upper_bound(t.established_wrong, t.established, 0.95).unwrap_or(1.0);
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "# Claims against the truth\n\nMade by `{command}`.\n\n{} simulated programs on {} tapes, one to five takes each: noise −10 to +16 dB, \
         dropouts shared and own, lost stretches, wow, flutter, band limits, 8 bit at 22.05 kHz, clipping, AGC, hum, late \
         starts; one take in seven was kept in a lossy file (MP3, Opus or AAC, 32 to 192 kbit/s).\n\n**Established: {}, of them wrong: {} (95 % bound: {:.2e}).** A claim of \
         `established` says under {ESTABLISHED_BELOW:e}.\n",
        t.programs, t.tapes, t.established, t.established_wrong, bound
    );
    let wrong = t.supported.iter().filter(|c| c.happened).count() as u64;
    let claimed: f64 = t.supported.iter().map(|c| c.forecast).sum();
    let share = clopper_pearson(wrong, t.supported.len() as u64, 0.95);
    let _ = writeln!(
        out,
        "Supported: {}, of them wrong: {wrong} ({}); claimed together: {claimed:.1}. Open: {}. Right and found by name: {}.\n",
        t.supported.len(),
        share.map_or("-".into(), |i| format!("95 % interval of the share {:.3} to {:.3}", i.low, i.high)),
        t.open,
        t.found
    );
    let _ = writeln!(
        out,
        "Of {} bits nothing was heard and no check says anything, or no take tells where they belong; {} of them are wrong, and \
         they are no claims below.\n",
        t.guessed_bits.0, t.guessed_bits.1
    );
    let surprises: Vec<String> =
        t.surprises.iter().map(|(seed, name, bits)| format!("{name} of seed {seed} ({bits} bits)")).collect();
    let _ = writeln!(
        out,
        "Given out under a name and address that are not on the tape: {} supported, {} open. Programs with wrong bits that were claimed \
         at 1e-5 and less: {}{}.\n",
        t.strange[0],
        t.strange[1],
        t.surprises.len(),
        if surprises.is_empty() { String::new() } else { format!(": {}", surprises.join(", ")) }
    );
    for (name, table) in tables {
        let Some(r) = table else { continue };
        let _ = writeln!(
            out,
            "## {name}, claimed chance of error above {SURE}\n\nBrier score {:.4} = reliability {:.5} − resolution {:.5} + uncertainty {:.5}; \
             expected calibration error {:.4}; {} claims.\n\n| claimed | mean claim | number | wrong | share | 95 % interval |\n| --- | --- | --- | --- | --- | --- |",
            r.brier, r.reliability, r.resolution, r.uncertainty, r.calibration_error, r.count
        );
        for bin in r.bins.iter().filter(|b| b.count > 0) {
            let interval = clopper_pearson(bin.happened, bin.count, 0.95);
            let _ = writeln!(
                out,
                "| {} to {} | {:.4} | {} | {} | {:.4} | {} |",
                bin.low,
                bin.high,
                bin.mean_forecast,
                bin.count,
                bin.happened,
                bin.share().unwrap_or(0.0),
                interval.map_or("-".into(), |i| format!("{:.4} to {:.4}", i.low, i.high))
            );
        }
        out.push('\n');
    }
    for (name, decades) in [("bits", &t.sure_bits), ("bytes", &t.sure_bytes)] {
        let _ = writeln!(
            out,
            "## {name}, claimed chance of error {SURE} and less\n\n| claimed at most | number | wrong | 95 % bound |\n| --- | --- | --- | --- |"
        );
        for (i, &(count, wrong)) in decades.iter().enumerate() {
            let bound = upper_bound(wrong, count, 0.95).map_or("-".into(), |b| format!("{b:.1e}"));
            let _ = writeln!(out, "| 1e-{} | {count} | {wrong} | {bound} |", i + 3);
        }
        out.push('\n');
    }
    out
}

const SIZE: f64 = 360.0;
const LEFT: f64 = 60.0;
const TOP: f64 = 40.0;

/// Share of wrong over claimed chance, both logarithmic, with 95 % intervals: what lies on the diagonal is true.
fn svg(bits: Option<&Reliability>, bytes: Option<&Reliability>) -> String {
    const LOW: f64 = 5e-4;
    let place = |p: f64| (p.max(LOW) / LOW).log10() / (1.0 / LOW).log10();
    let (x, y) = (|p: f64| LEFT + place(p) * SIZE, |p: f64| TOP + (1.0 - place(p)) * SIZE);
    let mut out = String::new();
    let (w, h) = (LEFT + SIZE + 140.0, TOP + SIZE + 60.0);
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" font-family=\"sans-serif\" font-size=\"13\" role=\"img\" \
         aria-labelledby=\"t d\">\n<title id=\"t\">Share of wrong bits and bytes over the claimed chance</title>\n<desc id=\"d\">Points on the \
         diagonal were claimed truly; bars are 95 % intervals. All numbers are in calibration.json.</desc>\n\
         <rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" stroke=\"#777777\" stroke-dasharray=\"4 4\"/>\n",
        x(LOW),
        y(LOW),
        x(1.0),
        y(1.0)
    );
    for p in [1e-3, 1e-2, 1e-1, 1.0] {
        let _ = writeln!(
            out,
            "<line x1=\"{0:.1}\" y1=\"{TOP}\" x2=\"{0:.1}\" y2=\"{1}\" stroke=\"#e4e4e4\"/><text x=\"{0:.1}\" y=\"{2}\" text-anchor=\"middle\">{p}</text>\
             <line x1=\"{LEFT}\" y1=\"{3:.1}\" x2=\"{4}\" y2=\"{3:.1}\" stroke=\"#e4e4e4\"/><text x=\"{5}\" y=\"{6:.1}\" text-anchor=\"end\">{p}</text>",
            x(p),
            TOP + SIZE,
            TOP + SIZE + 18.0,
            y(p),
            LEFT + SIZE,
            LEFT - 6.0,
            y(p) + 4.0
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">claimed chance of error</text><text x=\"{LEFT}\" y=\"24\">share that was wrong</text>",
        LEFT + SIZE / 2.0,
        TOP + SIZE + 42.0
    );
    for (name, table, colour, square, row) in
        [("bits", bits, "#0a6b9c", false, 0.0), ("bytes", bytes, "#8a5a00", true, 1.0)]
    {
        let label = TOP + 20.0 + 22.0 * row;
        mark(&mut out, LEFT + SIZE + 20.0, label - 4.0, colour, square);
        let _ = writeln!(out, "<text x=\"{}\" y=\"{label}\">{name}</text>", LEFT + SIZE + 34.0);
        for bin in table.iter().flat_map(|t| &t.bins).filter(|b| b.count > 0) {
            let at = x(bin.mean_forecast);
            if let Some(i) = clopper_pearson(bin.happened, bin.count, 0.95) {
                let _ = writeln!(
                    out,
                    "<line x1=\"{at:.1}\" y1=\"{:.1}\" x2=\"{at:.1}\" y2=\"{:.1}\" stroke=\"{colour}\"/>",
                    y(i.low),
                    y(i.high)
                );
            }
            mark(&mut out, at, y(bin.share().unwrap_or(0.0)), colour, square);
        }
    }
    out + "</svg>\n"
}

fn mark(out: &mut String, x: f64, y: f64, colour: &str, square: bool) {
    let _ = if square {
        writeln!(out, "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"8\" height=\"8\" fill=\"{colour}\"/>", x - 4.0, y - 4.0)
    } else {
        writeln!(out, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4.5\" fill=\"{colour}\"/>")
    };
}
