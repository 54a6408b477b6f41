"""Oracle: the JSON documents that quorate writes, and their schemas, held against other people's readers.

    QUORATE=target/release/quorate python tests/oracles/documents.py

References: `jsonschema` (Draft 2020-12: metaschema and validator), `duckdb` and `pandas` (the shelf's JSON Lines file, read
without being told anything about it). What each schema must refuse is written by hand below: one targeted change each.
"""
import copy
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb
import pandas
from jsonschema import Draft202012Validator

ROOT = Path(__file__).resolve().parents[2]
QUORATE = os.environ.get("QUORATE", str(ROOT / "target/release/quorate"))
CORPUS = ROOT / "corpus/marsh-station"

# A tape with a damaged program (open), and names that would like to be something else.
HOSTILE = {
    "seed": 11,
    "files": [
        {"name": "<IMG SRC=X ONERR", "kind": "code", "load_address": 49152,
         "hex": bytes(73 * i % 251 for i in range(150)).hex(),
         "header_leader_s": 1.5, "data_leader_s": 0.8, "gap_s": 0.5},
        {"name": "&LT;\"'TIDE", "kind": "code", "load_address": 8192, "hex": bytes(29 * i % 241 for i in range(90)).hex(),
         "header_leader_s": 1.5, "data_leader_s": 0.8, "gap_s": 0.5}],
    "deck": {"sample_rate": 22050},
    "takes": [{"name": "one", "knobs": {"lost_s": [[7.1, 7.4], [8.9, 9.2]]}}],
}


def quorate(*arguments):
    done = subprocess.run([QUORATE, *map(str, arguments)], capture_output=True, text=True)
    assert done.returncode == 0, (arguments, done.stderr)
    return done.stdout


def first_doubt(program):
    return int(re.search(r"the first at offset (0x[0-9A-F]{4}|\d+)", " ".join(program["obstacles"]))[1], 0)


def schema(name):
    return json.loads(quorate("schema", name))


def validator(name):
    return Draft202012Validator(schema(name))


def load(path):
    return json.loads(Path(path).read_text("utf-8"))


def every_schema_is_a_schema(_):
    # a long title goes on in a second line, which begins with blanks
    names = [line.split()[0] for line in quorate("schema").splitlines()[2:] if not line.startswith(" ")]
    assert names == ["change", "dossier", "log", "run", "shelf-row", "take", "verdict"], names
    for name in names:
        text = schema(name)
        Draft202012Validator.check_schema(text)
        assert text["$schema"] == "https://json-schema.org/draft/2020-12/schema", name
        assert text["title"] and text["$id"], name


def every_document_validates(folder):
    kinds = set()
    for result in ("demo", "hostile", "grown"):
        for name in ("verdict", "run", "dossier"):
            validator(name).validate(load(folder / result / f"{name}.json"))
        takes = list((folder / result).glob("takes/*/take.json"))
        assert takes
        for take in takes:
            validator("take").validate(load(take))
        for line in (folder / result / "log.jsonl").read_text("utf-8").splitlines():
            validator("log").validate(json.loads(line))
            kinds.add(json.loads(line)["kind"])
    assert kinds >= {"created", "take-added", "decided", "person-decided", "person-withdrew"}, kinds
    assert load(folder / "grown/verdict.json")["programs"][3]["decisions"], "the decision is in the verdict"
    validator("change").validate(json.loads((folder / "change.json").read_text("utf-8")))
    validator("run").validate(load(folder / "shelf/run.json"))
    for line in (folder / "shelf/programs.jsonl").read_text("utf-8").splitlines():
        validator("shelf-row").validate(json.loads(line))


def broken(document, *changes):
    """Copies of the document, each with one change: a path and a new value, or DELETE."""
    for path, value in changes:
        copied = copy.deepcopy(document)
        at = copied
        for key in path[:-1]:
            at = at[key]
        if value is DELETE:
            del at[path[-1]]
        else:
            at[path[-1]] = value
        yield path, value, copied


