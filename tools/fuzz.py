"""Try machine files, settings, sounds and recordings that nobody should send, and see that none does harm.

    python tools/fuzz.py machine --cases 60000 --seed 1
    python tools/fuzz.py take --cases 20000 --grow tests/robustness/corpus/take.txt

A case fails if anything but one printable line comes of it, a warning of a calculation
included, if it takes more than 2 s of processor time (a recording 10, a page 20), needs more
memory than allowed, or opens a file for writing outside its own folder. Exit status 1 if one
failed.

A case is what comes of a row of draws. The corpus holds rows that led to steps of the library
which no shorter row did. They are tried first as they are; then every second case is one of
them with some draws changed, the others are new. Seed, number and corpus make a case, so
`--first 4711 --cases 1` makes it again. With `--grow` each row that leads to a new step joins
the corpus at once, as does one that fails, and the file is written at the end.
"""

import argparse
import io
import itertools
import json
import math
import os
import random
import resource
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile
from safe_page import harm_in
from threadpoolctl import threadpool_limits

from tapecalc.calc.tempo import NOTE_VALUES
from tapecalc.live.facts import playable_facts
from tapecalc.live.setting import checked_setting, machine_of_setting, setting_of_machine
from tapecalc.machine import (
    LARGEST_FILE,
    Machine,
    example_machine,
    machine_from_text,
    machine_to_text,
    read_machine,
    with_changes,
)
from tapecalc.measuring import CannotTell, Take, measure, measured_machine, open_recording
from tapecalc.measuring.flutter import RECORD_MODES
from tapecalc.measuring.session import KINDS
from tapecalc.plan import make_plan
from tapecalc.report.compare_text import compare_text
from tapecalc.report.measurement import measurement_data, measurement_text
from tapecalc.report.plan_data import plan_data
from tapecalc.report.plan_text import plan_text
from tapecalc.sound.files import read_sound
from tapecalc.sound.render import render_file

SECONDS = 2.0  # of processor time, for one case
TAKE_SECONDS = 10.0  # for a recording: three explanations are fitted to a response, each from several starts
PAGE_SECONDS = 20.0  # for a page with all its figures and its preview
MEMORY = 1 << 31  # bytes of address space, libraries and their threads included
LONGEST_LINE = 300  # characters in an error message
LONGEST_ROW = 400  # draws of a row that is kept

ROOT = Path(__file__).resolve().parent.parent
EXAMPLES = ROOT / "tapecalc" / "examples"
LIBRARY = str(ROOT / "tapecalc") + os.sep
CORPUS = ROOT / "tests" / "robustness" / "corpus"
HOSTILE_NAMES = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; --",
    "{{ 7 * 7 }}{% include '/etc/passwd' %}",
    "$\\frac{1}{0}$",
    "$x",
    "\\input{/etc/passwd}",
    "../../../etc/passwd",
    "http://example.org/x.png",
    "]]></svg><script>",
    "&lt;&amp;&#0;",
    "%s%n{0}{x!r}",
    "a\\u001b[31mb",
    "a\\u202eb",
    "a\\u0000b",
    "a\\nb",
    "e\\u0301\\u0301\\u0301",
    "\U0001f4fc tape",
    "録音機",
    "\u200b",
    "x" * 81,
)
NUMBERS = (
    *"0 -0.0 1 -1 nan -nan inf -inf 1e308 -1e308 1e309 5e-324 1e-300 1e-9 0.1 7.5 300 20000".split(),
    *"9007199254740993 0o7 1_000 1__0 01 +5 .5 5. 1e true false '' \"\" '7.5' [] {} [[]]".split(),
    *"1979-05-27 07:32:00 1979-05-27T07:32:00Z".split(),
    *("9" * 400, "9" * 5000, "0x" + "f" * 3000, "0b1" + "0" * 99, "[" * 300, "[" * 50 + "]" * 50),
    *("[1, 2]", "[7.5, 'a']", "{a = 1}"),
)
PIECES = (
    *b"= == . .. [ ] [[ ]] { } , # \\ _ ' \" ''' \"\"\"".split(),
    *rb"\u0000 \U0010ffff \ud800 nan inf 1e999 name [song]".split(),
    *(b"\x00", b"\x1b[2J", b"\x7f", b"\xff\xfe", b"\xef\xbb\xbf", b"\xe2\x80\xae", b"\r", b"\n", b"\t"),
    *(b"[[parts]]\n", b"[[playback_heads]]\n", b"bpm = 90\n"),
)


