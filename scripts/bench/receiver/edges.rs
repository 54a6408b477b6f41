//! The plain reference: count the time between level changes, as the usual tools do, and let the readings vote.

/// A copy of a block as read by edges.
pub struct Reading {
    /// Seconds of the take at which byte 0 begins.
    pub start_s: f64,
    pub bytes: Vec<Option<u8>>,
}

const SHORT: u8 = 0;
const MEDIUM: u8 = 1;
const LONG: u8 = 2;
const NONE: u8 = 3;

/// Reads every block behind a recognised countdown, `bytes` bytes of each.
pub fn read(samples: &[f32], rate: f64, bytes: usize) -> Vec<Reading> {
    let rises = rises(samples, rate);
    let cycles: Vec<f64> = rises.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let lengths = learn(&cycles);
    let classes: Vec<u8> = cycles.iter().map(|&c| classify(c, &lengths)).collect();
    // marker, then nine bits of one short and one medium
    let byte_s = lengths[2] + lengths[1] + 9.0 * (lengths[0] + lengths[1]);
    let found: Vec<(f64, u8)> =
        classes.windows(20).enumerate().filter_map(|(i, word)| byte(word).map(|value| (rises[i], value))).collect();
    let mut readings: Vec<Reading> = Vec::new();
    for (i, &(at, value)) in found.iter().enumerate() {
        // three bytes of a countdown in a row: 89 … 81 or 09 … 01
        let follows = |k: usize| {
            found[i..]
                .iter()
                .any(|&(t, v)| v == value.wrapping_sub(k as u8) && ((t - at) / byte_s - k as f64).abs() < 0.2)
        };
        if !(3..=9).contains(&(value & 0x7f)) || !follows(1) || !follows(2) {
            continue;
        }
        let start_s = at + f64::from(value & 0x7f) * byte_s;
        if readings.iter().all(|r| (r.start_s - start_s).abs() > 2.0 * byte_s) {
            readings.push(Reading { start_s, bytes: follow(&found, start_s, byte_s, bytes) });
        }
    }
    readings
}

/// The value that most readings give each byte; a tie goes to the earlier reading.
pub fn majority(readings: &[&Reading], bytes: usize) -> Vec<Option<u8>> {
    let votes = |i: usize, value: u8| readings.iter().filter(|r| r.bytes[i] == Some(value)).count();
    let first_most = |i: usize| readings.iter().rev().filter_map(|r| r.bytes[i]).max_by_key(|&value| votes(i, value));
    (0..bytes).map(first_most).collect()
}

/// Seconds of upward crossings: the mean of 3 ms is taken away, and a Schmitt trigger ignores ripples.
fn rises(samples: &[f32], rate: f64) -> Vec<f64> {
    let half = (1.5e-3 * rate) as usize;
    let mut sums = vec![0.0f64];
    samples.iter().for_each(|&x| sums.push(sums[sums.len() - 1] + f64::from(x)));
    let level: Vec<f64> = (0..samples.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(samples.len()));
            f64::from(samples[i]) - (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect();
    let rms = (level.iter().map(|x| x * x).sum::<f64>() / level.len().max(1) as f64).sqrt();
    let bar = 0.2 * rms;
    let (mut out, mut high, mut crossing) = (Vec::new(), false, 0.0);
    for (i, pair) in level.windows(2).enumerate() {
        if pair[0] <= 0.0 && pair[1] > 0.0 {
            crossing = (i as f64 + pair[0] / (pair[0] - pair[1])) / rate;
        }
        if !high && pair[1] > bar {
            high = true;
            out.push(crossing);
        } else if high && pair[1] < -bar {
            high = false;
        }
    }
    out
}

/// The three lengths: means of what lies nearest, begun with the shorts of the leaders.
fn learn(cycles: &[f64]) -> [f64; 3] {
    let mut likely: Vec<f64> = cycles
        .windows(8)
        .filter(|w| w.iter().all(|c| (c / w[0] - 1.0).abs() < 0.15 && (250e-6..520e-6).contains(c)))
        .map(|w| w[0])
        .collect();
    likely.sort_by(f64::total_cmp);
    let short = likely.get(likely.len() / 2).copied().unwrap_or(390e-6);
    let mut lengths = [short, 1.41 * short, 1.85 * short];
    for _ in 0..5 {
        let mut sums = [(0.0, 0.0); 3];
        for &c in cycles {
            let class = classify(c, &lengths);
            if class != NONE {
                sums[usize::from(class)].0 += c;
                sums[usize::from(class)].1 += 1.0;
            }
        }
        for (length, (sum, count)) in lengths.iter_mut().zip(sums) {
            if count > 0.0 {
                *length = sum / count;
            }
        }
    }
    lengths
}

fn classify(cycle: f64, lengths: &[f64; 3]) -> u8 {
    let [s, m, l] = lengths;
    match cycle {
        c if c < 0.75 * s => NONE,
        c if c < 0.5 * (s + m) => SHORT,
        c if c < 0.5 * (m + l) => MEDIUM,
        c if c < 1.25 * l => LONG,
        _ => NONE,
    }
}

/// The byte in twenty classes, if it is one of odd parity.
fn byte(word: &[u8]) -> Option<u8> {
    if word[..2] != [LONG, MEDIUM] {
        return None;
    }
    let mut bits: u16 = 0;
    for (k, pair) in word[2..].chunks(2).enumerate() {
        match pair {
            [SHORT, MEDIUM] => {}
            [MEDIUM, SHORT] => bits |= 1 << k,
            _ => return None,
        }
    }
    (bits.count_ones() % 2 == 1).then_some(bits as u8)
}

/// Byte after byte from `start_s`, each looked for where the one before says; a missing one is counted by time.
fn follow(found: &[(f64, u8)], start_s: f64, byte_s: f64, bytes: usize) -> Vec<Option<u8>> {
    let mut expected = start_s;
    let mut next = 0;
    let mut out = Vec::with_capacity(bytes);
    for _ in 0..bytes {
        next += found[next..].partition_point(|f| f.0 < expected - 0.3 * byte_s);
        let heard = found.get(next).filter(|f| f.0 < expected + 0.3 * byte_s);
        out.push(heard.map(|f| f.1));
        expected = heard.map_or(expected, |f| f.0) + byte_s;
    }
    out
}
