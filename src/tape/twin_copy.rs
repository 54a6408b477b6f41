//! `twin-copy`: three pulse lengths, pulse-pair bits, odd parity, every block twice, XOR byte.
//!
//! All figures from memory and common practice in the trade.

use super::{Grammar, Kind, Layout, Program, Pulse, Symbol};

pub const SHORT: usize = 0;
pub const MEDIUM: usize = 1;
pub const LONG: usize = 2;

/// Lengths as tapes measure: the design values 352, 512, 672 µs plus what the interrupt adds.
pub fn grammar() -> Grammar {
    Grammar {
        symbols: vec![
            Symbol { name: "short", cycle: 390e-6 },
            Symbol { name: "medium", cycle: 536e-6 },
            Symbol { name: "long", cycle: 698e-6 },
        ],
        // medium/short 1.365 to 1.465, long/short 1.785 to 1.915: the constant moves both together
        relative_lengths: (0..6)
            .map(|i| f64::from(i) / 5.0)
            .map(|x| vec![1.0, 1.37 + 0.09 * x, 1.79 + 0.12 * x])
            .collect(),
        byte_prefix: vec![LONG, MEDIUM],
        bit: [vec![SHORT, MEDIUM], vec![MEDIUM, SHORT]],
        bits_per_byte: 9,
        byte_bits,
        leader: SHORT,
    }
}

/// Eight bits, least significant first, and the bit that makes the number of ones odd.
pub fn byte_bits(byte: u8) -> Vec<bool> {
    let mut bits: Vec<bool> = (0..8).map(|k| byte >> k & 1 == 1).collect();
    bits.push(byte.count_ones() % 2 == 0);
    bits
}

pub fn layout() -> Layout {
    Layout {
        sync: vec![(0x81..=0x89).rev().collect(), (0x01..=0x09).rev().collect()],
        end: vec![LONG, SHORT],
        between: 79,
        after: 78,
    }
}

/// A file on a twin-copy tape, as it is written: what one header announces.
#[derive(Clone, Debug, PartialEq)]
pub struct TapeFile {
    pub program: Program,
    /// Leader before the header and before each data block, in seconds (about 10 and 2).
    pub header_leader_s: f64,
    pub data_leader_s: f64,
    /// Silence after the file, in seconds.
    pub gap_s: f64,
    /// Bytes of the header after the name (at most 171; padded with spaces).
    pub header_rest: Vec<u8>,
    /// XORed into the check byte of the data block: non-zero writes a wrong checksum, for tests.
    pub checksum_fault: u8,
}

/// Bytes of a header block's payload, and of every block of a data file.
pub const HEADER_BYTES: usize = 192;
/// Bytes of the header after the name.
pub const REST_BYTES: usize = 171;
/// Data bytes in one block of a data file, after its kind byte.
pub const DATA_BLOCK_BYTES: usize = HEADER_BYTES - 1;

/// The kind byte of a header payload.
pub mod kind {
    pub const RELOCATABLE: u8 = 1;
    pub const DATA_BLOCK: u8 = 2;
    pub const FIXED: u8 = 3;
    pub const DATA_HEADER: u8 = 4;
    pub const END_OF_TAPE: u8 = 5;
}

/// The address of the machine's own tape buffer, which the header of a data file names.
const BUFFER: (u16, u16) = (0x033c, 0x03fc);

/// The payload of a header block.
///
/// Worked example: kind 1, start 0801, end 0810, name `TIDES`: payload `01 01 08 10 08 54 49 44 45 53 20 …`, and the
/// data block that follows holds 15 bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Header {
    /// One of [`kind`], on a sound tape.
    pub kind: u8,
    pub start: u16,
    /// One past the last byte.
    pub end: u16,
    pub name: [u8; 16],
    /// What follows the name: 171 bytes, spaces or code of a custom loader.
    pub rest: Vec<u8>,
}

