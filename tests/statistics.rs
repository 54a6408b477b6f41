//! Chances and statistics against published values; a grid against SciPy is in tests/oracles/intervals.py.

use quorate::confidence::score::chance;
use quorate::confidence::statistics::*;

fn close(a: f64, b: f64, tolerance: f64) {
    assert!((a - b).abs() <= tolerance, "{a} is not {b}");
}

#[test]
fn chances_in_words() {
    for (p, words) in [
        (0.5, "about even"),
        (0.45, "about even"),
        (0.4, "about even"),
        (0.3999, "1 in 2.5"),
        (0.25, "1 in 4"),
        (0.1, "1 in 10"),
        (0.1005, "1 in 9.9"),
        (0.1001, "1 in 9.9"),
        (1.0 / 3.0, "1 in 3"),
        (0.025, "1 in 40"),
        (1.0 / 43.0, "1 in 43"),
        (1.0 / 99.6, "1 in 99"),
        (0.01, "1 in 100"),
        (0.001, "1 in 1,000"),
        (1.0 / 437.0, "1 in 400"),
        (1.0 / 65_536.0, "1 in 60,000"),
        (1.0 / 999_600.0, "1 in 900,000"),
        (1.000_001e-6, "1 in 900,000"),
        // a program is established under 1 in a million: on either side of the limit the words say on which
        (1e-6, "1 in a million"),
        (9.999_999_999e-7, "under 1 in a million"),
        (9.99e-7, "under 1 in a million"),
        (7.7e-7, "under 1 in a million"),
        (1.0 / 1_999_000.0, "under 1 in a million"),
        (5e-7, "1 in 2 million"),
        (1.0 / 16_777_216.0, "1 in 10 million"),
        (1e-9, "1 in a billion"),
        (0.99e-9, "under 1 in a billion"),
        (1e-300, "under 1 in a billion"),
        (0.61, "61 in 100"),
        (0.971, "98 in 100"),
        (0.99, "99 in 100"),
        (0.9911, "all but 1 in 200"),
        (0.999, "all but 1 in 1,000"),
        (0.0, "never, by the model"),
        (1.0, "always, by the model"),
        (f64::NAN, "unknown"),
    ] {
        assert_eq!(chance(p), words, "{p}");
    }
}

/// By rows: NIST/SEMATECH e-Handbook 7.2.4.2 (setup; figures calculated apart from this code); SciPy's documentation of
/// `BinomTestResult.proportion_ci` (exact; the other calculated); Newcombe, Statistics in Medicine 17:857, 1998 (four digits).
#[test]
fn intervals_of_the_literature() {
    let rows = [
        (4, 20, 0.90, [0.071354, 0.401028], [0.093118, 0.378377], 6e-7),
        (7, 50, 0.95, [0.05819170, 0.26739600], [0.06950833, 0.26186194], 6e-9),
        (81, 263, 0.95, [0.2527, 0.3676], [0.2553, 0.3662], 6e-5),
        (15, 148, 0.95, [0.0578, 0.1617], [0.0624, 0.1605], 6e-5),
        (0, 20, 0.95, [0.0, 0.1684], [0.0, 0.1611], 6e-5),
        (1, 29, 0.95, [0.0009, 0.1776], [0.0061, 0.1718], 6e-5),
    ];
    for (successes, trials, level, exact, score, tolerance) in rows {
        let got = clopper_pearson(successes, trials, level).unwrap();
        close(got.low, exact[0], tolerance);
        close(got.high, exact[1], tolerance);
        let got = wilson(successes, trials, level).unwrap();
        close(got.low, score[0], tolerance);
        close(got.high, score[1], tolerance);
    }
}

/// Jovanovic & Levy 1997: no success in 300 trials, about 3/n; exactly .009936 = 1 - 0.05^(1/300).
#[test]
fn nothing_seen_in_n_trials_is_at_most_3_over_n() {
    let bound = upper_bound(0, 300, 0.95).unwrap();
    close(bound, 0.009936, 5e-7);
    close(bound, 0.01, 1e-4);
    close(upper_bound(0, 1_000_000_000, 0.95).unwrap() * 1e9, 2.995732, 1e-5);
    assert_eq!(upper_bound(5, 5, 0.95), Some(1.0));
}

