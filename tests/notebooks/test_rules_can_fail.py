"""Each rule leaves a good lesson in peace and finds the one thing that was spoiled."""

import base64
import io

import nbformat
import notebook_rules as rules
import numpy as np
import pytest
import soundfile
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

PLOTTED = "Chart of delay in ms over head spacing in mm: a straight line through 218 ms at 41.5 mm."
PANEL = f"*{PLOTTED} {rules.PANEL_SAYS}.*"


def player(level=10 ** (-22.3 / 20)):
    """A player of a tone at -23 LUFS with a link beside it."""
    buffer = io.BytesIO()
    tone = level * np.sin(2 * np.pi * 441 * np.arange(44_100) / 44_100)
    soundfile.write(buffer, tone, 44_100, format="WAV")
    source = "data:audio/wav;base64," + base64.b64encode(buffer.getvalue()).decode()
    return f"<figure><audio controls src='{source}'></audio><a href='{source}'>Save</a></figure>"


def shown(data, **metadata):
    return new_output("display_data", data=data, metadata=metadata)


def printed(text, name="stdout"):
    return new_output("stream", name=name, text=text)


PICTURE = shown({"image/png": "iVBORw0KGgo=", "text/plain": "Figure"}, **{"image/png": {"alt": PLOTTED}})


def lesson():
    """A made-up lesson that keeps every rule."""
    cells = [
        "# How late\n\n*Lesson, 10 minutes*\n\n[Index](00_index.ipynb). 41.5 mm at 7.5 ips give 217.8 ms.",
        "## Further is later\n\nThat. **Given:** 9 mm of leader.\n\n**Given** 9 mm of leader.",
        new_code_cell("panel()", outputs=[PICTURE, shown({"text/html": PANEL})]),
        "Is it more than 0.2 s?",
        new_code_cell("guess_ms = None"),
        "## The way over the speed",
        new_code_cell("import sympy as sp"),
        "The cell below says 218 ms, not `9.9 ms`.",
        new_code_cell("delay", outputs=[printed("41.5 mm, 7.5 ips: 217.848 ms = 0.2 s")]),
        new_code_cell("first_guess.check(guess_ms)"),
        "## It sounds late",
        new_code_cell("play()", outputs=[PICTURE, shown({"text/html": f"{player()}<p>{PLOTTED}</p>"})]),
        "## Check yourself\n\nLeave 9 mm.",
        new_code_cell("one.check(None)"),
        "## Sources",
        "## Next",
    ]
    cells = [new_markdown_cell(cell) if isinstance(cell, str) else cell for cell in cells]
    for count, cell in enumerate((cell for cell in cells if cell.cell_type == "code"), 1):
        cell.execution_count = count
    return new_notebook(cells=cells, metadata=rules.tool.METADATA)


@pytest.fixture
def made(tmp_path):
    """A function that writes the lesson after a change, and reads it as the rules see it."""
    for name in ("tapecalc/course/late.py", "tests/panels/test_late.py", "notebooks/00_index.ipynb"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("{}")

    def make(change=None, name="01_late"):
        notebook = lesson()
        if change:
            change(notebook)
        path = tmp_path / "notebooks" / f"{name}.ipynb"
        nbformat.write(notebook, path)
        return rules.Notebook(path)

    return make


RULES = {
    "order": rules.order_violations,
    "place": lambda notebook: rules.place_violations(notebook, notebook.path.parents[1]),
    "stored": rules.stored_violations,
    "described": rules.description_violations,
    "players": rules.player_violations,
    "time": rules.time_violations,
    "numbers": lambda notebook: rules.number_violations(notebook, [("7.5", "ips")]),
}


def changed(old, new):
    """Replace a part of the source of the cell that holds it."""

    def spoil(notebook):
        cell = next(cell for cell in notebook.cells if old in cell.source)
        cell.source = cell.source.replace(old, new)

    return spoil


def put_out(part, *outputs, **fields):
    """Give the code cell that holds a part other outputs, or another count."""

    def spoil(notebook):
        cell = next(cell for cell in notebook.cells if cell.source.startswith(part))
        cell.update({"outputs": list(outputs), **fields})

    return spoil


SPOILED = [
    ("order", changed("## The way over the speed", "## Derive")),
    ("order", changed("## Check yourself", "## Tasks")),
    ("order", changed("# How late", "How late")),
    ("order", put_out("panel")),
    ("order", lambda notebook: notebook.cells.insert(1, new_code_cell("import sympy as sp"))),
    ("order", lambda notebook: notebook.cells.insert(1, notebook.cells.pop(9))),
    ("order", put_out("play")),
    ("order", changed("first_guess.check(guess_ms)", "first_guess")),
    ("order", changed("one.check(None)", "one")),
    ("time", changed("10 minutes", "40 minutes")),
    ("time", changed("Leave 9 mm.", "Leave 9 mm. " + 2500 * "And so on. ")),
    ("place", changed("00_index", "02_index")),
    ("stored", put_out("panel", execution_count=7)),
    ("stored", put_out("panel", printed("a warning", "stderr"))),
    ("stored", put_out("panel", printed(f"{rules.ROOT}/late.svg"))),
    ("stored", put_out("panel", printed("too much " * 200_000))),
    ("stored", put_out("panel", shown({rules.tool.WIDGETS[0]: {"model_id": "1"}}))),
    ("stored", changed("panel()", "panel()\n" * 13)),
    ("stored", lambda notebook: notebook.metadata.update(widgets={})),
    ("described", put_out("panel", PICTURE)),
    (
        "described",
        put_out("panel", shown({"image/png": ""}, **{"image/png": {"alt": "late"}}), printed(PLOTTED)),
    ),
    ("described", changed("## It sounds late", "## It sounds late\n\n![late](late.png)")),
    ("described", put_out("play", shown({"text/html": "<img src='data:,' alt='late'>"}))),
    ("players", put_out("play", shown({"text/html": player(0.9)}))),
    ("players", put_out("play", shown({"text/html": player(0.0)}))),
    ("players", put_out("play", shown({"text/html": player(0.05)}))),
    ("players", put_out("play", shown({"text/html": player(0.99)}))),
    ("players", put_out("play", shown({"text/html": player().replace("controls", "autoplay")}))),
    ("players", put_out("play", shown({"text/html": player().replace("<a href", "<b id")}))),
    ("numbers", changed("says 218 ms", "says 219 ms")),
    ("numbers", changed("says 218 ms", "says 217.9 ms")),
    ("numbers", changed("says 218 ms", "says 218 Hz")),
    ("numbers", changed("says 218 ms", "says $9.3\\,\\mathrm{ms}$")),
    ("numbers", changed("**Given** 9 mm", "Here 9 mm")),
]


def test_a_good_lesson_is_left_in_peace(made):
    assert {name: rule(made()) for name, rule in RULES.items() if rule(made())} == {}


@pytest.mark.parametrize(("name", "spoil"), SPOILED)
def test_the_rule_finds_what_was_spoiled(name, spoil, made):
    assert RULES[name](made(spoil)) != []


def test_a_lesson_without_its_module_is_found_and_other_notebooks_are_free(made):
    assert len(RULES["place"](made(name="02_other"))) == 2
    scratch = made(changed("## Check yourself", "## Whatever"), name="scratch")
    assert RULES["place"](scratch) == RULES["order"](scratch) == []


def test_every_rule_was_seen_to_fail_and_the_panels_words_are_theirs():
    assert {name for name, _ in SPOILED} == set(RULES)
    assert rules.PANEL_SAYS in (rules.ROOT / "tapecalc" / "panels" / "still.html.jinja").read_text(
        encoding="utf-8"
    )
