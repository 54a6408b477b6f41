"""What the pages say, held against the result's other files. `lxml` reads the pages."""
import inspect
import json
import re
import shutil
import subprocess
import sys

import lxml.html

from pages.made import CORPUS, HOSTILE_FILE, PAGES, QUORATE, quorate, text, tree


def it_says_what_the_verdict_says(folder):
    for name in ("demo", "hard", "hostile", "many", "over"):
        verdict = json.loads((folder / name / "verdict.json").read_text("utf-8"))
        page = tree(folder, f"{name}/report.html")
        rows = page.xpath("//section[@id='programs']//tbody/tr[th]")
        assert len(rows) == len(verdict["programs"])
        for row, p in zip(rows, verdict["programs"]):
            reason = "".join(text(tr) for tr in row.getparent().xpath("tr[not(th)]"))
            assert reason == ("" if p["verdict"] == "established" else " ".join(" ".join(p["obstacles"]).split())), reason
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
            told = re.findall(r"([0-9A-F]{4}) ([0-9A-F]{2}) (gap|parity|not [0-9A-F, ]+)", text(answer))
            assert len(told) == min(12, p["bytes"]["corrected"]), (name, p["id"], told)
            for offset, value, what in told:
                assert data[int(offset, 16)] == int(value, 16) and value not in what.split()[1:], (offset, value, what)
            seen += sum(what.startswith("not") for _, _, what in told)
    assert seen > 5, seen


def a_parity_bit_that_was_overruled_is_no_gap(folder):
    """Where the page says so, all readings say the value decided, and the parity bit of one says otherwise."""
    page, seen = tree(folder, "many/report.html"), 0
    for p in json.loads((folder / "many/verdict.json").read_text())["programs"]:
        answer = page.get_element_by_id(p["id"]).xpath(".//dl[@class='five']/dd")[4]
        for offset in re.findall(r"([0-9A-F]{4}) [0-9A-F]{2} parity", text(answer))[:2]:
            story = json.loads(quorate("explain", folder / "many", f"{p['id']}:0x{offset}", "--json"))
            values = {vote["value"] for vote in story["votes"]} - {None}
            assert values <= {story["value"]}, (offset, values)
            # odd parity: the nine bits hold an odd number of ones
            even = [v for v in story["votes"] if sum(bit > 0 for bit in v["bits"]) % 2 == 0]
            assert even, story["votes"]
            seen += 1
        if seen > 3:
            return
    assert seen, "no such byte: choose another seed"


def programs_in_one_place_are_told_apart(folder):
    """What two takes hold, each in its own words; on the strip no program covers another."""
    page = tree(folder, "over/report.html")
    programs = json.loads((folder / "over/verdict.json").read_text())["programs"]
    assert [p["name"] for p in programs] == ["TERN MAP"] * 2
    for n, p in enumerate(programs, 1):
        answer = text(page.get_element_by_id(p["id"]).xpath(".//dl[@class='five']/dd")[3])
        assert answer.startswith(f"Its data was heard by take-{n}: 2 readings. Its header was heard by take-1 and take-2."), answer
    for name in ("demo", "hard", "alike", "over", "many"):
        bars = tree(folder, f"{name}/report.html").xpath("//svg[@class='strip']//rect[starts-with(@class, 'prog')]")
        places = [(bar.get("y"), *(float(bar.get(k).rstrip("%")) for k in ("x", "width"))) for bar in bars]
        for i, (y, x, width) in enumerate(places):
            for other, left, wide in places[i + 1:]:
                # percentages are rounded to hundredths
                assert y != other or x + width < left + 0.02 or left + wide < x + 0.02, (name, places)


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
    assert not re.search(r"\d in|under", cells_[3]), cells_
    assert cells_[4].startswith("0+"), cells_
    assert cells_[5] == f"the evidence alone: {evidence:02X}", cells_
    said = text(tree(folder, "decided/report.html").get_element_by_id("p04"))
    wanted = f"At offset 0x{offset:04X}, warden decided on 0x{value:02X} where the evidence alone would put 0x{evidence:02X}"
    assert wanted in said, wanted