impl Header {
    /// The 192 bytes of the payload. A short `rest` is padded with spaces; no more than 171 bytes of it are used.
    pub fn encode(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(HEADER_BYTES);
        out.push(self.kind);
        out.extend(self.start.to_le_bytes());
        out.extend(self.end.to_le_bytes());
        out.extend(self.name);
        out.extend(self.rest.iter().take(REST_BYTES));
        out.resize(HEADER_BYTES, b' ');
        out
    }

    /// The header in a payload of 192 bytes; `None` for any other length. The kind is not judged.
    pub fn decode(payload: &[u8]) -> Option<Header> {
        let payload: &[u8; HEADER_BYTES] = payload.try_into().ok()?;
        Some(Header {
            kind: payload[0],
            start: u16::from_le_bytes([payload[1], payload[2]]),
            end: u16::from_le_bytes([payload[3], payload[4]]),
            name: payload[5..21].try_into().ok()?,
            rest: payload[21..].to_vec(),
        })
    }

    /// Bytes that the data block of a program must hold; `None` if the addresses make no sense.
    pub fn data_bytes(&self) -> Option<usize> {
        self.end.checked_sub(self.start).filter(|&n| n > 0).map(usize::from)
    }
}

impl TapeFile {
    /// A file with the machine's usual leaders, a gap of 2 s and nothing after the name.
    pub fn usual(program: Program) -> TapeFile {
        TapeFile {
            program,
            header_leader_s: 10.0,
            data_leader_s: 2.0,
            gap_s: 2.0,
            header_rest: Vec::new(),
            checksum_fault: 0,
        }
    }

    /// What keeps this file from being written as it stands, in a sentence.
    pub fn check(&self) -> Result<(), String> {
        let program = &self.program;
        let end = usize::from(program.load_address.unwrap_or(0)) + program.bytes.len();
        let seconds = [self.header_leader_s, self.data_leader_s, self.gap_s];
        if program.name.len() > 16 {
            return Err(format!("the name has {} characters; a twin-copy name has at most 16", program.name.len()));
        }
        if program.bytes.is_empty() {
            return Err("the program has no bytes; give it at least one".into());
        }
        if matches!(program.kind, Kind::Basic | Kind::Code) && program.load_address.is_none() {
            return Err("a program needs a load address".into());
        }
        if program.kind != Kind::Data && end > 0xffff {
            return Err(format!("the program ends at {end:#x}, past ffff; lower the load address or shorten it"));
        }
        if self.header_rest.len() > REST_BYTES {
            return Err(format!("{} bytes after the name; a header holds {REST_BYTES}", self.header_rest.len()));
        }
        if seconds.iter().any(|s| !(0.0..=600.0).contains(s)) {
            return Err("leaders and gap must last 0 to 600 seconds".into());
        }
        Ok(())
    }

    /// The payloads of the blocks of this file in the order of the tape, header first. A program of unknown kind has
    /// no header. A data file ends with a zero byte and is padded with zeros to whole blocks (from memory).
    pub fn payloads(&self) -> Vec<Vec<u8>> {
        let bytes = &self.program.bytes;
        let start = self.program.load_address.unwrap_or(0);
        let end = start.wrapping_add(bytes.len() as u16);
        let header = |kind, start, end| {
            let mut name = [b' '; 16];
            name.iter_mut().zip(&self.program.name).for_each(|(to, from)| *to = *from);
            Header { kind, start, end, name, rest: self.header_rest.clone() }.encode()
        };
        match self.program.kind {
            Kind::Basic => vec![header(kind::RELOCATABLE, start, end), bytes.clone()],
            Kind::Code => vec![header(kind::FIXED, start, end), bytes.clone()],
            Kind::Unknown => vec![bytes.clone()],
            Kind::Data => {
                let ended: Vec<u8> = bytes.iter().copied().chain([0]).collect();
                let blocks = ended.chunks(DATA_BLOCK_BYTES).map(|chunk| {
                    let mut block = vec![kind::DATA_BLOCK];
                    block.extend(chunk);
                    block.resize(HEADER_BYTES, 0);
                    block
                });
                std::iter::once(header(kind::DATA_HEADER, BUFFER.0, BUFFER.1)).chain(blocks).collect()
            }
        }
    }

