"""Rules for the notebooks of the course: each function looks at one and lists what is wrong.

They bind the numbered lessons, the index and the workbench; any other notebook is free. The tool that
stores notebooks refuses the rest: long cells, warnings, paths, what only a kernel can show.
"""

import base64
import dataclasses
import html
import io
import re
import subprocess
from functools import cached_property
from pathlib import Path
from urllib.parse import unquote

import nbformat
import numpy as np
import soundfile
from programs import program
from project import NOTEBOOKS, ROOT

from tapecalc.sound.loudness import TWICE_DB, loudness_lufs

tool = program("notebook", "notebook_tool")

#: The last second-level headings of a lesson, in this order; the others tell what is found out there.
END = ["Check yourself", "Sources", "Next"]
#: Headings that would stand over any lesson, and so say nothing.
FORM = set("predict|derive|compute|what if|listen|break it|do something|introduction|summary".split("|"))
#: What a lesson asks of the reader: words read in a minute, fewer where there is to think, and minutes for
#: each thing to do. common practice, no source
WORDS_A_MINUTE, TO_MOVE, TO_HEAR, TO_WORK_OUT, TO_WRITE = 130, 3.0, 0.5, 3.0, 6.0
NEAR_ENOUGH = 5  # minutes
INDEX, WORKBENCH = "00_index", "workbench"
#: Of the loudest sound of a group; one whose peaks are nearly full may be softer.
COURSE_LUFS, LOUDNESS_NEAR, NEARLY_FULL, LOUDEST_PEAK = -23.0, 1.0, 0.8, 0.95
SHORTEST_DESCRIPTION = 40  # characters
NOT_COMPARED = "nbval-ignore-output"
PANEL_SAYS = 'class="panel-still"'

#: Units that make a number in prose one that must come from somewhere, and as they stand in names.
UNITS = r"(?:mm|cm/s|cm|m/s|m|µm|ms|µs|s|kHz|Hz|ips|dBu|dBV|dBFS|dB|%|percent|cents?|bpm|mV|V)"
NUMBER = r"[-+−]?\d+(?:[ ,]\d{3})*(?:\.\d+)?"
CODE_UNITS = {unit.lower().replace("/", "_"): unit for unit in re.findall(r"[^|?:()]+", UNITS)}
CODE_UNITS |= {"um": "µm", "us": "µs", "percent": "%"}
ALIKE = {"percent": "%", "cent": "cents"}
#: Numbers that define a unit or name a limit of a scale: they need no source.
DEFINITIONS = """0 dB, 1 dB, 3 dB, 6 dB, 0 Hz, 1 Hz, 50 Hz, 60 Hz, 20 Hz, 1 kHz, 20 kHz, 0 s, 1 s, 60 s, 0 ms,
1 ms, 1000 ms, 1 mm, 1000 mm, 25.4 mm, 1 cm, 2.54 cm, 1 m, 0 %, 1 %, 50 %, 100 %, 0 cents, 1 cent, 100 cents,
1200 cents"""


@dataclasses.dataclass(frozen=True)
class Notebook:
    """One notebook as the rules see it."""

    path: Path

    @cached_property
    def content(self):
        return nbformat.read(self.path, as_version=4)

    @property
    def name(self):
        return self.path.stem

    @property
    def is_lesson(self):
        return bool(tool.LESSON.fullmatch(self.path.name))

    @property
    def cells(self):
        return self.content.cells

    @property
    def code(self):
        """Number, counted over all cells from 1, and cell of each code cell."""
        return tool.code_cells(self.content)

    @property
    def prose(self):
        """Number and cell of each Markdown cell."""
        return [(n, cell) for n, cell in enumerate(self.cells, 1) if cell.cell_type == "markdown"]

    @cached_property
    def headings(self):
        """Number of the cell, level and text of each heading, code blocks left out."""
        return [
            (n, len(marks), text.strip())
            for n, cell in self.prose
            for marks, text in re.findall(r"(?m)^(#{1,6})\s+(.+?)\s*#*$", without_code(cell.source))
        ]


