//! One tape of known contents, and its takes.

use quorate::channel::{self, Knobs};
use quorate::tape::twin_copy::{self, TapeFile};
use quorate::tape::{Kind, Program, Pulse};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Payload bytes of the data block; with its check byte 501 are judged.
pub const PAYLOAD: usize = 500;
pub const BYTES: usize = PAYLOAD + 1;
/// Bits a byte on tape: eight and parity.
pub const WIDTH: usize = 9;
pub const COPIES: usize = 2;
pub const TAKES: usize = 3;

/// Symbols of a byte, and of its marker.
const BYTE_SYMBOLS: usize = 20;
const MARKER: usize = 2;
const SYNC: usize = 9;
const LEADER_S: f64 = 2.0;

/// The header and the data block, in the order of the tape.
pub const BLOCKS: usize = 2;
pub const DATA: usize = 1;

/// A header and a data block of random bytes, both with a leader of 2 s.
pub struct Scene {
    pub seed: u64,
    pub program: Program,
    pub tape: Vec<Pulse>,
    pub blocks: [TrueBlock; BLOCKS],
}

/// A block as it was written.
pub struct TrueBlock {
    /// Payload and check byte, as bits on tape.
    pub bits: Vec<bool>,
    /// Pulse at which byte 0 of each copy begins.
    copy_at: [usize; COPIES],
}

impl TrueBlock {
    pub fn bytes(&self) -> usize {
        self.bits.len() / WIDTH
    }

    /// The pulse at which a bit of a copy begins.
    pub fn pulse(&self, copy: usize, bit: usize) -> usize {
        self.copy_at[copy] + bit / WIDTH * BYTE_SYMBOLS + MARKER + 2 * (bit % WIDTH)
    }

    /// The pulse at which byte 0 of a copy begins.
    pub fn copy_pulse(&self, copy: usize) -> usize {
        self.copy_at[copy]
    }
}

impl Scene {
    pub fn new(seed: u64) -> Scene {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let bytes = (0..PAYLOAD).map(|_| random.random()).collect();
        let program = Program { kind: Kind::Code, name: b"RING LOG".to_vec(), load_address: Some(0xc000), bytes };
        let file = TapeFile {
            header_leader_s: LEADER_S,
            data_leader_s: LEADER_S,
            gap_s: 0.5,
            ..TapeFile::usual(program.clone())
        };
        let (grammar, layout) = (twin_copy::grammar(), twin_copy::layout());
        let leader = (LEADER_S / grammar.symbols[grammar.leader].cycle).round() as usize;
        let payloads = file.payloads();
        let mut from = 0;
        let blocks = [0, DATA].map(|i| {
            let payload = &payloads[i];
            let check = payload.iter().fold(0, |x, b| x ^ b);
            let first = from + leader + SYNC * BYTE_SYMBOLS;
            let copy = (SYNC + payload.len() + 1) * BYTE_SYMBOLS + layout.end.len() + layout.between;
            from += file.blocks()[i].len();
            let bits = payload.iter().chain([&check]).flat_map(|&b| twin_copy::byte_bits(b)).collect();
            TrueBlock { bits, copy_at: [first, first + copy] }
        });
        Scene { seed, program, tape: twin_copy::write(&[file]), blocks }
    }

    /// The same tape with every second bit of the blocks turned over: even ones or odd ones.
    pub fn turned(&self, odd: bool) -> Vec<Pulse> {
        let mut tape = self.tape.clone();
        for block in &self.blocks {
            for copy in 0..COPIES {
                for bit in (usize::from(odd)..block.bits.len()).step_by(2) {
                    let at = block.pulse(copy, bit);
                    tape.swap(at, at + 1);
                }
            }
        }
        tape
    }

    /// Seed of the tape's own damage and of a take.
    pub fn tape_seed(&self) -> u64 {
        self.seed
    }

    pub fn take_seed(&self, take: usize) -> u64 {
        self.seed * 1_000 + take as u64 + 1
    }

    /// The reference deck, for one take: its lasting speed error lies within ±2 %.
    pub fn knobs(&self, base: &Knobs, take: usize) -> Knobs {
        let mut random = ChaCha8Rng::seed_from_u64(self.take_seed(take));
        Knobs { speed_error: base.speed_error + random.random_range(-0.02..0.02), ..base.clone() }
    }

    pub fn play(&self, tape: &[Pulse], knobs: &Knobs, take: usize) -> Vec<f32> {
        channel::play(tape, knobs, self.tape_seed(), self.take_seed(take))
    }

    pub fn schedule(&self, knobs: &Knobs, take: usize) -> Vec<f64> {
        channel::schedule(&self.tape, knobs, self.tape_seed(), self.take_seed(take))
    }
}

/// The reference deck of all ladders, a simulated one: only a 6 kHz second-order low-pass, wow 0.2 %, flutter 0.1 %, noise half white and half below
/// 300 Hz. The level leaves room for the peaks of the noise.
pub fn reference_deck() -> Knobs {
    Knobs {
        write_jitter_us: 0.0,
        record_wow_rms: 0.0,
        drift_rms: 0.0,
        wow_rms: 0.002,
        flutter_rms: 0.001,
        record_lowpass_hz: 0.0,
        playback_lowpass_hz: 6_000.0,
        highpass_hz: 0.0,
        spacing_um: 0.0,
        gap_um: 0.0,
        noise_low_share: 0.5,
        level_dbfs: -24.0,
        ..Knobs::default()
    }
}

/// Samples as a file of so many bits holds them.
pub fn quantise(wave: &mut [f32], bits: u32) {
    let scale = (1u64 << (bits - 1)) as f32;
    wave.iter_mut().for_each(|x| *x = (*x * scale).round().clamp(-scale, scale - 1.0) / scale);
}
