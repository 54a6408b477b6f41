"""Oracle: archive packages, held against other people's readers of BagIt and PREMIS.

    QUORATE=target/release/quorate python tests/oracles/archive.py

References: `bagit` (the Library of Congress's Python package; RFC 8493), the PREMIS 3.0 schema with `lxml`. What `bagit` lets
pass is checked by `strict` below, written from RFC 8493; each of its rules is shown to bite on a bag with that one fault.
"""
import datetime
import fcntl
import hashlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import bagit
from lxml import etree

ROOT = Path(__file__).resolve().parents[2]
QUORATE = os.environ.get("QUORATE", str(ROOT / "target/release/quorate"))
# The elements of RFC 8493, section 2.2.2 (from memory), and the only label of our own.
LABELS = {"Source-Organization", "Organization-Address", "Contact-Name", "Contact-Phone", "Contact-Email", "External-Description",
          "Bagging-Date", "External-Identifier", "Bag-Size", "Payload-Oxum", "Bag-Group-Identifier", "Bag-Count",
          "Internal-Sender-Identifier", "Internal-Sender-Description", "Made-By-Program"}
CORPUS = ROOT / "corpus/marsh-station"
HOSTILE_FILE = "100%25 <img src=x onerror=alert(1)>\r\n]]>.flac"
EPOCH = {"SOURCE_DATE_EPOCH": "541000000"}  # 22 February 1987, by `date -u -d @541000000`
NAMESPACE = {"p": "http://www.loc.gov/premis/v3"}


def run(*arguments, **environment):
    return subprocess.run([QUORATE, *map(str, arguments)], capture_output=True, text=True,
                          env={**os.environ, **environment})


def quorate(*arguments, **environment):
    done = run(*arguments, **environment)
    assert done.returncode == 0, (arguments, done.stderr)
    return done.stdout


def make(folder):
    takes = []
    for path in sorted(CORPUS.glob("take-*.flac")):
        takes.append(folder / "captures" / path.name)
        takes[-1].parent.mkdir(exist_ok=True)
        shutil.copy(path, takes[-1])
    quorate("recover", *takes, "--out", folder / "demo", "-q")
    hostile = folder / HOSTILE_FILE
    shutil.copy(takes[0], hostile)
    quorate("recover", hostile, takes[2], "--out", folder / "hard", "-q", "--operator", "ring & <reader>\u0007",
            "--deck", "a deck with ]]> on its label")
    offset = first_doubt(folder / "hard", "p04")
    quorate("decide", folder / "hard", f"p04:{offset}=0x41", "--by", "station <warden>",
            "--because", "the \u001b[31m logbook & the listing say so")
    quorate("pack", folder / "demo", "--out", folder / "bag", **EPOCH)
    quorate("pack", folder / "hard", "--out", folder / "hard-bag", "-q", "--captures", folder / "captures")


def first_doubt(result, program):
    verdict = json.loads((result / "verdict.json").read_text("utf-8"))
    (found,) = [p for p in verdict["programs"] if p["id"] == program]
    said = " ".join(found["obstacles"])
    return int(re.search(r"the first at offset (0x[0-9A-F]{4}|\d+)", said)[1], 0)


# ---- BagIt ----------------------------------------------------------------------------------------------------------

def is_date(value):
    """A day of the calendar, after a space."""
    try:
        return bool(re.fullmatch(r" \d{4}-\d\d-\d\d", value)) and bool(datetime.date.fromisoformat(value.strip()))
    except ValueError:
        return False


