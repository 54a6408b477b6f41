"""Oracle: the evidence report and the shelf's index, held against other people's checkers and a browser.

    QUORATE=target/release/quorate python tests/oracles/report.py [--pictures FOLDER]

References: `vnu.jar` (the W3C's HTML checker, needs Java), `axe-core` (accessibility) in headless Chromium, Chromium itself
(width, requests, printing), `lxml` (what the page says, against verdict.json), `pypdf` (the printed page). Exit code 77: a
program is not here, so its part was skipped. --pictures writes screenshots and PDFs to look at.

`pages/made.py` makes the results, `pages/said.py` has the checks of what pages say; those of a browser are here.
"""
import base64
import json
import re
import shutil
import subprocess
import sys
import tempfile
import unicodedata
from pathlib import Path

from pypdf import PdfReader

from pages import said
from pages.browser import CHROMIUM, Browser
from pages.made import PAGES, ROOT, make

NODE = ROOT / ".venv/node_modules"


def the_html_checker_is_content(folder):
    jar = NODE / "vnu-jar/build/dist/vnu.jar"
    pages = [str(folder / page) for page in PAGES]
    done = subprocess.run(["java", "-jar", jar, "--format", "json", "--errors-only", *pages], capture_output=True, text=True)
    found = json.loads(done.stderr or done.stdout)["messages"]
    errors = [(m["url"][-20:], m.get("lastLine"), m["message"]) for m in found if m["type"] != "info"]
    assert not errors, errors[:5]


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
    """What stands in a closed part on the screen is printed all the same: hashes of files, checks."""
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


def long_tables_of_bytes_stay_on_the_screen(folder, browser):
    """On paper a program has at most 24 lines of bytes, says how many there are and where the others stand; all on a screen."""
    lines = """[...document.querySelectorAll('section')].map(s => [s.id,
        [...s.querySelectorAll('tr[id]')].filter(r => getComputedStyle(r).display != 'none').length,
        [...s.querySelectorAll('details .paper')].filter(e => getComputedStyle(e).display != 'none').map(e => e.textContent).join(' ')
        ]).filter(s => /^p\\d+$/.test(s[0]))"""
    browser.open(folder / "many/report.html", 1440)
    screen = browser.value(lines)
    browser("Emulation.setEmulatedMedia", media="print")
    paper = browser.value(lines)
    browser("Emulation.setEmulatedMedia", media="")
    assert max(n for _, n, _ in screen) > 24 and not any(note for _, _, note in screen), screen
    for (id, all_, _), (_, printed, note) in zip(screen, paper):
        assert printed == min(all_, 24), (id, all_, printed)
        assert (bool(re.search(r"The [\d,]+ least sure of", note)) and f"quorate explain DIR {id}" in note) == (all_ > 24), (id, note)


def names_are_not_broken_for_want_of_room(folder, browser):
    """In the table of programs an ordinary word stands in one line, on a telephone and on paper."""
    cut = """[...document.querySelectorAll('#programs tbody th a')].flatMap(a => [...a.textContent.matchAll(/[A-Za-z]+/g)].map(m => {
        const r = document.createRange(); r.setStart(a.firstChild, m.index); r.setEnd(a.firstChild, m.index + m[0].length);
        return [m[0], new Set([...r.getClientRects()].map(c => Math.round(c.top))).size]; })).filter(w => w[0].length < 9 && w[1] != 1)"""
    for width, media in ((390, ""), (624, "print")):  # A4 without its usual margins is some 18 cm, at 96 dots an inch
        browser.open(folder / "demo/report.html", width)
        browser("Emulation.setEmulatedMedia", media=media)
        broken = browser.value(cut)
        browser("Emulation.setEmulatedMedia", media="")
        assert not broken, (width, media, broken)


def the_shelf_gives_reasons_at_every_width(folder, browser):
    rows = [json.loads(line) for line in (folder / "shelf/programs.jsonl").read_text("utf-8").splitlines()]
    assert sum(bool(row["obstacle"]) for row in rows) > 2
    for width in (390, 1440):
        browser.open(folder / "shelf/index.html", width)
        seen = " ".join(browser.value("document.body.innerText").split())
        for row in rows:
            for wanted in (row["obstacle"], row["advice"], row["file"], f"{row['size']:,} bytes"):
                assert " ".join(wanted.split()) in seen, (width, wanted)


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
    plain = said.checks()
    if shutil.which("java") and (NODE / "vnu-jar").is_dir():
        plain.append(the_html_checker_is_content)
    else:
        skipped.append("the HTML checker: needs Java, and npm to install vnu-jar")
    browsed = [it_fits_every_width, no_request_leaves_the_page, without_scripts_the_same_is_there,
               the_numbers_of_a_cell_show_on_focus, the_shelf_gives_reasons_at_every_width, on_paper_the_facts_are_there,
               nothing_folded_away_is_lost_on_paper, long_tables_of_bytes_stay_on_the_screen,
               names_are_not_broken_for_want_of_room]
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
