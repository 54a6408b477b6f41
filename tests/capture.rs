//! Captures: every kind of file, every way it can be broken, random access, hashes and levels.
//!
//! The comparison with libsndfile is `oracle`, run by `tests/oracles/capture.py`.

#[path = "capture/levels.rs"]
mod levels;

use proptest::prelude::*;
use quorate::Error;
use quorate::capture::{Capture, Container, Encoding, Survey, write};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const _: fn() = || {
    fn shared<T: Send + Sync>() {}
    shared::<Capture>();
};

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = [id.as_slice(), &(body.len() as u32).to_le_bytes(), body].concat();
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    bytes
}

fn fmt(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    let frame = channels.wrapping_mul(bits / 8);
    let per_second = rate.wrapping_mul(frame.into());
    let mut body = [tag.to_le_bytes(), channels.to_le_bytes()].concat();
    body.extend([rate.to_le_bytes(), per_second.to_le_bytes()].concat());
    body.extend([frame.to_le_bytes(), bits.to_le_bytes()].concat());
    chunk(b"fmt ", &body)
}

/// WAVE_FORMAT_EXTENSIBLE as libsndfile writes it: 40 bytes, cbSize 22, valid bits, mask, GUID.
fn extensible(channels: u16, rate: u32, bits: u16, valid: u16) -> Vec<u8> {
    let mut body = fmt(0xFFFE, channels, rate, bits)[8..].to_vec();
    body.extend([22_u16.to_le_bytes(), valid.to_le_bytes(), [0, 0], [0, 0], [1, 0]].concat());
    body.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
    chunk(b"fmt ", &body)
}

fn riff(id: &[u8; 4], chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let size = if id == b"RIFF" { body.len() as u32 + 4 } else { u32::MAX };
    [id.as_slice(), &size.to_le_bytes(), b"WAVE", &body].concat()
}

fn mono16(samples: &[i16]) -> Vec<u8> {
    let data: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
    riff(b"RIFF", &[fmt(1, 1, 44_100, 16), chunk(b"data", &data)])
}

fn ramp(count: usize) -> Vec<i16> {
    (0..count).map(|n| ((n * 7919) % 65_536) as u16 as i16).collect()
}

struct Folder(TempDir);