def tracked_notebooks():
    """Every notebook that git tracks and that is there, in reading order."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "notebooks"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    paths = sorted(ROOT / name for name in listed.stdout.split("\0") if name.endswith(".ipynb"))
    return [Notebook(path) for path in paths if path.exists() and path.parent == NOTEBOOKS]


def course():
    """The notebooks that the rules bind."""
    return [each for each in tracked_notebooks() if each.is_lesson or each.name in (INDEX, WORKBENCH)]


def without_code(source):
    """Markdown without fenced and inline code."""
    return re.sub(r"`[^`\n]*`", "", re.sub(r"(?ms)^(```|~~~).*?^\1", "", source))


def tags(cell):
    return set(cell.metadata.get("tags", []))


def texts(output):
    """What a person reads of one output, markup and embedded files taken out."""
    if output.output_type in ("stream", "error"):
        return [output.text if output.output_type == "stream" else output.evalue]
    data = output.get("data", {})
    page = html.unescape(re.sub(r"<[^>]+>", " ", tool.EMBEDDED.sub("", data.get("text/html", ""))))
    return [data[kind] for kind in ("text/plain", "text/markdown", "text/latex") if kind in data] + [page]


def order_violations(notebook):
    """One title on top; in a lesson something to do first, a guess before its answer, and exercises."""
    levels = [level for _, level, _ in notebook.headings]
    found = [] if levels.count(1) == 1 and levels[0] == 1 else ["the first heading must be the only title"]
    if not notebook.is_lesson:
        return found
    second = [(n, text.rstrip("?!.")) for n, level, text in notebook.headings if level == 2]
    names = [text for _, text in second]
    if names[-len(END) :] != END:
        return [*found, f"the last second-level headings must be {END}, found {names[-len(END) :]}"]
    found += [f"the heading {text!r} would stand over any lesson" for text in names if text.lower() in FORM]
    at = {text: n for n, text in second}
    moved = [n for n, cell in notebook.code if is_moved(cell)]
    derived = [n for n, cell in notebook.code if re.search(r"\bimport sympy\b", cell.source)]
    if not moved or (derived and moved[0] > derived[0]):
        found.append("there is nothing to do before the first derivation")
    guesses = {
        name: n for n, cell in notebook.code for name in re.findall(r"(?m)^(\w+) = None\b", cell.source)
    }
    answered = [
        (n, name)
        for n, cell in notebook.code
        for name in re.findall(r"\.(?:check|ask|meet)\(([^)]*)\)", cell.source)
        if n < at["Check yourself"]
    ]
    if not any(guesses.get(part.strip(), n) < n for n, names in answered for part in names.split(",")):
        found.append("nothing answers a guess")
    if not any(
        ".check(" in cell.source for n, cell in notebook.code if at["Check yourself"] < n < at["Sources"]
    ):
        found.append("there is no exercise")
    if not any("<audio" in str(cell.outputs) for _, cell in notebook.code):
        found.append("there is nothing to hear")
    return found


def is_moved(cell):
    """Whether a cell shows something to move: a panel or a playable tape."""
    return PANEL_SAYS in str(cell.outputs) or "tc.playable(" in cell.source or ".Workbench(" in cell.source


def printed(output):
    """What a cell prints or writes as text; the words below a picture, in italics, stand for the picture."""
    said = output.get("text", "") or output.get("data", {}).get("text/markdown", "")
    return "" if said.startswith("*") else said


def minutes(notebook):
    """How long a lesson takes: reading it and its output, moving, hearing, and working out its tasks."""
    words = 0
    for _, cell in notebook.prose:
        before = cell.source.partition("## Sources")[0]
        words += len(re.sub(r"(?s)<details>.*?</details>|<!--.*?-->", "", before).split())
    cells = [cell for _, cell in notebook.code]
    words += sum(len(printed(output).split()) for cell in cells for output in cell.outputs)
    moved = sum(map(is_moved, cells))
    heard = sum(str(cell.outputs).count("<audio") for cell in cells)
    worked = sum(len(re.findall(r"\.(?:check|ask)\(", cell.source)) for cell in cells)
    written = sum("yours" in tags(cell) for cell in cells)
    return (
        words / WORDS_A_MINUTE + TO_MOVE * moved + TO_HEAR * heard + TO_WORK_OUT * worked + TO_WRITE * written
    )


def time_violations(notebook):
    """The time that a lesson states is what its words and tasks take, to five minutes or a tenth."""
    if not notebook.is_lesson or not (said := tool.LESSON_SAYS.match(notebook.cells[0].source)):
        return []
    takes = minutes(notebook)
    if abs(int(said["minutes"]) - takes) <= max(NEAR_ENOUGH, takes / 10):
        return []
    return [f"says {said['minutes']} minutes and takes {takes:.0f}"]


def place_violations(notebook, root=ROOT):
    """A lesson has its module and its test, and every notebook that is linked is there."""
    found = []
    if notebook.is_lesson:
        topic = notebook.name.partition("_")[2]
        places = (f"tapecalc/course/{topic}.py", f"tests/panels/test_{topic}.py")
        found += [f"there is no {place}" for place in places if not (root / place).is_file()]
    for n, cell in notebook.prose:
        for target in re.findall(r"\]\(([^)#:\s]+)[^)]*\)", without_code(cell.source)):
            if not (notebook.path.parent / unquote(target)).exists():
                found.append(f"cell {n} links to {target}, which is not there")
    return found


def stored_violations(notebook):
    """What the tool would refuse, and what somebody stored without it."""
    found = tool.too_long(notebook.content) + tool.complaints(notebook.content)
    counts = [cell.execution_count for _, cell in notebook.code]
    if counts != list(range(1, len(counts) + 1)):
        found.append(f"execution counts must be 1 to {len(counts)}, found {counts}")
    if notebook.content.metadata != tool.METADATA:
        found.append("the metadata is not the tool's")
    text = notebook.path.read_text(encoding="utf-8")
    if any(kind in text for kind in tool.WIDGETS):
        found.append("an output holds a live widget")
    if len(text) > tool.LARGEST_FILE:
        found.append(f"has {len(text) / 1000:.0f} kB, allowed are {tool.LARGEST_FILE / 1000:.0f}")
    return found


def description_violations(notebook):
    """Each picture has a visible sentence that says what there is to see, and says it itself as well."""
    found = []
    for n, cell in notebook.prose:
        for alt in re.findall(r"!\[([^\]]*)\]\(", without_code(cell.source)):
            if not describes(alt):
                found.append(f"cell {n}: a picture says only {alt!r}")
    for n, cell in notebook.code:
        pictures = [output for output in cell.outputs if "image/png" in output.get("data", {})]
        around = [one.source for one in notebook.cells[n : n + 1] if one.cell_type == "markdown"]
        around += [text for output in cell.outputs if output not in pictures for text in texts(output)]
        sentences = re.split(r"(?<=[.!?])\s+(?=[A-Z])|\n\n", "\n\n".join(around))
        if pictures and not any(map(describes, sentences)):
            found.append(f"cell {n}: no visible sentence says what the picture shows")
        alts = [output.get("metadata", {}).get("image/png", {}).get("alt") for output in pictures]
        page = "".join(output.get("data", {}).get("text/html", "") for output in cell.outputs)
        for tag in re.findall(r"<img\b[^>]*>", page):
            said = re.search(r"\balt=([\"'])(.*?)\1", tag)
            alts.append(html.unescape(said[2]) if said else "")
        bad = [alt for alt in alts if alt is not None and not describes(alt)]
        found += [f"cell {n}: a picture says only {alt!r}" for alt in bad]
    return found


def describes(text):
    """Whether a text is a sentence that can stand for a picture, and not a file name."""
    text = text.strip().strip("*_ ")
    return len(text) > SHORTEST_DESCRIPTION and " " in text and not re.search(r"\.(png|svg|jpe?g|gif)$", text)


def player_violations(notebook):
    """Players never start by themselves, a link stands beside, the loudest is as loud as the course."""
    found = []
    for n, cell in notebook.code:
        for output in cell.outputs:
            page = output.get("data", {}).get("text/html", "")
            sounds = []
            for tag in re.findall(r"<audio\b[^>]*>", page):
                source = re.search(r"src\s*=\s*[\"']([^\"']+)", tag)
                if "autoplay" in tag or "controls" not in tag or not source:
                    found.append(f"cell {n}: a player starts by itself, has no controls or no sound")
                    continue
                if not re.search(rf"<a\b[^>]*href\s*=\s*[\"']{re.escape(source[1][:200])}", page):
                    found.append(f"cell {n}: no plain link stands beside a player")
                sounds.append(heard(notebook, source[1]))
            if sounds:
                found += [f"cell {n}: {why}" for why in loudness_violations(sounds)]
    return found


def loudness_violations(sounds):
    """What is wrong with the loudness of sounds that stand together, each with its rate."""
    if not all(samples.any() for samples, _ in sounds):
        return ["a sound is silent"]
    peak = max(np.abs(samples).max() for samples, _ in sounds)
    if peak > LOUDEST_PEAK:
        return [f"a sound peaks at {peak:.2f} of full scale"]
    loud = max(loudness_lufs(s, rate) + (TWICE_DB if s.ndim == 1 else 0) for s, rate in sounds)
    if loud > COURSE_LUFS + LOUDNESS_NEAR or (loud < COURSE_LUFS - LOUDNESS_NEAR and peak < NEARLY_FULL):
        return [f"the loudest sound has {loud:.1f} LUFS"]
    return []


def heard(notebook, source):
    """The samples of a sound, embedded or beside the notebook, and its rate."""
    embedded = re.match(r"data:audio/[\w.+-]+;base64,(.+)", source, re.S)
    file = io.BytesIO(base64.b64decode(embedded[1])) if embedded else notebook.path.parent / unquote(source)
    return soundfile.read(file)


def quantities(text):
    """Numbers with a unit in a text, as (number, unit); formulas count."""
    text = re.sub(r"\\(?:mathrm|text|mathsf|operatorname)\{([^}]*)\}", r"\1", text)
    text = re.sub(r"\\[,;: ]|~|\u00a0|\u202f|\\mathord|\{,\}", " ", text).replace("\\%", "%").replace("$", "")
    found = re.findall(rf"(?<![\w.^])({NUMBER})\s*({UNITS})(?![\w/])", text)
    return [(_plain(number), ALIKE.get(unit, unit)) for number, unit in found]


def _plain(number):
    return re.sub(r"[-+−, ]", "", number)


def bench_deck():
    """Numbers with units in the bundled machine's file, as prose says them."""
    text = (ROOT / "tapecalc" / "examples" / "bench_deck.toml").read_text(encoding="utf-8")
    return [pair for line in text.splitlines() for pair in _named(line.partition("#")[0])]