DELETE = object()
P, T, B = ("programs", 0), ("takes", 0), ("programs", 0, "blocks", 0)
BROKEN_VERDICTS = [
    (("schema",), "quorate/verdict/2"), (("tool", "version"), 1), (("takes",), []), (("programs",), []),
    (("more",), 1), ((*T, "id"), "take-0"), ((*T, "sha256"), "75118519"), ((*T, "duration_s"), None),
    ((*T, "used"), "yes"), ((*T, "note"), 3), ((*T, "speed_error"), "fast"), ((*T, "readings"), -1),
    ((*P, "id"), "1"), ((*P, "name"), "TIDE\u001b[31m"), ((*P, "name"), None), ((*P, "kind"), "BASIC"),
    ((*P, "load_address"), 65536), ((*P, "load_address"), "0801"), ((*P, "size"), 1.5), ((*P, "verdict"), "sure"),
    ((*P, "p_wrong"), 1.1), ((*P, "p_wrong"), None), ((*P, "p_wrong"), 1e-6), ((*P, "bytes", "inferred"), 1),
    ((*P, "bytes", "agreed"), DELETE), ((*P, "takes"), ["take-1", "take-1"]), ((*P, "data"), "../p01.bin"),
    ((*P, "files", 0), "programs/../../etc"), ((*P, "files", 0), "programs/01-TIDE-TABLE.open.prg"), ((*P, "notes"), [""]), ((*P, "places", 0, "from_s"), "0:01"),
    ((*B, "role"), "tail"), ((*B, "hypotheses"), []), ((*B, "hypotheses", 0, "posterior"), 2),
    ((*B, "certificate", "blocks_within"), 0), ((*B, "certificate", "differs"), [1, 1]),
    ((*B, "certificate", "findings"), [{"check": "parity", "outcome": "failed"}]),
    ((*B, "certificate", "findings"), [{"check": "sum", "outcome": "lost", "computed": 1, "written": 2}]),
    ((*B, "certificate", "findings"), [{"check": "crc", "outcome": "open", "computed": 1, "written": 2, "group": 3}]),
    (("readings", "rejected", 0, "code"), "Too short"), (("readings", "rejected", 0, "reason"), ""),
    (("readings", "used"), DELETE), ((*P, "decisions"), None),
    ((*P, "decisions"), [{"offset": 0, "value": 1, "evidence": 2, "by": "x", "because": "established stays"}]),
]
BROKEN_RUNS = [
    (("schema",), "quorate/run/9"), (("started",), "25 November 2026"), (("started",), "2026-11-25T14:54:16+01:00"),
    (("command", "name"), "repair"), (("command", "options"), []), (("command", "options", 0, "default"), DELETE),
    (("command", "options", 7, "value"), "sure"), (("command", "options", 9, "value"), 0), (("inputs",), DELETE),
    (("seconds", "write"), -1), (("outputs", 0, "bytes"), "12"), (("outputs", 0, "sha256"), "A" * 64), (("host",), "x"), (("seal",), DELETE),
    (("outputs", 0, "file"), "../run.json"), (("outputs", 0, "file"), "/run.json"), (("captures", 0, "file"), DELETE), (("captures", 0, "sha256"), ""), (("captures", 0, "size"), 1), (("captures",), {}),
]
OPTIONAL = {("run", "captures")}  # records of before this field was kept are read still
HASH = "0" * 64
BROKEN_DOSSIERS = [
    (("schema",), "quorate/dossier/0"), (("format",), None), (("takes", 0, "folder"), "../x"), (("takes", 0), {}),
    (("takes", 0, "samples_blake3"), HASH[1:]), (("skipped",), [{"file": "a"}]), (("more",), 0),
]
BROKEN_TAKES = [
    (("samples_blake3",), "x"), (("files",), []), (("files", 0, "sha256"), ""), (("files", 0, "channel"), 0),
    (("files", 0, "levels", 0, "flat"), 0),
    (("files", 0, "levels", 0, "square"), False), (("files", 0, "levels", 0, "lost"), {"samples": 0, "first_s": 0, "last_s": 0}),
    (("files", 0, "levels", 0, "clipped"), DELETE),
    (("bits_per_byte",), "9"), (("leaders", 0, "hz"), None), (("readings", 0, "bytes"), -1), (("readings", 0, "leaps"), DELETE),
    (("wave", "pieces", 0, "samples"), 0.5), (("wave", "rate"), "fast"), (("more",), 0),
]
BROKEN_LOGS = [
    (("n",), 0), (("prev",), "x"), (("kind",), "guessed"), (("date",), 1986), (("tool",), DELETE), (("more",), 0),
]
BROKEN_CHANGES = [
    (("schema",), "quorate/change/0"), (("programs",), {}), (("programs", 0, "now", "verdict"), "sure"),
    (("programs", 0, "name"), DELETE), (("programs", 0, "bytes"), None), (("conflicts",), [1]), (("more",), 0),
]
BROKEN_ROWS = [
    (("schema",), None), (("folder",), ""), (("load_address",), None), (("has_load_address",), 1), (("p_wrong",), "0.1"),
    (("verdict",), "closed"), (("takes",), 0), (("sha256",), ""), (("obstacle",), None), (("advice",), DELETE),
    (("size",), 0.5), (("extra",), "x"),
]