impl Folder {
    fn new() -> Folder {
        Folder(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn open(&self, bytes: &[u8]) -> Result<Capture, Error> {
        let path = self.path("take");
        std::fs::write(&path, bytes).unwrap();
        Capture::open(&path)
    }
}

fn all(capture: &Capture, channel: u16) -> Vec<f32> {
    let mut out = vec![9.0; capture.info().frames as usize + 1];
    let count = capture.read(channel, 0, &mut out).unwrap();
    out.truncate(count);
    out
}

/// The values are those of the WAV format as commonly documented: 8 bits unsigned around 128, the others two's complement.
#[test]
fn every_encoding_has_full_scale_one() {
    let folder = Folder::new();
    let f32s = [0.25_f32, -1.5].map(f32::to_le_bytes).concat();
    let f64s = [0.25_f64, -1.5].map(f64::to_le_bytes).concat();
    type Case<'a> = (u16, u16, &'a [u8], &'a [f32], Encoding);
    let cases: [Case; 6] = [
        (1, 8, &[0, 128, 192], &[-1.0, 0.0, 0.5], Encoding::Unsigned8),
        (1, 16, &[0, 0x80, 0, 0x40], &[-1.0, 0.5], Encoding::Signed16),
        (1, 24, &[0, 0, 0x80, 0, 0, 0x40, 1, 0, 0], &[-1.0, 0.5, 1.0 / 8_388_608.0], Encoding::Signed24),
        (1, 32, &[0, 0, 0, 0x80, 0, 0, 0, 0x40], &[-1.0, 0.5], Encoding::Signed32),
        (3, 32, &f32s, &[0.25, -1.5], Encoding::Float32),
        (3, 64, &f64s, &[0.25, -1.5], Encoding::Float64),
    ];
    for (tag, bits, data, samples, encoding) in cases {
        let take = folder.open(&riff(b"RIFF", &[fmt(tag, 1, 48_000, bits), chunk(b"data", data)])).unwrap();
        assert_eq!(all(&take, 0), samples);
        let info = take.info();
        assert_eq!(
            (info.encoding, info.bits, info.sample_rate, info.container),
            (encoding, bits, 48_000, Container::Wav)
        );
        assert!(info.notes.is_empty(), "{:?}", info.notes);
    }
}

#[test]
fn extensible_header_gives_significant_bits() {
    let folder = Folder::new();
    let take = folder
        .open(&riff(b"RIFF", &[extensible(2, 96_000, 24, 20), chunk(b"data", &[0, 0, 0x40, 0, 0, 0x80])]))
        .unwrap();
    assert_eq!((take.info().bits, take.info().encoding, take.info().channels), (20, Encoding::Signed24, 2));
    assert_eq!((all(&take, 0), all(&take, 1)), (vec![0.5], vec![-1.0]));
}

/// Offsets of bext: EBU Tech 3285 v2 (as others quote it).
#[test]
fn odd_and_unknown_chunks_are_skipped_and_bext_is_read() {
    let mut bext = vec![0; 602];
    bext[..12].copy_from_slice(b"Marsh side A");
    bext[256..268].copy_from_slice(b"Ringing post");
    bext[288..292].copy_from_slice(b"R-07");
    bext[320..330].copy_from_slice(b"1986-04-19");
    bext[330..338].copy_from_slice(b"06:30:00");
    bext[338..346].copy_from_slice(&0x1_0000_0002_u64.to_le_bytes());
    bext[346] = 2;
    bext.extend(b"A=ANALOGUE,M=mono\r\n");
    let chunks = [chunk(b"junk", &[1; 7]), chunk(b"bext", &bext), fmt(1, 1, 44_100, 8), chunk(b"data", &[0, 64, 128])];
    let take = Folder::new().open(&riff(b"RIFF", &chunks)).unwrap();
    assert_eq!(all(&take, 0), [-1.0, -0.5, 0.0]);
    let bext = take.info().origination.clone().unwrap();
    assert_eq!(
        (&*bext.description, &*bext.originator, &*bext.originator_reference),
        ("Marsh side A", "Ringing post", "R-07")
    );
    assert_eq!((&*bext.date, &*bext.time, bext.time_reference), ("1986-04-19", "06:30:00", 0x1_0000_0002));
    assert_eq!((bext.version, &*bext.coding_history), (2, "A=ANALOGUE,M=mono"));
}

/// Layout of ds64: EBU Tech 3306 and ITU-R BS.2088-1 (as others quote them).
#[test]
fn small_files_with_the_large_header() {
    for (id, container) in [(b"RF64", Container::Rf64), (b"BW64", Container::Bw64)] {
        let ds64 = [90_u64, 4, 2].map(u64::to_le_bytes).concat();
        let mut data = chunk(b"data", &[0, 0x40, 0, 0x80]);
        data[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
        let chunks =
            [chunk(b"ds64", &[ds64, vec![0; 4]].concat()), fmt(1, 1, 44_100, 16), data, chunk(b"LIST", b"INFO")];
        let take = Folder::new().open(&riff(id, &chunks)).unwrap();
        assert_eq!((all(&take, 0), take.info().container), (vec![0.5, -1.0], container));
        assert!(take.info().notes.is_empty(), "{:?}", take.info().notes);
    }
}

#[test]
fn sizes_that_lie_are_read_to_the_end_with_a_note() {
    let whole = mono16(&[100, 200, 300]);
    for size in [0, u32::MAX, 1000] {
        let mut bytes = whole.clone();
        bytes[4..8].copy_from_slice(&36_u32.to_le_bytes()); // as when the recording began
        bytes[40..44].copy_from_slice(&size.to_le_bytes());
        bytes.push(7);
        let take = Folder::new().open(&bytes).unwrap();
        assert_eq!(all(&take, 0).len(), 3, "size {size}");
        assert!(take.info().notes.iter().any(|n| n.contains("read to the end of the file")), "{:?}", take.info().notes);
        assert!(take.info().notes.iter().any(|n| n.contains("no whole frame")), "{:?}", take.info().notes);
    }
}

#[test]
fn a_plain_header_whose_size_wrapped_at_4_gib() {
    let folder = Folder::new();
    let path = folder.path("long.wav");
    std::fs::write(&path, mono16(&[1, 2])).unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    file.set_len(44 + (1 << 32) + 4).unwrap(); // sparse: takes no room
    let take = Capture::open(&path).unwrap();
    assert_eq!(take.info().frames, (1 << 31) + 2);
    assert!(take.info().notes[0].contains("above 4 GiB"), "{:?}", take.info().notes);
    assert_eq!(take.read(0, 1 << 31, &mut [9.0; 5]).unwrap(), 2);
}

#[test]
fn bytes_behind_the_samples_are_named() {
    let mut bytes = mono16(&[1, 2]);
    bytes.extend([0xAA; 5]);
    let take = Folder::new().open(&bytes).unwrap();
    assert_eq!(take.info().frames, 2);
    assert!(take.info().notes[0].contains("5 bytes follow"), "{:?}", take.info().notes);
}

#[test]
fn what_is_wrong_is_said_in_one_line() {
    let data = chunk(b"data", &[0; 8]);
    let wav = |fmt: Vec<u8>| riff(b"RIFF", &[fmt, data.clone()]);
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("input", vec![], "is empty"),
        ("input", b"Ringing log, 19 April 1986\n".to_vec(), "is a text file"),
        ("input", vec![0, 1, 2, 3, 0xFE], "is not a WAV, FLAC or pulse image"),
        ("input", b"RIFF\x10\0\0\0AVI ".to_vec(), "not a sound"),
        ("input", b"RIFF\x10\0".to_vec(), "ends within its header"),
        ("input", mono16(&[1])[..30].to_vec(), "ends within its header"),
        ("input", mono16(&[]), "0 frames"),
        ("input", riff(b"RIFF", &[fmt(1, 1, 44_100, 16)]), "no data chunk"),
        ("input", riff(b"RIFF", std::slice::from_ref(&data)), "no fmt chunk"),
        ("input", wav(chunk(b"fmt ", &[1, 0, 1, 0])), "fmt chunk has 4 bytes"),
        ("input", wav(fmt(1, 1, 0, 16)), "0 Hz"),
        ("limit", wav(fmt(1, 1, 4_000, 16)), "4000 Hz"),
        ("limit", wav(fmt(1, 1, 384_000, 16)), "384000 Hz"),
        ("input", wav(fmt(1, 500, 44_100, 16)), "500 channels"),
        ("input", wav(fmt(1, 0, 44_100, 16)), "0 channels"),
        ("input", wav(fmt(1, 1, 44_100, 0)), "0 bits"),
        ("limit", wav(fmt(1, 1, 44_100, 64)), "64-bit integers"),
        ("limit", wav(fmt(0x11, 1, 44_100, 16)), "compressed (format tag 0x0011); convert it with: ffmpeg -i "),
        ("input", b"OggS\0\x02\0\0".to_vec(), "an Ogg file"),
        ("input", b"fLaC\0\0\0\x22\x10".to_vec(), "FLAC header"),
        ("limit", image(2, &[40]), "version 2"),
        ("input", image(1, &[]), "no pulses"),
        ("input", image(1, &[])[..15].to_vec(), "ends within its header"),
        ("limit", image(1, &[0, 255, 255, 255].repeat(6000)), "24 hours"),
    ];
    let folder = Folder::new();
    for (blame, bytes, phrase) in cases {
        let error = folder.open(&bytes).expect_err(phrase);
        let said = error.to_string();
        assert!(said.contains(phrase) && !said.contains('\n'), "{phrase}: {said}");
        assert!(said.contains("take: "), "names the file: {said}");
        assert_eq!(
            (matches!(error, Error::Input { .. }), matches!(error, Error::Limit { .. })),
            (blame == "input", blame == "limit"),
            "{said}"
        );
    }
    assert!(
        matches!(Capture::open(folder.0.path()), Err(e @ Error::Read { .. }) if e.to_string().contains("is a folder"))
    );
    let missing = Capture::open(&folder.path("absent.wav")).unwrap_err();
    assert!(matches!(&missing, Error::Read { .. }) && missing.to_string().contains("no such file"), "{missing}");
    let take = folder.open(&mono16(&[1])).unwrap();
    assert!(matches!(take.read(1, 0, &mut [0.0]), Err(Error::Input { what, .. }) if what.contains("no channel 2")));
}

fn write_flac(folder: &Folder, samples: &[i16]) -> Vec<u8> {
    let path = folder.path("written.flac");
    write::write_flac16(&path, 44_100, samples).unwrap();
    std::fs::read(path).unwrap()
}

#[test]
fn written_files_read_back_and_have_the_same_samples() {
    let folder = Folder::new();
    let samples = ramp(50_000);
    let expected: Vec<f32> = samples.iter().map(|&s| f32::from(s) / 32_768.0).collect();
    let flac = write_flac(&folder, &samples);
    assert_eq!(flac, write_flac(&folder, &samples), "same samples, same bytes");
    let wav_path = folder.path("written.wav");
    write::write_wav16(&wav_path, 44_100, 1, &samples).unwrap();
    let wide: Vec<u8> = samples.iter().flat_map(|s| [0, s.to_le_bytes()[0], s.to_le_bytes()[1]]).collect();
    let wide = folder.open(&riff(b"RIFF", &[fmt(1, 1, 48_000, 24), chunk(b"data", &wide)])).unwrap();
    let tagged = [b"ID3\x04\0\0\0\0\x01\x00".as_slice(), &[0; 128], &flac].concat();
    let takes = [
        Capture::open(&wav_path).unwrap(),
        Folder::new().open(&flac).unwrap(),
        wide,
        Folder::new().open(&tagged).unwrap(),
    ];
    let surveys: Vec<Survey> = takes.iter().map(|take| take.survey().unwrap()).collect();
    for (take, survey) in takes.iter().zip(&surveys) {
        assert!(take.info().notes.is_empty(), "{:?}", take.info().notes);
        assert_eq!(all(take, 0), expected);
        assert_eq!(survey.samples_blake3, surveys[0].samples_blake3);
    }
    assert_ne!(surveys[0].sha256, surveys[1].sha256);
    let leftovers: Vec<_> = std::fs::read_dir(folder.0.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(leftovers.len(), 3, "no temporary file is left: {leftovers:?}");
    assert!(matches!(
        write::write_wav16(&folder.path("no/such/folder.wav"), 44_100, 1, &[1]),
        Err(Error::Write { .. })
    ));
    assert!(matches!(write::write_wav16(&wav_path, 44_100, 2, &[1]), Err(Error::Usage(_))));
    assert!(matches!(write::write_flac16(&wav_path, 44_100, &[]), Err(Error::Usage(_))));
}

/// STREAMINFO is 34 bytes behind the 4-byte mark and a 4-byte block header; its last 16 are the MD5 (RFC 9639 §8.2).
#[test]
fn flac_that_was_cut_or_changed_says_so() {
    let folder = Folder::new();
    let flac = write_flac(&folder, &ramp(50_000));
    let cut = folder.open(&flac[..flac.len() * 2 / 3]).unwrap();
    assert!(cut.info().notes[0].contains("decoding stopped"), "{:?}", cut.info().notes);
    let kept = cut.info().frames as usize;
    assert!((10_000..40_000).contains(&kept), "{kept}");
    assert_eq!(all(&cut, 0), ramp(kept).iter().map(|&s| f32::from(s) / 32_768.0).collect::<Vec<_>>());
    let mut changed = flac.clone();
    changed[26] ^= 1;
    assert!(folder.open(&changed).unwrap().info().notes[0].contains("MD5 that its header names"));
    changed[26..42].fill(0);
    assert!(folder.open(&changed).unwrap().info().notes[0].contains("carries no MD5"));
    assert!(matches!(folder.open(&flac[..50]), Err(Error::Input { what, .. }) if what.contains("can be decoded")));
}

fn image(version: u8, pulses: &[u8]) -> Vec<u8> {
    [b"C64-TAPE-RAW".as_slice(), &[version, 0, 0, 0], &(pulses.len() as u32).to_le_bytes(), pulses].concat()
}

#[test]
fn pulse_images_become_square_waves() {
    // A cycle of 512 ticks (byte 40 hex) is 22.917 samples at 44100 Hz from a clock of 985,248 Hz.
    let take = Folder::new().open(&image(1, &[0x40; 1000])).unwrap();
    assert_eq!((take.info().container, take.info().sample_rate), (Container::PulseImage { version: 1 }, 44_100));
    assert_eq!(take.info().frames, (1000.0_f64 * 512.0 * 44_100.0 / 985_248.0).ceil() as u64);
    let samples = all(&take, 0);
    assert_eq!(samples[..11], [-1.0; 11]);
    assert!((samples[11] - (1.0 - 2.0 * 0.458_333)).abs() < 1e-3, "edge at 11.458333: {}", samples[11]);
    assert_eq!(samples[12..22], [1.0; 10]);
    let falls = samples.windows(2).filter(|pair| pair[0] > 0.0 && pair[1] <= 0.0).count();
    assert_eq!(falls, 999);

    // One second of pause between two cycles: falling edges at both ends, silence between.
    let pause = [&[0x40, 0], &985_248_u32.to_le_bytes()[..3], &[0x40]].concat();
    let take = Folder::new().open(&image(1, &pause)).unwrap();
    let samples = all(&take, 0);
    assert!((take.duration_s() - (1.0 + 1024.0 / 985_248.0)).abs() < 1.0 / 44_100.0);
    assert_eq!(samples[30], -1.0);
    assert!(samples[100..44_000].iter().all(|&x| x == 0.0));
    assert_eq!(samples[22 + 44_100 - 20], 1.0);

    let unknown = Folder::new().open(&image(0, &[0x40, 0, 0x40])).unwrap();
    assert!(unknown.info().notes[0].contains("unknown length"), "{:?}", unknown.info().notes);
    assert_eq!(unknown.survey().unwrap().channels[0].clipped, 0);
    let cut = Folder::new().open(&image(1, &[0x40, 0, 1])).unwrap();
    assert!(cut.info().notes[0].contains("within a long pulse"));
    let mut lies = image(1, &[0x40; 9]);
    lies[16] = 200;
    assert!(Folder::new().open(&lies).unwrap().info().notes[0].contains("read to the end"));
}

fn use_fully(bytes: &[u8]) {
    let folder = Folder::new();
    if let Ok(take) = folder.open(bytes) {
        let mut out = [0.0; 64];
        for start in [0, 1, take.info().frames - 1, take.info().frames, u64::MAX] {
            for channel in [0, take.info().channels - 1, take.info().channels] {
                let _ = take.read(channel, start, &mut out);
            }
        }
        if take.info().frames < 1 << 20 {
            let _ = take.survey();
        }
    }
}

#[test]
fn a_file_cut_anywhere_never_panics() {
    let folder = Folder::new();
    let ds64 = [90_u64, 4, 2].map(u64::to_le_bytes).concat();
    let wav = riff(
        b"RF64",
        &[chunk(b"ds64", &ds64), chunk(b"bext", &[65; 620]), extensible(1, 44_100, 24, 20), chunk(b"data", &[1; 12])],
    );
    for whole in [
        wav,
        mono16(&[1, 2, 3]),
        write_flac(&folder, &ramp(300)),
        image(1, &[0x30, 0, 9, 9, 9, 0x40]),
        image(0, &[0x30, 0]),
    ] {
        (0..=whole.len()).for_each(|length| use_fully(&whole[..length]));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn arbitrary_bytes_never_panic(
        start in prop::sample::select(vec!["", "RIFF\x10\0\0\0WAVE", "RIFF\x10\0\0\0WAVEfmt \x10\0\0\0", "RF64\x10\0\0\0WAVEds64", "fLaC\0\0\0\x22", "C64-TAPE-RAW\x01", "C64-TAPE-RAW\0", "ID3"]),
        rest in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        use_fully(&[start.as_bytes(), &rest].concat());
    }

    #[test]
    fn damaged_files_never_panic(which in 0..3_usize, hits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8)) {
        let mut bytes = match which {
            0 => write_flac(&Folder::new(), &ramp(2000)),
            1 => riff(b"RIFF", &[extensible(2, 44_100, 16, 16), chunk(b"bext", &[66; 610]), chunk(b"data", &[1; 12])]),
            _ => image(1, &[0x30, 0, 9, 9, 9, 0x40]),
        };
        for (place, value) in hits {
            let place = place.index(bytes.len());
            bytes[place] = value;
        }
        use_fully(&bytes);
    }

    #[test]
    fn any_stretch_equals_the_same_stretch_of_the_whole(
        pulses in prop::collection::vec(prop_oneof![9 => 1_u8..=255, 1 => Just(0)], 2000..4000),
        channels in 1_u16..5,
        starts in prop::collection::vec((any::<prop::sample::Index>(), 1..3000_usize), 8),
    ) {
        let data: Vec<u8> = ramp(20_000 * usize::from(channels)).iter().flat_map(|s| s.to_le_bytes()).collect();
        let wav = riff(b"RIFF", &[fmt(1, channels, 44_100, 16), chunk(b"data", &data)]);
        for bytes in [wav, image(0, &pulses)] {
            let take = Folder::new().open(&bytes).unwrap();
            for channel in 0..take.info().channels {
                let whole = all(&take, channel);
                prop_assert_eq!(whole.len() as u64, take.info().frames);
                for (start, count) in &starts {
                    let (start, mut out) = (start.index(whole.len()), vec![9.0; *count]);
                    let got = take.read(channel, start as u64, &mut out).unwrap();
                    prop_assert_eq!(got, (*count).min(whole.len() - start));
                    prop_assert_eq!(&out[..got], &whole[start..start + got]);
                }
            }
        }
    }
}

/// Against files and expectations made by `tests/oracles/capture.py` with libsndfile, NumPy, hashlib and blake3.
#[test]
#[ignore = "run by tests/oracles/capture.py"]
fn oracle() {
    let folder =
        std::env::var_os("QUORATE_ORACLE_DIR").expect("QUORATE_ORACLE_DIR names the folder of the oracle's files");
    let folder = Path::new(&folder);
    let cases: Vec<serde_json::Value> =
        serde_json::from_slice(&std::fs::read(folder.join("cases.json")).unwrap()).unwrap();
    assert!(cases.len() >= 60, "{} cases", cases.len());
    for case in &cases {
        let name = case["file"].as_str().unwrap();
        let take = Capture::open(&folder.join(name)).unwrap();
        let info = take.info();
        assert_eq!(u64::from(info.sample_rate), case["rate"].as_u64().unwrap(), "{name}");
        assert_eq!(u64::from(info.channels), case["channels"].as_u64().unwrap(), "{name}");
        assert_eq!(info.frames, case["frames"].as_u64().unwrap(), "{name}");
        assert_eq!(format!("{:?}", info.container).split(' ').next(), case["container"].as_str(), "{name}");
        assert!(info.notes.is_empty(), "{name}: {:?}", info.notes);
        let reference: Vec<f64> = std::fs::read(folder.join(format!("{name}.f64")))
            .unwrap()
            .chunks_exact(8)
            .map(|b| f64::from_le_bytes(b.try_into().unwrap()))
            .collect();
        let survey = take.survey().unwrap();
        assert_eq!(survey.sha256, case["sha256"].as_str().unwrap(), "{name}");
        assert_eq!(survey.samples_blake3, case["samples_blake3"].as_str().unwrap(), "{name}");
        for channel in 0..info.channels {
            let samples = all(&take, channel);
            assert_eq!(samples.len() as u64, info.frames, "{name}");
            for (frame, sample) in samples.iter().enumerate() {
                let expected = reference[frame * usize::from(info.channels) + usize::from(channel)] as f32;
                assert_eq!(*sample, expected, "{name}: channel {channel} frame {frame}");
            }
            let (level, expected) = (survey.channels[usize::from(channel)], &case["levels"][usize::from(channel)]);
            for (ours, key) in [(level.rms, "rms"), (level.peak, "peak"), (level.mean, "mean")] {
                let theirs = expected[key].as_f64().unwrap();
                assert!((ours - theirs).abs() <= 1e-9, "{name}: {key} {ours} {theirs}");
            }
            assert_eq!(level.clipped, expected["clipped"].as_u64().unwrap(), "{name}");
        }
    }
}
