//! `twin-copy`: which blocks make a program.

use super::format::{Assembly, BlockBytes, Format};
use super::twin_copy::{self, Header, TapeFile, kind};
use super::{Grammar, Kind, Layout, Program, Pulse};
use crate::correction::{CheckMachine, ParityOnly, ParityXor};

pub struct TwinCopy {
    grammar: Grammar,
    layout: Layout,
}

impl Default for TwinCopy {
    fn default() -> Self {
        TwinCopy { grammar: twin_copy::grammar(), layout: twin_copy::layout() }
    }
}

impl Format for TwinCopy {
    fn id(&self) -> &'static str {
        "twin-copy"
    }
    fn recording(&self) -> &'static str {
        "three pulse lengths, a bit is a pair of them; odd parity; every block twice; XOR byte"
    }
    fn machines(&self) -> &'static str {
        "6502 home computers of one maker, 1977-1985, with the maker's own recorder: programs in BASIC and machine \
         code, data files"
    }
    fn grammar(&self) -> &Grammar {
        &self.grammar
    }
    fn layout(&self) -> &Layout {
        &self.layout
    }
    fn checks(&self, bytes: usize) -> Box<dyn CheckMachine> {
        Box::new(ParityXor { bytes })
    }
    fn checks_within_bytes(&self, _bytes: usize) -> Box<dyn CheckMachine> {
        Box::new(ParityOnly)
    }
    fn byte(&self, bits: &[bool]) -> u8 {
        bits.iter().take(8).enumerate().map(|(k, &b)| u8::from(b) << k).sum()
    }
    fn data_bits(&self) -> std::ops::Range<usize> {
        0..8
    }
    fn announced_bytes(&self, header: &BlockBytes) -> Option<usize> {
        let sure = doubt_of_fields(header)? < DOUBTFUL;
        let header = header_of(&header.payload).filter(|_| sure)?;
        match header.kind {
            kind::RELOCATABLE | kind::FIXED => header.data_bytes().map(|n| n + 1),
            kind::DATA_HEADER => Some(twin_copy::HEADER_BYTES + 1),
            _ => None,
        }
    }

    fn own_bytes(&self, payload: &[u8]) -> Option<usize> {
        // filler of equal bytes hides how many there are; what stands before it tells a header from anything else
        let mut fields = payload.get(..NAME.end)?.to_vec();
        fields.resize(twin_copy::HEADER_BYTES, b' ');
        let header = header_of(&fields).filter(|h| matches!(h.kind, kind::RELOCATABLE | kind::FIXED))?;
        let printable = |b: &u8| (0x20..0x60).contains(&(b & 0x7F));
        header.name.iter().all(printable).then_some(twin_copy::HEADER_BYTES + 1)
    }

    fn assemble(&self, blocks: &[BlockBytes]) -> Vec<Assembly> {
        let mut out: Vec<Assembly> = Vec::new();
        // the program that waits for its data, and where its header ended
        let mut open: Option<(Assembly, f64)> = None;
        for (i, block) in blocks.iter().enumerate() {
            let expects = open.as_ref().and_then(|(a, _)| a.announced.filter(|_| a.kind != Kind::Data));
            let near = open.as_ref().is_some_and(|(_, end)| block.from_s - end < LONGEST_PAUSE_S);
            let header = header_of(&block.payload).filter(|_| !(near && expects == Some(block.payload.len())));
            match header {
                Some(h) if h.kind == kind::DATA_BLOCK => match &mut open {
                    Some((program, end)) if program.kind == Kind::Data && near => {
                        program.data.push((i, 1..block.payload.len()));
                        *end = block.to_s;
                    }
                    _ => {
                        out.extend(open.take().map(closed));
                        let mut orphan = unknown(i, 1..block.payload.len());
                        orphan.kind = Kind::Data;
                        orphan.notes.push("The header of this data file was not found.".into());
                        open = Some((orphan, block.to_s));
                    }
                },
                Some(h) => {
                    out.extend(open.take().map(closed));
                    if h.kind != kind::END_OF_TAPE {
                        open = Some((announced(i, &h), block.to_s));
                    }
                }
                None if is_damaged_header(block, blocks.get(i + 1)) && !(near && expects.is_some()) => {
                    out.extend(open.take().map(closed));
                    open = Header::decode(&block.payload).map(|h| (damaged(i, &h), block.to_s));
                }
                // what lies on the header itself, such as a bad reading of its second copy, can't be what follows it
                None if open.as_ref().is_some_and(|(_, end)| block.from_s < end - OVERLAP_S) => {
                    out.push(closed((unknown(i, 0..block.payload.len()), 0.0)));
                }
                // of a data file's block whose end no take heard: the file is not whole without it
                None if near
                    && begins_a_data_block(&block.payload)
                    && open.as_ref().is_some_and(|(a, _)| a.kind == Kind::Data) =>
                {
                    if let Some((program, end)) = &mut open {
                        program.data.push((i, 1..block.payload.len()));
                        *end = block.to_s;
                    }
                }
                None => match open.take() {
                    Some((mut program, _)) if near && program.kind != Kind::Data => {
                        program.data.push((i, 0..block.payload.len()));
                        out.push(closed((program, 0.0)));
                    }
                    other => {
                        out.extend(other.map(closed));
                        out.push(unknown(i, 0..block.payload.len()));
                    }
                },
            }
        }
        out.extend(open.map(closed));
        for file in out.iter_mut().filter(|a| a.kind == Kind::Data) {
            // a data file ends with a zero byte, filler behind it (from memory; text has none before)
            file.ended = file.data.last().is_some_and(|(i, range)| blocks[*i].payload[range.clone()].contains(&0));
        }
        out.sort_by_key(|a| a.header.or(a.data.first().map(|d| d.0)));
        out
    }

    fn rewrite(&self, program: &Program, header_rest: &[u8]) -> Option<Vec<Pulse>> {
        let file = TapeFile { header_rest: header_rest.to_vec(), ..TapeFile::usual(program.clone()) };
        file.check().ok()?;
        if program.kind != Kind::Data {
            return Some(twin_copy::write(&[file]));
        }
        // The recovered bytes are whole blocks, the end mark and filler within: nothing is added to them.
        let mut tape = twin_copy::write_block(file.payloads().first()?, file.header_leader_s, 0);
        for chunk in program.bytes.chunks(twin_copy::DATA_BLOCK_BYTES) {
            let mut payload = vec![kind::DATA_BLOCK];
            payload.extend(chunk);
            payload.resize(twin_copy::HEADER_BYTES, 0);
            tape.extend(twin_copy::write_block(&payload, file.data_leader_s, 0));
        }
        tape.push(Pulse::Silence(file.gap_s));
        Some(tape)
    }
}

