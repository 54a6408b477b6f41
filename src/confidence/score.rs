//! Probabilities in words.

use super::ESTABLISHED_BELOW;

/// Version of the model behind all chances: the receiver's soft bits, the discount, priors and checks. It changes when
/// figures of `reports/calibration.json` no longer hold.
pub const MODEL: &str = "5";

/// A probability in words: "1 in 40", "1 in 2 million", "about even", "under 1 in a billion".
///
/// Two significant digits up to 1 in 100, then one, so that the words promise no more than a model can keep. They are
/// rounded to the worse side: the chance is never larger than its words. So 1 in 999,000 is "1 in 900,000". What is
/// established has a chance under a limit, and its words say so too: 1 in 1,300,000 is "under 1 in a million", not the
/// limit itself. Over one half it is in hundredths, "82 in 100", and near certainty in words of the opposite: "all but 1
/// in 1,000".
pub fn chance(p: f64) -> String {
    if p.is_nan() {
        return "unknown".into();
    }
    if p <= 0.0 {
        return "never, by the model".into();
    }
    if p >= 1.0 {
        return "always, by the model".into();
    }
    if (0.4..=0.6).contains(&p) {
        return "about even".into();
    }
    if p > 0.6 {
        // "all but 1 in 7.2" makes one think
        if p <= 0.99 {
            return format!("{:.0} in 100", up(100.0 * p));
        }
        return match odds(1.0 - p, up) {
            Odds::Beyond => "all but under 1 in a billion".into(),
            Odds::OneIn(n) => format!("all but 1 in {n}"),
        };
    }
    // rounding would end on the limit
    if p < ESTABLISHED_BELOW && down(ESTABLISHED_BELOW / p) < 2.0 {
        return format!("under {}", chance(ESTABLISHED_BELOW));
    }
    match odds(p, down) {
        Odds::Beyond => "under 1 in a billion".into(),
        Odds::OneIn(n) => format!("1 in {n}"),
    }
}

enum Odds {
    OneIn(String),
    Beyond,
}

/// What binary fractions are off, in parts of the number: 1/0.1 may be a little under 10.
const SLACK: f64 = 1e-9;

fn down(x: f64) -> f64 {
    (x * (1.0 + SLACK)).floor()
}

fn up(x: f64) -> f64 {
    (x * (1.0 - SLACK)).ceil()
}

/// 1 in how many, rounded by `round`.
fn odds(p: f64, round: fn(f64) -> f64) -> Odds {
    let n = 1.0 / p;
    if n > 1e9 * (1.0 + SLACK) {
        return Odds::Beyond;
    }
    // the size before rounding, so that 9.999…, which means 10, is one of two digits
    let size = (n * (1.0 + SLACK)).log10().floor() as i32;
    let unit = match size {
        // "1 in 2.5": the halves matter down here.
        0 => 0.1,
        1 => 1.0,
        size => 10_f64.powi(size),
    };
    let rounded = round(n / unit) * unit;
    Odds::OneIn(match rounded {
        r if r >= 1e9 => "a billion".into(),
        r if r >= 2e6 => format!("{:.0} million", r / 1e6),
        r if r >= 1e6 => "a million".into(),
        r if r < 9.95 && (r - r.round()).abs() > 0.05 => format!("{r:.1}"),
        r => thousands(r.round() as u64),
    })
}

/// Digits in groups of three.
fn thousands(n: u64) -> String {
    if n < 1_000 { n.to_string() } else { format!("{},{:03}", thousands(n / 1_000), n % 1_000) }
}
