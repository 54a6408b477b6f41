//! Claims against the truth, in bins.

use quorate::confidence::statistics::clopper_pearson;
use serde::Serialize;

/// Claims binned by a key that rises.
#[derive(Clone, Debug, Serialize)]
pub struct Table {
    /// Lower ends; the last bin has no upper end.
    pub from: Vec<f64>,
    pub bins: Vec<Bin>,
}

#[derive(Clone, Copy, Debug, Default, Serialize)]
pub struct Bin {
    pub count: u64,
    pub wrong: u64,
    /// Sum of the claimed chances of error.
    pub claimed: f64,
}

impl Table {
    /// By |llr|, in nats.
    pub fn of_bits() -> Table {
        Table::from(&[
            0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 14.0, 16.0, 20.0, 30.0,
        ])
    }

    /// By −log10 of the claimed chance that a block is wrong.
    pub fn of_blocks() -> Table {
        Table::from(&[0.0, 0.05, 0.3, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0])
    }

    fn from(from: &[f64]) -> Table {
        Table { from: from.to_vec(), bins: vec![Bin::default(); from.len()] }
    }

    pub fn bit(&mut self, llr: f32, wrong: bool) {
        let size = f64::from(llr.abs());
        self.claim(size, 1.0 / (1.0 + size.exp()), wrong);
    }

    pub fn block(&mut self, p_wrong: f64, wrong: bool) {
        self.claim(-p_wrong.max(1e-300).log10(), p_wrong, wrong);
    }

    fn claim(&mut self, key: f64, p_wrong: f64, wrong: bool) {
        let at = self.from.partition_point(|&from| from <= key).max(1) - 1;
        let bin = &mut self.bins[at];
        bin.count += 1;
        bin.wrong += u64::from(wrong);
        bin.claimed += p_wrong;
    }

    pub fn add(&mut self, other: &Table) {
        for (a, b) in self.bins.iter_mut().zip(&other.bins) {
            a.count += b.count;
            a.wrong += b.wrong;
            a.claimed += b.claimed;
        }
    }

    /// As a table in Markdown, empty bins left out.
    pub fn markdown(&self, key: &str) -> String {
        let mut out = format!(
            "| {key} | claims | wrong | claimed | observed | 95 % exact | |\n|---|---:|---:|---:|---:|---|---|\n"
        );
        for (i, bin) in self.bins.iter().enumerate().filter(|(_, bin)| bin.count > 0) {
            let Some(interval) = clopper_pearson(bin.wrong, bin.count, 0.95) else { continue };
            let range =
                self.from.get(i + 1).map_or(format!("{} up", self.from[i]), |to| format!("{} to {to}", self.from[i]));
            let claimed = bin.claimed / bin.count as f64;
            let verdict = match claimed {
                c if c < interval.low => "bolder than the truth",
                c if c > interval.high => "more timid",
                _ => "agrees",
            };
            out += &format!(
                "| {range} | {} | {} | {claimed:.2e} | {:.2e} | {:.2e} to {:.2e} | {verdict} |\n",
                bin.count,
                bin.wrong,
                bin.wrong as f64 / bin.count as f64,
                interval.low,
                interval.high
            );
        }
        out
    }
}

/// The claims of one ladder.
#[derive(Clone, Debug, Serialize)]
pub struct Claims {
    /// Bits of single readings.
    pub readings: Table,
    /// Bits of the sum of all votes, one take and three.
    pub votes: Table,
    /// Bits after the checks.
    pub posterior: Table,
    /// Whole blocks.
    pub blocks: Table,
}

impl Default for Claims {
    fn default() -> Claims {
        let bits = Table::of_bits();
        Claims { readings: bits.clone(), votes: bits.clone(), posterior: bits, blocks: Table::of_blocks() }
    }
}

impl Claims {
    pub fn add(&mut self, other: &Claims) {
        self.readings.add(&other.readings);
        self.votes.add(&other.votes);
        self.posterior.add(&other.posterior);
        self.blocks.add(&other.blocks);
    }
}