def _named(source):
    """Numbers to which code gives a unit by a name's ending or by a conversion."""
    units = "|".join(sorted(CODE_UNITS, key=len, reverse=True))
    given = re.findall(rf"\w*?_?({units})\"?\s*[=:,]\s*([\[(]?[-\d][-\d.e+, ]*)", source)
    given += [
        (unit, values) for values, unit in re.findall(rf"to_si\(([^\"']+),\s*[\"']({units})[\"']", source)
    ]
    return [
        (_plain(number), CODE_UNITS[unit]) for unit, values in given for number in re.findall(NUMBER, values)
    ]


def number_violations(notebook, known=()):
    """Each number with a unit in prose is given, or an output shows it or a longer one that rounds to it.

    Given are the bundled machine's numbers (`known`), what code cells name, convert or say, what stands in a
    paragraph that begins with **Given** or **One such answer**, and `DEFINITIONS`.
    """
    given = [*known, *quantities(DEFINITIONS)]
    shown = []
    for _, cell in notebook.code:
        given += _named(cell.source) + quantities(cell.source)
        for text in (text for output in cell.outputs for text in texts(output)):
            shown += quantities(text)
            bare = [_plain(number) for number in re.findall(rf"(?<![\w.])({NUMBER})(?![\w.]*\d)", text)]
            for unit in set(
                re.findall(rf"(?:\(|\[|in |_)({UNITS})(?:\)|\]|\b)", text)
            ):  # of a table's column
                shown += [(number, ALIKE.get(unit, unit)) for number in bare]
    for _, cell in notebook.prose:
        for paragraph in re.split(r"\n\s*\n", cell.source):
            if re.match(r"\s*(?:[-*>] )?\**(?:Given|One such answer)\b", paragraph):
                given += quantities(paragraph)
    found = []
    for n, cell in notebook.prose:
        bare = re.sub(r"<[^>]+>|\]\([^)]*\)|https?://\S+", " ", cell.source)
        for number, unit in quantities(without_code(bare)):
            if any(unit == other and float(value) == float(number) for value, other in given):
                continue
            half = 0.5 * 10.0 ** -len(number.partition(".")[2]) * (1 + 1e-9)
            if not any(unit == other and abs(float(value) - float(number)) <= half for value, other in shown):
                found.append(f"cell {n} says {number} {unit}, which no output shows and nobody gave")
    return found