def strict(bag):
    """What RFC 8493 asks beyond what the Python package looks at. Returns faults."""
    faults = []
    raw = (bag / "bagit.txt").read_bytes()
    if raw != b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n":
        faults.append("bagit.txt is not its two lines")
    info = (bag / "bag-info.txt").read_text("utf-8")
    if not info.endswith("\n"):
        faults.append("bag-info.txt does not end its last line")
    labels = []
    for line in info.splitlines():
        label, colon, value = line.partition(":")
        labels.append(label)
        if not colon or label != label.strip() or not label or not value.startswith(" "):
            faults.append(f"bag-info.txt: {line!r}")
        if label == "Bagging-Date" and not is_date(value):
            faults.append(f"not a date: {value!r}")
    faults += [f"bag-info.txt: unknown label {label!r}" for label in labels if label not in LABELS]
    payload = {p.relative_to(bag).as_posix() for p in (bag / "data").rglob("*") if not p.is_dir()}
    size = sum((bag / p).stat().st_size for p in payload)
    if labels.count("Payload-Oxum") != 1 or f"Payload-Oxum: {size}.{len(payload)}\n" not in info:
        faults.append("Payload-Oxum")
    tags = {p.name for p in bag.iterdir() if p.is_file() and not p.name.startswith("tagmanifest-")}
    for algorithm in ("sha256", "sha512"):
        for name, wanted in ((f"manifest-{algorithm}.txt", payload), (f"tagmanifest-{algorithm}.txt", tags)):
            text = (bag / name).read_text("utf-8")
            if not text.endswith("\n"):
                faults.append(f"{name} does not end its last line")
            listed = []
            for line in text.split("\n")[:-1]:
                match = re.fullmatch(r"([0-9a-f]+)[ \t]+(.+)", line)
                if not match:
                    faults.append(f"{name}: {line!r}")
                    continue
                path = match[2].replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")
                listed.append(path)
                file = bag / path
                if file.is_symlink() or not file.is_file() or hashlib.new(algorithm, file.read_bytes()).hexdigest() != match[1]:
                    faults.append(f"{name}: {path}")
            if sorted(listed) != sorted(wanted):
                faults.append(f"{name} does not list every file once")
    return faults


def bags_are_valid(folder):
    for name in ("bag", "hard-bag"):
        bag = bagit.Bag(str(folder / name))
        bag.validate()
        assert bag.version_info == (1, 0) and set(bag.algorithms) == {"sha256", "sha512"}
        assert not strict(folder / name), strict(folder / name)
        done = subprocess.run([sys.executable, "-m", "bagit", "--validate", str(folder / name)], capture_output=True)
        assert done.returncode == 0, done.stderr
    assert bagit.Bag(str(folder / "bag")).info["Bagging-Date"] == "1987-02-22"


def edit(file, change):
    file.write_text(change(file.read_text("utf-8")), "utf-8")


def the_strict_rules_bite(folder):
    """Seven faults that the Python package lets pass (its version 1.9.0), one a bag."""
    faults = {
        "missing from one manifest": lambda b: edit(b / "manifest-sha256.txt", lambda t: t.split("\n", 1)[1]),
        "a third line": lambda b: edit(b / "bagit.txt", lambda t: t + "Note: x\n"),
        "two sums": lambda b: edit(b / "bag-info.txt", lambda t: t + re.search("Payload-Oxum.*\n", t)[0]),
        "space before the colon": lambda b: edit(b / "bag-info.txt", lambda t: t.replace("Date:", "Date :")),
        "no final newline": lambda b: edit(b / "manifest-sha512.txt", lambda t: t[:-1]),
        "no date": lambda b: edit(b / "bag-info.txt", lambda t: t.replace("1987-02-22", "22.2.1987")),
        "no day of the calendar": lambda b: edit(b / "bag-info.txt", lambda t: t.replace("1987-02-22", "1987-02-30")),
    }
    for name, spoil in faults.items():
        spoiled = folder / "spoiled"
        shutil.copytree(folder / "bag", spoiled)
        spoil(spoiled)
        # right tag manifests, so that this fault alone is left
        for algorithm in ("sha256", "sha512"):
            lines = [f"{hashlib.new(algorithm, t.read_bytes()).hexdigest()}  {t.name}\n" for t in sorted(spoiled.iterdir())
                     if t.is_file() and not t.name.startswith("tagmanifest-")]
            (spoiled / f"tagmanifest-{algorithm}.txt").write_text("".join(lines))
        assert strict(spoiled), name
        shutil.rmtree(spoiled)


