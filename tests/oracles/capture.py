"""Captures against libsndfile: writes files of every kind, and what is in them by independent means, then runs the Rust test
that compares them. Samples: libsndfile (soundfile). Levels: NumPy. Hashes: hashlib, blake3. Pulse images: the wave's
integral, interpolated by NumPy. And the FLAC that we write, of many lengths, read by libsndfile, flac and ffmpeg; and files
that we refuse, made by ffmpeg: the line in the error converts them (exit code 77: one of the two programs is not here).

    .venv/bin/python tests/oracles/capture.py
"""

import hashlib
import json
import os
import pathlib
import shutil
import struct
import subprocess
import sys
import tempfile

import blake3
import numpy as np
import soundfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
CLOCK, RATE = 985_248, 44_100
rng = np.random.default_rng(1986)
cases = []


def note(path, container, samples, rate, bits):
    """samples: float64, frames × channels, as the reference has them. bits: of integers, None for floats, 0 never clips."""
    samples.astype("<f8").tofile(f"{path}.f64")
    heard = samples.astype("<f4")
    top = {None: 1.0, 0: np.inf}.get(bits) or np.float32((2.0 ** (bits - 1) - 1) / 2.0 ** (bits - 1))
    bottom = -np.inf if bits == 0 else -1.0
    wide = heard.astype("f8")
    cases.append({
        "file": path.name, "container": container, "rate": rate, "channels": samples.shape[1], "frames": len(samples),
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "samples_blake3": blake3.blake3((heard + np.float32(0)).tobytes()).hexdigest(),
        "levels": [{"rms": float(np.sqrt(np.mean(c * c))), "peak": float(np.abs(c).max()), "mean": float(c.mean()),
                    "clipped": int(np.sum((c <= bottom) | (c >= top)))} for c in wide.T],
    })


