"""The notebooks' house rules: each function looks at one notebook and lists what breaks a rule.

The lists that say what a notebook must hold stand here, in one place: the order of the headings, the
notebooks that are no lessons, the numbers that need no source. `tests/notebooks` asks every notebook
that git tracks, and made-up ones that break each rule on purpose.
"""

from __future__ import annotations

import ast
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
from project import ROOT, library

NOTEBOOKS = ROOT / "notebooks"

#: Second-level headings of a lesson, in this order; words after a colon are free.
LESSON = (
    "What you will learn",
    "Predict",
    "Derive",
    "Compute",
    "What if",
    "Listen",
    "A figure for your video",
    "Check yourself",
    "Sources",
    "Next",
)
#: Second-level headings that a lesson may have as well, wherever they help.
ALSO_ALLOWED = ("Break it",)
#: Notebooks that are no lessons: a map and the whole job on one page, with headings of their own.
OWN_ORDER = ("00_index", "workbench")

LONGEST_CELL = 12  # lines, blank ones left out
LARGEST_FILE = 1_500_000  # bytes
LOUDEST_PLAYER = 0.5  # of full scale: 6 dB below it
SHORTEST_DESCRIPTION = 40  # characters
MUST_FAIL = "raises-exception"
NOT_COMPARED = "nbval-ignore-output"

#: Units that make a number in prose one that must come from somewhere.
UNITS = r"(?:mm|cm/s|cm|m/s|km|m|µm|um|ms|µs|s|kHz|Hz|ips|dBu|dBV|dBFS|dB|%|percent|cents?|bpm|mV|V|rpm)"
NUMBER = r"[-+−]?\d+(?:[ ,]\d{3})*(?:\.\d+)?"
#: Units as they stand in names.
CODE_UNITS = {
    "mm": "mm", "cm": "cm", "um": "µm", "m": "m", "ms": "ms", "s": "s", "hz": "Hz", "khz": "kHz",
    "ips": "ips", "cm_s": "cm/s", "m_s": "m/s", "db": "dB", "dbu": "dBu", "percent": "%",
    "cents": "cents", "bpm": "bpm", "v": "V", "mv": "mV",
}  # fmt: skip
_CODE_UNITS = "|".join(sorted(CODE_UNITS, key=len, reverse=True))
#: Numbers that define a unit or name a limit of a scale: they need no source.
DEFINITIONS = {
    "0 dB", "1 dB", "0 Hz", "1 Hz", "1 kHz", "1 s", "1 ms", "1000 ms", "1 mm", "1 m", "1000 mm", "1 cm",
    "0 %", "1 %", "100 %", "50 %", "0 cents", "1 cent", "100 cents", "1200 cents", "0 s", "0 ms", "25.4 mm",
    "2.54 cm", "60 s", "50 Hz", "60 Hz", "3 dB", "-3 dB", "6 dB", "-6 dB", "20 Hz", "20 kHz",
}  # fmt: skip


@dataclasses.dataclass(frozen=True)
class Notebook:
    """One notebook as the rules see it."""

    path: Path

    @cached_property
    def content(self):
        """The notebook as nbformat reads it."""
        return nbformat.read(self.path, as_version=4)

    @property
    def name(self):
        """The file's name without its ending."""
        return self.path.stem

    @property
    def is_lesson(self):
        """Whether it is one of the numbered lessons."""
        return self.name not in OWN_ORDER

    @property
    def cells(self):
        """All cells."""
        return self.content.cells

    @property
    def code(self):
        """Number, counted over all cells from 1, and cell of each code cell."""
        return [(n, cell) for n, cell in enumerate(self.cells, 1) if cell.cell_type == "code"]

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

    @property
    def title(self):
        """The text of the first-level heading."""
        return next((text for _, level, text in self.headings if level == 1), "")

    def tree(self, cell):
        """The syntax tree of a code cell; of an empty one where it is no Python on purpose."""
        try:
            return ast.parse(cell.source)
        except SyntaxError:
            return ast.parse("")