def every_schema_refuses_broken_documents(folder):
    verdict = load(folder / "demo/verdict.json")
    # the demonstration may have none
    verdict["readings"]["rejected"] = [{"take": "take-1", "from_s": 1.0, "to_s": 2.0, "code": "too-short", "reason": "Too short."}]
    row = json.loads((folder / "shelf/programs.jsonl").read_text("utf-8").splitlines()[0])
    for name, document, changes in (
            ("verdict", verdict, BROKEN_VERDICTS),
            ("run", load(folder / "demo/run.json"), BROKEN_RUNS),
            ("shelf-row", row, BROKEN_ROWS),
            ("dossier", load(folder / "demo/dossier.json"), BROKEN_DOSSIERS),
            ("take", load(next((folder / "demo/takes").iterdir()) / "take.json"), BROKEN_TAKES),
            ("log", json.loads((folder / "demo/log.jsonl").read_text("utf-8").splitlines()[0]), BROKEN_LOGS),
            ("change", load(folder / "change.json"), BROKEN_CHANGES)):
        check = validator(name)
        assert check.is_valid(document)
        if name == "run":
            assert [document["command"]["options"][i]["name"] for i in (7, 9)] == ["require", "threads"]
        for path, value, changed in broken(document, *changes):
            assert not check.is_valid(changed), (name, path, value)
        # and every field of the top is wanted, but for those that came later
        for key in document:
            wanted = (name, key) not in OPTIONAL
            assert wanted != check.is_valid({k: v for k, v in document.items() if k != key}), (name, key)


def every_kind_of_finding_is_known(folder):
    check, document = validator("verdict"), load(folder / "demo/verdict.json")
    certificate = document["programs"][0]["blocks"][0]["certificate"]
    # the kinds as src/correction/certificate.rs documents them
    for finding in ({"check": "parity", "group": 3}, {"check": "xor-column", "value": 128}, {"check": "block"},
                    {"check": "sum", "computed": 1, "written": 2}, {"check": "crc", "computed": 1, "written": 65535},
                    {"check": "known-bit", "position": 9, "value": True}):
        certificate["findings"] = [{**finding, "outcome": "open"}]
        check.validate(document)


def numbers_agree(folder):
    """What a schema can't say."""
    for result in ("demo", "hostile"):
        verdict = load(folder / result / "verdict.json")
        readings = verdict["readings"]
        assert readings["used"] + len(readings["rejected"]) == readings["total"]
        for program in verdict["programs"]:
            assert sum(program["bytes"].values()) == program["size"]
            assert (folder / result / program["data"]).stat().st_size == program["size"]
            for file in program["files"]:
                assert (folder / result / file).is_file(), file


TYPES = {
    "schema": "VARCHAR", "folder": "VARCHAR", "tape": "BIGINT", "program": "VARCHAR", "name": "VARCHAR",
    "format": "VARCHAR", "kind": "VARCHAR", "has_load_address": "BOOLEAN", "load_address": "BIGINT", "size": "BIGINT",
    "verdict": "VARCHAR", "p_wrong": "DOUBLE", "agreed": "BIGINT", "corrected": "BIGINT", "inferred": "BIGINT",
    "unresolved": "BIGINT", "weak_bits": "BIGINT", "takes": "BIGINT", "takes_used": "BIGINT", "sha256": "VARCHAR",
    "file": "VARCHAR", "obstacle": "VARCHAR", "advice": "VARCHAR", "version": "VARCHAR",
}


