"""Each rule leaves a good lesson in peace and finds the one thing that was spoiled."""

import nbformat
import notebook_rules as rules
import pytest
from made_up_lesson import PLOTTED, code, player, shown

LESSONS = ["01_late", "02_second"]
RULES = {
    "headings": rules.heading_violations,
    "predict": rules.predict_violations,
    "break": rules.break_it_violations,
    "roads": rules.two_roads_violations,
    "expression": rules.one_expression_violations,
    "thin": rules.thin_cell_violations,
    "links": lambda notebook: rules.link_violations(notebook, set(notebook.path.parent.iterdir())),
    "navigation": lambda notebook: rules.navigation_violations(notebook, LESSONS),
    "given": lambda notebook: rules.given_violations(notebook, {"7.5 ips"}),
    "stored": rules.stored_violations,
    "compared": rules.compared_violations,
    "opened": lambda notebook: rules.opened_violations(notebook, set(notebook.path.parent.iterdir())),
    "described": rules.description_violations,
    "players": lambda notebook: rules.player_violations(notebook, rules.peak),
    "formulas": rules.formula_violations,
}


def cell(notebook, part):
    """The first cell whose source holds a part."""
    return next(one for one in notebook.cells if part in one.source)


def change(old, new):
    """Replace a part of the source of the cell that holds it."""

    def spoil(notebook):
        one = cell(notebook, old)
        one.source = one.source.replace(old, new)

    return spoil


def outputs(part, *made):
    """Give the cell that holds a part other outputs."""

    def spoil(notebook):
        cell(notebook, part).outputs = list(made)

    return spoil


def swap(first, second):
    """Exchange two cells."""

    def spoil(notebook):
        one, other = (notebook.cells.index(cell(notebook, part)) for part in (first, second))
        notebook.cells[one], notebook.cells[other] = notebook.cells[other], notebook.cells[one]

    return spoil


def tagged(part, *names):
    """Give the cell that holds a part other tags."""

    def spoil(notebook):
        cell(notebook, part).metadata["tags"] = list(names)

    return spoil


def counted(part, count):
    def spoil(notebook):
        cell(notebook, part).execution_count = count

    return spoil


def metadata(**entries):
    def spoil(notebook):
        notebook.metadata.update(entries)

    return spoil


def both(*spoilers):
    def spoil(notebook):
        for one in spoilers:
            one(notebook)

    return spoil


def printed(text, name="stdout"):
    return nbformat.v4.new_output("stream", name=name, text=text)


PICTURE = {"image/png": "iVBORw0KGgo=", "text/plain": "Figure"}
WIDGET = {"application/vnd.jupyter.widget-view+json": {"model_id": "1"}, "text/plain": "Panel"}
FAILED = nbformat.v4.new_output("error", ename="ValueError", evalue="speed", traceback=[])
DEFINED = "def delay_from_spacing(a):\n    return a\n"
SPOILED = [
    ("headings", swap("## Derive", "## Compute")),
    ("headings", change("## Listen", "## Hear")),
    ("headings", change("## Listen", "### Listen")),
    ("headings", change("## Listen", "## Listen\n\n#### Deep down")),
    ("headings", change("# How late is late", "## How late is late")),
    ("headings", change("## Sources", "## Sources\n\n# Another title")),
    ("predict", swap("## Predict", "## Check yourself")),
    ("predict", change("## Predict", "## Guess")),
    ("predict", outputs("delay_panel", shown(PICTURE))),
    ("break", both(tagged("delay_from_spacing(1, 0)"), change("## Break it", "## Also"))),
    ("break", tagged("delay_from_spacing(1, 0)")),
    ("break", outputs("delay_from_spacing(1, 0)")),
    ("break", tagged("delay_panel", "raises-exception")),
    ("roads", change("assert math.isclose(by_hand, by_library, rel_tol=1e-12)", "assert by_hand")),
    ("roads", change("assert math.isclose", "# assert math.isclose")),
    ("expression", change("sympy.simplify(theory - library) == 0", "theory == library")),
    ("thin", change("delay_panel()", "\n".join(["delay_panel()"] * 13))),
    ("thin", change("delay_panel()", DEFINED)),
    ("links", change("(#Derive)", "(#Derivation)")),
    ("links", change("(#Derive)", "(02_third.ipynb)")),
    ("links", change("(#Derive)", "(/tmp/02_second.ipynb)")),
    ("links", change("## Listen", "## Listen\n\n<a href='sounds/none.mp3'>sound</a>")),
    ("links", change("## Listen", "## Listen\n\n![A picture](none.png)")),
    ("navigation", change("## Next\n\n[Map](00_index.ipynb) · [Next: second](02_second.ipynb)", "## Next")),
    ("navigation", change("# How late is late\n\n[Map](00_index.ipynb)", "# How late is late\n\nMap")),
    ("given", change("The cell above says 218 ms.", "The cell above says 219 ms.")),
    ("given", change("The cell above says 218 ms.", "The cell above says 217.9 ms.")),
    ("given", change("The cell above says 218 ms.", "The cell above says 218 Hz.")),
    ("given", change("The cell above says 218 ms.", "It is $9.3\\,\\mathrm{ms}$.")),
    ("given", change("**Given:** 9 mm of leader.", "9 mm of leader.")),
    ("stored", counted("delay_panel", 7)),
    ("stored", counted("delay_panel", None)),
    ("stored", metadata(kernelspec={"name": "mine", "display_name": "Mine", "language": "python"})),
    ("stored", metadata(widgets={})),
    ("stored", outputs("delay_panel", shown(WIDGET))),
    ("stored", outputs("delay_panel", printed(f"saved to /{'home'}/ada/late.svg"))),
    ("stored", outputs("delay_panel", printed("<object at 0x7f3a2b1c>"))),
    ("stored", outputs("delay_panel", printed("a warning", "stderr"))),
    ("stored", outputs("delay_panel", printed("too much " * 200_000))),
    ("compared", counted("delay_panel", None)),
    ("compared", outputs("delay_panel")),
    ("opened", change("delay_panel()", 'open("decks/other.toml")')),
    ("opened", change("delay_panel()", 'open("/tmp/other.wav")')),
    ("opened", change("delay_panel()", 'open("https://example.org/other.wav")')),
    ("described", outputs("delay_panel", shown(PICTURE))),
    ("described", outputs("delay_panel", shown(PICTURE), shown({"text/markdown": "late.png"}))),
    ("described", outputs("delay_panel", shown(PICTURE, **{"image/png": {"alt": "late"}}), printed(PLOTTED))),
    ("described", change("## Listen", "## Listen\n\n![late](late.png)")),
    ("described", change("## Listen", "## Listen\n\n<img src='late.png'>")),
    ("described", outputs("play()", shown({"text/html": "<img src='data:,' alt='late'>"}))),
    ("players", outputs("play()", shown(PICTURE), shown({"text/html": player(0.9)}))),
    ("players", outputs("play()", shown(PICTURE), shown({"text/html": player(0)}))),
    (
        "players",
        outputs("play()", shown(PICTURE), shown({"text/html": player().replace("controls", "autoplay")})),
    ),
    (
        "players",
        outputs("play()", shown(PICTURE), shown({"text/html": player().replace("<a href", "<b id")})),
    ),
    ("players", outputs("play()", shown(PICTURE), shown({"text/html": "<audio controls></audio>"}))),
    ("players", outputs("play()", shown({"text/html": player()}))),
    ("players", outputs("play()")),
    ("players", change("play()", "Audio(tone, rate=44_100)")),
    ("formulas", change("$$\\begin{aligned}", "\\begin{aligned}")),
    ("formulas", change("$$\\begin{aligned} T &= d / v \\end{aligned}$$", "\\begin{align} T \\end{align}")),
    ("formulas", change("aligned", "eqnarray")),
    ("formulas", change("## Listen", "## Listen\n\n\\(T = d / v\\)")),
    ("formulas", change("## Listen", "## Listen\n\nHere \\frac{d}{v} is bare.")),
]