def tracked_files():
    """Every file that git tracks, as absolute paths."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    return {ROOT / name for name in listed.stdout.split("\0") if name}


def tracked_notebooks():
    """Every notebook that git tracks and that is there, in reading order."""
    paths = sorted(path for path in tracked_files() if path.parent == NOTEBOOKS and path.suffix == ".ipynb")
    return [Notebook(path) for path in paths if path.exists()]


def bench_deck():
    """Numbers with units in the bundled machine's file, as prose says them."""
    text = (ROOT / "tapecalc" / "examples" / "bench_deck.toml").read_text(encoding="utf-8")
    found = set()
    for name, values in re.findall(rf"(?m)^\w*?_?({_CODE_UNITS})\s*=\s*(.+)$", text):
        found |= {f"{value} {CODE_UNITS[name]}" for value in re.findall(NUMBER, values.partition("#")[0])}
    return found | {value.removeprefix("-") for value in found}


def without_code(source):
    """Markdown without fenced and inline code."""
    return re.sub(r"`[^`\n]*`", "", re.sub(r"(?ms)^(```|~~~).*?^\1", "", source))


def tags(cell):
    """The tags of a cell."""
    return set(cell.metadata.get("tags", []))


def texts(output):
    """What a person reads of one output, markup and embedded files taken out."""
    if output.output_type == "stream":
        return [output.text]
    if output.output_type == "error":
        return [output.evalue]
    found = []
    for kind, text in output.get("data", {}).items():
        if kind in ("text/plain", "text/markdown", "text/latex"):
            found.append(text)
        elif kind == "text/html":
            bare = re.sub(r"data:[a-z]+/[a-z0-9+.-]+;base64,[A-Za-z0-9+/=]+", "", text)
            found.append(html.unescape(re.sub(r"<[^>]+>", " ", bare)))
    return found


# ---------------------------------------------------------------- habit 1 and 5: the order of things


def _plain(heading):
    return heading.partition(":")[0].strip().rstrip("?!.")


def heading_violations(notebook):
    """One title on top, no level skipped, the agreed headings in the agreed order and no others."""
    found = []
    levels = [level for _, level, _ in notebook.headings]
    if levels.count(1) != 1 or levels[:1] != [1] or notebook.headings[0][0] != 1:
        found.append("the first cell must hold the one first-level heading")
    jumps = [b for a, b in zip(levels, levels[1:], strict=False) if b > a + 1]
    if jumps:
        found.append("a heading skips a level")
    if not notebook.is_lesson:
        return found
    second = [_plain(text) for _, level, text in notebook.headings if level == 2]
    kept = [text for text in second if text not in ALSO_ALLOWED]
    if kept != list(LESSON):
        found.append(f"second-level headings must be {list(LESSON)}, found {kept}")
    return found


def predict_violations(notebook):
    """A guess is asked for before the first panel that answers it."""
    if not notebook.is_lesson:
        return []
    asked = [n for n, _, text in notebook.headings if _plain(text) == "Predict"]
    if not asked:
        return ["no heading asks to predict"]
    panels = [n for n, cell in notebook.code if shows_panel(cell)]
    if not panels:
        return ["no panel is shown"]
    return [f"the panel of cell {panels[0]} comes before Predict"] if panels[0] < asked[0] else []


def shows_panel(cell):
    """Whether a code cell shows a what-if panel: its stored output says how to move it."""
    return any("Run the notebook to move the controls" in text for o in cell.outputs for text in texts(o))


# ---------------------------------------------------------------- habits 2, 3 and 4: break it, two roads


