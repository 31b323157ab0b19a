"""Build, run and clean notebooks, so that a committed one is what ran.

    python tools/notebook.py build source.py notebooks/NN_name.ipynb
    python tools/notebook.py run notebooks/NN_name.ipynb ...
    python tools/notebook.py text notebooks/NN_name.ipynb > source.py

Notebooks are written as text in percent format (``# %%``, ``# %% [markdown]``,
``# %% tags=["raises-exception"]``); only the ``.ipynb`` is committed. `run`
executes from a fresh kernel, in the notebook's folder, and stores clean outputs:
no widget state, no absolute path, counts from 1, the same bytes each time. It
writes nothing and says why when a cell fails, warns or prints an address, when a
cell that must fail does not, and when a cell or the file grows too long. The code of
a cell is folded, unless the reader fills something in or its tag says ``shown``.

Both then write the ways from lesson to lesson and the table of the index anew (as
`python tools/notebook.py nav` alone does), from what each numbered notebook's first
cell says: its title, ``*Lesson, 40 minutes*``, and for the table a comment::

    <!-- in the index: which delays a machine gives
    ![Chart of delay over head spacing](../figures/delay_map.png) -->
"""

import argparse
import copy
import hashlib
import os
import re
import sys
import tempfile
import time
from pathlib import Path

import jupytext
import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError
from notebook_file import UNFOLDED, read_notebook, reason

from tapecalc.files import write_file