def everything_is_in_the_bag(folder):
    data = folder / "bag/data"
    for take in CORPUS.glob("take-*.flac"):
        (copy,) = (data / "captures").rglob(take.name)
        assert copy.read_bytes() == take.read_bytes()
    originals = {p.relative_to(folder / "demo") for p in (folder / "demo").rglob("*") if p.is_file()}
    copies = {p.relative_to(data / "dossier") for p in (data / "dossier").rglob("*") if p.is_file()}
    assert originals == copies
    assert all((data / "dossier" / p).read_bytes() == (folder / "demo" / p).read_bytes() for p in copies)
    quorate("verify", data / "dossier")
    quorate("report", folder / "demo", "-q", "--out", folder / "report.html")
    assert (data / "report.html").read_bytes() == (folder / "report.html").read_bytes()


def without_captures_their_hashes_stay(folder):
    quorate("pack", folder / "demo", "--out", folder / "light", "--without-captures")
    bagit.Bag(str(folder / "light")).validate()
    assert not strict(folder / "light")
    assert not (folder / "light/data/captures").exists()
    said = (folder / "light/data/captures.sha256").read_text().split("\n")
    for take in sorted(CORPUS.glob("take-*.flac")):
        assert f"{hashlib.sha256(take.read_bytes()).hexdigest()}  {take.name}" in said
    schema().assertValid(etree.parse(str(folder / "light/data/premis.xml")))


# ---- PREMIS ---------------------------------------------------------------------------------------------------------

def schema():
    return etree.XMLSchema(etree.parse(str(ROOT / "tests/oracles/schemas/premis-v3-0.xsd")))


def values(element, path):
    return [e.text for e in element.iterfind(path, NAMESPACE)]


def records_follow_the_schema(folder):
    for name in ("bag", "hard-bag"):
        schema().assertValid(etree.parse(str(folder / name / "data/premis.xml")))
    # and the schema does see a fault
    broken = etree.parse(str(folder / "bag/data/premis.xml"))
    broken.find("p:event", NAMESPACE).remove(broken.find("p:event/p:eventType", NAMESPACE))
    assert not schema().validate(broken)


def records_know_every_file(folder):
    for name in ("bag", "hard-bag"):
        root = etree.parse(str(folder / name / "data/premis.xml")).getroot()
        known = {}
        for thing in root.iterfind("p:object", NAMESPACE):
            for path in values(thing, ".//p:contentLocationValue"):
                known[path] = thing
        files = {p.relative_to(folder / name).as_posix() for p in (folder / name / "data").rglob("*") if p.is_file()}
        assert set(known) == files - {"data/premis.xml"}, set(known) ^ files
        for path, thing in known.items():
            content = (folder / name / path).read_bytes()
            assert values(thing, ".//p:size") == [str(len(content))], path
            digests = dict(zip(values(thing, ".//p:messageDigestAlgorithm"), values(thing, ".//p:messageDigest")))
            assert digests["SHA-256"] == hashlib.sha256(content).hexdigest(), path
            assert digests["SHA-512"] == hashlib.sha512(content).hexdigest(), path


def links_lead_somewhere(folder):
    for name in ("bag", "hard-bag"):
        root = etree.parse(str(folder / name / "data/premis.xml")).getroot()
        own = {kind: values(root, f"p:{kind}/p:{kind}Identifier/p:{kind}IdentifierValue")
               for kind in ("object", "event", "agent")}
        for kind, ids in own.items():
            assert ids and len(ids) == len(set(ids)), (kind, ids)
        for kind, path in (("object", "relatedObject"), ("event", "relatedEvent"), ("agent", "linkingAgent"),
                           ("object", "linkingObject")):
            linked = values(root, f".//p:{path}IdentifierValue")
            assert linked and set(linked) <= set(own[kind]), (path, set(linked) - set(own[kind]))