# --- rows of draws ---------------------------------------------------------------------------------


class Draws(random.Random):
    """Chance that can be had again and changed: what is given comes first, then what the seed gives."""

    def __init__(self, seed, given=()):
        super().__init__(seed)
        self.given, self.drawn = given, []

    def getrandbits(self, bits):
        at = len(self.drawn)
        draw = self.given[at] % (1 << bits) if at < len(self.given) else super().getrandbits(bits)
        self.drawn.append(draw)
        return draw

    def random(self):
        return self.getrandbits(53) / (1 << 53)


def changed(rng, corpus):
    """A row of the corpus with some draws changed, left out or put in, or with the end of another row."""
    row = list(rng.choice(corpus))
    for _ in range(rng.choice([1, 1, 2, 4, 8])):
        at, other = rng.randrange(len(row) + 1), rng.choice(corpus)
        match rng.randrange(5):
            case 0:
                row[at : at + 1] = [rng.getrandbits(53)]
            case 1:
                del row[at : at + rng.choice([1, 2, 8])]
            case 2:
                row[at:at] = other[: rng.choice([1, 2, 8])]
            case 3:
                row[at:] = other[rng.randrange(len(other) + 1) :]
            case _:
                del row[at:]
    return row


class Steps:
    """Steps from line to line that the library took; of what is not ours none are told."""

    def __init__(self):
        self.taken = set()

    def __call__(self, frame, event, argument):
        if not frame.f_code.co_filename.startswith(LIBRARY):
            return None
        file, before = frame.f_code.co_filename, 0

        def step(frame, event, argument):
            nonlocal before
            self.taken.add((file, before, before := frame.f_lineno))
            return step

        return step


def read_rows(path):
    """Rows of draws, one a line, as whole numbers in letters and digits."""
    lines = path.read_text("ascii").splitlines() if path.exists() else []
    return [[int(draw, 36) for draw in line.split()] for line in lines]


def write_rows(path, rows):
    path.write_text("".join(" ".join(map(in_letters, row)) + "\n" for row in rows), "ascii")


def in_letters(number):
    """A whole number to the base of 36."""
    letters = ""
    while number or not letters:
        number, digit = divmod(number, 36)
        letters = "0123456789abcdefghijklmnopqrstuvwxyz"[digit] + letters
    return letters


def of_use(found):
    """Of rows and the steps each led to, the fewest that lead to all: the short ones first."""
    rows, known = [], set()
    for row, taken in sorted(found, key=lambda one: len(one[0])):
        if not taken <= known:
            rows.append(row)
            known |= taken
    return rows


# --- machine files ---------------------------------------------------------------------------------


def machine_case(rng):
    """Make the bytes of one machine file, hostile in one of many ways."""
    base = rng.choice([path.read_bytes() for path in sorted(EXAMPLES.glob("*.toml"))])
    kind = rng.choices(
        [scrambled, with_odd_values, drawn_machine, odd_toml, oversized], weights=[34, 24, 19, 18, 5]
    )[0]
    return kind(rng, base)


def scrambled(rng, base):
    """Cut, double, flip and insert pieces of a good file."""
    data = bytearray(base)
    for _ in range(rng.choice([1, 1, 2, 4, 16])):
        at, length = rng.randrange(len(data) + 1), rng.choice([1, 1, 2, 8, 64])
        match rng.randrange(6):
            case 0:
                del data[at : at + length]
            case 1:
                data[at:at] = data[at : at + length]
            case 2:
                data[at : at + 1] = bytes([rng.randrange(256)])
            case 3:
                data[at:at] = rng.choice(PIECES)
            case 4:
                data[at:at] = bytes(rng.randrange(256) for _ in range(length))
            case _:
                other = rng.randrange(len(data) + 1)
                data[at:at] = data[other : other + length]
    return bytes(data)


def with_odd_values(rng, base):
    """Put odd values behind the keys of a good file."""
    lines = base.decode().splitlines()
    places = [at for at, line in enumerate(lines) if "=" in line.split("#")[0]]
    for at in rng.sample(places, rng.choice([1, 1, 1, 2, 3])):
        key = lines[at].split("=")[0]
        lines[at] = f"{key}= {odd_value(rng)}"
    if rng.random() < 0.3:
        lines.insert(0, f"name{rng.choice(['', '2'])} = {odd_value(rng)}")
    return "\n".join(lines).encode()


