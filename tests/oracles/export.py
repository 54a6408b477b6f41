"""Oracle: what quorate writes for the user, held against tables, readers and libraries that are not its own.

    python tests/oracles/export.py [FOLDER]

FOLDER holds the files of the ignored Rust test `writes_files_for_the_oracle`; without it, the test is run.

References: the Unicode character database (Python's `unicodedata`); `petscii-codecs` (a published character table);
`pathvalidate` (names that operating systems refuse); numpy and Python's `wave`. The token table below and the processor in
`demo/processor.py` are from memory and common practice, the table written apart from the Rust one.
"""
import math
import os
import re
import subprocess
import sys
import tempfile
import unicodedata
import wave
from pathlib import Path

import numpy as np
import petscii_codecs  # noqa: F401  (registers its codecs)
from pathvalidate import is_valid_filename

from demo.processor import Processor, assemble, disassemble

ROOT = Path(__file__).resolve().parents[2]
CORPUS = ROOT / "corpus/marsh-station/programs"

# By group of use, each with its code, as reference cards of the trade list them.
TOKENS = {
    # flow
    0x80: "END", 0x81: "FOR", 0x82: "NEXT", 0x89: "GOTO", 0x8A: "RUN", 0x8B: "IF", 0x8D: "GOSUB", 0x8E: "RETURN",
    0x90: "STOP", 0x91: "ON", 0x9A: "CONT", 0xA4: "TO", 0xA7: "THEN", 0xA9: "STEP", 0xCB: "GO",
    # data and variables
    0x83: "DATA", 0x86: "DIM", 0x87: "READ", 0x88: "LET", 0x8C: "RESTORE", 0x96: "DEF", 0x9C: "CLR", 0xA5: "FN",
    # input and output
    0x84: "INPUT#", 0x85: "INPUT", 0x93: "LOAD", 0x94: "SAVE", 0x95: "VERIFY", 0x98: "PRINT#", 0x99: "PRINT",
    0x9D: "CMD", 0x9F: "OPEN", 0xA0: "CLOSE", 0xA1: "GET", 0xA3: "TAB(", 0xA6: "SPC(",
    # machine and editor
    0x8F: "REM", 0x92: "WAIT", 0x97: "POKE", 0x9B: "LIST", 0x9E: "SYS", 0xA2: "NEW",
    # operators
    0xA8: "NOT", 0xAA: "+", 0xAB: "-", 0xAC: "*", 0xAD: "/", 0xAE: "\N{UPWARDS ARROW}", 0xAF: "AND", 0xB0: "OR",
    0xB1: ">", 0xB2: "=", 0xB3: "<",
    # functions of numbers
    0xB4: "SGN", 0xB5: "INT", 0xB6: "ABS", 0xB7: "USR", 0xB8: "FRE", 0xB9: "POS", 0xBA: "SQR", 0xBB: "RND",
    0xBC: "LOG", 0xBD: "EXP", 0xBE: "COS", 0xBF: "SIN", 0xC0: "TAN", 0xC1: "ATN", 0xC2: "PEEK",
    # functions of strings
    0xC3: "LEN", 0xC4: "STR$", 0xC5: "VAL", 0xC6: "ASC", 0xC7: "CHR$", 0xC8: "LEFT$", 0xC9: "RIGHT$", 0xCA: "MID$",
    0xFF: "\N{GREEK SMALL LETTER PI}",
}