def records_tell_what_happened(folder):
    verdict = json.loads((folder / "hard/verdict.json").read_text("utf-8"))
    root = etree.parse(str(folder / "hard-bag/data/premis.xml")).getroot()
    events = {}
    for event in root.iterfind("p:event", NAMESPACE):
        events.setdefault(event.findtext("p:eventType", None, NAMESPACE), []).append(event)
    takes, programs = len(verdict["takes"]), len(verdict["programs"])
    counts = {kind: len(all_) for kind, all_ in events.items()}
    assert counts == {"capture": takes, "decoding": takes, "consensus": 1, "correction": programs, "decision": 1}, counts
    outcomes = {e.findtext("p:eventIdentifier/p:eventIdentifierValue", None, NAMESPACE):
                e.findtext(".//p:eventOutcome", None, NAMESPACE) for e in events["correction"]}
    assert outcomes == {f"correction-{p['id']}": p["verdict"] for p in verdict["programs"]}
    # programs come from the takes that heard them
    for thing in root.iterfind("p:object", NAMESPACE):
        (id_,) = values(thing, "p:objectIdentifier/p:objectIdentifierValue")
        for p in verdict["programs"]:
            if p["id"] == id_:
                source = [r for r in thing.iterfind("p:relationship", NAMESPACE)
                          if r.findtext("p:relationshipType", None, NAMESPACE) == "derivation"]
                assert values(source[0], ".//p:relatedObjectIdentifierValue") == p["takes"]
    agents = {a.findtext("p:agentName", None, NAMESPACE): a.findtext("p:agentType", None, NAMESPACE)
              for a in root.iterfind("p:agent", NAMESPACE)}
    assert agents == {"quorate": "software", "station <warden>": "person", "ring & <reader>\\u{7}": "person"}, agents
    assert values(root, "p:agent/p:agentVersion") == [verdict["tool"]["version"]]
    decision = etree.tostring(events["decision"][0], encoding="unicode", method="text")
    offset = next(d["offset"] for p in verdict["programs"] for d in p["decisions"])
    assert "the \\u{1b}[31m logbook & the listing say so" in decision and f"at offset 0x{offset:04X}: 0x41 where" in decision, decision


def hostile_names_stay_names(folder):
    root = etree.parse(str(folder / "hard-bag/data/premis.xml")).getroot()
    names = values(root, "p:object/p:originalName")
    assert "100%25 <img src=x onerror=alert(1)>\\u{d}\\u{a}]]>.flac" in names, names
    for file in (folder / "hard-bag").rglob("*"):
        assert not re.search(r'[%\x00-\x1f\\<>:"|?*\u202e]', file.name), file.name
    assert not root.xpath("//*[local-name()='img']")


# ---- reliability ----------------------------------------------------------------------------------------------------

def tree(bag):
    return {p.relative_to(bag).as_posix(): p.read_bytes() for p in sorted(bag.rglob("*")) if p.is_file()}


def the_same_inputs_give_the_same_bag(folder):
    quorate("pack", folder / "demo", "--out", folder / "again", **EPOCH)
    assert tree(folder / "again") == tree(folder / "bag")
    quorate("pack", folder / "demo", "--out", folder / "later", SOURCE_DATE_EPOCH="541100000")
    first, later = tree(folder / "bag"), tree(folder / "later")
    assert first.keys() == later.keys()
    differ = {name for name in first if first[name] != later[name]}
    assert differ == {"bag-info.txt", "tagmanifest-sha256.txt", "tagmanifest-sha512.txt"}, differ