def odd_value(rng):
    match rng.randrange(4):
        case 0:
            return rng.choice(NUMBERS)
        case 1:
            return quoted_name(rng)
        case 2:
            return repr(10 ** rng.uniform(-12, 12) * rng.choice([1, -1]))
        case _:
            return str(rng.randrange(-10, 300))


def drawn_machine(rng, _):
    """Write a machine by its own rules, with values at and near the edges of what is allowed."""
    slips = 0.0 if rng.random() < 0.8 else 0.1  # how often what is drawn is wrong by intention
    parts = ["name = " + quoted_name(rng, slips)]
    if rng.random() < 0.9:
        parts.append("unusual = true")  # or most of what follows is asked about
    if rng.random() < 0.2:
        parts.append(f"file_version = {rng.choice([1, 3, 2.0]) if rng.random() < slips else 2}")
    for section, field in Machine.model_fields.items():
        if section in ("name", "transport") or not hasattr(field.annotation, "model_fields"):
            continue
        keys = {
            key: edge_value(rng, one)
            for key, one in field.annotation.model_fields.items()
            if rng.random() < 0.4
        }
        if section == "tape" and rng.random() >= slips:  # a reel or a loop, and less coating than tape
            keys.pop("length_m" if keys.get("loop_length_m") else "", None)
            keys.pop("coating_thickness_um" if rng.random() < 0.5 else "total_thickness_um", None)
            if "total_thickness_um" in keys:
                keys["coating_thickness_um"] = repr(0.3 * float(keys["total_thickness_um"]))
        parts += [f"{section}.{key} = {value}" for key, value in keys.items() if value is not None]
    if rng.random() < 0.4:
        parts.append(f"song.note = {drawn_note(rng, slips)}")
    speeds = [
        rng.choice([3.75, 7.5, 0.1, 10 ** rng.uniform(-3, 2.5)]) for _ in range(rng.choice([1, 2, 2, 6]))
    ]
    key, unit = "speeds", rng.choice(["ips", "cm_s"])
    if len(speeds) == 2 and rng.random() < 0.6:
        key, speeds = "speed_range", sorted([speeds[0], 1.5 * speeds[1]], reverse=rng.random() < slips)
    parts.append(f"transport.{key}_{unit} = [{', '.join(map(repr, speeds))}]")
    if rng.random() < 0.5:
        parts.append(f"transport.capstan_diameter_mm = {10 ** rng.uniform(-1, 2)!r}")
    if rng.random() < 0.2:
        parts.append(f"transport.mains_hz = {10 ** rng.uniform(-2, 2.7)!r}\ntransport.design_mains_hz = 60")
    spacings = sorted(10 ** rng.uniform(-1, 4.3) for _ in range(rng.choice([1, 1, 2, 8])))
    if rng.random() < 0.5:
        spacings = [spacings[0] + n * 10 ** rng.uniform(0, 2) for n in range(len(spacings))]
    for spacing in sorted(spacings):
        parts.append(
            f"[[playback_heads]]\nspacing_mm = {spacing!r}\nlevel_db = {rng.choice([0, -90, 20, -6.5])}"
        )
        if rng.random() < 0.3:
            parts.append(f"feeds_return = {rng.choice(['true', 'false'])}")
    if rng.random() < 0.3:
        parts.append(
            f"[[measured_delays]]\nhead = {rng.choice([1, 1, 2, 9])}\nspeed = {rng.choice([1, 1, 2])}\n"
            f"delay_ms = {rng.choice([spacings[0] / 0.1905, 10 ** rng.uniform(-3, 4)])!r}\n"
            f"delay_plus_minus_ms = {rng.choice([0, 0.01, 1000])}"
        )
    for _ in range(rng.choice([0, 0, 0, 1, 7, 60, 60 + (rng.random() < slips)])):
        tempo = rng.choice([20, 400, 76, rng.uniform(20, 400), rng.uniform(20 - 20 * slips, 400)])
        parts.append(f"[[songs]]\nname = {quoted_name(rng, slips)}\nbpm = {tempo!r}")
        parts += [f"note = {drawn_note(rng, slips)}"] if rng.random() < 0.5 else []
    for number in range(rng.choice([0, 0, 1, 30])):
        size = 10 ** rng.uniform(-3, 2.6)
        kind = rng.choice(
            [f"diameter_mm = {size!r}", f"radius_mm = {size!r}", f"length_mm = {size!r}\npulley_mm = 60"]
        )
        wobble = rng.choice([0, 0.1, 10])
        parts.append(
            f"[[parts]]\nname = {quoted_name(rng, slips, number)}\n{kind}\nwobble_percent = {wobble}"
        )
    return "\n".join(parts).encode()