def break_it_violations(notebook):
    """A lesson breaks something on purpose; what must fail is tagged, and its error is stored."""
    found = []
    for n, cell in notebook.code:
        failed = any(output.output_type == "error" for output in cell.outputs)
        if failed and MUST_FAIL not in tags(cell):
            found.append(f"cell {n} stores an error and is not tagged {MUST_FAIL}")
        if MUST_FAIL in tags(cell) and not failed:
            found.append(f"cell {n} is tagged {MUST_FAIL} and stores no error")
    headed = any(_plain(text) == "Break it" for _, _, text in notebook.headings)
    if notebook.is_lesson and not headed and not any(MUST_FAIL in tags(cell) for _, cell in notebook.code):
        found.append(f"nothing breaks on purpose: no cell is tagged {MUST_FAIL}, no heading says Break it")
    return found


TOLERANCE = r"isclose|allclose|approx|assert_allclose|\babs\(|np\.max\(|np\.abs\(|tolerance|rtol|atol|rel_tol"


def two_roads_violations(notebook):
    """Two roads to one answer: at least one cell asserts agreement within a tolerance."""
    if not notebook.is_lesson:
        return []
    for _, cell in notebook.code:
        if "assert_allclose(" in cell.source:
            return []
        for node in ast.walk(notebook.tree(cell)):
            if isinstance(node, ast.Assert) and re.search(TOLERANCE, ast.unparse(node.test)):
                return []
    return ["no cell asserts that two roads agree within a tolerance"]


def one_expression_violations(notebook):
    """Theory and picture from one expression: ``simplify(a - b) == 0`` is asserted somewhere."""
    if not notebook.is_lesson:
        return []
    for _, cell in notebook.code:
        for node in ast.walk(notebook.tree(cell)):
            if isinstance(node, ast.Assert) and re.search(r"simplify\(.+\) == 0", ast.unparse(node.test)):
                return []
    return ["no cell asserts simplify(a - b) == 0"]


# ---------------------------------------------------------------- habit 6: thin cells


def thin_cell_violations(notebook):
    """A code cell is short and defines nothing that the library has."""
    public = {name for module in library() for name in module.module.__all__}
    found = []
    for n, cell in notebook.code:
        lines = [line for line in cell.source.splitlines() if line.strip()]
        if len(lines) > LONGEST_CELL:
            found.append(f"cell {n} has {len(lines)} lines, allowed are {LONGEST_CELL}")
        found += [
            f"cell {n} defines {name}, which the library has"
            for name in defined(notebook, cell)
            if name in public
        ]
    return found


def defined(notebook, cell):
    """Names of functions and classes that a cell defines."""
    kinds = (ast.FunctionDef, ast.ClassDef)
    return [node.name for node in ast.walk(notebook.tree(cell)) if isinstance(node, kinds)]


def shared_definition_violations(notebooks):
    """No function is defined in two notebooks."""
    homes = {}
    for notebook in notebooks:
        for _, cell in notebook.code:
            for name in defined(notebook, cell):
                homes.setdefault(name, set()).add(notebook.name)
    return [f"{name} is defined in {sorted(where)}" for name, where in homes.items() if len(where) > 1]


# ---------------------------------------------------------------- habit 7: a map and links


def links(source):
    """Targets of links and pictures in Markdown, outside code."""
    text = without_code(source)
    found = re.findall(r"\]\(\s*<?([^)\s>]+)>?(?:\s+[\"'][^)]*[\"'])?\s*\)", text)
    return found + re.findall(r"(?:href|src)\s*=\s*[\"']([^\"']+)[\"']", text)


def anchors(path):
    """Names that a link may point at inside a file, as Jupyter and as code hosts make them."""
    if path.suffix == ".ipynb":
        headings = [text for _, _, text in Notebook(path).headings]
    else:
        headings = re.findall(r"(?m)^#{1,6}\s+(.+)$", without_code(path.read_text(encoding="utf-8")))
    names = {text.replace(" ", "-") for text in headings}
    return names | {re.sub(r"[^\w\- ]", "", text).strip().lower().replace(" ", "-") for text in headings}


