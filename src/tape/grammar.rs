//! How bits become pulses, and how blocks lie on the tape: plain data that writer and receiver share.

/// One full cycle of the square wave that the machine writes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Symbol {
    pub name: &'static str,
    /// Full cycle as usually measured on tapes, in seconds.
    pub cycle: f64,
}

/// How bits become symbols. Symbol numbers index `symbols`.
///
/// Worked example (twin-copy): symbols short, medium, long; `byte_prefix` = long, medium; bit 0 = short, medium;
/// bit 1 = medium, short; nine bits a byte, least significant first, the ninth odd parity. Both bit words last the
/// same time, so every byte lasts the same time.
#[derive(Clone, Debug)]
pub struct Grammar {
    pub symbols: Vec<Symbol>,
    /// The sets of symbol lengths that tapes show, each relative to the leader symbol (recorders differ by a constant).
    pub relative_lengths: Vec<Vec<f64>>,
    /// Symbols before the bits of every byte.
    pub byte_prefix: Vec<usize>,
    /// Symbols of bit 0 and of bit 1.
    pub bit: [Vec<usize>; 2],
    /// Bits per byte on tape, parity or stop bits included.
    pub bits_per_byte: usize,
    /// The bits of a byte in tape order.
    pub byte_bits: fn(u8) -> Vec<bool>,
    /// The symbol repeated in leaders.
    pub leader: usize,
}

impl Grammar {
    /// Seconds of a run of symbols at the usual lengths.
    pub fn seconds(&self, symbols: &[usize]) -> f64 {
        symbols.iter().map(|&s| self.symbols[s].cycle).sum()
    }

    /// The symbols of a byte in tape order.
    pub fn byte_symbols(&self, byte: u8) -> Vec<usize> {
        let mut out = self.byte_prefix.clone();
        for bit in (self.byte_bits)(byte) {
            out.extend(&self.bit[usize::from(bit)]);
        }
        out
    }

    /// True when a bit lasts the same time whatever its value (to a part in a million).
    pub fn equal_bits(&self) -> bool {
        let (a, b) = (self.seconds(&self.bit[0]), self.seconds(&self.bit[1]));
        (a - b).abs() < 1e-6 * a
    }
}

/// How one block lies on the tape.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    /// Sync bytes before each copy of the block, first copy first. One entry: the format has no second copy.
    pub sync: Vec<Vec<u8>>,
    /// Symbols after the last byte of a copy.
    pub end: Vec<usize>,
    /// Leader cycles after the first copy (before the sync bytes of the second) and after the last.
    pub between: usize,
    pub after: usize,
}