def quoted_name(rng, slips=1.0, number=""):
    """Draw a name that upsets pages, formulas or terminals, mostly as TOML takes it."""
    name = rng.choice(HOSTILE_NAMES)
    if rng.random() < slips:
        return '"' + name.replace('"', '\\"') + '"'
    plain = "".join(letter if letter.isprintable() else "." for letter in name)
    return json.dumps(f"{number}{plain}"[:60], ensure_ascii=False)


def drawn_note(rng, slips):
    """Draw a note value, or now and then something that is none."""
    names = [note.name for note in NOTE_VALUES]
    return odd_value(rng) if rng.random() < slips else json.dumps(rng.choice(names))


def accepted_machine(rng):
    """Draw machines until one of them is accepted."""
    while True:
        data = drawn_machine(rng, b"")
        try:
            machine_from_text(data.decode())
            return data
        except ValueError:
            continue


def edge_value(rng, field):
    """Draw a value for a key of a machine file: an edge of its range, or something inside."""
    limits = {}
    for rule in field.metadata:
        for name in ("gt", "ge", "le"):
            limits[name] = getattr(rule, name, limits.get(name))
    low = limits.get("ge") if limits.get("ge") is not None else limits.get("gt")
    high = limits.get("le")
    if low is None or high is None:
        return None
    if field.annotation is int:
        return rng.choice([low, high, rng.randint(low, high)])
    if limits.get("gt") is not None and rng.random() < 0.98:
        low += (high - low) * 1e-9
    return repr(
        float(rng.choice([low, high, rng.uniform(low, high), low + (high - low) * 10 ** rng.uniform(-12, 0)]))
    )


def odd_toml(rng, _):
    """Write TOML, more or less, that has little to do with machines."""
    words = (*Machine.model_fields, "a", "'a b'", '"\\u001b[31m"', '"<b>"', '""', "a" * 500, "0", "-", "ä")
    lines = []
    for _ in range(rng.choice([1, 3, 30, 300])):
        key = ".".join(rng.choice(words) for _ in range(rng.choice([1, 1, 2, 5])))
        value = rng.choice([odd_value(rng), nested(rng, rng.choice([1, 3, 30]))])
        lines.append(
            rng.choice([f"{key} = {value}", f"{key} = {value}", f"[{key}]", f"[[{key}]]", f"# {value}"])
        )
    return "\n".join(lines).encode()


def nested(rng, depth):
    """Write arrays and tables inside each other."""
    if depth == 0:
        return odd_value(rng)
    inner = nested(rng, depth - 1)
    return rng.choice(
        [f"[{inner}]", f"[{inner}, {inner}]" if depth < 5 else f"[{inner}]", f"{{ a = {inner} }}"]
    )