def link_violations(notebook, tracked):
    """Relative links lead to tracked files, anchors to headings; nothing is absolute."""
    found = []
    for n, cell in notebook.prose:
        for target in links(cell.source):
            if re.match(r"(https?|mailto):|data:", target):
                continue
            place, _, anchor = unquote(target).partition("#")
            path = (notebook.path.parent / place).resolve() if place else notebook.path
            if place.startswith("/"):
                found.append(f"cell {n} links to the absolute path {target}")
            elif path not in tracked and not (path.is_dir() and any(path in p.parents for p in tracked)):
                found.append(f"cell {n} links to {target}, which git does not track")
            elif anchor and path.suffix in (".ipynb", ".md") and anchor not in anchors(path):
                found.append(f"cell {n} links to {target}, and there is no such heading")
    return found


def navigation_violations(notebook, lessons):
    """Previous and next stand at top and foot of each lesson, and the map is linked."""
    if not notebook.is_lesson:
        return []
    place = lessons.index(notebook.name)
    neighbors = [lessons[place - 1]] if place else []
    neighbors += lessons[place + 1 : place + 2]
    prose = [links(cell.source) for _, cell in notebook.prose]
    found = []
    for where, targets in (("top", sum(prose[:2], [])), ("foot", sum(prose[-2:], []))):
        for name in (*neighbors, "00_index"):
            if not any(target.partition("#")[0] == f"{name}.ipynb" for target in targets):
                found.append(f"no link to {name}.ipynb at the {where}")
    return found


def title_violations(notebooks):
    """Titles are unique, and numbers of files are the reading order, from 1 without a gap."""
    titles = [notebook.title for notebook in notebooks]
    found = [f"the title {title!r} stands twice" for title in set(titles) if titles.count(title) > 1]
    numbers = [n.name.partition("_")[0] for n in notebooks if n.is_lesson]
    expected = [f"{number:02d}" for number in range(1, len(numbers) + 1)]
    if numbers != expected:
        found.append(f"lessons must be numbered {expected}, found {numbers}")
    return found


# ---------------------------------------------------------------- habit 16: numbers in prose


def quantities(text):
    """Numbers with a unit in a text, as (number as written, unit)."""
    text = re.sub(r"\\(?:mathrm|text|mathsf|operatorname)\{([^}]*)\}", r"\1", text)
    text = (
        re.sub(r"\\[,;: ]|~|&nbsp;|\u00a0|\u202f|\\mathord|\{,\}", " ", text)
        .replace("\\%", "%")
        .replace("$", "")
    )
    return [
        (number.replace("−", "-").replace(",", "").replace(" ", ""), unit.strip())
        for number, unit in re.findall(rf"(?<![\w.^])({NUMBER})\s*({UNITS})(?![\w/])", text)
    ]


def given_violations(notebook, known=()):
    """Each number with a unit in prose is in a stored output, in a code cell, or given in so many words.

    Where a number may come from: an output that shows it, or a longer one that rounds to it, with the
    same unit; a code cell, as ``spacing_mm = 41.5``, ``to_si(41.5, "mm")`` or in a string; a paragraph that
    begins with **Given**; the bundled machine's file (`known`); the short list `DEFINITIONS`.
    """
    shown = [text for _, cell in notebook.code for output in cell.outputs for text in texts(output)]
    have = {*DEFINITIONS, *known}
    free = [f"{number} {unit}" for number, unit in in_code(notebook)]
    for _, cell in notebook.prose:
        for paragraph in re.split(r"\n\s*\n", cell.source):
            if re.match(r"\s*(?:[-*>] )?\**Given\b", paragraph):
                free += [f"{number} {unit}" for number, unit in quantities(paragraph)]
    sources = [quantity for text in shown for quantity in _with_table_units(text)]
    found = []
    for n, cell in notebook.prose:
        for number, unit in quantities(without_code(_without_addresses(cell.source))):
            told = f"{number} {unit}"
            bare = number.lstrip("+-")
            if told in have or f"{bare} {unit}" in have or _among(bare, unit, free):
                continue
            if not any(_rounds_to(value, number) and _same(unit, other) for value, other in sources):
                found.append(f"cell {n} says {told}, which no output shows and nobody gave")
    return found


