"""Upper rooms import lower ones only, drawing stays apart from computing, and nothing is kept in secret."""

import json
import subprocess
import sys

import library_rules as rules
import pytest
from library_rules import Subject

every_file = pytest.mark.parametrize("subject", list(rules.every_file()), ids=lambda s: s.name or "tapecalc")
FIRST_SHOWN = "show"
#: Slow or large packages, and the rooms that may load them when they are imported.
KEPT_OUT = {
    "matplotlib": (FIRST_SHOWN,),
    "ipywidgets": (FIRST_SHOWN,),
    "IPython": (FIRST_SHOWN,),
    "sympy": (),
    "scipy.signal": ("audio", FIRST_SHOWN),
}
IMPORT_ONE_BY_ONE = """
import importlib, json, sys
loaded = {}
for name in json.loads(sys.argv[1]):
    before = set(sys.modules)
    importlib.import_module(name)
    loaded[name] = sorted(set(sys.modules) - before)
print(json.dumps(loaded))
"""


@every_file
def test_a_module_imports_from_lower_rooms_only(subject):
    rules.keeps(rules.room_violations(subject))


@every_file
def test_the_inch_is_written_down_in_units_only(subject):
    rules.keeps(rules.inch_violations(subject))


@every_file
def test_no_state_is_kept_and_no_random_number_comes_without_a_seed(subject):
    rules.keeps(rules.state_violations(subject))


@every_file
def test_figures_are_not_shown_and_pyplot_is_not_used(subject):
    rules.keeps(rules.drawing_violations(subject))


def heavy_imports(names, folder=None):
    """Import modules one after the other in a new process; say which one loads a package it should not."""
    command = [sys.executable, "-c", IMPORT_ONE_BY_ONE, json.dumps(names)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=folder)
    return [
        f"importing {name} loads {package}"
        for name, modules in json.loads(done.stdout).items()
        for package in KEPT_OUT
        if package in modules
    ]


def test_importing_a_room_that_computes_loads_nothing_that_draws():
    upper = (FIRST_SHOWN, "audio", "__main__")
    rooms = [subject.name for subject in rules.every_file() if subject.name.split(".")[0] not in upper]
    assert len(rooms) > 10
    rules.keeps(heavy_imports([f"tapecalc.{name}" if name else "tapecalc" for name in sorted(rooms)]))


def test_importing_a_room_that_sounds_loads_nothing_that_draws():
    rooms = [s.name for s in rules.every_file() if s.name.split(".")[0] == "audio"]
    said = heavy_imports([f"tapecalc.{name}" for name in sorted(rooms)])
    rules.keeps([text for text in said if "scipy.signal" not in text])


def test_a_module_that_loads_a_heavy_package_is_found(tmp_path):
    (tmp_path / "drawing_room.py").write_text("import matplotlib\n")
    assert heavy_imports(["json", "drawing_room"], tmp_path) == ["importing drawing_room loads matplotlib"]


def looked_at(folder, name, source):
    path = folder / "made_up.py"
    path.write_text(source)
    return Subject(None, name, path)


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("transport", "from tapecalc.tempo import fit"),
        ("tempo", "from tapecalc import levels"),
        ("loop", "def late():\n    import tapecalc.machine"),
        ("plan", "from .show import figures"),
        ("audio.render", "from ..show import style"),
    ],
)
def test_an_import_from_the_same_or_a_higher_room_is_found(name, source, tmp_path):
    assert rules.room_violations(looked_at(tmp_path, name, source)) != []


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("tempo", "from tapecalc.units import to_si"),
        ("loop", "from . import response"),
        ("audio.render", "from .sound import tone\nfrom tapecalc.audio import measure"),
        ("show.sheet", "from tapecalc.plan import make_plan\nimport numpy"),
    ],
)
def test_an_import_from_a_lower_room_is_left_in_peace(name, source, tmp_path):
    assert rules.room_violations(looked_at(tmp_path, name, source)) == []


def test_a_module_without_a_floor_is_found(tmp_path):
    with pytest.raises(ValueError, match="has no floor yet"):
        rules.room_violations(looked_at(tmp_path, "attic", "import tapecalc.units"))


@pytest.mark.parametrize("number", ["0.0254", "2.54", "25.4", "1 / 25.4", "0.3048", "2.54e-2"])
def test_the_inch_in_another_module_is_found(number, tmp_path):
    assert rules.inch_violations(looked_at(tmp_path, "response", f"FACTOR = {number}\n")) != []
    assert rules.inch_violations(looked_at(tmp_path, "units", f"FACTOR = {number}\n")) == []


@pytest.mark.parametrize(
    "source",
    [
        "def f():\n    global count\n    count = 1",
        "def f(values=[]):\n    return values",
        "def f(*, values={}):\n    return values",
        "import numpy as np\nnp.random.seed(1)",
        "import numpy as np\nnoise = np.random.normal()",
        "import numpy as np\nrandom = np.random.default_rng()",
        "import random",
        "from time import time",
        "import datetime",
    ],
)
def test_kept_state_and_unseeded_numbers_are_found(source, tmp_path):
    assert rules.state_violations(looked_at(tmp_path, "response", source)) != []


def test_a_seeded_generator_is_left_in_peace(tmp_path):
    source = "import numpy as np\n\n\ndef f(seed, values=()):\n    return np.random.default_rng(seed)\n"
    assert rules.state_violations(looked_at(tmp_path, "flutter", source)) == []


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("show.figures", "import matplotlib.pyplot as plt"),
        ("show.figures", "from matplotlib import pyplot"),
        ("show.diagrams", "def f(figure):\n    figure.show()"),
        ("show.figures", "def f(figure):\n    figure.savefig('a.png')"),
    ],
)
def test_a_figure_that_is_shown_or_saved_where_it_is_drawn_is_found(name, source, tmp_path):
    assert rules.drawing_violations(looked_at(tmp_path, name, source)) != []