def sound_files(folder):
    subtypes = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": None, "DOUBLE": None}
    kinds = [(f, s, b) for f in ("WAV", "WAVEX", "RF64") for s, b in subtypes.items()]
    kinds += [("FLAC", "PCM_S8", 8), ("FLAC", "PCM_16", 16), ("FLAC", "PCM_24", 24)]
    shapes = [(1, 44_100, 70_001), (2, 48_000, 30_000), (3, 8_000, 999), (6, 192_000, 4_097), (1, 22_050, 1)]
    for form, subtype, bits in kinds:
        for channels, rate, frames in shapes:
            path = folder / f"{form}-{subtype}-{channels}-{rate}.{'flac' if form == 'FLAC' else 'wav'}"
            signal = np.clip(rng.normal(0, 0.4, (frames, channels)), -1, 1)
            signal[:: max(1, frames // 7)] = 1.0
            signal[:: max(1, frames // 5)] = -1.0
            soundfile.write(path, signal, rate, subtype=subtype, format=form)
            read, read_rate = soundfile.read(path, dtype="float64", always_2d=True)
            assert (read_rate, read.shape) == (rate, signal.shape)
            note(path, {"WAVEX": "Wav"}.get(form, form.capitalize()), read, rate, bits)


def pulse_images(folder):
    for version in (0, 1):
        ticks = 8 * rng.integers(1, 256, 5000)
        data = bytes((ticks // 8).astype("u1"))
        if version == 1:
            long = rng.integers(2041, 400_000, 20)
            ticks = np.concatenate([ticks[:2500], long, ticks[2500:]])
            data = data[:2500] + b"".join(b"\0" + struct.pack("<I", n)[:3] for n in long) + data[2500:]
        path = folder / f"pulses-{version}.tap"
        path.write_bytes(b"C64-TAPE-RAW" + bytes([version, 0, 0, 0]) + struct.pack("<I", len(data)) + data)
        # Corners of the integral of the wave: after the low half, the silence, the high half.
        half = np.minimum(ticks, 2040) / 2
        pieces = np.stack([half, ticks - 2 * half, half], axis=1).ravel()
        times = np.concatenate([[0], np.cumsum(pieces)])
        integral = np.concatenate([[0], np.cumsum(pieces * np.tile([-1, 0, 1], len(ticks)))])
        frames = int(-(-int(times[-1]) * RATE // CLOCK))
        edges = np.arange(frames + 1) * CLOCK / RATE
        samples = np.diff(np.interp(edges, times, integral)) * RATE / CLOCK
        # The mean of ±1 over a sample is a multiple of 1/164208 (half a tick is 3675 such units): interpolation errs by less.
        samples = np.round(samples * 164_208) / 164_208
        note(path, "PulseImage", samples[:, None], RATE, 0)


def cargo_test(folder, *which):
    command = ["cargo", "test", *which, "--", "--ignored", "--exact"]
    if code := subprocess.run(command, env={**os.environ, "QUORATE_ORACLE_DIR": folder}).returncode:
        sys.exit(code)


def flac_that_we_write(folder):
    """Other people's decoders read every length, down to one sample, and find nothing to say against it."""
    files = sorted(pathlib.Path(folder).glob("written-*.flac"))
    assert len(files) > 100
    programs = {"flac": ["flac", "--test", "--silent", "--warnings-as-errors"],
                "ffmpeg": ["ffmpeg", "-v", "warning", "-xerror", "-i"]}
    programs = {name: command for name, command in programs.items() if shutil.which(name)}
    for path in files:
        wanted = np.frombuffer(path.with_suffix(".raw").read_bytes(), "<i2")
        read, rate = soundfile.read(path, dtype="int16")
        assert rate == RATE and np.array_equal(read, wanted), path.name
        for command in programs.values():
            sink = ["-f", "null", "-"] if command[0] == "ffmpeg" else []
            done = subprocess.run([*command, path, *sink], capture_output=True, text=True)
            assert done.returncode == 0 and not done.stderr, (path.name, command[0], done.stderr)
    print(f"{len(files)} FLAC files of ours, read by libsndfile, {', '.join(programs)}")
    return [name for name in ("flac", "ffmpeg") if name not in programs]


def refused_files_are_converted_by_the_line_in_the_error(folder):
    """A second of a leader's tone in every usual wrapping, under a name that a shell would take apart."""
    program = os.environ.get("QUORATE", str(ROOT / "target/release/quorate"))
    kinds = ["x.mp3", "x.aac", "x.m4a", "x.ogg", "x.opus", "x.wma", "x.webm", "x.mka", "x.aiff", "x.caf", "adpcm_ima_wav.wav",
             "adpcm_ms.wav", "libmp3lame.wav"]
    for kind in kinds:
        path = folder / f"it's side a; {kind}"
        codec = ["-c:a", kind[:-4]] if kind.endswith(".wav") else []
        subprocess.run(["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "sine=2500:duration=1:sample_rate=48000", *codec, path],
                       check=True)
        before = path.read_bytes()
        def recover(take):
            return subprocess.run([program, "recover", take, "--out", folder / "out"], capture_output=True, text=True)
        done = recover(path)
        assert done.returncode == 2 and "convert it with: ffmpeg" in done.stderr, (kind, done.stderr)
        line = done.stderr.split("convert it with: ")[1].strip()
        subprocess.run(["sh", "-c", line], check=True, stdin=subprocess.DEVNULL, capture_output=True)
        made = folder / f"{path.stem}-converted.wav"
        # it is read, and there is no program on it
        assert recover(made).returncode == 5 and path.read_bytes() == before, kind
        made.unlink()
    print(f"{len(kinds)} kinds of files refused, and converted by the line in the error")


with tempfile.TemporaryDirectory() as name:
    sound_files(pathlib.Path(name))
    pulse_images(pathlib.Path(name))
    pathlib.Path(name, "cases.json").write_text(json.dumps(cases))
    print(f"{len(cases)} files, libsndfile {soundfile.__libsndfile_version__}")
    cargo_test(name, "--test", "capture", "oracle")
    cargo_test(name, "--lib", "capture::write::tests::flac_for_the_oracle")
    missing = flac_that_we_write(name)
    if shutil.which("ffmpeg"):
        refused_files_are_converted_by_the_line_in_the_error(pathlib.Path(name))
if missing:
    print(f"SKIPPED what needs {' and '.join(missing)}: not installed")
    sys.exit(77)