def killed_at_any_moment_there_is_no_half_bag(folder):
    start = time.monotonic()
    quorate("pack", folder / "demo", "--out", folder / "timed")
    whole = time.monotonic() - start
    bag, hidden = folder / "killed", folder / ".killed.packing"
    chance, unfinished, kept = random.Random(1986), 0, 0
    for _ in range(40):
        process = subprocess.Popen([QUORATE, "pack", folder / "demo", "--out", bag], stdout=subprocess.DEVNULL,
                                   stderr=subprocess.DEVNULL)
        time.sleep(chance.uniform(0, whole))
        process.send_signal(signal.SIGKILL)
        process.wait()
        if bag.exists():
            bagit.Bag(str(bag)).validate()
            shutil.rmtree(bag)
            shutil.rmtree(hidden, ignore_errors=True)
            continue
        unfinished += 1
        state = hidden / "hashed"
        done = [json.loads(line) for line in state.read_text().splitlines() if line.endswith("}")] if state.exists() else []
        before = {d["path"]: (hidden / "bag/data" / d["path"]).stat().st_ino for d in done}
        assert all((hidden / "bag/data" / d["path"]).stat().st_size == d["bytes"] for d in done)
        if done and chance.random() < 0.4:
            # goes on: what was done is not done again
            quorate("pack", folder / "demo", "--out", bag, **EPOCH)
            assert tree(bag) == tree(folder / "bag")
            assert all((bag / "data" / path).stat().st_ino == inode for path, inode in before.items())
            kept += len(before)
            shutil.rmtree(bag)
    assert unfinished > 10 and kept > 10, (unfinished, kept)
    if not bag.exists():
        quorate("pack", folder / "demo", "--out", bag, **EPOCH)
    assert tree(bag) == tree(folder / "bag") and not hidden.exists()


def nothing_is_overwritten_and_nothing_wrong_goes_in(folder):
    demo, out = folder / "demo", folder / "never"
    taken = tree(folder / "bag")
    assert run("pack", demo, "--out", folder / "bag").returncode == 2 and tree(folder / "bag") == taken
    assert run("pack", demo, "--out", demo / "inside").returncode == 2
    assert run("pack", demo, "--out", demo / "programs/inside").returncode == 2
    # a capture that is not the one that was received
    capture = folder / "captures/take-2.flac"
    content = capture.read_bytes()
    capture.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    done = run("pack", demo, "--out", out)
    assert done.returncode == 2 and "take-2.flac" in done.stderr and not out.exists(), done.stderr
    capture.unlink()
    done = run("pack", demo, "--out", out)
    assert done.returncode == 2 and "--captures" in done.stderr and not out.exists(), done.stderr
    (folder / "attic").mkdir()
    (folder / "attic/take-2.flac").write_bytes(content)
    quorate("pack", demo, "--out", out, "--captures", folder / "attic", **EPOCH)
    assert tree(out) == taken
    capture.write_bytes(content)


def captures_of_one_name_are_told_apart_by_their_hashes(folder):
    """Two days' takes are called alike, then moved; one has a name that is no text; one was given another name."""
    one, two, three = (p.read_bytes() for p in sorted((folder / "captures").iterdir()))
    names = [(b"mon", b"side.flac", one), (b"tue", b"side.flac", two), (b"wed", b"si\xffde.flac", three)]
    root = os.fsencode(folder / "days")
    for day, name, content in names:
        os.makedirs(os.path.join(root, day))
        with open(os.path.join(root, day, name), "wb") as file:
            file.write(content)
    takes = [os.path.join(root, day, name) for day, name, _ in names]
    subprocess.run([QUORATE, "recover", *takes, "--out", folder / "days-out", "-q"], check=True, capture_output=True)
    moved = folder / "moved"
    (folder / "days").rename(moved)
    folders = [f"--captures={moved / day}" for day in ("mon", "tue", "wed")]
    quorate("pack", folder / "days-out", "--out", folder / "days-bag", "-q", *folders)
    bagit.Bag(str(folder / "days-bag")).validate()
    assert not strict(folder / "days-bag")
    packed = [p.read_bytes() for p in (folder / "days-bag/data/captures").rglob("*.flac")]
    assert sorted(packed) == sorted([one, two, three])
    (moved / "tue/side.flac").rename(moved / "tue/tuesday.flac")
    quorate("pack", folder / "days-out", "--out", folder / "days-bag-2", "-q", *folders)
    assert not strict(folder / "days-bag-2")


