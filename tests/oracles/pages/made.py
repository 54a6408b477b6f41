"""Results to look at, with their reports and a shelf of them; and how a page is read as text."""
import json
import os
import shutil
import subprocess
from pathlib import Path

import lxml.html

ROOT = Path(__file__).resolve().parents[3]
QUORATE = os.environ.get("QUORATE", str(ROOT / "target/release/quorate"))
CORPUS = ROOT / "corpus/marsh-station"
HOSTILE_FILE = "<img src=x onerror=alert(1)>.flac"
PAGES = ("demo/report.html", "hard/report.html", "hostile/report.html", "alike/report.html", "over/report.html",
         "shelf/index.html")


def quorate(*arguments):
    done = subprocess.run([QUORATE, *map(str, arguments)], capture_output=True, text=True)
    assert done.returncode == 0, (arguments, done.stderr)
    return done.stdout


def program(name, address, size, step):
    bytes_ = bytes(step * i % 251 for i in range(size)).hex()
    return {"name": name, "kind": "code", "load_address": address, "hex": bytes_,
            "header_leader_s": 1.2, "data_leader_s": 0.6, "gap_s": 0.4}


def simulate(folder, name, recipe):
    (folder / f"{name}.json").write_text(json.dumps(recipe))
    quorate("simulate", folder / f"{name}.json", "--out", folder / f"{name}-takes", "-q")
    return sorted((folder / f"{name}-takes").glob("*.flac"))


def make(folder):
    """Results of four kinds: all established; all verdicts; names that would like to be code; twenty bad programs."""
    takes = sorted(CORPUS.glob("take-*.flac"))
    quorate("recover", *takes, "--out", folder / "demo", "-q")
    quorate("recover", takes[0], takes[2], "--out", folder / "hard", "-q")
    one, two = simulate(folder, "hostile", {
        "seed": 3, "deck": {"sample_rate": 22050},
        "files": [program("<IMG SRC=X ONERR", 49152, 120, 73), program("</SVG><SCRIPT>", 8192, 90, 29),
                  program("salt PANS", 4096, 60, 31)],  # lower case in ASCII is graphics on the machine
        "takes": [{"name": "a", "knobs": {"clip_at": 0.2}}, {"name": "b", "knobs": {"snr_db": 9, "own_dropouts_per_s": 3}}]})
    shutil.copy(one, folder / HOSTILE_FILE)
    quorate("recover", folder / HOSTILE_FILE, two, "--out", folder / "hostile", "-q", "--deck", "<b>deck</b>\u202e",
            "--note", "'\"><script>alert(2)</script>")
    bad = {"snr_db": 1.5, "own_dropouts_per_s": 4}
    many = simulate(folder, "many", {
        "seed": 8, "deck": {"sample_rate": 22050, "shared_dropouts_per_s": 2},
        "files": [program(f"LOG {n}", 4096, 320, 2 * n + 3) for n in range(20)],
        "takes": [{"name": "a", "knobs": bad}, {"name": "b", "knobs": bad}]})
    quorate("recover", *many, "--out", folder / "many", "-q")
    # a program whose header is lost, two of one name, a checksum written wrong; an audio file and a pulse image
    alike = [program("LAMP", 49152, 120, 73), program("LAMP", 8192, 90, 29), program("NESTS", 4096, 150, 31)]
    alike.append(program("ROOST", 4096, 100, 37) | {"checksum_fault": 32})
    take, = simulate(folder, "alike", {"seed": 4, "deck": {"sample_rate": 22050}, "files": alike,
                                       "takes": [{"name": "a", "knobs": {"snr_db": 20, "lost_s": [[17.2, 22.7]]}}]})
    quorate("recover", CORPUS / "take-2.flac", "--out", folder / "image", "-q")
    (image,) = (folder / "image/programs").glob("03-*.tap")
    quorate("recover", take, "--out", folder / "alike", "-q", "--note", "ebb and flow " * 200)
    quorate("recover", image, "--out", folder / "pulses", "-q")
    # the tape was recorded over between two plays
    plays = [simulate(folder, f"over-{step}", {
        "seed": 7, "tape_seed": 7, "deck": {"sample_rate": 22050}, "files": [program("TERN MAP", 16384, 200, step)],
        "takes": [{"name": "a", "knobs": {"snr_db": 15}}, {"name": "b", "knobs": {"snr_db": 14}}]}) for step in (41, 57)]
    quorate("recover", plays[0][0], plays[1][1], "--out", folder / "over", "-q")
    for name in ("demo", "hard", "hostile", "many", "alike", "over", "pulses"):
        quorate("report", folder / name, "-q")
    quorate("shelf", *(folder / n for n in ("demo", "hard", "hostile", "over")), "--out", folder / "shelf")


def tree(folder, page):
    return lxml.html.parse(str(folder / page)).getroot()


def text(element):
    return " ".join(element.text_content().split())
