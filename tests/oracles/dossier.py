"""Holds a dossier against other people's libraries: numpy opens its arrays and would write the same bytes, its records
obey their JSON Schemas, its hashes are those of hashlib and of blake3 over samples read by soundfile, and its waveform is
that of the take."""
import hashlib
import io
import json
import os
import pathlib
import subprocess
import sys
import tempfile

import blake3
import jsonschema
import numpy as np
import soundfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
QUORATE = os.environ["QUORATE"]
TAKES = sorted((ROOT / "corpus/marsh-station").glob("take-*.flac"))


def run(*arguments):
    return subprocess.run([QUORATE, *map(str, arguments)], check=True, capture_output=True, text=True).stdout


def validators():
    out = {}
    for path in sorted((ROOT / "src/dossier/schemas").glob("*.json")):
        schema = json.loads(path.read_text())
        jsonschema.Draft202012Validator.check_schema(schema)
        out[path.stem] = jsonschema.Draft202012Validator(schema)
    return out


def sealed(run_record):
    """The seal is the SHA-256 of all text before its own line."""
    text = run_record.read_text()
    body = text[:text.rindex('  "seal": "')]
    assert json.loads(text)["seal"] == hashlib.sha256(body.encode()).hexdigest()
    return json.loads(text)


def check_log(path, schema):
    prev = "0" * 64
    for n, line in enumerate(path.read_bytes().splitlines(), 1):
        record = json.loads(line)
        schema.validate(record)
        assert record["n"] == n and record["prev"] == prev, record
        prev = hashlib.sha256(line).hexdigest()
    return n


def check_arrays(folder, take):
    readings = take["readings"]
    rows = sum(r["bytes"] for r in readings)
    shapes = {"bits": ((rows, take["bits_per_byte"]), "<f4"), "starts": ((rows + len(readings),), "<f8"),
              "learned": ((rows, 2), "<f4"), "wave": ((sum(p["samples"] for p in take["wave"]["pieces"]),), "|i1")}
    arrays = {}
    for name, (shape, kind) in shapes.items():
        path = folder / f"{name}.npy"
        array = arrays[name] = np.load(path, allow_pickle=False)
        assert array.shape == shape and array.dtype == np.dtype(kind), (path, array.shape, array.dtype)
        again = io.BytesIO()
        np.save(again, array)
        assert again.getvalue() == path.read_bytes(), f"numpy writes other bytes than {path}"
    for k, r in enumerate(readings):
        places = arrays["starts"][r["first_byte"] + k:r["first_byte"] + k + r["bytes"] + 1]
        assert (np.diff(places) > 0).all(), (folder, k)
        # a byte lasts 9.568 ms at the usual speed; decks and recorders are off by a tenth at most
        assert 0.85 < np.median(np.diff(places)) / 9.568e-3 < 1.15, (folder, k)
    return arrays


def check_wave(take, arrays, samples, rate):
    """A piece of the kept waveform correlates with the take itself, resampled here."""
    best = []
    for piece in take["wave"]["pieces"]:
        if piece["samples"] < 5_000:
            continue
        kept = arrays["wave"][piece["at"]:piece["at"] + piece["samples"]].astype(float)
        t = piece["from_s"] + np.arange(len(kept)) / take["wave"]["rate"]
        there = np.interp(t, np.arange(len(samples)) / rate, samples)
        # the receiver takes away a moving average of 3.3 ms, twice applied
        window = np.ones(37) / 37
        smooth = np.convolve(np.convolve(there, window, "same"), window, "same")
        best.append(np.corrcoef(kept, there - smooth)[0, 1])
    assert best and np.median(best) > 0.9, best
    return len(best)


def main():
    schemas = validators()
    with tempfile.TemporaryDirectory() as folder:
        out = pathlib.Path(folder, "out")
        run("recover", *TAKES[:2], "--out", out, "--quiet", "--deck", "the station's")
        change = json.loads(run("add", out, TAKES[2], "--json"))
        schemas["change"].validate(change)
        run_record = sealed(out / "run.json")
        schemas["run"].validate(run_record)
        listed = {o["file"]: o for o in run_record["outputs"]}
        there = {str(p.relative_to(out)) for p in out.rglob("*") if p.is_file()} - {"run.json"}
        assert there == set(listed), there ^ set(listed)
        for name, entry in listed.items():
            data = (out / name).read_bytes()
            assert (len(data), hashlib.sha256(data).hexdigest()) == (entry["bytes"], entry["sha256"]), name
        records = check_log(out / "log.jsonl", schemas["log"])
        dossier = json.loads((out / "dossier.json").read_text())
        schemas["dossier"].validate(dossier)
        by_name = {path.name: path for path in TAKES}
        pieces = 0
        for entry in dossier["takes"]:
            take = json.loads((out / entry["folder"] / "take.json").read_text())
            schemas["take"].validate(take)
            (file,) = take["files"]
            path = by_name.pop(file["file"])
            assert file["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
            samples, rate = soundfile.read(path, dtype="float32")
            digest = blake3.blake3(samples.astype("<f4").tobytes()).hexdigest()
            assert take["samples_blake3"] == digest and entry["folder"] == f"takes/{digest[:16]}"
            assert file["sample_rate"] == rate and abs(file["duration_s"] - len(samples) / rate) < 1e-9
            assert abs(file["levels"][0]["peak"] - np.abs(samples).max()) < 1e-6
            arrays = check_arrays(out / entry["folder"], take)
            pieces += check_wave(take, arrays, samples, rate)
        assert not by_name, by_name
        # a schema that takes everything would prove nothing
        broken = json.loads((out / entry["folder"] / "take.json").read_text())
        broken["readings"][0]["bytes"] = -1
        assert not schemas["take"].is_valid(broken)
    print(f"{len(listed)} files, {records} records, {len(TAKES)} takes and {pieces} pieces of waveform agree")


if __name__ == "__main__":
    sys.exit(main())
