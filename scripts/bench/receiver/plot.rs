//! The plot of the core ladder: shares of blocks wholly right, and mean wrong bytes, over SNR.

use super::Climbed;
use super::report::{bound_curve, curve};
use super::scene::{BYTES, TAKES};
use super::trial::Trial;
use std::fmt::Write;

struct Series {
    label: &'static str,
    colour: &'static str,
    dash: &'static str,
    right: &'static str,
    wrong: &'static str,
}

/// Told apart by dash as well as by colour.
const SERIES: [Series; 4] = [
    Series {
        label: "edges, majority",
        colour: "#8a5a00",
        dash: "2 3",
        right: "edges_right",
        wrong: "edges_wrong_bytes",
    },
    Series { label: "soft votes", colour: "#0a6b9c", dash: "7 4", right: "soft_right", wrong: "soft_wrong_bytes" },
    Series {
        label: "soft and exact",
        colour: "#0b3d5c",
        dash: "none",
        right: "exact_right",
        wrong: "exact_wrong_bytes",
    },
    Series {
        label: "bound",
        colour: "#a3224f",
        dash: "10 3 2 3",
        right: "bound_exact_right",
        wrong: "bound_exact_wrong_bytes",
    },
];

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 230.0;
const LEFT: f64 = 62.0;
const TOP: f64 = 58.0;
const APART: (f64, f64) = (500.0, 310.0);
/// Fewer wrong bytes than this in the mean are drawn here: a logarithm has no zero.
const FLOOR: f64 = 0.1;

pub fn svg(core: &Climbed, bound: &[(f64, Trial)]) -> String {
    let mut out = String::new();
    let (w, h) = (LEFT + APART.0 + WIDTH + 20.0, TOP + APART.1 + HEIGHT + 60.0);
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" font-family=\"sans-serif\" font-size=\"13\" \
         role=\"img\" aria-labelledby=\"t d\">\n<title id=\"t\">Blocks read and wrong bytes over signal-to-noise ratio</title>\n\
         <desc id=\"d\">Left one take, right three takes. Above the share of data blocks wholly right, below the mean of wrong \
         bytes of {BYTES} on a logarithmic scale. All numbers are in receiver.json.</desc>\n\
         <rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n"
    );
    for (i, s) in SERIES.iter().enumerate() {
        let x = LEFT + 190.0 * i as f64;
        let _ = writeln!(
            out,
            "<line x1=\"{x}\" y1=\"18\" x2=\"{}\" y2=\"18\" stroke=\"{}\" stroke-width=\"2.5\" stroke-dasharray=\"{}\"/>\
             <text x=\"{}\" y=\"22\">{}</text>",
            x + 44.0,
            s.colour,
            s.dash,
            x + 52.0,
            s.label
        );
    }
    for (column, takes) in [1, TAKES].into_iter().enumerate() {
        for row in 0..2 {
            let at = (LEFT + APART.0 * column as f64, TOP + APART.1 * row as f64);
            panel(&mut out, core, bound, takes, row == 0, at);
        }
    }
    out + "</svg>\n"
}

fn panel(out: &mut String, core: &Climbed, bound: &[(f64, Trial)], takes: usize, shares: bool, (x0, y0): (f64, f64)) {
    let snrs = || core.ladder.points.iter().map(|p| p.x);
    let (low, high) = (snrs().fold(f64::INFINITY, f64::min), snrs().fold(f64::NEG_INFINITY, f64::max));
    let x = |snr: f64| x0 + (snr - low) / (high - low).max(1.0) * WIDTH;
    let decades = (BYTES as f64 / FLOOR).log10();
    let y = |value: f64| {
        let part = if shares { value } else { (value.max(FLOOR) / FLOOR).log10() / decades };
        y0 + (1.0 - part) * HEIGHT
    };
    let what = if shares { "blocks wholly right" } else { "mean wrong bytes" };
    let of = if takes == 1 { "1 take".to_string() } else { format!("{takes} takes") };
    let _ = writeln!(out, "<text x=\"{x0}\" y=\"{}\" font-weight=\"bold\">{what}, {of}</text>", y0 - 10.0);
    let marks: &[(f64, &str)] = if shares {
        &[(0.0, "0 %"), (0.25, "25 %"), (0.5, "50 %"), (0.75, "75 %"), (1.0, "100 %")]
    } else {
        &[(0.1, "≤ 0.1"), (1.0, "1"), (10.0, "10"), (100.0, "100"), (501.0, "501")]
    };
    for &(value, label) in marks {
        let _ = writeln!(
            out,
            "<line x1=\"{x0}\" y1=\"{0:.1}\" x2=\"{1:.1}\" y2=\"{0:.1}\" stroke=\"#d5d5d5\"/><text x=\"{2}\" y=\"{3:.1}\" \
             text-anchor=\"end\">{label}</text>",
            y(value),
            x0 + WIDTH,
            x0 - 6.0,
            y(value) + 4.0
        );
    }
    let mut snr = (low / 2.0).ceil() * 2.0;
    while snr <= high {
        let _ = writeln!(
            out,
            "<line x1=\"{0:.1}\" y1=\"{y0}\" x2=\"{0:.1}\" y2=\"{1}\" stroke=\"#ebebeb\"/><text x=\"{0:.1}\" y=\"{2}\" \
             text-anchor=\"middle\">{snr:+}</text>",
            x(snr),
            y0 + HEIGHT,
            y0 + HEIGHT + 17.0
        );
        snr += 2.0;
    }
    let _ = writeln!(
        out,
        "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">SNR, dB</text>",
        x0 + WIDTH / 2.0,
        y0 + HEIGHT + 36.0
    );
    for s in &SERIES {
        let name = if shares { s.right } else { s.wrong };
        let points = if name.starts_with("bound") { bound_curve(bound, takes, name) } else { curve(core, takes, name) };
        let mut points: Vec<(f64, f64)> = points.into_iter().filter(|p| (low..=high).contains(&p.0)).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let line: Vec<String> = points.iter().map(|p| format!("{:.1},{:.1}", x(p.0), y(p.1))).collect();
        let _ = writeln!(
            out,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"2.5\" stroke-dasharray=\"{}\"/>",
            line.join(" "),
            s.colour,
            s.dash
        );
    }
}