# What each graphics code shows, by its Unicode name.
PICTURES = {
    0xA1: "LEFT HALF BLOCK", 0xA2: "LOWER HALF BLOCK", 0xA3: "UPPER ONE EIGHTH BLOCK", 0xA4: "LOWER ONE EIGHTH BLOCK",
    0xA5: "LEFT ONE EIGHTH BLOCK", 0xA6: "MEDIUM SHADE", 0xA7: "RIGHT ONE EIGHTH BLOCK",
    0xA8: "LOWER HALF MEDIUM SHADE", 0xA9: "BLACK UPPER LEFT TRIANGLE", 0xAA: "RIGHT ONE QUARTER BLOCK",
    0xAB: "BOX DRAWINGS LIGHT VERTICAL AND RIGHT", 0xAC: "QUADRANT LOWER RIGHT",
    0xAD: "BOX DRAWINGS LIGHT UP AND RIGHT", 0xAE: "BOX DRAWINGS LIGHT DOWN AND LEFT",
    0xAF: "LOWER ONE QUARTER BLOCK", 0xB0: "BOX DRAWINGS LIGHT DOWN AND RIGHT",
    0xB1: "BOX DRAWINGS LIGHT UP AND HORIZONTAL", 0xB2: "BOX DRAWINGS LIGHT DOWN AND HORIZONTAL",
    0xB3: "BOX DRAWINGS LIGHT VERTICAL AND LEFT", 0xB4: "LEFT ONE QUARTER BLOCK", 0xB5: "LEFT THREE EIGHTHS BLOCK",
    0xB6: "RIGHT THREE EIGHTHS BLOCK", 0xB7: "UPPER ONE QUARTER BLOCK", 0xB8: "UPPER THREE EIGHTHS BLOCK",
    0xB9: "LOWER THREE EIGHTHS BLOCK", 0xBA: "RIGHT AND LOWER ONE EIGHTH BLOCK", 0xBB: "QUADRANT LOWER LEFT",
    0xBC: "QUADRANT UPPER RIGHT", 0xBD: "BOX DRAWINGS LIGHT UP AND LEFT", 0xBE: "QUADRANT UPPER LEFT",
    0xBF: "QUADRANT UPPER LEFT AND LOWER RIGHT",
    0xC0: "BOX DRAWINGS LIGHT HORIZONTAL", 0xC1: "BLACK SPADE SUIT", 0xC2: "VERTICAL ONE EIGHTH BLOCK-4",
    0xC3: "HORIZONTAL ONE EIGHTH BLOCK-4", 0xC4: "HORIZONTAL ONE EIGHTH BLOCK-3",
    0xC5: "HORIZONTAL ONE EIGHTH BLOCK-2", 0xC6: "HORIZONTAL ONE EIGHTH BLOCK-6", 0xC7: "VERTICAL ONE EIGHTH BLOCK-3",
    0xC8: "VERTICAL ONE EIGHTH BLOCK-6", 0xC9: "BOX DRAWINGS LIGHT ARC DOWN AND LEFT",
    0xCA: "BOX DRAWINGS LIGHT ARC UP AND RIGHT", 0xCB: "BOX DRAWINGS LIGHT ARC UP AND LEFT",
    0xCC: "LEFT AND LOWER ONE EIGHTH BLOCK", 0xCD: "BOX DRAWINGS LIGHT DIAGONAL UPPER LEFT TO LOWER RIGHT",
    0xCE: "BOX DRAWINGS LIGHT DIAGONAL UPPER RIGHT TO LOWER LEFT", 0xCF: "LEFT AND UPPER ONE EIGHTH BLOCK",
    0xD0: "RIGHT AND UPPER ONE EIGHTH BLOCK", 0xD1: "BLACK CIRCLE", 0xD2: "HORIZONTAL ONE EIGHTH BLOCK-7",
    0xD3: "BLACK HEART SUIT", 0xD4: "VERTICAL ONE EIGHTH BLOCK-2", 0xD5: "BOX DRAWINGS LIGHT ARC DOWN AND RIGHT",
    0xD6: "BOX DRAWINGS LIGHT DIAGONAL CROSS", 0xD7: "WHITE CIRCLE", 0xD8: "BLACK CLUB SUIT",
    0xD9: "VERTICAL ONE EIGHTH BLOCK-7", 0xDA: "BLACK DIAMOND SUIT",
    0xDB: "BOX DRAWINGS LIGHT VERTICAL AND HORIZONTAL", 0xDC: "LEFT HALF MEDIUM SHADE",
    0xDD: "BOX DRAWINGS LIGHT VERTICAL", 0xDE: "GREEK SMALL LETTER PI", 0xDF: "BLACK UPPER RIGHT TRIANGLE",
    0xFF: "GREEK SMALL LETTER PI", 0x5C: "POUND SIGN", 0x5E: "UPWARDS ARROW", 0x5F: "LEFTWARDS ARROW",
}
UNUSUAL = {0xA0, 0xDE, *range(0x60, 0x80), *range(0xE0, 0xFF)}


def spell(code):
    if code < 0x20 or 0x80 <= code < 0xA0 or code in UNUSUAL:
        return "{0x%02X}" % code
    return unicodedata.lookup(PICTURES[code]) if code in PICTURES else chr(code)


def rows(path):
    """Tab-separated rows; not split at other line ends, which a faulty writer might have let through."""
    return [row.split("\t") for row in path.read_text("utf-8").split("\n")[:-1]]


# ---- the character set ----------------------------------------------------------------------------------------------