def _among(bare, unit, entries):
    parts = (entry.split(" ") for entry in entries)
    return any(_same(unit, other) and float(value) == float(bare) for value, other in parts)


def _same(unit, other):
    alike = {"percent": "%", "cent": "cents", "um": "µm"}
    return alike.get(unit, unit) == alike.get(other, other)


def _rounds_to(value, written):
    """Whether a number that was shown is the written one, or rounds to it at its digits; signs aside."""
    wanted, shown = abs(float(written)), abs(float(value))
    digits = len(written.partition(".")[2])
    half = 0.5 * 10.0**-digits
    return abs(shown - wanted) <= half * (1 + 1e-9)


def _with_table_units(text):
    """Numbers with units of one output; where a heading names units, all numbers may have them."""
    found = quantities(text)
    named = set(re.findall(rf"(?:\(|\[|in |_)({UNITS})(?:\)|\]|\b)", text))
    if named:
        bare = re.findall(rf"(?<![\w.])({NUMBER})(?![\w.]*\d)", text)
        found += [
            (n.replace("−", "-").replace(",", "").replace(" ", ""), unit) for n in bare for unit in named
        ]
    return found


def _without_addresses(source):
    """Markdown without web addresses and HTML tags, in which digits mean nothing."""
    return re.sub(r"<[^>]+>|\]\([^)]*\)|https?://\S+", " ", source)


def in_code(notebook):
    """Numbers that code cells give with a unit: by name, in a conversion, in a string or comment."""
    number = r"([-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?)"
    units = _CODE_UNITS
    found = []
    for _, cell in notebook.code:
        for name, value in re.findall(rf"\w*?_?({units})\s*=\s*[\[(]?{number}", cell.source):
            found.append((value, CODE_UNITS[name]))
        for values, name in re.findall(
            rf"to_si\([\[(]?([-\d., ]+)[\])]?,\s*[\"']({units})[\"']", cell.source
        ):
            found += [(value.strip(), CODE_UNITS[name]) for value in values.split(",") if value.strip()]
        found += quantities(cell.source)
    return found


# ---------------------------------------------------------------- habit 17: commit what ran


def stored_violations(notebook):
    """Executed in order by kernel python3; no live widgets, no absolute path, no warning, not too large."""
    found = []
    counts = [cell.execution_count for _, cell in notebook.code]
    if counts != list(range(1, len(counts) + 1)):
        found.append(f"execution counts must be 1 to {len(counts)}, found {counts}")
    if notebook.content.metadata.get("kernelspec", {}).get("name") != "python3":
        found.append("the kernel is not python3")
    if "widgets" in notebook.content.metadata:
        found.append("the metadata holds the state of widgets")
    text = notebook.path.read_text(encoding="utf-8")
    if "vnd.jupyter.widget-view" in text or "vnd.jupyter.widget-state" in text:
        found.append("an output holds a live widget")
    bare = re.sub(r"[A-Za-z0-9+/=\\n]{200,}", "", text)
    path = re.search(r"(?<![\w.:/<$])/(?:home|root|work|Users|tmp|opt|usr/lib|usr/local)/[\w./-]+", bare)
    if path:
        found.append(f"holds the absolute path {path[0]}")
    address = re.search(r"\bat 0x[0-9a-f]{6,}", bare)
    if address:
        found.append(f"shows the address {address[0]}")
    size = notebook.path.stat().st_size
    if size > LARGEST_FILE:
        found.append(f"has {size / 1000:.0f} kB, allowed are {LARGEST_FILE / 1000:.0f}")
    for n, cell in notebook.code:
        if any(output.output_type == "stream" and output.name == "stderr" for output in cell.outputs):
            found.append(f"cell {n} writes to stderr")
    return found