/// The beginning of a block of a data file, which has been cut short.
fn begins_a_data_block(payload: &[u8]) -> bool {
    payload.first() == Some(&kind::DATA_BLOCK) && (2..twin_copy::HEADER_BYTES).contains(&payload.len())
}

/// Where the name stands in a header.
const NAME: std::ops::Range<usize> = 5..21;
/// A data block follows its header after some 2 s of leader; recorders that stop in between add a few seconds.
const LONGEST_PAUSE_S: f64 = 15.0;
/// Blocks of one tape do not overlap; their ends are known to less than this.
const OVERLAP_S: f64 = 0.5;

/// The payload as a header, if it can be one: the length, a known kind, addresses that make sense.
fn header_of(payload: &[u8]) -> Option<Header> {
    let header = Header::decode(payload)?;
    match header.kind {
        kind::RELOCATABLE | kind::FIXED => header.data_bytes().map(|_| header),
        kind::DATA_BLOCK | kind::DATA_HEADER | kind::END_OF_TAPE => Some(header),
        _ => None,
    }
}

fn announced(index: usize, header: &Header) -> Assembly {
    let program = header.kind != kind::DATA_HEADER;
    Assembly {
        kind: match header.kind {
            kind::RELOCATABLE => Kind::Basic,
            kind::FIXED => Kind::Code,
            _ => Kind::Data,
        },
        name: header.name.to_vec(),
        load_address: program.then_some(header.start),
        announced: if program { header.data_bytes() } else { None },
        header: Some(index),
        header_fields: 0..NAME.end,
        data: Vec::new(),
        ended: true,
        notes: Vec::new(),
    }
}

/// A header in which the kind or the addresses can't be right and are not sure either: it has the length of one, and
/// what follows it has no header of its own.
fn is_damaged_header(block: &BlockBytes, next: Option<&BlockBytes>) -> bool {
    block.payload.len() == twin_copy::HEADER_BYTES
        && doubt_of_fields(block).is_some_and(|p| p > DOUBTFUL)
        && next.is_some_and(|n| n.from_s - block.to_s < LONGEST_PAUSE_S && n.from_s > block.to_s - OVERLAP_S)
        && next.is_some_and(|n| header_of(&n.payload).is_none())
}

/// Chance that the kind or the addresses of a header are wrong.
fn doubt_of_fields(header: &BlockBytes) -> Option<f64> {
    Some(header.p_wrong.get(..NAME.start)?.iter().sum())
}

/// Doubt about the kind and the addresses of a header from which they are better taken for damaged than for something
/// else. A judgement.
const DOUBTFUL: f64 = 0.01;

fn damaged(index: usize, header: &Header) -> Assembly {
    let kind = match header.kind {
        kind::RELOCATABLE => Kind::Basic,
        kind::FIXED => Kind::Code,
        _ => Kind::Unknown,
    };
    let notes = vec!["The header is damaged: what it says of kind and addresses can't be right.".into()];
    Assembly { kind, notes, ..announced(index, header) }
}