def a_copy_changed_while_packing_rested_is_made_again(folder):
    process = subprocess.Popen([QUORATE, "pack", folder / "demo", "--out", folder / "rested", "-q"])
    state = folder / ".rested.packing/hashed"
    while process.poll() is None and not (state.exists() and state.read_text().count("}\n") > 3):
        time.sleep(0.001)
    process.send_signal(signal.SIGKILL)
    process.wait()
    if (folder / "rested").exists():
        shutil.rmtree(folder / "rested")  # it was faster than we; the next check is then of a fresh bag
    else:
        done = [json.loads(line)["path"] for line in state.read_text().splitlines() if line.endswith("}")]
        for path in done:
            with open(folder / ".rested.packing/bag/data" / path, "r+b") as copy:
                first = copy.read(1)
                copy.seek(0)
                copy.write(bytes([first[0] ^ 1]))
        assert done
    quorate("pack", folder / "demo", "--out", folder / "rested", **EPOCH)
    assert tree(folder / "rested") == tree(folder / "bag")


def a_pulse_image_has_no_sample_rate(folder):
    (image,) = (folder / "demo/programs").glob("03-*.tap")
    quorate("recover", image, "--out", folder / "pulses", "-q")
    quorate("pack", folder / "pulses", "--out", folder / "pulse-bag", "-q")
    root = etree.parse(str(folder / "pulse-bag/data/premis.xml")).getroot()
    schema().assertValid(root)
    (take,) = [o for o in root.iterfind("p:object", NAMESPACE)
               if values(o, "p:objectIdentifier/p:objectIdentifierValue") == ["take-1"]]
    said = values(take, "p:significantProperties/p:significantPropertiesType")
    assert "duration" in said and "sample rate" not in said, said


def two_at_once_do_not_mix(folder):
    hidden = folder / ".twice.packing"
    hidden.mkdir()
    with open(hidden / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = run("pack", folder / "demo", "--out", folder / "twice")
        assert done.returncode == 2 and "another process" in done.stderr, done.stderr
    quorate("pack", folder / "demo", "--out", folder / "twice")
    assert not strict(folder / "twice")


def what_cannot_be_written_is_said(folder):
    done = run("pack", folder / "demo", "--out", "/proc/none/bag")
    assert done.returncode == 4, (done.returncode, done.stderr)
    # a limit on the size of files stands in for a full disk
    limit = ["bash", "-c", 'ulimit -f 100; trap "" XFSZ; exec "$@"', "-", QUORATE, "pack", folder / "demo", "--out", folder / "full"]
    done = subprocess.run(list(map(str, limit)), capture_output=True, text=True)
    assert done.returncode == 4 and not (folder / "full").exists(), (done.returncode, done.stderr)
    quorate("pack", folder / "demo", "--out", folder / "full", **EPOCH)
    assert tree(folder / "full") == tree(folder / "bag")


def main():
    checks = [
        bags_are_valid, the_strict_rules_bite, everything_is_in_the_bag, without_captures_their_hashes_stay,
        records_follow_the_schema, records_know_every_file, links_lead_somewhere, records_tell_what_happened,
        hostile_names_stay_names, the_same_inputs_give_the_same_bag, killed_at_any_moment_there_is_no_half_bag,
        nothing_is_overwritten_and_nothing_wrong_goes_in,
        captures_of_one_name_are_told_apart_by_their_hashes, a_copy_changed_while_packing_rested_is_made_again,
        a_pulse_image_has_no_sample_rate, two_at_once_do_not_mix, what_cannot_be_written_is_said,
    ]
    with tempfile.TemporaryDirectory() as made:
        folder, failed = Path(made), 0
        make(folder)
        for check in checks:
            try:
                check(folder)
                print(f"ok      {check.__name__}", flush=True)
            except Exception as error:  # a check that breaks has failed like one that disagrees
                failed += 1
                print(f"FAILED  {check.__name__}: {type(error).__name__}: {error}", flush=True)
    print(f"{len(checks) - failed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