    /// The blocks of this file as the machine writes them, leaders included, in the order of [`TapeFile::payloads`].
    pub fn blocks(&self) -> Vec<Vec<Pulse>> {
        let headers = usize::from(self.program.kind != Kind::Unknown);
        let block = |(i, payload): (usize, &Vec<u8>)| {
            if i < headers {
                write_block(payload, self.header_leader_s, 0)
            } else {
                write_block(payload, self.data_leader_s, self.checksum_fault)
            }
        };
        self.payloads().iter().enumerate().map(block).collect()
    }
}

/// The symbols of one byte: marker, eight bits least significant first, odd parity. Always twenty.
pub fn byte_symbols(byte: u8) -> Vec<usize> {
    let grammar = grammar();
    let parity = (byte.count_ones() as u8 + 1) & 1;
    let bits = (0..8).map(|i| byte >> i & 1).chain([parity]);
    grammar.byte_prefix.iter().copied().chain(bits.flat_map(|b| grammar.bit[usize::from(b)].clone())).collect()
}

/// One block as the machine writes it: leader, both copies of payload and XOR byte, and the shorts after them.
/// `checksum_fault` is XORed into the check byte of both copies.
pub fn write_block(payload: &[u8], leader_s: f64, checksum_fault: u8) -> Vec<Pulse> {
    let (grammar, layout) = (grammar(), layout());
    let check = payload.iter().fold(checksum_fault, |x, b| x ^ b);
    let leader = (leader_s / grammar.symbols[grammar.leader].cycle).round() as usize;
    let mut symbols = vec![grammar.leader; leader];
    for (copy, sync) in layout.sync.iter().enumerate() {
        symbols.extend(sync.iter().chain(payload).chain([&check]).flat_map(|&b| byte_symbols(b)));
        symbols.extend(&layout.end);
        let shorts = if copy + 1 < layout.sync.len() { layout.between } else { layout.after };
        symbols.extend(std::iter::repeat_n(grammar.leader, shorts));
    }
    symbols.into_iter().map(|s| Pulse::Cycle(grammar.symbols[s].cycle)).collect()
}

/// A whole tape: every file as header block, data block(s), gap. Lengths are those of [`grammar`]; playing speed is
/// the deck's affair. Files should pass [`TapeFile::check`].
pub fn write(files: &[TapeFile]) -> Vec<Pulse> {
    let mut tape = Vec::new();
    for file in files {
        tape.extend(file.blocks().into_iter().flatten());
        if file.gap_s > 0.0 {
            tape.push(Pulse::Silence(file.gap_s));
        }
    }
    tape
}

