"""The takes of the demonstration, re-encoded and resampled by other people's programs (flac, sox, ffmpeg), must give the same
programs. Programs that are not installed are skipped aloud (exit code 77).

    QUORATE=target/release/quorate .venv/bin/python tests/oracles/variants.py
"""
import hashlib
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
QUORATE = os.environ.get("QUORATE", ROOT / "target/release/quorate")
DEMO = ROOT / "corpus/marsh-station"
TAKES = sorted(DEMO.glob("take-*.flac"))
TRUTH = {p["name"]: p["sha256"] for p in json.loads((DEMO / "truth.json").read_text())["programs"]}

# Name, commands from {take} to {out} (a part may be {tmp}), ending of {out}.
VARIANTS = [
    ("flac, smallest", ["flac -s -8 -e {take} -f -o {out}"], "flac"),
    ("flac to WAV", ["flac -s -d {take} -f -o {out}"], "wav"),
    ("sox, 24 bits at 48 kHz", ["sox -D {take} -b 24 -r 48000 {out}"], "wav"),
    ("sox, 8 bits, six decibels up", ["sox -G {take} -b 8 {out} gain 6"], "wav"),
    ("sox, turned over, right channel of two", ["sox {take} {out} vol -1 remix 0 1"], "wav"),
    ("sox, three per cent fast", ["sox {take} {out} speed 1.03"], "flac"),
    ("ffmpeg, 32-bit floats at 96 kHz", ["ffmpeg -v error -i {take} -ar 96000 -c:a pcm_f32le {out}"], "wav"),
    ("ffmpeg, FLAC of 24 bits at 44.1 kHz", ["ffmpeg -v error -i {take} -ar 44100 -sample_fmt s32 {out}"], "flac"),
    ("ffmpeg, header of 64-bit sizes", ["ffmpeg -v error -i {take} -rf64 always {out}"], "wav"),
    ("ffmpeg, sizes unknown as on a pipe", ["ffmpeg -v error -i {take} -f wav pipe:1 > {out}"], "wav"),
    ("ffmpeg, through a lossy codec of 128 kbit/s",
     ["ffmpeg -v error -i {take} -c:a libmp3lame -b:a 128k {tmp}.mp3", "ffmpeg -v error -i {tmp}.mp3 {out}"], "wav"),
]


def recovered(takes, out):
    """Hash of the bytes of every established program, by name."""
    subprocess.run([QUORATE, "recover", *takes, "--out", out, "--quiet"], check=True, stdout=subprocess.DEVNULL)
    programs = json.loads((out / "verdict.json").read_text())["programs"]
    return {p["name"].rstrip(): hashlib.sha256((out / p["data"]).read_bytes()).hexdigest()
            for p in programs if p["verdict"] == "established"}


def check(commands, ending, folder):
    takes = []
    for take in TAKES:
        out = folder / f"{take.stem}.{ending}"
        for command in commands:
            subprocess.run(command.format(take=take, out=out, tmp=folder / take.stem), shell=True, check=True)
        takes.append(out)
    return recovered(takes, folder / "recovered")


def main():
    assert len(TAKES) == 3 and len(TRUTH) == 4
    failures, missing = 0, set()
    for name, commands, ending in VARIANTS:
        program = commands[0].split()[0]
        if shutil.which(program) is None:
            missing.add(program)
            continue
        with tempfile.TemporaryDirectory() as folder:
            found = check(commands, ending, pathlib.Path(folder))
        wrong = sorted(n for n in TRUTH.keys() | found.keys() if TRUTH.get(n) != found.get(n))
        failures += bool(wrong)
        print(f"FAIL {name}: {', '.join(wrong)} not recovered, or not as written" if wrong else f"ok   {name}", flush=True)
    for program in sorted(missing):
        print(f"!!! SKIPPED: the checks with {program}, which is not installed (Debian: apt-get install {program}) !!!")
    return 1 if failures else 77 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
