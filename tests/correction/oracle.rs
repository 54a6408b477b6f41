//! The door for oracles in other languages: reads cases from the file named by QUORATE_CASES, writes what the three
//! algorithms say to the file named by QUORATE_RESULTS. Run by tests/oracles/correction.py.

use serde::{Deserialize, Serialize};

use super::*;

#[derive(Deserialize)]
struct Case {
    machine: String,
    llrs: Vec<Llr>,
    k: usize,
}

#[derive(Serialize)]
struct Answer {
    costs: Vec<f64>,
    best: Vec<bool>,
    obeys: bool,
    p_one: Vec<f64>,
    ln_valid: f64,
}

fn machine(name: &str, bits: usize) -> Box<dyn CheckMachine> {
    let framed = ByteFrame { order: BitOrder::LsbFirst, before: 1, after: 1 };
    match name {
        "parity-xor" => Box::new(ParityXor { bytes: bits / 9 }),
        "crc-xmodem-msb" => Box::new(Crc16::new(ByteFrame::bare(BitOrder::MsbFirst), Crc16Params::XMODEM)),
        "crc-xmodem-framed" => {
            Box::new(Product { a: Crc16::new(framed, Crc16Params::XMODEM), b: Framing::start_stop(1) })
        }
        other => panic!("the oracle asks for a machine {other} that this test does not build"),
    }
}

#[test]
#[ignore = "needs the cases that tests/oracles/correction.py writes"]
fn oracle_cases() {
    let path =
        |name| std::env::var(name).unwrap_or_else(|_| panic!("{name} is not set: run tests/oracles/correction.py"));
    let cases: Vec<Case> = serde_json::from_slice(&std::fs::read(path("QUORATE_CASES")).unwrap()).unwrap();
    let answer = |case: &Case| {
        let machine = machine(&case.machine, case.llrs.len());
        let words = k_best(&*machine, &case.llrs, case.k);
        let posterior = posteriors(&*machine, &case.llrs).unwrap();
        Answer {
            costs: words.iter().map(|word| word.cost).collect(),
            obeys: words.iter().all(|word| obeys(&*machine, &word.bits)),
            best: words[0].bits.clone(),
            p_one: posterior.llr.iter().map(|llr| llr.p_one()).collect(),
            ln_valid: posterior.ln_valid,
        }
    };
    let answers: Vec<Answer> = cases.iter().map(answer).collect();
    std::fs::write(path("QUORATE_RESULTS"), serde_json::to_vec(&answers).unwrap()).unwrap();
}