def characters_have_their_unicode_names(folder):
    table = {int(code, 16): glyph for code, glyph in rows(folder / "charset.tsv")}
    assert len(table) == 256
    for code, name in PICTURES.items():
        assert unicodedata.name(table[code]) == name, (hex(code), table[code], name)
    for code, glyph in table.items():
        if code < 0x20 or 0x80 <= code < 0xA0:
            assert glyph == "", hex(code)
            continue
        # nothing that hides, joins, or turns the direction of writing; nothing wide
        assert len(glyph) == 1 and (glyph == " " or unicodedata.category(glyph)[0] in "LNPS"), hex(code)
        assert unicodedata.bidirectional(glyph) in {"L", "EN", "ES", "ET", "CS", "ON", "WS"}, hex(code)
        assert unicodedata.combining(glyph) == 0 and unicodedata.east_asian_width(glyph) not in "WF", hex(code)
    # the second codes of the same pictures
    assert all(table[code] == table[code + 0x60] for code in range(0x60, 0x80))
    assert all(table[code] == table[code - 0x40] for code in range(0xE0, 0xFF))


def characters_agree_with_a_published_table(folder):
    known = {
        # That table has CHECKER BOARD FILL here and yet the halves of MEDIUM SHADE at A8 and DC; another
        # published codec library, looked at once, has MEDIUM SHADE.
        0xA6, 0xE6,
        # That table contradicts itself: 7F, the same picture, is BLACK UPPER RIGHT TRIANGLE.
        0xDF,
    }
    for code, glyph in ((int(code, 16), glyph) for code, glyph in rows(folder / "charset.tsv")):
        if glyph and code not in known:
            theirs = bytes([code]).decode("petscii_c64en_uc").replace("\N{NO-BREAK SPACE}", " ")
            assert glyph == theirs, (hex(code), glyph, theirs)


# ---- names ----------------------------------------------------------------------------------------------------------

def names_are_safe_on_every_system(folder):
    stems = [stem for stem, _ in rows(folder / "names.tsv")]
    assert len({stem.lower() for stem in stems}) == len(stems) > 200
    for stem, screen in rows(folder / "names.tsv"):
        for file in (stem, stem + ".prg", stem + ".txt"):
            assert is_valid_filename(file, platform="universal"), file
        assert re.fullmatch(r"[0-9]{2,}(-[A-Z0-9]+)+", stem), stem
        for c in screen:
            assert c == " " or unicodedata.category(c)[0] in "LNPS", (stem, screen)
            assert unicodedata.bidirectional(c) not in {"R", "AL", "RLE", "RLO", "RLI", "LRO", "FSI"}, screen


# ---- BASIC ----------------------------------------------------------------------------------------------------------

def read_basic(prg, check_links):
    """Listing of a program file, written apart from the Rust one: goes by the links where they are to be checked."""
    start, memory = int.from_bytes(prg[:2], "little"), prg[2:]
    text, at, last = "", 0, -1
    while (link := int.from_bytes(memory[at:at + 2], "little")) != 0:
        number = int.from_bytes(memory[at + 2:at + 4], "little")
        end = memory.index(0, at + 4)
        if check_links:
            assert link - start == end + 1, f"link of line {number}"
            assert number > last, f"order of line {number}"
        line, last = f"{number} ", number
        quoted = data = remark = False
        for code in memory[at + 4:end]:
            plain = quoted or data or remark
            if plain or code < 0x80:
                line += spell(code)
            else:
                line += TOKENS.get(code, "{0x%02X}" % code)
            if remark:
                continue
            if code == 0x22:
                quoted = not quoted
            elif not quoted:
                remark = code == 0x8F and not data
                data = (data or code == 0x83) and code != ord(":")
        text += line + "\n"
        at = end + 1
    assert at + 2 == len(memory), "end mark"
    return text


def listings_agree(folder):
    for name in ("tide-table", "ringing-log", "wader-count"):
        ours = read_basic((CORPUS / f"{name}.prg").read_bytes(), True)
        assert ours == (folder / f"{name}.txt").read_text("utf-8"), name
        assert ours == (CORPUS / f"{name}.bas").read_text("utf-8"), name
        for line in ours.splitlines():
            # two screen lines are all that the machine's editor takes
            assert len(re.sub(r"\{0x..\}", "#", line)) <= 80, line


def every_token_and_code_lists_as_the_second_table_says(folder):
    assert len(TOKENS) == 77
    assert read_basic((folder / "every-code.prg").read_bytes(), False) == (folder / "every-code.txt").read_text("utf-8")