def compared_violations(notebook):
    """A cell whose output is compared has a count and, where its last line shows something, an output."""
    found = []
    for n, cell in notebook.code:
        if NOT_COMPARED in tags(cell):
            continue
        if cell.execution_count is None:
            found.append(f"cell {n} was never run, so it is never compared")
        body = notebook.tree(cell).body
        shows = bool(body) and isinstance(body[-1], ast.Expr) and not cell.source.rstrip().endswith(";")
        if shows and not cell.outputs:
            found.append(
                f"cell {n} ends with a value that is not stored; end the line with ';' if it is None"
            )
    return found


# ---------------------------------------------------------------- habit 19: files that a notebook opens


OPENED = r"\.(?:toml|wav|flac|mp3|csv|json|svg|png|txt|npz?)$"


def opened_violations(notebook, tracked):
    """Every file that a cell names by a relative path is tracked, or written by the notebook itself."""
    found = []
    for n, cell in notebook.code:
        for node in ast.walk(notebook.tree(cell)):
            if (
                isinstance(node, ast.Constant)
                and isinstance(node.value, str)
                and re.search(OPENED, node.value)
            ):
                name = node.value
                if re.match(r"https?:|/", name) or re.search(r"\s{2,}|\n", name):
                    found.append(f"cell {n} needs {name!r}, which is not beside the notebook")
                elif not (_written(name, notebook) or _tracked(name, notebook, tracked)):
                    found.append(f"cell {n} names {name!r}, which git does not track and no cell writes")
    return found


def _written(name, notebook):
    """Whether a cell writes such a file: it saves, or the name is in a folder that git ignores."""
    saving = rf"(?:save|write|export)\w*\([^)]*{re.escape(name)}|{re.escape(name)}[\"']\)?\.write"
    return name.split("/")[0] == "out" or any(
        re.search(saving, cell.source, re.S) for _, cell in notebook.code
    )


def _tracked(name, notebook, tracked):
    places = (notebook.path.parent, ROOT / "tapecalc" / "examples")
    return any((place / name).resolve() in tracked for place in places)


# ---------------------------------------------------------------- habit 20: figures, sounds, formulas


def description_violations(notebook):
    """Each picture, stored or linked, has a visible sentence that says what there is to see."""
    found = []
    for position, cell in enumerate(notebook.cells):
        n = position + 1
        if cell.cell_type == "markdown":
            text = without_code(cell.source)
            alts = re.findall(r"!\[([^\]]*)\]\(", text) + [
                _alt(tag) for tag in re.findall(r"<img\b[^>]*>", text)
            ]
            found += [f"cell {n}: a picture says only {alt!r}" for alt in alts if not describes(alt)]
        if cell.cell_type != "code":
            continue
        pictures = [o for o in cell.outputs if {"image/png", "image/svg+xml"} & set(o.get("data", {}))]
        if not pictures:
            continue
        following = notebook.cells[position + 1 : position + 2]
        words = [c.source for c in following if c.cell_type == "markdown"]
        words += [text for o in cell.outputs if o not in pictures for text in texts(o)]
        sentences = sum(
            describes(s) for text in words for s in re.split(r"(?<=[.!?])\s+(?=[A-Z])|\n\n", text)
        )
        if sentences < 1:
            found.append(f"cell {n}: no visible sentence says what the picture shows")
        for output in pictures:
            alt = output.get("metadata", {}).get("image/png", {}).get("alt")
            if alt is not None and not describes(alt):
                found.append(f"cell {n}: the picture's own description is only {alt!r}")
    for n, cell in notebook.code:
        for output in cell.outputs:
            for tag in re.findall(r"<img\b[^>]*>", output.get("data", {}).get("text/html", "")):
                if not describes(_alt(tag)):
                    found.append(f"cell {n}: a picture says only {_alt(tag)!r}")
    return found