#[test]
fn intervals_need_trials_and_a_level() {
    for (successes, trials, level) in [(0, 0, 0.95), (3, 2, 0.95), (1, 2, 1.0), (1, 2, 0.0), (1, 2, f64::NAN)] {
        assert_eq!(clopper_pearson(successes, trials, level), None);
        assert_eq!(wilson(successes, trials, level), None);
        assert_eq!(upper_bound(successes, trials, level), None);
    }
}

fn outcomes(forecasts: &[f64], happened: &[u8]) -> Vec<Outcome> {
    forecasts.iter().zip(happened).map(|(&forecast, &y)| Outcome { forecast, happened: y == 1 }).collect()
}

/// scikit-learn's documentation of the Brier score: 0.0375.
#[test]
fn the_brier_score_of_the_documentation() {
    let result = reliability(&outcomes(&[0.1, 0.9, 0.8, 0.3], &[0, 1, 1, 0]), 10).unwrap();
    close(result.brier, 0.0375, 1e-12);
}

/// Murphy's split (Journal of Applied Meteorology 12:595, 1973) in ten equal bins, worked by a program apart from this code.
#[test]
fn murphys_split_of_the_worked_example() {
    let p = [0.05, 0.05, 0.05, 0.05, 0.35, 0.35, 0.75, 0.75, 0.95, 0.95];
    let result = reliability(&outcomes(&p, &[0, 0, 0, 1, 0, 1, 1, 0, 1, 1]), 10).unwrap();
    close(result.brier, 0.2085, 1e-12);
    close(result.calibration_error, 0.17, 1e-12);
    close(result.reliability, 0.0335, 1e-12);
    close(result.resolution, 0.075, 1e-12);
    close(result.uncertainty, 0.25, 1e-12);
    close(result.reliability - result.resolution + result.uncertainty, result.brier, 1e-12);
    let counts: Vec<u64> = result.bins.iter().map(|bin| bin.count).collect();
    assert_eq!(counts, [4, 0, 0, 2, 0, 0, 0, 2, 0, 2]);
    assert_eq!((result.bins[0].share(), result.bins[1].share()), (Some(0.25), None));
    let json = serde_json::to_string(&result).unwrap();
    assert_eq!(serde_json::from_str::<Reliability>(&json).unwrap(), result);
}

#[test]
fn bins_hold_their_lower_edge_and_the_last_both() {
    let result =
        reliability_between(&outcomes(&[0.0, 0.01, 0.0099, 1.0, 0.5], &[0, 0, 0, 1, 1]), &[0.0, 0.01, 0.5, 1.0]);
    let counts: Vec<u64> = result.unwrap().bins.iter().map(|bin| bin.count).collect();
    assert_eq!(counts, [2, 1, 2]);
}

#[test]
fn forecasts_that_are_no_probabilities_are_refused() {
    assert_eq!(reliability(&outcomes(&[1.1], &[1]), 10), None);
    assert_eq!(reliability(&outcomes(&[f64::NAN], &[1]), 10), None);
    assert_eq!(reliability(&[], 10), None);
    assert_eq!(reliability(&outcomes(&[0.5], &[1]), 0), None);
    assert_eq!(reliability_between(&outcomes(&[0.5], &[1]), &[0.0, 0.7, 0.3, 1.0]), None);
}

/// Reads `[successes, trials, level]` rows from QUORATE_CASES, writes `[low, high, wilson low, wilson high, upper]` rows
/// to QUORATE_RESULTS. Run by tests/oracles/intervals.py.
#[test]
#[ignore = "needs the cases that tests/oracles/intervals.py writes"]
fn oracle_cases() {
    let path =
        |name| std::env::var(name).unwrap_or_else(|_| panic!("{name} is not set: run tests/oracles/intervals.py"));
    let cases: Vec<(u64, u64, f64)> = serde_json::from_slice(&std::fs::read(path("QUORATE_CASES")).unwrap()).unwrap();
    let answer = |&(successes, trials, level): &(u64, u64, f64)| {
        let (exact, score) =
            (clopper_pearson(successes, trials, level).unwrap(), wilson(successes, trials, level).unwrap());
        [exact.low, exact.high, score.low, score.high, upper_bound(successes, trials, level).unwrap()]
    };
    let answers: Vec<[f64; 5]> = cases.iter().map(answer).collect();
    std::fs::write(path("QUORATE_RESULTS"), serde_json::to_vec(&answers).unwrap()).unwrap();
}