def oversized(rng, base):
    """Write about as much as is read at all, or more."""
    size = rng.choice([10_000, 100_000, LARGEST_FILE - 10, LARGEST_FILE, LARGEST_FILE + 1])
    unit = rng.choice(
        [
            "a.",
            "[",
            "[[a]]\n",
            "{a=",
            "x",
            "a=1\n",
            "[a.b]\n",
            "9",
            "[1,",
            "\\u0000",
            "# \n",
            "é",
            "[[parts]]\nname='x'\n",
            "a.b={}\n",
        ]
    )
    repeated = (unit * (size // len(unit)))[:size]
    start = rng.choice(["", "x = ", "name = '", 'name = "', "song.bpm = ", "song.", "playback_heads = "])
    if rng.random() < 0.2:  # keys that are all different
        repeated = "".join(f"{rng.choice(['k', 'a.', 'song.k'])}{n} = {n}\n" for n in range(size // 12))
    closing = rng.choice(["", "'", '"', "a = 1", "\n" + base.decode()])
    return (start + repeated + closing).encode()


def try_machine(data, folder, number):
    """Read, plan and show one machine file; return how it ended."""
    path = folder / "case.toml"
    path.write_bytes(data)
    try:
        machine = read_machine(path)
    except (ValueError, OSError) as error:
        one_line(error)
        return "refused"
    if machine_from_text(machine_to_text(machine)) != machine:
        raise AssertionError("writing and reading gives another machine")
    plan = make_plan(machine)
    beside = make_plan(example_machine()) if number % 20 == 1 else plan
    text = plan_text(plan) + compare_text(plan, beside, names=(machine.name, "b"))
    data = json.dumps(plan_data(plan), allow_nan=False)
    if not all(line.isprintable() for line in text.splitlines()):
        raise AssertionError("the plan holds characters that upset a terminal")
    json.loads(data)
    if number % 20 == 0:
        from tapecalc.report.plan_page import plan_page

        harmless(plan_page(plan, {}))
    return "planned"


def try_page(data, folder, number):
    """Write everything that belongs to a plan into a folder, and draw one figure more."""
    from tapecalc.plot.catalog import CATALOG, draw
    from tapecalc.plot.style import figure_bytes
    from tapecalc.report.plan_page import write_plan

    path = folder / "case.toml"
    path.write_bytes(data)
    try:
        plan = make_plan(read_machine(path))
    except (ValueError, OSError) as error:
        one_line(error)
        return "refused"
    write_plan(plan, folder / "out")
    for page in (folder / "out").glob("*.html"):
        harmless(page.read_text(encoding="utf-8"))
    for picture in (folder / "out" / "figures").glob("*.svg"):
        harmless(picture.read_text(encoding="utf-8"))
    name = list(CATALOG)[number % len(CATALOG)]
    if CATALOG[name].suits(plan.machine):
        drawn = draw(name, plan.machine, profile="page")
        harmless(figure_bytes(drawn.figure, "svg", alt=drawn.alt).decode())
    return "planned"


def harmless(page):
    """Refuse a page or picture that runs something or loads something from outside."""
    if found := harm_in(page):
        raise AssertionError(f"the page has {', '.join(found)}")


# --- settings of the playable tape -----------------------------------------------------------------


def setting_case(rng, known):
    """A setting as a page or a widget might send it, with values that cannot be, and the facts it is of."""
    machine, facts = rng.choice(known)
    setting = json.loads(json.dumps(setting_of_machine(machine)))
    for _ in range(rng.choice([1, 2, 2, 4, 8])):
        place = rng.choice([setting, *setting["heads"]]) if type(setting.get("heads")) is list else setting
        if type(place) is not dict or not place:
            break
        key = rng.choice(list(place))
        match rng.randrange(8):
            case 0:
                place[key] = odd_data(rng, 3)
            case 1:
                place[rng.choice([*setting, *HOSTILE_NAMES])] = place.pop(key)
            case 2:
                setting["heads"] = rng.choice([0, 1, 2, 9]) * [dict(place)]
            case 3:
                place["on"] = rng.random() < 0.5
            case 4:
                place["inverted"] = rng.random() < 0.5
            case 5:
                place["spacing_mm"] = rng.choice([facts["least_mm"], facts["most_mm"], 41.5, 80])
            case 6:
                setting["note"] = rng.choice(["any", *(note.name for note in NOTE_VALUES)])
            case _:
                place[key] = rng.choice([0, -90, 20, 400, 7.5, 10 ** rng.uniform(-9, 9), True, False])
    return machine, facts, setting


def odd_data(rng, depth):
    """What JSON can hold, and a little more."""
    match rng.randrange(7 if depth else 5):
        case 0:
            return rng.choice([0, 1, -1, 10**400, -(10**400), 1e308, -0.0, math.nan, math.inf, 5e-324])
        case 1:
            return rng.choice([None, True, False])
        case 2:
            return rng.choice(HOSTILE_NAMES)
        case 3:
            return "x" * rng.choice([0, 1, 5000])
        case 4:
            return rng.choice(["7.5", "nan", "true", "dotted eighth", "any", "line"])
        case 5:
            return [odd_data(rng, depth - 1) for _ in range(rng.choice([0, 1, 3, 60]))]
        case _:
            return {rng.choice(HOSTILE_NAMES): odd_data(rng, depth - 1) for _ in range(rng.choice([0, 1, 9]))}


def try_setting(case, folder, number):
    """Check a setting and make the machine of it; return how it ended."""
    machine, facts, given = case
    try:
        setting = checked_setting(facts, given)
        if checked_setting(facts, setting) != setting:
            raise AssertionError("what was checked is not what can be")
        json.dumps(setting, allow_nan=False)
        found = machine_of_setting(machine, setting)
    except ValueError as error:
        one_line(error)
        return "refused"
    if machine_from_text(machine_to_text(found)) != found:
        raise AssertionError("writing and reading gives another machine")
    if number % 20 == 0:
        plan_text(make_plan(found))
    return "a machine"


def known_machines():
    """Machines and what a page knows of them: one with two heads and fixed speeds, one of each kind more."""
    free = {"transport.speeds_ips": None, "transport.speed_range_ips": [5, 20]}
    deck = example_machine()
    return [(one, playable_facts(one)) for one in (deck, with_changes(deck, free))]


# --- sound files -----------------------------------------------------------------------------------


def good_sounds():
    """Make short good files of every kind, in memory."""
    wave = 0.3 * np.sin(np.arange(4000) / 9)
    kinds = {
        "wav": "WAV:PCM_16 WAV:PCM_24 WAV:FLOAT WAV:DOUBLE WAV:ULAW WAV:IMA_ADPCM WAV:MS_ADPCM WAVEX:PCM_16 "
        "RF64:PCM_16 W64:PCM_16 AIFF:PCM_16 CAF:PCM_16",
        "flac": "FLAC:PCM_16 FLAC:PCM_24",
        "ogg": "OGG:VORBIS OGG:OPUS",
        "mp3": "MP3:MPEG_LAYER_III",
    }
    sounds = []
    for suffix, names in kinds.items():
        for name, samples in itertools.product(names.split(), (wave, np.stack([wave, -wave], axis=1))):
            kind, subtype = name.split(":")
            data = io.BytesIO()
            soundfile.write(data, samples, 48000, format=kind, subtype=subtype)
            sounds.append((suffix, data.getvalue()))
    return sounds


def sound_case(rng, sounds):
    """Damage a good sound file, mostly its head."""
    suffix, base = rng.choice(sounds)
    data = bytearray(base)
    for _ in range(rng.choice([1, 1, 2, 4, 16])):
        head = rng.choice([48, 200, len(data)])
        at = rng.randrange(min(head, len(data)) or 1)
        match rng.randrange(6):
            case 0:
                data[at : at + 1] = bytes([rng.randrange(256)])
            case 1:
                size = rng.choice([2, 4, 8])
                value = rng.choice([0, 1, 2**15, 2**16 - 1, 2**31 - 1, 2**32 - 1, 2**63 - 1, 2**64 - 1])
                data[at : at + size] = (value % 2 ** (8 * size)).to_bytes(size, rng.choice(["little", "big"]))
            case 2:
                del data[at : at + rng.choice([1, 4, 100])]
            case 3:
                del data[max(at, 1) :]
            case 4:
                data[at:at] = bytes(rng.randrange(256) for _ in range(rng.choice([1, 4, 50])))
            case _:
                other = rng.randrange(len(data) or 1)
                data[at:at] = data[other : other + rng.choice([4, 30, 300])]
        data = data or bytearray(b"R")
    if rng.random() < 0.1:
        suffix = rng.choice(["wav", "flac", "ogg", "mp3", "txt", "raw", "aiff", "au", ""])
    return suffix, bytes(data)


def try_sound(case, folder, number):
    """Read one sound file, and now and then send it through the echo; return how it ended."""
    suffix, data = case
    path = folder / f"case.{suffix}"
    path.write_bytes(data)
    try:
        samples, rate = read_sound(path)
    except (ValueError, OSError) as error:
        one_line(error)
        return "refused"
    if not np.all(np.isfinite(samples)) or samples.size == 0 or not 0 < rate < math.inf:
        raise AssertionError("what was read is no sound")
    if number % 50 == 0 and len(samples) < 10 * rate:
        try:
            render_file(example_machine(), path, folder / "out.wav", seconds=0.2)
        except (ValueError, OSError) as error:
            one_line(error)
    return "read"


# --- recordings to measure -------------------------------------------------------------------------

RATES = (1, 768000, *2 * (8000, 22050, 96000), *6 * (44100, 48000))


def take_case(rng, sounds):
    """Make one take, of a kind that it is or is not: a damaged file, or a good one with odd sound in it."""
    kind, mode = rng.choice(list(KINDS)), rng.choice(list(RECORD_MODES))
    if rng.random() < 0.2:
        return kind, mode, *sound_case(rng, sounds)
    rate = rng.choice(RATES)
    count = rng.choice([0, 1, 100, rate, 3 * rate, *4 * [6 * rate]])
    count = min(count, 300_000)
    channels = rng.choice([1, *8 * [2], 5])
    samples = np.stack([odd_sound(rng, count, rate) for _ in range(channels)])
    if len(samples) == 2 and rng.random() < 0.5:
        samples[1] = 0.5 * np.roll(samples[0], rng.choice([0, 1, rate // 5, 3 * rate]))
    data = io.BytesIO()
    subtype = rng.choice(["FLOAT", "FLOAT", "DOUBLE", "PCM_16"])
    with np.errstate(over="ignore"):
        soundfile.write(data, samples.T, rate, format="WAV", subtype=subtype)
    return kind, mode, "wav", data.getvalue()


def odd_sound(rng, count, rate):
    """One channel: a tone, noise, clicks or nothing, and what can be wrong with it."""
    at = np.arange(count)
    noise = np.random.default_rng(rng.randrange(2**32))
    sound = rng.choice(
        [
            lambda: np.zeros(count),
            lambda: np.full(count, rng.uniform(-1, 1)),
            lambda: 0.3 * np.sin(2 * np.pi * rng.choice([0.1, 50, 3150, 3150, rate / 2]) * at / rate),
            lambda: noise.uniform(-0.5, 0.5, count),
            lambda: noise.uniform(-0.5, 0.5, count) * (at % rng.choice([7, 1000, 30_000]) < 5),
            lambda: 0.5 * (-1.0) ** at,
            lambda: np.exp(-at / (0.1 * rate)) * noise.normal(size=count),
        ]
    )()
    for _ in range(rng.choice([0, 0, 1, 1, 2])):
        where = slice(first := rng.randrange(count + 1), first + rng.choice([1, 50, count]))
        match rng.randrange(6):
            case 0:
                sound[where] = rng.choice([np.nan, np.inf, -np.inf, 0.0, 1.0, 3e38, 1e-40])
            case 1:
                sound *= 10.0 ** rng.choice([-300, -40, -6, 3, 30, 36])
            case 2:
                sound = np.clip(sound, -0.1, 0.1)
            case 3:
                sound += rng.uniform(-1, 1)
            case 4:
                sound[where] = sound[where][::-1]
            case _:
                sound = np.round(sound, rng.choice([1, 2, 4]))
    return sound


def try_take(case, folder, number):
    """Measure one take and look at everything that is said of it; return how it ended."""
    kind, mode, suffix, data = case
    path = folder / f"case.{suffix}"
    path.write_bytes(data)
    machine = example_machine() if number % 2 else None
    try:
        found = measure([Take(recording=open_recording(path), kind=kind, record_mode=mode)], machine=machine)
    except (ValueError, OSError) as error:
        one_line(error)
        return "refused"
    for sentence in found.sentences:
        one_line(sentence)
    json.dumps(measurement_data(found), allow_nan=False)
    if not all(line.isprintable() for line in measurement_text(found).splitlines()):
        raise AssertionError("the report holds characters that upset a terminal")
    try:
        measured_machine(found, machine)
    except CannotTell as reason:
        one_line(reason)
    return "not told" if found.empty else "measured"


# --- running ---------------------------------------------------------------------------------------


class TooSlow(BaseException):
    """A case that takes longer than it may."""


def one_line(error):
    """Refuse an error message that is not one short printable line."""
    text = str(error)
    if not text.isprintable() or not text.strip() or len(text) > LONGEST_LINE:
        cause = error if isinstance(error, BaseException) else None
        raise AssertionError(f"a message of {len(text)} characters: {text[:200]!r}") from cause


def keep_inside(folder):
    """Note every file that is opened for writing, moved or removed outside a folder."""
    strays = []

    def watch(event, arguments):
        if event == "open":
            path, mode, flags = arguments
            if not (isinstance(mode, str) and set(mode) & set("wax+")) and not (
                isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
            ):
                return
        elif event in (
            "os.rename",
            "os.remove",
            "os.mkdir",
            "os.rmdir",
            "os.link",
            "os.symlink",
            "subprocess.Popen",
        ):
            path = arguments[0]
        else:
            return
        if not isinstance(path, int) and path is not None:
            full = os.path.realpath(os.fsdecode(path))
            if not full.startswith(str(folder)) and not full.startswith(("/dev/null", "/proc/self")):
                strays.append(f"{event} {full}")

    sys.addaudithook(watch)
    return strays


def limited(seconds, call, *arguments):
    """Call a function, and stop it when it has used the processor for too long."""

    def stop(signal_number, frame):
        raise TooSlow(f"more than {seconds:g} s of processor time")

    signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        return call(*arguments)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


#: Of each kind: what its cases need, how one is made of draws, how it is tried, how long it may take.
KINDS_OF_CASES = {
    "machine": (lambda: None, lambda rng, _: machine_case(rng), try_machine, SECONDS),
    "setting": (known_machines, setting_case, try_setting, SECONDS),
    "page": (lambda: None, lambda rng, _: accepted_machine(rng), try_page, PAGE_SECONDS),
    "sound": (good_sounds, sound_case, try_sound, SECONDS),
    "take": (good_sounds, take_case, try_take, TAKE_SECONDS),
}


def rows_to_try(options, corpus):
    """Seed and given draws of each case and its number; the corpus itself comes first."""
    if options.first == 0:
        yield from ((-1 - at, "corpus", row) for at, row in enumerate(list(corpus)))
    for number in range(options.first, options.first + options.cases):
        seed = f"{options.what} {options.seed} {number}"
        rng = random.Random(seed)
        yield number, seed, changed(rng, corpus) if corpus and rng.random() < 0.5 else ()


def try_all(options, folder, strays):
    """Try the cases; return how they ended, and the corpus with what led to steps that were not known."""
    needs, make, call, seconds = KINDS_OF_CASES[options.what]
    needed, ended = needs(), Counter()
    corpus, found, known = read_rows(CORPUS / f"{options.what}.txt"), [], set()
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    before = sys.gettrace()  # that of coverage, where a test calls us
    for number, seed, given in rows_to_try(options, corpus):
        draws, steps = Draws(seed, given), Steps()
        sys.settrace(steps if options.grow else before)
        try:
            outcome = limited(
                seconds * (10 if options.grow else 1), call, make(draws, needed), folder, number
            )
            if strays:
                raise AssertionError(f"touched {strays.pop()}")
        except (Exception, TooSlow) as error:
            outcome = "failed"
            where = traceback.extract_tb(error.__traceback__)[-1]
            steps.taken.add((type(error), where.name, where.lineno))  # one of a kind is kept
            said = f"{type(error).__name__} {str(error)[:300]!r}"
            print(f"case {number}: {said} in {where.name}, line {where.lineno}", flush=True)
        finally:
            sys.settrace(before)
        if not steps.taken <= known and len(draws.drawn) < LONGEST_ROW:
            known |= steps.taken
            found.append((draws.drawn, steps.taken))
            corpus += [draws.drawn] if number >= 0 and options.grow else []
        ended[outcome] += 1
    return ended, of_use(found)


def main(arguments=None):
    """Try the cases and tell what came of them; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=list(KINDS_OF_CASES))
    parser.add_argument("--cases", type=int, default=1000, metavar="N")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="number of the first case")
    parser.add_argument("--seed", type=int, default=0, metavar="S")
    parser.add_argument("--grow", type=Path, metavar="FILE", help="follow new steps, and write the corpus")
    options = parser.parse_args(arguments)
    grown = options.grow and options.grow.resolve()
    warnings.simplefilter("error", RuntimeWarning)

    # Threads of BLAS that wait for work count as processor time.
    with tempfile.TemporaryDirectory() as name, threadpool_limits(1):
        folder = Path(os.path.realpath(name))
        os.chdir(folder)
        if options.what in ("machine", "page"):
            try_page((EXAMPLES / "bench_deck.toml").read_bytes(), folder, 0)  # fonts and caches, once
        ended, rows = try_all(options, folder, keep_inside(folder))
        os.chdir(ROOT)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{ended.total()} cases: {dict(ended)}, memory at most {peak} MB")
    if grown:
        write_rows(grown, rows)
    return 1 if ended["failed"] else 0


if __name__ == "__main__":
    sys.exit(main())