def _alt(tag):
    found = re.search(r"\balt\s*=\s*([\"'])(.*?)\1", tag)
    return html.unescape(found[2]) if found else ""


def describes(text):
    """Whether a text is a sentence that can stand for a picture, and not a file name."""
    text = text.strip().strip("*_ ")
    return len(text) > SHORTEST_DESCRIPTION and " " in text and not re.search(r"\.(png|svg|jpe?g|gif)$", text)


def player_violations(notebook, loudness):
    """Players keep levels, start low and never by themselves; a link, a picture and words stand beside."""
    found = []
    for n, cell in notebook.code:
        if re.search(r"\bAudio\(", cell.source) and "normalize=False" not in cell.source:
            found.append(f"cell {n} makes a player that turns every sound up to full level")
        pages = [output.get("data", {}).get("text/html", "") for output in cell.outputs]
        pictures = any("image/png" in output.get("data", {}) for output in cell.outputs)
        for page in pages:
            for tag in re.findall(r"<audio\b[^>]*>", page):
                source = re.search(r"src\s*=\s*[\"']([^\"']+)", tag) or re.search(
                    r"<source[^>]+src=[\"']([^\"']+)", page
                )
                if "autoplay" in tag:
                    found.append(f"cell {n}: a player starts by itself")
                if "controls" not in tag:
                    found.append(f"cell {n}: a player has no controls")
                if not source:
                    found.append(f"cell {n}: a player has no sound")
                    continue
                if not re.search(rf"<a\b[^>]*href\s*=\s*[\"']{re.escape(source[1][:200])}", page):
                    found.append(f"cell {n}: no plain link stands beside a player")
                if not pictures and "<img" not in page and "<svg" not in page:
                    found.append(f"cell {n}: no picture stands beside a player")
                peak = loudness(notebook, source[1])
                if not 0 < peak <= LOUDEST_PLAYER:
                    found.append(
                        f"cell {n}: a sound peaks at {peak:.2f} of full scale, allowed is {LOUDEST_PLAYER}"
                    )
    if notebook.is_lesson and not any("<audio" in str(cell.outputs) for _, cell in notebook.code):
        found.append("there is nothing to hear")
    return found


def peak(notebook, source):
    """The largest sample of a sound, embedded or beside the notebook, of full scale."""
    import numpy as np
    import soundfile

    embedded = re.match(r"data:audio/[\w.+-]+;base64,(.+)", source, re.S)
    file = io.BytesIO(base64.b64decode(embedded[1])) if embedded else notebook.path.parent / unquote(source)
    samples, _ = soundfile.read(file)
    return float(np.max(np.abs(samples), initial=0.0))


def formula_violations(notebook):
    """Formulas stand in $...$ or $$...$$; no bare environments, no other marks."""
    found = []
    for n, cell in notebook.prose:
        text = without_code(cell.source)
        if text.count("$$") % 2:
            found.append(f"cell {n}: $$ is not closed")
        outside = re.sub(r"(?s)\$\$.*?\$\$", "", text)
        outside = re.sub(r"\$[^$\n]+\$", "", outside)
        for mark in re.findall(
            r"\\begin\{\w+\*?\}|\\\[|\\\(|\\(?:frac|sqrt|cdot|pi|lambda|tau|times)\b", outside
        ):
            found.append(f"cell {n}: {mark} stands outside $ or $$")
        if re.search(r"\\begin\{eqnarray", text):
            found.append(f"cell {n}: eqnarray; use aligned")
        if re.search(r"(?<![\\$\d])\$(?!\$)[^$\n]*$", outside, re.M):
            found.append(f"cell {n}: a single $ is not closed")
    return found
