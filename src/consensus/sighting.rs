//! What one take saw of one block: one reading per copy.

use super::TakeReadings;

/// The readings of one block in one take.
#[derive(Clone, Debug, PartialEq)]
pub struct Sighting {
    pub take: usize,
    /// Reading numbers in tape order, with the copy each is of.
    pub readings: Vec<(usize, usize)>,
    /// Seconds of tape.
    pub from_s: f64,
    pub to_s: f64,
}

/// The second copy follows the first after some 120 ms (79 shorts and nine sync bytes); a lost stretch between them may
/// hide a little of either.
const LONGEST_BETWEEN_S: f64 = 0.7;

/// Pairs up the copies in one take. Copies is how many copies of each block the format writes.
pub fn sightings(take: usize, readings: &TakeReadings, copies: usize) -> Vec<Sighting> {
    let mut out: Vec<Sighting> = Vec::new();
    for (i, reading) in readings.readings.iter().enumerate() {
        // one that was rejected has no bytes left
        if reading.bytes() == 0 {
            continue;
        }
        let (from_s, to_s) = (reading.from_s() * readings.speed, reading.to_s() * readings.speed);
        let joined = out.last_mut().filter(|last| {
            let previous = last.readings[last.readings.len() - 1].1;
            let near = from_s - last.to_s < LONGEST_BETWEEN_S && from_s > last.from_s;
            let next = reading.copy.is_none_or(|copy| copy == previous + 1);
            near && next && previous + 1 < copies && last.readings.len() < copies
        });
        match joined {
            Some(last) => {
                let copy = last.readings[last.readings.len() - 1].1 + 1;
                last.readings.push((i, copy));
                last.to_s = to_s;
            }
            None => {
                // unframed readings are taken for the first copy until their content says otherwise
                out.push(Sighting { take, readings: vec![(i, reading.copy.unwrap_or(0))], from_s, to_s });
            }
        }
    }
    // an unframed reading right before a second copy was the first
    for i in 1..out.len() {
        let (left, right) = out.split_at_mut(i);
        let (a, b) = (&mut left[i - 1], &mut right[0]);
        if a.readings.len() == 1
            && b.readings.len() == 1
            && b.readings[0].1 == 1
            && a.readings[0].1 == 0
            && b.from_s - a.to_s < LONGEST_BETWEEN_S
            && copies == 2
        {
            a.readings.push(b.readings[0]);
            a.to_s = b.to_s;
            b.readings.clear();
        }
    }
    out.retain(|s| !s.readings.is_empty());
    out
}