def jumps_lead_to_lines():
    for name in ("tide-table", "ringing-log", "wader-count"):
        lines = dict(line.split(" ", 1) for line in (CORPUS / f"{name}.bas").read_text("utf-8").splitlines())
        for text in lines.values():
            code = re.sub(r'"[^"]*"|REM.*', "", text)
            for targets in re.findall(r"(?:GOTO|GOSUB|THEN) ?([0-9,]+)", code):
                assert all(target in lines for target in targets.split(",")), (name, text)


# ---- machine code ---------------------------------------------------------------------------------------------------

def code_of_the_tide_clock():
    prg = (CORPUS / "tide-clock.prg").read_bytes()
    assert prg[:2] == b"\x00\xC0"
    return prg[2:]


def the_assembly_listing_gives_the_bytes():
    lines = [line for line in (CORPUS / "tide-clock.asm.txt").read_text().splitlines() if line and line[0] != ";"]
    # columns: address, bytes, label, instruction
    parsed = [(line[:4], line[6:29], line[30:38].strip(), line[38:].split(";")[0].strip()) for line in lines]
    labels = {label: int(address, 16) for address, _, label, _ in parsed if label}

    def plain(text):
        text = re.sub(r"#<(\w+)", lambda m: "#$%02X" % (labels[m[1]] & 255), text)
        text = re.sub(r"#>(\w+)", lambda m: "#$%02X" % (labels[m[1]] >> 8), text)
        return re.sub(r"(?<= )[A-Z]\w+", lambda m: "$%04X" % labels[m[0]], text)

    code = b""
    for address, shown, _, text in parsed:
        assert int(address, 16) == 0xC000 + len(code), address
        if text.startswith(".BYTE"):
            made = bytes.fromhex(re.sub(r"[$,]", " ", text[5:]))
        else:
            made = assemble(plain(text), int(address, 16))
            assert disassemble(bytes.fromhex(shown), int(address, 16)) == (plain(text), len(made)), (address, text)
        assert made == bytes.fromhex(shown), (address, text)
        code += made
    assert code == code_of_the_tide_clock()


def call(memory, address):
    """Runs a routine until it returns; gives what it printed."""
    cpu, printed = Processor(memory, address), b""
    cpu.sp = 0xFD
    memory[0x1FE], memory[0x1FF] = 0xFF, 0xEF  # returns to F000
    memory[0xFFD2] = 0x60  # where the machine prints a character: just return
    for _ in range(20_000):
        if cpu.pc == 0xFFD2:
            printed += bytes([cpu.a])
        cpu.step()
        if cpu.pc == 0xF000:
            assert cpu.sp == 0xFF and not cpu.decimal and not cpu.interrupts_wait
            return printed
    raise AssertionError("the routine does not return")


def the_tide_clock_runs():
    code = code_of_the_tide_clock()

    def load():
        memory = [0] * 0x10000
        memory[0xC000:0xC000 + len(code)] = code
        return memory

    memory = load()
    assert call(memory, 0xC000) == b"RINGS OK\r"
    assert call(memory, 0xC000) == b"RINGS OK\r", "a second call"
    minutes = 35
    for _ in range(200):
        minutes = (minutes + 12 * 60 + 25) % (24 * 60)
        assert call(memory, 0xC003) == b"%02d.%02d\r" % divmod(minutes, 60)
    table = 0xC000 + len(code) - 80
    for place in range(table, table + 80):
        memory = load()
        memory[place] ^= 1 << (place % 8)
        assert call(memory, 0xC000) == b"RINGS BAD\r", hex(place)
    memory = load()
    memory[table + 2], memory[table + 6] = memory[table + 6], memory[table + 2]
    assert call(memory, 0xC000) == b"RINGS BAD\r", "swapped bytes"


# ---- pulse images and audio -----------------------------------------------------------------------------------------

def read_tape(folder):
    return [(kind, float(seconds)) for kind, seconds in rows(folder / "tape.tsv")]