def a_database_reads_the_shelf(folder):
    path = folder / "shelf/programs.jsonl"
    table = duckdb.sql(f"SELECT * FROM read_json_auto('{path}')")
    assert dict(zip(table.columns, map(str, table.types))) == TYPES, dict(zip(table.columns, table.types))
    rows = table.fetchall()
    lines = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    assert [list(row) for row in rows] == [list(line.values()) for line in lines]
    assert not any(value is None for row in rows for value in row)
    open_ = duckdb.sql(f"SELECT count(*) FROM '{path}' WHERE verdict <> 'established'").fetchall()[0][0]
    assert open_ >= 1, "the damaged tape has a program that is not established"
    # the station's four programs, as corpus/marsh-station/truth.json has them
    truth = load(CORPUS / "truth.json")["programs"]
    got = duckdb.sql(f"SELECT name, size, load_address FROM '{path}' WHERE folder LIKE '%demo'").fetchall()
    assert got == [(p["name"], p["size"], p["load_address"]) for p in truth], got


def a_data_frame_reads_the_shelf(folder):
    frame = pandas.read_json(folder / "shelf/programs.jsonl", lines=True, dtype=True)
    kinds = {"BIGINT": "i", "DOUBLE": "f", "BOOLEAN": "b"}
    for column, type_ in TYPES.items():
        kind = frame[column].dtype.kind
        assert kind == kinds.get(type_, kind) and not frame[column].isna().any(), (column, frame[column].dtype)
    assert frame.groupby("folder")["size"].sum().min() > 0


def hostile_names_stay_text(folder):
    names = [p["name"] for p in load(folder / "hostile/verdict.json")["programs"]]
    assert any("<IMG SRC=X ONERR" in name for name in names), names
    index = (folder / "shelf/index.html").read_text("utf-8")
    assert "&lt;IMG SRC=X ONERR" in index and "<img" not in index.lower()
    assert "&amp;LT;" in index and "<script" not in index.lower()


def main():
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        quorate("recover", *sorted(CORPUS.glob("take-*.flac")), "--out", folder / "demo", "-q")
        (folder / "recipe.json").write_text(json.dumps(HOSTILE))
        quorate("simulate", folder / "recipe.json", "--out", folder / "takes", "-q")
        quorate("recover", *(folder / "takes").glob("*.flac"), "--out", folder / "hostile", "-q")
        takes = sorted(CORPUS.glob("take-*.flac"))
        quorate("recover", takes[2], "--out", folder / "grown", "-q", "--deck", "old deck", "--note", "side A")
        (folder / "change.json").write_text(quorate("add", folder / "grown", takes[0], "--json", "-q"))
        offset = first_doubt(load(folder / "grown/verdict.json")["programs"][3])
        for value in ("=0x41", "=0x42"):
            quorate("decide", folder / "grown", f"p04:{offset}{value}", "--because", "the log book", "--by", "warden")
        quorate("decide", folder / "grown", f"p04:{offset}", "--withdraw", "--by", "warden")
        quorate("decide", folder / "grown", f"p04:{offset}=0x41", "--because", "the log book", "--by", "warden")
        quorate("shelf", folder / "demo", folder / "hostile", "--out", folder / "shelf")
        failed = 0
        checks = [
            every_schema_is_a_schema, every_document_validates, every_schema_refuses_broken_documents,
            every_kind_of_finding_is_known, numbers_agree, a_database_reads_the_shelf, a_data_frame_reads_the_shelf,
            hostile_names_stay_text,
        ]
        for check in checks:
            try:
                check(folder)
                print(f"ok      {check.__name__}")
            except Exception as error:  # a check that breaks has failed like one that disagrees
                failed += 1
                print(f"FAILED  {check.__name__}: {type(error).__name__}: {error}")
        print(f"{len(checks) - failed} passed, {failed} failed")
        return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