def a_pulse_image_has_no_sample_rate(folder):
    takes = text(tree(folder, "pulses/report.html").get_element_by_id("takes"))
    assert "pulse image" in takes and "samples a second" not in takes and "full scale" not in takes, takes
    assert "22,050 samples a second, mono" in text(tree(folder, "alike/report.html").get_element_by_id("takes"))


def options_stand_with_their_defaults(folder):
    page = tree(folder, "alike/report.html")
    (table,) = page.xpath("//table[caption[contains(., 'command')]]")
    rows = {text(row[0]): [text(cell) for cell in row[1:]] for row in table.xpath(".//tbody/tr")}
    assert rows["quiet"][:2] == ["yes", "no"] and rows["require"][:2] == ["–", "–"], rows
    assert rows["threads"][0].isdigit() and "all processors if not given" in rows["threads"][2], rows
    assert rows["out"][1] == "must be given" and all(row[2] for row in rows.values()), rows
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
        shapes = [(int(u.get("x")), int(u.get("y")), SHAPES[u.get("href")]) for u in svg.iter("use")]
        # of many, those without numbers of their own: squares of one class in one path
        for path in svg.xpath("./path"):
            squares = re.findall(r"M(\d+) (\d+)h10v10h-10z", path.get("d"))
            assert "".join(f"M{x} {y}h10v10h-10z" for x, y in squares) == path.get("d")
            shapes += [(int(x), int(y), SHAPES["#s" + path.get("class").split()[1][1:]]) for x, y in squares]
        for x, y, class_ in shapes:
            assert cells[x, y] == "agreed", "two shapes in one cell"
            cells[x, y] = class_
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
                # neighbours that nobody heard share a line: 00EB–00EE
                first, _, last = text(row[0]).partition("–")
                part = data[int(first, 16):int(last or first, 16) + 1]
                value = text(row[1])
                assert part and (len(set(part)) > 1 if value == "various" else set(part) == {int(value, 16)}), (p["id"], first, last)


def every_byte_in_doubt_has_a_line_or_is_counted(folder):
    """Lines with one byte or many: together as many as the heading says, and no byte twice."""
    shared = 0
    for name in ("demo", "hard", "many"):
        page = tree(folder, f"{name}/report.html")
        for p in json.loads((folder / name / "verdict.json").read_text("utf-8"))["programs"]:
            spans = [text(row[0]).partition("–") for row in page.get_element_by_id(p["id"]).xpath(".//tr[@id]")]
            told = [at for first, _, last in spans for at in range(int(first, 16), int(last or first, 16) + 1)]
            shared += len(told) - len(spans)
            notable = sum(n for word, n in p["bytes"].items() if word != "agreed")
            heading = " ".join(page.get_element_by_id(p["id"]).xpath(
                ".//summary//text()[contains(., 'least sure')][not(ancestor::*[@class='paper'])]"))
            wanted = int(heading.split()[1].replace(",", "")) if heading else notable
            assert len(told) == len(set(told)) == wanted, (name, p["id"], len(told), wanted)
    assert shared > 100, shared


def a_take_cut_off_below_full_scale_is_said_to_be(folder):
    page = tree(folder, "hostile/report.html")
    loud, other = page.xpath("//section[@id='takes']//dl")
    assert "clipped" in text(loud) and "clipped" not in text(other), (text(loud), text(other))
    assert "clipped" not in text(tree(folder, "demo/report.html").xpath("//div[@class='takes']")[0])


def no_page_needs_rare_fonts(folder):
    """Graphics of the old machine that common fonts lack (Unicode's block Symbols for Legacy Computing) stand as codes."""
    names = [p["name"] for p in json.loads((folder / "hostile/verdict.json").read_text("utf-8"))["programs"]]
    assert any("\U0001fb00" <= c <= "\U0001fbff" for c in "".join(names)), names
    for page in PAGES:
        source = (folder / page).read_text("utf-8")
        assert not re.search("[\U0001fb00-\U0001fbff]", source), page
        assert ("{0xD4}" in source) == (page.split("/")[0] in ("hostile", "shelf")), page


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


def checks():
    """All checks of this file, in its order: those that take the folder with the results and nothing else."""
    takes = [f for f in vars(sys.modules[__name__]).values() if inspect.isfunction(f) and f.__module__ == __name__]
    return [f for f in takes if list(inspect.signature(f).parameters) == ["folder"]]