def test_a_good_lesson_is_left_in_peace(made_up):
    notebook = made_up()
    assert {name: rule(notebook) for name, rule in RULES.items() if rule(notebook)} == {}


@pytest.mark.parametrize(
    ("name", "spoil"), SPOILED, ids=[f"{n}-{name}" for n, (name, _) in enumerate(SPOILED)]
)
def test_the_rule_finds_what_was_spoiled(name, spoil, made_up):
    assert RULES[name](made_up(spoil)) != []


def test_every_rule_was_seen_to_fail():
    assert {name for name, _ in SPOILED} == set(RULES)


def test_the_map_and_the_workbench_have_an_order_of_their_own(made_up):
    for name in rules.OWN_ORDER:
        notebook = made_up(swap("## Derive", "## Compute"), name)
        assert rules.heading_violations(notebook) == rules.predict_violations(notebook) == []
        assert rules.navigation_violations(notebook, LESSONS) == []


def test_a_function_in_two_notebooks_is_found(made_up):
    define = change("delay_panel()", "def my_own():\n    pass")
    pair = [made_up(define, "01_late"), made_up(define, "02_late")]
    assert rules.shared_definition_violations(pair) != []
    assert rules.shared_definition_violations([made_up(define), made_up(name="02_late")]) == []


def test_titles_that_stand_twice_and_gaps_in_the_numbers_are_found(made_up):
    first, twin = made_up(), made_up(name="02_late")
    other = made_up(change("# How late is late", "# How long is long"), "03_long")
    assert rules.title_violations([first, twin]) != []
    assert rules.title_violations([first, other]) != []
    assert rules.title_violations([first, made_up(change("How late", "How long"), "02_long")]) == []


def test_numbers_are_found_in_formulas_and_not_in_names():
    said = rules.quantities(
        "$-6.02\\,\\mathrm{dB}$ at 1,000 Hz, 7.5 ips, 5 %, not 3msec, 2x or v2.5 s0 8-track"
    )
    assert said == [("-6.02", "dB"), ("1000", "Hz"), ("7.5", "ips"), ("5", "%")]


def test_the_bench_deck_is_known():
    assert {"41.5 mm", "7.5 ips", "3.75 ips", "76 bpm"} <= rules.bench_deck()


def test_a_panel_is_known_by_the_words_below_it():
    source = (rules.ROOT / "tapecalc" / "show" / "panels.py").read_text(encoding="utf-8")
    assert "Run the notebook to move the controls" in source


def test_code_cells_give_numbers_by_name_conversion_and_text(made_up):
    source = "spacing_mm = 12.5\nspeed = to_si([4.76, 9.53], 'cm_s')\n# about 30 ms"
    given = rules.in_code(made_up(change("delay_panel()", source)))
    assert {("12.5", "mm"), ("4.76", "cm/s"), ("9.53", "cm/s"), ("30", "ms")} <= set(given)


def test_the_cell_helpers_build_what_they_say():
    assert code("1 + 1", tags=["a"]).metadata["tags"] == ["a"]