fn unknown(index: usize, range: std::ops::Range<usize>) -> Assembly {
    Assembly {
        kind: Kind::Unknown,
        name: Vec::new(),
        load_address: None,
        announced: None,
        header: None,
        header_fields: 0..0,
        data: vec![(index, range)],
        ended: true,
        notes: Vec::new(),
    }
}

fn closed((mut program, _): (Assembly, f64)) -> Assembly {
    if program.header.is_none() && program.kind == Kind::Unknown {
        program.notes.push("The header was not found: name, kind and address are unknown.".into());
    }
    if program.data.is_empty() {
        program.notes.push("The header was read, but no data block followed it on any take.".into());
    }
    program
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The end lies before the start, and neither is sure.
    #[test]
    fn a_damaged_header_is_no_program_of_its_own() {
        let program =
            Program { kind: Kind::Code, name: b"AVOCETS".to_vec(), load_address: Some(0xC000), bytes: vec![0x60; 9] };
        let payloads = TapeFile::usual(program).payloads();
        let mut header = BlockBytes { payload: payloads[0].clone(), p_wrong: vec![0.0; 192], from_s: 10.0, to_s: 14.0 };
        header.payload[4] = 0x40;
        let data = BlockBytes { payload: payloads[1].clone(), p_wrong: vec![0.0; 9], from_s: 16.0, to_s: 16.2 };
        let parts = |header: &BlockBytes| {
            let found = TwinCopy::default().assemble(&[header.clone(), data.clone()]);
            found.iter().map(|a| (a.header, a.data.clone(), a.name.clone())).collect::<Vec<_>>()
        };
        let name = |name: &str| format!("{name:16}").into_bytes();
        // sure of every byte, it may be anything
        assert_eq!(parts(&header), [(None, vec![(0, 0..192)], vec![]), (None, vec![(1, 0..9)], vec![])]);
        header.p_wrong[4] = 0.3;
        assert_eq!(parts(&header), [(Some(0), vec![(1, 0..9)], name("AVOCETS"))]);
    }

    /// The end of the tape, or of every take, in the middle of a data file: what there is of its last block is part of it.
    #[test]
    fn a_data_file_that_is_cut_short_keeps_what_there_is() {
        let program = Program { kind: Kind::Data, name: b"RINGS".to_vec(), load_address: None, bytes: vec![0x41; 300] };
        let payloads = TapeFile::usual(program).payloads();
        let mut at = 0.0;
        let mut block = |payload: &[u8]| {
            at += 10.0;
            BlockBytes { payload: payload.to_vec(), p_wrong: vec![0.0; payload.len()], from_s: at, to_s: at + 5.0 }
        };
        let blocks = [block(&payloads[0]), block(&payloads[1]), block(&payloads[2][..60])];
        let found = TwinCopy::default().assemble(&blocks);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].data, [(1, 1..192), (2, 1..60)]);
        assert!(!found[0].ended);
        let ends = |blocks: &[BlockBytes]| TwinCopy::default().assemble(blocks)[0].ended;
        assert!(!ends(&blocks[..2]), "the second block is missing altogether");
        assert!(ends(&[block(&payloads[0]), block(&payloads[1]), block(&payloads[2])]));
    }

    /// What follows the name may be any number of spaces; machine code and text begin otherwise.
    #[test]
    fn a_header_is_known_by_its_beginning() {
        let bytes = vec![0x60; 9];
        let program = Program { kind: Kind::Code, name: b"CURLEWS".to_vec(), load_address: Some(0xC000), bytes };
        let header = TapeFile::usual(program).payloads().swap_remove(0);
        let format = TwinCopy::default();
        assert_eq!(format.own_bytes(&header), Some(193));
        assert_eq!(format.own_bytes(&header[..40]), Some(193));
        assert_eq!(format.own_bytes(&header[..20]), None);
        assert_eq!(format.own_bytes(&[&header[..5], &[0x07; 16]].concat()), None);
        assert_eq!(format.own_bytes(b"KNOT RINGED AT THE MARSH 1986"), None);
    }

    /// A header, a bad reading of its second copy that was taken for a block, and the data.
    #[test]
    fn what_lies_on_a_header_is_not_its_data() {
        let bytes = vec![0xA9, 0x01, 0x60];
        let program = Program { kind: Kind::Code, name: b"TERNS".to_vec(), load_address: Some(0xC000), bytes };
        let payloads = TapeFile::usual(program).payloads();
        let block = |payload: &[u8], from_s: f64, to_s: f64| BlockBytes {
            payload: payload.to_vec(),
            p_wrong: vec![0.0; payload.len()],
            from_s,
            to_s,
        };
        let blocks =
            [block(&payloads[0], 10.0, 14.0), block(&[0xDB, 0xDE, 0x00], 12.0, 14.0), block(&payloads[1], 14.8, 15.0)];
        let found = TwinCopy::default().assemble(&blocks);
        let parts: Vec<_> = found.iter().map(|a| (a.header, a.data.clone())).collect();
        assert_eq!(parts, [(Some(0), vec![(2, 0..3)]), (None, vec![(1, 0..3)])]);
    }
}
