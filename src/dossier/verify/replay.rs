//! The decisions of the log, laid on the evidence once more, by rules of its own.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::recovery::Outcome;

/// The bytes of all programs with the decisions of the log on them: the last word on every byte, where the program is
/// still there and not established.
pub fn replayed(outcome: &Outcome, mut bytes: Vec<Vec<u8>>, events: &[Value]) -> Vec<Vec<u8>> {
    let mut last: BTreeMap<String, &Value> = BTreeMap::new();
    for event in events {
        let place = format!("{} {}", event["program"], event["offset"]);
        match event["kind"].as_str() {
            Some("person-decided") => drop(last.insert(place, event)),
            Some("person-withdrew") => drop(last.remove(&place)),
            _ => {}
        }
    }
    let evidence = bytes.clone();
    let programs = &outcome.verdict.programs;
    // in the order of the log, which is by number
    let mut decisions: Vec<&Value> = last.into_values().collect();
    decisions.sort_by_key(|d| d["n"].as_u64());
    for decision in decisions {
        let wanted = &decision["program"];
        let alike: Vec<usize> = (0..programs.len())
            .filter(|&i| {
                let p = &programs[i];
                wanted["name"] == p.name.as_str()
                    && wanted["size"] == p.size
                    && wanted["load_address"] == serde_json::json!(p.load_address)
                    && wanted["kind"] == serde_json::json!(p.kind)
            })
            .collect();
        let from = decision["around_from"].as_u64().unwrap_or(0) as usize;
        let around: Vec<u64> = decision["around"].as_array().into_iter().flatten().filter_map(Value::as_u64).collect();
        let like = |i: usize| {
            let there = evidence[i].get(from..).unwrap_or(&[]);
            there.iter().zip(&around).filter(|(a, b)| u64::from(**a) == **b).count()
        };
        let most = alike.iter().map(|&i| like(i)).max().unwrap_or(0);
        let nth = wanted["nth"].as_u64().unwrap_or(0) as usize;
        let best = alike.get(nth).copied().filter(|&i| like(i) == most);
        let Some(i) = best.or(alike.iter().copied().find(|&i| like(i) == most)) else { continue };
        let offset = decision["offset"].as_u64().unwrap_or(u64::MAX) as usize;
        if let (Some(byte), Some(value)) = (bytes[i].get_mut(offset), decision["value"].as_u64())
            && programs[i].verdict != crate::confidence::Level::Established
        {
            *byte = value as u8;
        }
    }
    bytes
}
