//! The certificate of a corrected block in words: what was decided against the votes, what forced it, and what else the
//! block might be.

use super::verdict::BlockVerdict;
use super::words::{count, list, offset};
use crate::correction::{Check, Finding, Outcome};

/// Bytes that are named; the rest is counted.
const NAMED: usize = 6;

/// A sentence or two about a block in which something was corrected, or `None` if nothing was. `width` is the number of
/// bits per byte on tape. Costs are in nats: e to the power of their difference are the odds.
pub fn certificate(block: &BlockVerdict, width: usize) -> Option<String> {
    let c = block.certificate.as_ref()?;
    if c.flips.is_empty() && c.lost == 0 {
        return None;
    }
    let bytes = |bits: &mut dyn Iterator<Item = usize>| bytes(bits, width, block.bytes);
    let mut done = Vec::new();
    if !c.flips.is_empty() {
        let at = bytes(&mut c.flips.iter().map(|f| f.position));
        done.push(format!("{} turned against the votes, {at}", count(c.flips.len(), "bit", "bits")));
    }
    if c.lost > 0 {
        done.push(format!("{} that nobody heard filled in", count(c.lost, "bit", "bits")));
    }
    let forced = forced(&c.findings);
    let by = if forced.is_empty() { String::new() } else { format!("; forced by {forced}") };
    let best = format!("{} (cost {:.1}{by}).", list(&done), c.cost);
    let within = if c.at_least { "at least " } else { "" };
    let next = match c.runner_up_cost {
        Some(_) if c.tie => {
            format!("Another valid block is as good: a tie; it differs {}", bytes(&mut c.differs.iter().copied()))
        }
        Some(next) => {
            format!("The next best valid block costs {next:.1} and differs {}", bytes(&mut c.differs.iter().copied()))
        }
        None => "No other block is valid".into(),
    };
    let lie = if c.blocks_within == 1 && !c.at_least { "lies" } else { "lie" };
    let near = format!("{within}{} {lie} within {:.0} of the best, itself included", c.blocks_within, c.window);
    Some(format!("{best} {next}; {near}."))
}

/// The checks that the votes alone fail or leave open.
fn forced(findings: &[Finding]) -> String {
    let number = |which: &dyn Fn(&Check) -> bool| findings.iter().filter(|f| which(&f.check)).count();
    let mut out = Vec::new();
    let parity = number(&|c| matches!(c, Check::Parity { .. }));
    if parity > 0 {
        out.push(format!("the parity of {}", count(parity, "byte", "bytes")));
    }
    let columns = number(&|c| matches!(c, Check::XorColumn { .. }));
    if columns > 0 {
        out.push(format!("the XOR in {}", count(columns, "column", "columns")));
    }
    let known = number(&|c| matches!(c, Check::KnownBit { .. }));
    if known > 0 {
        out.push(count(known, "start or stop bit", "start and stop bits"));
    }
    let whole = |f: &Finding| {
        let open = if f.outcome == Outcome::Open { " (open)" } else { "" };
        match f.check {
            Check::Sum { .. } => Some(format!("the sum{open}")),
            Check::Crc { .. } => Some(format!("the CRC{open}")),
            Check::Block => Some(format!("the checks of the block{open}")),
            _ => None,
        }
    };
    out.extend(findings.iter().filter_map(whole));
    list(&out)
}

/// `at offset 0x0003`, `at offsets 0x0003, 0x0011 and in the check byte`: the bytes of the block in which these bits lie.
fn bytes(bits: &mut dyn Iterator<Item = usize>, width: usize, of: usize) -> String {
    let mut at: Vec<usize> = bits.map(|bit| bit / width.max(1)).collect();
    at.dedup();
    let (data, check): (Vec<usize>, Vec<usize>) = at.iter().partition(|&&byte| byte + 1 < of);
    let mut names: Vec<String> = data.iter().take(NAMED).map(|&byte| offset(byte)).collect();
    if data.len() > NAMED {
        names.push(format!("{} more", data.len() - NAMED));
    }
    if let Some(first) = names.first_mut() {
        *first = format!("{} {first}", if data.len() == 1 { "at offset" } else { "at offsets" });
    }
    if !check.is_empty() {
        names.push("in the check byte".into());
    }
    list(&names)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Llr;
    use crate::correction::{ParityXor, certify};

    fn block(llrs: &[Llr], window: f64) -> BlockVerdict {
        let (_, certificate) = certify(&ParityXor { bytes: 3 }, llrs, 4, window).unwrap();
        let certificate = Some(certificate);
        BlockVerdict { role: "data".into(), bytes: 3, readings: 1, p_wrong: 0.1, hypotheses: Vec::new(), certificate }
    }

    fn votes(weight: impl Fn(usize) -> f32) -> Vec<Llr> {
        let word = [0x41u8, 0x42, 0x03].map(crate::tape::twin_copy::byte_bits).concat();
        word.iter().enumerate().map(|(i, &bit)| Llr(if bit { weight(i) } else { -weight(i) })).collect()
    }

    /// The case of `tests/oracles/two_dimensional_parity.py`, worked there three ways: cheapest repair 1.2, rival 2.5, in
    /// bytes 0 and 1.
    #[test]
    fn the_fixed_case_in_words() {
        let weights = |i| match i {
            6 => -0.5,
            10 => -0.7,
            1 => 1.0,
            15 => 1.5,
            _ => 4.0,
        };
        let said = certificate(&block(&votes(weights), 2.0), 9).unwrap();
        assert_eq!(
            said,
            "2 bits turned against the votes, at offsets 0x0000 and 0x0001 (cost 1.2; forced by the parity of 2 bytes and the \
             XOR in 2 columns). The next best valid block costs 2.5 and differs at offsets 0x0000 and 0x0001; 2 lie within 2 of the \
             best, itself included."
        );
    }

    #[test]
    fn what_needed_no_correction_has_no_certificate() {
        assert_eq!(certificate(&block(&votes(|_| 4.0), 2.0), 9), None);
    }

    #[test]
    fn a_lost_bit_and_the_check_byte() {
        let said = certificate(&block(&votes(|i| if i == 20 { 0.0 } else { 4.0 }), 2.0), 9).unwrap();
        assert!(said.starts_with("1 bit that nobody heard filled in (cost 0.0; forced by"), "{said}");
        assert!(said.contains("1 lies within 2"), "{said}");
        assert_eq!(bytes(&mut [0, 3, 17, 20].into_iter(), 9, 3), "at offsets 0x0000, 0x0001 and in the check byte");
        assert_eq!(bytes(&mut [26].into_iter(), 9, 3), "in the check byte");
    }
}