def pulse_images_play_as_long_as_the_tape(folder):
    tape = read_tape(folder)
    for name, clock in (("tape-50.image", 985_248), ("tape-60.image", 1_022_727)):
        image = (folder / name).read_bytes()
        assert image[:16] == b"C64-TAPE-RAW\x01\x00\x00\x00"
        data = image[20:]
        assert int.from_bytes(image[16:20], "little") == len(data)
        ends, at, now = [], 0, 0
        while at < len(data):
            if data[at]:
                now, at = now + 8 * data[at], at + 1
            else:
                now, at = now + int.from_bytes(data[at + 1:at + 4], "little"), at + 4
            ends.append(now / clock)
        truth = np.cumsum([seconds for _, seconds in tape])
        # the long silence is two times in the image: every place of the tape is there, within half a step of 8 ticks
        assert len(ends) == len(truth) + 1
        nearest = np.min(np.abs(truth[:, None] - np.array(ends)[None, -3:]), 1)
        nearest[:-2] = np.abs(truth[:-2] - ends[:len(truth) - 2])
        assert nearest.max() * clock <= 4.01, nearest.max() * clock


def samples(path):
    with wave.open(str(path)) as audio:
        assert (audio.getframerate(), audio.getsampwidth(), audio.getnchannels()) == (44_100, 2, 1)
        return np.frombuffer(audio.readframes(audio.getnframes()), "<i2").astype(float)


def audio_has_every_cycle_in_its_place(folder):
    tape, wav = read_tape(folder), samples(folder / "tape.wav")
    level = 32767 * 10 ** (-3 / 20)
    assert abs(np.abs(wav).max() - level) <= 1, "peak of -3 dBFS"
    # falling zero crossings by linear interpolation: the middle of each cycle, 0.1 s after the start of the file
    at = np.flatnonzero((wav[:-1] > 0) & (wav[1:] <= 0))
    falls = (at + wav[at] / (wav[at] - wav[at + 1])) / 44_100 - 0.1
    now, middles = 0.0, []
    for kind, seconds in tape:
        if kind == "cycle":
            middles.append(now + seconds / 2)
        now += seconds
    assert len(falls) == len(middles)
    worst = np.abs(falls - middles).max()
    assert worst < 2e-6, f"a cycle is {worst * 1e6:.2f} us off"
    quiet = wav[: int(0.14 * 44_100)]
    assert np.all(quiet == 0), "silence is silent"


def audio_does_not_alias(folder):
    tone, frequency = samples(folder / "tone.wav"), 2563.7
    middle = tone[len(tone) // 2 - 32768: len(tone) // 2 + 32768]
    window = np.blackman(len(middle))
    spectrum = 20 * np.log10(np.abs(np.fft.rfft(middle * window)) / (window.sum() / 2) / 32768 + 1e-12)
    hertz = np.fft.rfftfreq(len(middle), 1 / 44_100)
    # odd harmonics belong there, and are as strong as behind the Gaussian low-pass of 22 us; everything else is not ours
    other = np.ones(len(hertz), bool)
    for n in range(1, 9, 2):
        near = np.abs(hertz - n * frequency) < 50  # wide enough for the side lobes of the window
        sigma = 22e-6
        expected = 20 * math.log10(10 ** (-3 / 20) * 4 / math.pi / n) \
            - 20 * math.log10(math.e) * 2 * (math.pi * sigma * n * frequency) ** 2
        assert abs(spectrum[near].max() - expected) < 1.0, (n, spectrum[near].max(), expected)
        other &= ~near
    band = other & (hertz < 10_000)
    assert spectrum[band].max() < -90, f"{spectrum[band].max():.1f} dBFS between the harmonics under 10 kHz"
    assert spectrum[other].max() < -60, f"{spectrum[other].max():.1f} dBFS between the harmonics"


def main():
    with tempfile.TemporaryDirectory() as made:
        folder = Path(sys.argv[1] if len(sys.argv) > 1 else made)
        if len(sys.argv) == 1:
            subprocess.run(
                ["cargo", "test", "--quiet", "--test", "export", "--", "--ignored", "writes_files_for_the_oracle"],
                cwd=ROOT, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "QUORATE_EXPORT_OUT": made})
        checks = [
            characters_have_their_unicode_names, characters_agree_with_a_published_table,
            names_are_safe_on_every_system, listings_agree, every_token_and_code_lists_as_the_second_table_says,
            jumps_lead_to_lines, the_assembly_listing_gives_the_bytes, the_tide_clock_runs,
            pulse_images_play_as_long_as_the_tape, audio_has_every_cycle_in_its_place, audio_does_not_alias,
        ]
        failed = 0
        for check in checks:
            try:
                check(*[folder][: check.__code__.co_argcount])
                print(f"ok      {check.__name__}")
            except Exception as error:  # a check that breaks has failed like one that disagrees
                failed += 1
                print(f"FAILED  {check.__name__}: {type(error).__name__}: {error}")
        print(f"{len(checks) - failed} passed, {failed} failed")
        return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