ROOT = Path(__file__).resolve().parents[1]
CELL_SECONDS = 120
START_SECONDS = 120
LONGEST_CELL = 12  # lines
LONGEST_LINE = 96  # characters; a longer one is cut off beside the side bar
LARGEST_FILE = 1_500_000  # bytes
MUST_FAIL = "raises-exception"
ASKS = re.compile(r"(?m)^\w+ = None\b")
METADATA = {
    "kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}
WIDGETS = ("application/vnd.jupyter.widget-view+json", "application/vnd.jupyter.widget-state+json")
ANSI = re.compile(r"\x1b\[[0-9;]*m")
EMBEDDED = re.compile(r"data:[a-z]+/[a-z0-9+.-]+;base64,[A-Za-z0-9+/=]+")
#: The numbered lessons, what their first cell says, and what is written anew in them and in the index.
NOTEBOOKS, INDEX = ROOT / "notebooks", "00_index.ipynb"
LESSON = re.compile(r"(?!00)\d\d_\w+\.ipynb")
LESSON_SAYS = re.compile(r"# (?P<title>.+)\n\n(?P<line>\*Lesson\b[^*]*?(?P<minutes>\d+) minutes[^*]*\*)")
IN_INDEX = re.compile(r"<!-- in the index: (?P<finds>.*?)\n(?P<picture>!\[.*?\]\(\S+\)) -->", re.S)
FOOT = re.compile(r"\n\n\*(?:previous|\[map\])[^*]*\*\Z")
ROWS = re.compile(r"(?m)^(\|[-: |]+\|)$(?:\n\|.*)*")
ADDRESS = re.compile(r"\bat 0x[0-9a-f]{6,}")


class Refused(Exception):
    """A notebook that is not fit to be stored, with the reasons."""


def code_cells(notebook):
    """Number and cell of each code cell, counted over all cells from 1."""
    return [(n, cell) for n, cell in enumerate(notebook.cells, 1) if cell.cell_type == "code"]


def read_text(path):
    """Read percent-format text as a notebook without outputs."""
    return tidy(jupytext.reads(Path(path).read_text(encoding="utf-8"), fmt="py:percent"))


def to_text(notebook):
    """Write the sources and tags of a notebook as percent-format text."""
    bare = copy.deepcopy(notebook)
    for cell in bare.cells:
        cell.metadata.pop("jupyter", None)
    bare.metadata = nbformat.from_dict({"jupytext": {"notebook_metadata_filter": "-all"}})
    return jupytext.writes(bare, fmt="py:percent")


def tidy(notebook):
    """Give a notebook plain metadata, ids that hang on the text alone, and no empty cells."""
    notebook.cells = [cell for cell in notebook.cells if cell.source.strip()]
    notebook.metadata = nbformat.from_dict(METADATA)
    notebook.nbformat, notebook.nbformat_minor = 4, 5
    seen = {}
    for cell in notebook.cells:
        digest = hashlib.sha256(f"{cell.cell_type}\n{cell.source}".encode()).hexdigest()[:10]
        seen[digest] = seen.get(digest, 0) + 1
        cell.id = digest if seen[digest] == 1 else f"{digest}-{seen[digest]}"
        tags = cell.metadata.get("tags", [])
        kept = {"tags": list(tags)} if tags else {}
        if cell.cell_type == "code" and not _for_the_reader(cell.source, tags):
            kept["jupyter"] = {"source_hidden": True}
        cell.metadata = nbformat.from_dict(kept)
    return notebook


def _for_the_reader(source, tags):
    """Whether a cell is one to write in, or tagged as one to read; of any other the code is folded."""
    return bool(UNFOLDED & set(tags)) or bool(ASKS.search(source))


def too_long(notebook):
    """Complaints about code cells that hold more than one idea or run out of the page."""
    found = []
    for n, cell in code_cells(notebook):
        lines = cell.source.splitlines()
        if len(lines) > LONGEST_CELL:
            found.append(f"cell {n} has {len(lines)} lines, allowed are {LONGEST_CELL}")
        if (longest := max(map(len, lines))) > LONGEST_LINE:
            found.append(f"cell {n} has a line of {longest} characters, allowed are {LONGEST_LINE}")
    return found


def execute(notebook, folder):
    """Run every cell in a fresh kernel that no settings of the user reach."""
    with tempfile.TemporaryDirectory() as settings:
        client = NotebookClient(
            notebook, kernel_name="python3", timeout=CELL_SECONDS, startup_timeout=START_SECONDS,
            resources={"metadata": {"path": str(folder)}}, record_timing=False, store_widget_state=False,
            extra_arguments=["--log-level=ERROR"],
        )  # fmt: skip
        try:
            client.execute(env={**os.environ, "IPYTHONDIR": settings})
        except CellExecutionError as error:
            raise Refused([ANSI.sub("", str(error))]) from None
        except CellTimeoutError:
            raise Refused([f"a cell took more than {CELL_SECONDS} s"]) from None
    return notebook


def clean(notebook):
    """Make outputs the same after each run: counts, streams, tracebacks, no live widgets."""
    for count, (_, cell) in enumerate(code_cells(notebook), 1):
        cell.execution_count = count
        cell.outputs = [_clean_output(output, count) for output in _merged(cell.outputs)]
    return notebook


def _merged(outputs):
    """Join what one stream wrote in several goes."""
    merged = []
    for output in outputs:
        last = merged[-1] if merged else None
        if last and output.output_type == "stream" == last.output_type and output.name == last.name:
            last.text += output.text
        else:
            merged.append(output)
    return merged


def _clean_output(output, count):
    """Take out what is only alive in a kernel, and the inside of the library from an error."""
    if output.output_type == "execute_result":
        output.execution_count = count
    for kind in WIDGETS:
        output.get("data", {}).pop(kind, None)
        output.get("metadata", {}).pop(kind, None)
    if output.output_type == "error":
        output.traceback = [line for line in output.traceback if not ANSI.sub("", line).startswith("File ")]
    return output


def complaints(notebook):
    """What must not be in a stored notebook, in words."""
    found = []
    homes = {f"{folder}/" for folder in (ROOT, Path.home(), sys.prefix, tempfile.gettempdir())} - {"//"}
    for n, cell in code_cells(notebook):
        errors = [output for output in cell.outputs if output.output_type == "error"]
        must_fail = MUST_FAIL in cell.metadata.get("tags", [])
        if must_fail and not errors:
            found.append(f"cell {n} is tagged {MUST_FAIL} but ran without an error")
        for text in (text for output in cell.outputs for text in _texts(output)):
            shown = [home for home in homes if home in text]
            if shown:  # a folder may lie in another: name the whole of it
                found.append(f"cell {n} shows an absolute path: {max(shown, key=len)}")
            if ADDRESS.search(text):
                found.append(f"cell {n} shows an address ({ADDRESS.search(text)[0]}): end it with ';'")
        for output in cell.outputs:
            if output.output_type == "stream" and output.name == "stderr":
                found.append(f"cell {n} writes to stderr: {output.text.strip()}")
    return found


def _texts(output):
    """The parts of an output that a reader sees as text, without embedded files."""
    if output.output_type == "stream":
        return [output.text]
    if output.output_type == "error":
        return [output.evalue, *output.traceback]
    return [EMBEDDED.sub("", text) for kind, text in output.data.items() if kind.startswith("text/")]


def store(notebook, path):
    """Run a notebook and put it at `path`, or refuse it and leave the file as it was."""
    started = time.monotonic()
    path = Path(path).resolve()
    refuse_if(too_long(tidy(notebook)))
    clean(execute(notebook, path.parent))
    tidy(notebook)  # the kernel wrote its own version into the metadata
    refuse_if(complaints(notebook))
    nbformat.validate(notebook)
    content = written(notebook)
    if len(content) > LARGEST_FILE:
        raise Refused([f"the file has {len(content) / 1000:.0f} kB, allowed are {LARGEST_FILE / 1000:.0f}"])
    write_file(path, content)
    seconds = time.monotonic() - started
    return f"{len(notebook.cells)} cells, {seconds:.1f} s, {len(content) / 1000:.0f} kB"


def written(notebook):
    """The bytes of a notebook's file."""
    return (nbformat.writes(notebook, version=4).rstrip("\n") + "\n").encode()


def navigate(folder):
    """Write the ways from lesson to lesson, and the table of the index, into a folder of notebooks."""
    paths = sorted(path for path in folder.glob("*.ipynb") if LESSON.fullmatch(path.name))
    lessons = [read_notebook(path) for path in paths]
    found = [LESSON_SAYS.match(lesson.cells[0].source) for lesson in lessons]
    mute = [path.name for path, said in zip(paths, found, strict=True) if not said]
    if mute:
        raise Refused(
            [
                f"{name}: its first cell must begin with '# Title', then '*Lesson, 40 minutes*'"
                for name in mute
            ]
        )
    titles = [said["title"] for said in found]
    links = [
        f"[{title[0].lower()}{title[1:]}]({path.name})" for path, title in zip(paths, titles, strict=True)
    ]
    rows = []
    for k, (path, lesson, said) in enumerate(zip(paths, lessons, found, strict=True)):
        first, last = lesson.cells[0], lesson.cells[-1]
        way = [f"previous: {link}" for link in links[k - 1 : k]] + [f"[map]({INDEX})"]
        way += [f"next: {link}" for link in links[k + 1 : k + 2]]
        top = f"Lesson {k + 1} of {len(lessons)}, {said['minutes']} minutes"
        first.source = first.source.replace(said["line"], f"*{' · '.join([top, *way])}*", 1)
        last.source = f"{FOOT.sub('', last.source).rstrip()}\n\n*{' · '.join(way)}*"
        told = IN_INDEX.search(first.source) or {"finds": "", "picture": ""}
        row = (k + 1, f"[{titles[k]}]({path.name})", said["minutes"], told["finds"], told["picture"])
        rows.append(f"| {' | '.join(map(str, row))} |")
        write_file(path, written(tidy(lesson)))
    index = read_notebook(folder / INDEX)
    for cell in index.cells:
        cell.source = ROWS.sub(lambda table: "\n".join([table[1], *rows]), cell.source)
    write_file(folder / INDEX, written(tidy(index)))


def refuse_if(reasons):
    """Raise if there are reasons to."""
    if reasons:
        raise Refused(reasons)


def existing(path):
    """The path of a file that is there, for the command line."""
    if not Path(path).is_file():
        raise argparse.ArgumentTypeError(f"there is no file {path}")
    return Path(path)


def main(arguments=None):
    """Do what the command line says; return 1 if a notebook was refused."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    build = commands.add_parser("build", help="turn percent-format text into a notebook, and run it")
    build.add_argument("source", type=existing)
    build.add_argument("notebook", type=Path)
    run = commands.add_parser("run", help="run notebooks and store clean outputs")
    run.add_argument("notebooks", type=existing, nargs="+")
    text = commands.add_parser("text", help="print a notebook as percent-format text")
    text.add_argument("notebook", type=existing)
    commands.add_parser("nav", help="write the ways between the lessons and the index anew")
    options = parser.parse_args(arguments)
    try:
        return carry_out(options)
    except (ValueError, OSError, LookupError, TypeError, AttributeError, RecursionError) as error:
        print(f"refused, nothing written: {reason(error)}", file=sys.stderr)
        return 1


def carry_out(options):
    """Do what was asked for; return 1 if a notebook was refused."""
    if options.command == "text":
        print(to_text(read_notebook(options.notebook)), end="")
        return 0
    if options.command == "nav":
        jobs = {}
    elif options.command == "build":
        jobs = {options.notebook: read_text(options.source)}
    else:
        jobs = {path: read_notebook(path) for path in options.notebooks}
    failed = 0
    for path, notebook in jobs.items():
        try:
            print(f"{path}: {store(notebook, path)}", flush=True)
        except Refused as refusal:
            failed = 1
            print(f"{path}: refused, nothing written", *refusal.args[0], sep="\n  ", file=sys.stderr)
    for folder in {path.parent for path in jobs} or {NOTEBOOKS}:
        try:
            if (folder / INDEX).exists():
                navigate(folder)
        except Refused as refusal:
            failed = 1
            print(f"{folder}: no ways written", *refusal.args[0], sep="\n  ", file=sys.stderr)
    return failed


if __name__ == "__main__":
    sys.exit(main())