/// The block that says that no more files follow.
pub fn write_end_of_tape(leader_s: f64) -> Vec<Pulse> {
    let header = Header { kind: kind::END_OF_TAPE, start: 0, end: 0, name: [b' '; 16], rest: Vec::new() };
    write_block(&header.encode(), leader_s, 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn letters(symbols: &[usize]) -> String {
        symbols.iter().map(|&s| ['s', 'm', 'L'][s]).collect()
    }

    fn program(kind: Kind, bytes: Vec<u8>) -> Program {
        Program { kind, name: b"TIDES".to_vec(), load_address: Some(0x0801), bytes }
    }

    /// 41 hex = 0100 0001: by hand from the layout above, least significant first: 1 0 0 0 0 0 1 0, two ones, so parity 1.
    #[test]
    fn byte_41_is_written_as_worked_by_hand() {
        assert_eq!(letters(&byte_symbols(0x41)), "Lm ms sm sm sm sm sm ms sm ms".replace(' ', ""));
        // 01: one one, so parity 0
        assert_eq!(letters(&byte_symbols(0x01)), "Lm ms sm sm sm sm sm sm sm sm".replace(' ', ""));
    }

    /// 536 + 698 + 9·(390 + 536) = 9568 µs, whatever the value.
    #[test]
    fn every_byte_lasts_the_same_time() {
        for byte in 0..=255 {
            assert!((grammar().seconds(&byte_symbols(byte)) - 9568e-6).abs() < 1e-9);
        }
        assert!(grammar().equal_bits());
    }

    /// Payload 41 42: leader, 9 sync bytes, 41 42 03, long short, 79 shorts, 9 sync bytes, 41 42 03, long short, 78.
    #[test]
    fn a_block_is_laid_out_as_formats_md_says() {
        let cycles: Vec<f64> = write_block(&[0x41, 0x42], 0.039, 0).iter().map(|p| p.seconds()).collect();
        let name = |c: &f64| {
            if *c < 450e-6 {
                's'
            } else if *c < 600e-6 {
                'm'
            } else {
                'L'
            }
        };
        let text: String = cycles.iter().map(name).collect();
        let word = |bytes: &[u8]| bytes.iter().map(|&b| letters(&byte_symbols(b))).collect::<String>();
        let first = word(&[0x89, 0x88, 0x87, 0x86, 0x85, 0x84, 0x83, 0x82, 0x81, 0x41, 0x42, 0x03]);
        let second = word(&[9, 8, 7, 6, 5, 4, 3, 2, 1, 0x41, 0x42, 0x03]);
        let s = |n| "s".repeat(n);
        assert_eq!(text, format!("{}{first}Ls{}{second}Ls{}", s(100), s(79), s(78)));
        let faulty = write_block(&[0x41, 0x42], 0.039, 0x04);
        assert_ne!(faulty, write_block(&[0x41, 0x42], 0.039, 0));
    }

    #[test]
    fn a_header_is_192_bytes_little_endian_and_padded_with_spaces() {
        let file = TapeFile::usual(program(Kind::Basic, vec![7; 15]));
        let payload = &file.payloads()[0];
        assert_eq!(payload.len(), 192);
        assert_eq!(payload[..12], [0x01, 0x01, 0x08, 0x10, 0x08, 0x54, 0x49, 0x44, 0x45, 0x53, 0x20, 0x20]);
        assert_eq!(payload[191], b' ');
        let header = Header::decode(payload).expect("192 bytes");
        assert_eq!((header.kind, header.data_bytes(), header.rest.len()), (1, Some(15), 171));
        assert_eq!(&header.encode(), payload);
        assert_eq!(Header::decode(&payload[1..]), None);
    }

    #[test]
    fn a_data_file_is_a_kind_4_header_and_kind_2_blocks_ending_with_a_zero() {
        let payloads = TapeFile::usual(program(Kind::Data, vec![0x55; 191])).payloads();
        assert_eq!(payloads.iter().map(|p| p[0]).collect::<Vec<_>>(), [4, 2, 2]);
        assert!(payloads.iter().all(|p| p.len() == 192));
        assert_eq!((payloads[1][191], payloads[2][1]), (0x55, 0));
    }

    /// Two leaders of 10 s and 2 s; header and data block of 15 bytes; 2 s gap. By hand: a copy of n payload bytes is
    /// (n + 10)·9568 + 698 + 390 µs; the shorts after both copies are 157·390 µs.
    #[test]
    fn a_tape_lasts_as_long_as_worked_by_hand() {
        let tape = write(&[TapeFile::usual(program(Kind::Code, vec![7; 15]))]);
        let seconds: f64 = tape.iter().map(|p| p.seconds()).sum();
        let copies = 2.0 * ((202.0 + 25.0) * 9568e-6 + 2.0 * 1088e-6) + 2.0 * 157.0 * 390e-6;
        assert!((seconds - (10.0 + 2.0 + copies + 2.0)).abs() < 400e-6, "{seconds}");
        assert!(matches!(tape.last(), Some(Pulse::Silence(_))));
    }

    #[test]
    fn what_does_not_fit_is_refused_with_a_reason() {
        let mut file = TapeFile::usual(program(Kind::Code, vec![7; 15]));
        assert_eq!(file.check(), Ok(()));
        file.program.name = vec![b'A'; 17];
        assert!(file.check().unwrap_err().contains("17 characters"));
        let mut file = TapeFile::usual(program(Kind::Code, vec![7; 0xf7ff]));
        assert!(file.check().unwrap_err().contains("0x10000"));
        file.program.bytes.clear();
        assert!(file.check().unwrap_err().contains("no bytes"));
    }
}
