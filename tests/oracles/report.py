"""Oracle: the evidence report and the shelf's index, held against other people's checkers and a browser.

    QUORATE=target/release/quorate python tests/oracles/report.py [--pictures FOLDER]

References: `vnu.jar` (the W3C's HTML checker, needs Java), `axe-core` (accessibility) in headless Chromium, Chromium itself
(width, requests, printing), `lxml` (what the page says, against verdict.json), `pypdf` (the printed page). Exit code 77: a
program is not here, so its part was skipped. --pictures writes screenshots and PDFs to look at.
"""
import base64
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import unicodedata
from pathlib import Path

import lxml.html
from pypdf import PdfReader
from websockets.sync.client import connect

ROOT = Path(__file__).resolve().parents[2]
QUORATE = os.environ.get("QUORATE", str(ROOT / "target/release/quorate"))
CORPUS = ROOT / "corpus/marsh-station"
NODE = ROOT / ".venv/node_modules"
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
HOSTILE_FILE = "<img src=x onerror=alert(1)>.flac"
PAGES = ("demo/report.html", "hard/report.html", "hostile/report.html", "alike/report.html", "shelf/index.html")


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
        "files": [program("<IMG SRC=X ONERR", 49152, 120, 73), program("</SVG><SCRIPT>", 8192, 90, 29)],
        "takes": [{"name": "a"}, {"name": "b", "knobs": {"snr_db": 9, "own_dropouts_per_s": 3}}]})
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
    for name in ("demo", "hard", "hostile", "many", "alike", "pulses"):
        quorate("report", folder / name, "-q")
    quorate("shelf", *(folder / n for n in ("demo", "hard", "hostile")), "--out", folder / "shelf")


# ---- the page as text -----------------------------------------------------------------------------------------------

def tree(folder, page):
    return lxml.html.parse(str(folder / page)).getroot()


def text(element):
    return " ".join(element.text_content().split())


def it_says_what_the_verdict_says(folder):
    for name in ("demo", "hard", "hostile", "many"):
        verdict = json.loads((folder / name / "verdict.json").read_text("utf-8"))
        page = tree(folder, f"{name}/report.html")
        rows = page.xpath("//section[@id='programs']//tbody/tr")
        assert len(rows) == len(verdict["programs"])
        for row, p in zip(rows, verdict["programs"]):
            assert p["verdict"] in text(row) and f"{p['size']:,}" in text(row), text(row)
            section = page.get_element_by_id(p["id"])
            asked = [text(dt) for dt in section.xpath(".//dl[@class='five']/dt")]
            assert asked == ["What it is", "Is it right?", "How sure?", "Why?", "What was changed?", "What would help?"]
            answers = [text(dd) for dd in section.xpath(".//dl[@class='five']/dd")]
            assert all(answers), answers
            for sentence in p["obstacles"]:
                assert " ".join(sentence.split()) in answers[3], (sentence, answers[3])
            for sentence in p["advice"]:
                assert " ".join(sentence.split()) in answers[5], (sentence, answers[5])
            cells(section, p)


def programs_can_be_told_apart(folder):
    """Two of one name, one without a name: what the page says of a program, it says of one program alone."""
    page = tree(folder, "alike/report.html")
    programs = json.loads((folder / "alike/verdict.json").read_text())["programs"]
    assert [p["name"] for p in programs].count("LAMP") == 2 and "" in [p["name"] for p in programs], [p["name"] for p in programs]
    assert "(no name)" not in text(page.xpath("//h1")[0]) + text(page.xpath("//p[@class='lead']")[0])
    said = text(page.get_element_by_id("help"))
    for p in programs:
        if p["verdict"] != "established":
            number = p["id"].strip("p0")
            assert f"{number}. {p['name'] or '(no name)'}" in said, (p["id"], said)


def a_wrong_checksum_is_not_said_to_hold(folder):
    page = tree(folder, "alike/report.html")
    programs = json.loads((folder / "alike/verdict.json").read_text())["programs"]
    (odd,) = [p for p in programs if "checksum" in " ".join(p["obstacles"])]
    for p in programs:
        assert p["bytes"]["agreed"], p["id"]
        section = text(page.get_element_by_id(p["id"]))
        assert ("the checks hold" in section) == (p is not odd), p["id"]
        assert ("readings and checks agree" in section) == (p is not odd), p["id"]


def what_was_overruled_is_named(folder):
    """Of the first corrected bytes the value and what it was not: never the value decided itself."""
    seen = 0
    for name in ("demo", "hard"):
        page = tree(folder, f"{name}/report.html")
        for p in json.loads((folder / name / "verdict.json").read_text())["programs"]:
            data = (folder / name / p["data"]).read_bytes()
            answer = page.get_element_by_id(p["id"]).xpath(".//dl[@class='five']/dd")[4]
            told = re.findall(r"([0-9A-F]{4}) ([0-9A-F]{2}) (gap|not [0-9A-F, ]+)", text(answer))
            assert len(told) == min(12, p["bytes"]["corrected"]), (name, p["id"], told)
            for offset, value, what in told:
                assert data[int(offset, 16)] == int(value, 16) and value not in what.split()[1:], (offset, value, what)
            seen += sum(what != "gap" for _, _, what in told)
    assert seen > 5, seen


def a_persons_byte_claims_nothing(folder):
    """A byte that a person decided has no chance, and the readings that contradict it are counted against it."""
    shutil.copytree(folder / "hard", folder / "decided")
    verdict = json.loads((folder / "hard/verdict.json").read_text())
    (open_,) = [p for p in verdict["programs"] if p["id"] == "p04"]
    offset = int(re.search(r"the first at offset (0x[0-9A-F]{4}|\d+)", " ".join(open_["obstacles"]))[1], 0)
    evidence = (folder / "hard" / open_["data"]).read_bytes()[offset]
    value = evidence ^ 0xFF
    quorate("decide", folder / "decided", f"p04:{offset}={value}", "--by", "warden", "--because", "the log book")
    quorate("report", folder / "decided", "-q")
    row = tree(folder, "decided/report.html").get_element_by_id(f"p04-{offset:04X}")
    cells_ = [text(cell) for cell in row]
    assert cells_[1] == f"{value:02X}" and "person" in cells_[2], cells_
    assert not re.search(r"\d in|less than", cells_[3]), cells_
    assert cells_[4].startswith("0+"), cells_
    assert cells_[5] == f"the evidence alone: {evidence:02X}", cells_


def a_pulse_image_has_no_sample_rate(folder):
    takes = text(tree(folder, "pulses/report.html").get_element_by_id("takes"))
    assert "pulse image" in takes and "samples a second" not in takes and "full scale" not in takes, takes
    assert "22,050 samples a second, mono" in text(tree(folder, "alike/report.html").get_element_by_id("takes"))


def options_stand_with_their_defaults(folder):
    page = tree(folder, "alike/report.html")
    (table,) = page.xpath("//table[caption[contains(., 'command')]]")
    rows = {text(row[0]): (text(row[1]), text(row[2])) for row in table.xpath(".//tbody/tr")}
    assert rows["quiet"] == ("yes", "no") and rows["fail-under"] == ("none", "none"), rows
    assert rows["threads"][1] == "all processors" and rows["deck"] == ("none", "none"), rows
    assert len(rows["note"][0]) < 500, "a long note stands in full with its take alone"


SHAPES = {"#sa": "agreed", "#sc": "corrected", "#si": "inferred", "#su": "unresolved"}


def cells(section, program):
    """Every byte of the program is a cell of the class that the verdict counts."""
    found = dict.fromkeys(SHAPES.values(), 0)
    for svg in section.xpath(".//div[@class='pages']//svg"):
        side = int(svg.get("width")) // 32
        assert side == 10
        cells = {}
        for rect in svg.xpath("./rect[@class='g']"):
            n, x, y = int(rect.get("width")) // side, int(rect.get("x")), int(rect.get("y"))
            for i in range(n):
                assert (x + i * side, y) not in cells, "groups overlap"
                cells[x + i * side, y] = "agreed"
            values = text(rect.find("title")).split(":")[1].split()[:n]
            assert len(values) == n and all(re.fullmatch("[0-9A-F]{2}", v) for v in values), values
        assert set(cells) == {(i % 32 * side, i // 32 * side) for i in range(len(cells))}, "cells are missing"
        for use in svg.iter("use"):
            place = int(use.get("x")), int(use.get("y"))
            assert cells[place] == "agreed", "two shapes in one cell"
            cells[place] = SHAPES[use.get("href")]
        for class_ in cells.values():
            found[class_] += 1
    assert found == program["bytes"], (program["id"], found, program["bytes"])


def bytes_stand_in_the_map_as_in_the_file(folder):
    for name in ("demo", "hard"):
        verdict = json.loads((folder / name / "verdict.json").read_text("utf-8"))
        page = tree(folder, f"{name}/report.html")
        for p in verdict["programs"]:
            data = (folder / name / p["data"]).read_bytes()
            section = page.get_element_by_id(p["id"])
            for title in section.xpath(".//div[@class='pages']//svg//title"):
                head, *rest = text(title).split()
                at = int(head.rstrip(":"), 16)
                # of a group all values, of a byte of its own one
                n = int(title.getparent().get("width")) // 10 if head.endswith(":") else 1
                values = bytes.fromhex("".join(rest[:n]))
                assert len(values) == n and values == data[at:at + n], text(title)
            for row in section.xpath(".//tr[@id]"):
                offset, value = text(row[0]), text(row[1])
                assert data[int(offset, 16)] == int(value, 16), (p["id"], offset)


def dates_stand_in_the_log_alone(folder):
    page = tree(folder, "demo/report.html")
    log = page.get_element_by_id("log")
    assert re.search(r"20\d\d-\d\d-\d\d", text(log))
    log.drop_tree()
    assert not re.search(r"20\d\d-\d\d-\d\d", text(page.body)), "a date outside the log"


def the_same_inputs_give_the_same_page(folder):
    first = (folder / "demo/report.html").read_bytes()
    quorate("report", folder / "demo", "-q", "--out", folder / "again.html")
    assert (folder / "again.html").read_bytes() == first
    # recovered again on another day: only the log and the command differ
    quorate("recover", *sorted(CORPUS.glob("take-*.flac"), reverse=True), "--out", folder / "other", "--threads", "1", "-q")
    quorate("report", folder / "other", "-q")
    def timeless(name):
        page = tree(folder, f"{name}/report.html")
        page.get_element_by_id("log").drop_tree()
        page.xpath("//table[caption[contains(., 'command')]]")[0].drop_tree()
        return lxml.html.tostring(page.body)
    assert timeless("demo") == timeless("other")


def an_earlier_report_is_replaced_and_nothing_else(folder):
    quorate("report", folder / "demo", "-q")
    foreign = folder / "mine.html"
    foreign.write_text("<p>mine")
    done = subprocess.run([QUORATE, "report", folder / "demo", "--out", foreign], capture_output=True, text=True)
    assert done.returncode == 2 and foreign.read_text() == "<p>mine", done.stderr
    # and the folder is still one that recover continues, report and all
    quorate("recover", *sorted(CORPUS.glob("take-*.flac")), "--out", folder / "other", "-q")


def twenty_bad_programs_stay_small(folder):
    path = folder / "many/report.html"
    verdicts = [p["verdict"] for p in json.loads((folder / "many/verdict.json").read_text())["programs"]]
    assert verdicts.count("established") < len(verdicts) > 15, verdicts
    assert path.stat().st_size < 3_000_000, path.stat().st_size


def hostile_names_stay_text(folder):
    page = tree(folder, "hostile/report.html")
    names = {element.tag for element in page.iter() if isinstance(element.tag, str)}
    assert not names & {"img", "script", "iframe", "object", "embed", "link", "b"}, names
    assert not any(a.lower().startswith("on") for e in page.iter() if isinstance(e.tag, str) for a in e.attrib)
    said = text(page.body)
    for wanted in ("<IMG SRC=X ONERR", "</SVG><SCRIPT>", HOSTILE_FILE, "<b>deck</b>\\u{202e}", "<script>alert(2)</script>"):
        assert wanted in said, wanted
    assert not re.search("[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u202a-\u202e]", (folder / "hostile/report.html").read_text("utf-8"))


def nothing_comes_from_outside(folder):
    for page in PAGES:
        source = (folder / page).read_text("utf-8")
        policy = re.search(r'Content-Security-Policy" content="([^"]*)"', source)[1].replace("&#39;", "'")
        assert policy.startswith("default-src 'none'; style-src 'sha256-") and "unsafe" not in policy, policy
        assert not re.search(r"https?:|url\((?!#)|@import|<script|<link|<base|srcset|\bsrc=\"", source), page
        for href in re.findall(r'href="([^"]*)"', source):
            assert href.startswith("#"), href
        root, ids = tree(folder, page), set()
        for element in root.xpath("//*[@id]"):
            assert element.get("id") not in ids, element.get("id")
            ids.add(element.get("id"))
        assert all(href[1:] in ids for href in root.xpath("//@href")), "a link leads nowhere"


def the_html_checker_is_content(folder):
    jar = NODE / "vnu-jar/build/dist/vnu.jar"
    pages = [str(folder / page) for page in PAGES]
    done = subprocess.run(["java", "-jar", jar, "--format", "json", "--errors-only", *pages], capture_output=True, text=True)
    found = json.loads(done.stderr or done.stdout)["messages"]
    errors = [(m["url"][-20:], m.get("lastLine"), m["message"]) for m in found if m["type"] != "info"]
    assert not errors, errors[:5]


# ---- the page in a browser ------------------------------------------------------------------------------------------

class Browser:
    """Chromium over its DevTools protocol."""

    def __init__(self, folder):
        self.profile = folder / "profile"
        command = [CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0",
                   "--no-first-run", f"--user-data-dir={self.profile}", "about:blank"]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        port_file = self.profile / "DevToolsActivePort"
        for _ in range(300):
            if port_file.exists() and port_file.read_text().count("\n"):
                break
            time.sleep(0.1)
        port, path = port_file.read_text().split()[:2]
        self.connection = connect(f"ws://127.0.0.1:{port}{path}", max_size=None)
        self.socket = self.connection.__enter__()
        self.number, self.events, self.session = 0, [], None
        target = self("Target.createTarget", url="about:blank")["targetId"]
        self.session = self("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self(f"{domain}.enable")

    def __call__(self, method, **parameters):
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        self.socket.send(json.dumps(message))
        while True:
            answer = json.loads(self.socket.recv(timeout=120))
            if answer.get("id") == self.number:
                assert "error" not in answer, (method, answer["error"])
                return answer["result"]
            self.events.append(answer)

    def open(self, path, width, dark=False, scripts=True):
        self.events.clear()
        self("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 600)
        scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self("Emulation.setEmulatedMedia", features=scheme)
        self("Emulation.setScriptExecutionDisabled", value=not scripts)
        self("Page.navigate", url=path.as_uri())
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(json.loads(self.socket.recv(timeout=120)))

    def value(self, script):
        answer = self("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def happened(self, *methods):
        return [e["params"] for e in self.events if e.get("method") in methods]

    def close(self):
        self.connection.__exit__(None, None, None)
        self.process.terminate()
        self.process.wait()


def views(folder, browser):
    for page in PAGES:
        for width in (390, 1440):
            for dark in (False, True):
                browser.open(folder / page, width, dark)
                yield page, width, dark


def it_fits_every_width(folder, browser):
    for page, width, dark in views(folder, browser):
        for open_ in (False, True):
            if open_:
                browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")
            wide = browser.value("document.documentElement.scrollWidth")
            assert wide <= width, (page, width, dark, open_, wide)
            # nothing is cut off inside its box either
            cut = browser.value("""[...document.querySelectorAll('td,th,dd,p,li,h1,h2,h3')]
                .filter(e => e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0).map(e => e.textContent.slice(0, 40))""")
            assert not cut, (page, width, cut[:3])


def no_request_leaves_the_page(folder, browser):
    for page, _, _ in views(folder, browser):
        asked = [e["request"]["url"] for e in browser.happened("Network.requestWillBeSent")]
        assert asked == [(folder / page).as_uri()], asked
        said = browser.happened("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Page.javascriptDialogOpening")
        said += [e for e in browser.happened("Log.entryAdded")]
        assert not said, said


def it_is_accessible(folder, browser):
    axe = (NODE / "axe-core/axe.min.js").read_text("utf-8")
    for page, width, dark in views(folder, browser):
        browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")
        browser.value(axe + ";null")
        found = json.loads(browser.value("axe.run().then(r => JSON.stringify(r.violations))"))
        short = [(v["id"], len(v["nodes"]), v["nodes"][0]["html"][:120], v["nodes"][0]["failureSummary"]) for v in found]
        assert not short, (page, width, dark, short)


def without_scripts_the_same_is_there(folder, browser):
    def outer():
        return browser("DOM.getOuterHTML", nodeId=browser("DOM.getDocument")["root"]["nodeId"])["outerHTML"]
    for page in PAGES:
        browser.open(folder / page, 1440)
        with_scripts = outer()
        browser.open(folder / page, 1440, scripts=False)
        assert outer() == with_scripts and len(with_scripts) > 5_000, page


def the_numbers_of_a_cell_show_on_focus(folder, browser):
    browser.open(folder / "demo/report.html", 1440)
    shown = browser.value("""(() => { const k = document.querySelector('.k'), tip = k.querySelector('.tip');
        const before = getComputedStyle(tip).display; k.focus();
        return [before, getComputedStyle(tip).display, tip.textContent,
                !!document.querySelector(k.getAttribute('href'))]; })()""")
    assert shown[0] == "none" and shown[1] != "none" and shown[3], shown
    assert re.match(r"[0-9A-F]{4} [0-9A-F]{2} corrected(, wrong .*)?, \d\+ \d− \d∅$", shown[2]), shown


def nothing_folded_away_is_lost_on_paper(folder, browser):
    """What stands in a closed part on the screen is printed all the same: hashes of files, bytes with a story, checks."""
    browser.open(folder / "hard/report.html", 1440)
    assert browser.value("document.querySelectorAll('details:not([open])').length") > 3
    folded = browser.value("[...document.querySelectorAll('details')].map(d => d.textContent)")
    pdf = base64.b64decode(browser("Page.printToPDF", paperWidth=8.27, paperHeight=11.69)["data"])
    (folder / "folded.pdf").write_bytes(pdf)
    said = "".join(p.extract_text() for p in PdfReader(folder / "folded.pdf").pages)
    said = re.sub(r"\s", "", unicodedata.normalize("NFKC", said))
    words = [word for part in folded for word in re.findall(r"[0-9a-f]{64}|Next best block|takes/[0-9a-f]{16}", part)]
    assert len(words) > 20 and "Next best block" in words
    missing = [word for word in words if word.replace(" ", "") not in said]
    assert not missing, missing[:3]


def on_paper_the_facts_are_there(folder, browser):
    for name in ("demo", "hard"):
        browser.open(folder / name / "report.html", 1440, dark=True)
        pdf = base64.b64decode(browser("Page.printToPDF", printBackground=True, paperWidth=8.27, paperHeight=11.69)["data"])
        (folder / f"{name}.pdf").write_bytes(pdf)
        pages = PdfReader(folder / f"{name}.pdf").pages
        # fonts join letters (U+FB01 for "fi"); NFKC parts them
        said = unicodedata.normalize("NFKC", " ".join(" ".join(p.extract_text() for p in pages).split()))
        for p in json.loads((folder / name / "verdict.json").read_text())["programs"]:
            for wanted in (p["name"], p["verdict"], f"{p['size']:,} bytes", *p["obstacles"], *p["advice"]):
                assert " ".join(wanted.split()) in said, (name, wanted)
        assert 3 <= len(pages) <= 40, len(pages)


def pictures(folder, browser, out):
    out.mkdir(parents=True, exist_ok=True)
    for page, width, dark in views(folder, browser):
        name = f"{page.split('/')[0]}-{width}-{'dark' if dark else 'light'}.png"
        height = min(browser.value("document.documentElement.scrollHeight"), 16_000)
        browser("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600)
        (out / name).write_bytes(base64.b64decode(browser("Page.captureScreenshot")["data"]))
    for pdf in folder.glob("*.pdf"):
        shutil.copy(pdf, out)


def main():
    skipped = []
    plain = [it_says_what_the_verdict_says, bytes_stand_in_the_map_as_in_the_file, dates_stand_in_the_log_alone,
             the_same_inputs_give_the_same_page, an_earlier_report_is_replaced_and_nothing_else,
             twenty_bad_programs_stay_small, programs_can_be_told_apart,
             a_wrong_checksum_is_not_said_to_hold, what_was_overruled_is_named, a_persons_byte_claims_nothing, a_pulse_image_has_no_sample_rate,
             options_stand_with_their_defaults, hostile_names_stay_text, nothing_comes_from_outside]
    if shutil.which("java") and (NODE / "vnu-jar").is_dir():
        plain.append(the_html_checker_is_content)
    else:
        skipped.append("the HTML checker: needs Java, and npm to install vnu-jar")
    browsed = [it_fits_every_width, no_request_leaves_the_page, without_scripts_the_same_is_there,
               the_numbers_of_a_cell_show_on_focus, on_paper_the_facts_are_there,
               nothing_folded_away_is_lost_on_paper]
    if not CHROMIUM:
        skipped.append("everything in a browser: needs Chromium")
        browsed = []
    elif (NODE / "axe-core").is_dir():
        browsed.append(it_is_accessible)
    else:
        skipped.append("accessibility: needs npm to install axe-core")
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        make(folder)
        browser = Browser(folder) if browsed else None
        failed = 0
        for check in plain + browsed:
            try:
                check(folder, *([browser] if check in browsed else []))
                print(f"ok      {check.__name__}", flush=True)
            except Exception as error:  # a check that breaks has failed like one that disagrees
                failed += 1
                print(f"FAILED  {check.__name__}: {type(error).__name__}: {error}", flush=True)
        if browser:
            if "--pictures" in sys.argv:
                pictures(folder, browser, Path(sys.argv[sys.argv.index("--pictures") + 1]))
            browser.close()
    for what in skipped:
        print(f"SKIPPED {what}")
    print(f"{len(plain + browsed) - failed} passed, {failed} failed, {len(skipped)} skipped")
    return 1 if failed else 77 if skipped else 0


if __name__ == "__main__":
    sys.exit(main())
