"""What README and DEVELOPERS say works: every block and every command, outputs, files, links."""

import ast
import contextlib
import io
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import deck_generator as generator
import numpy as np
import pytest

from tapecalc.cli import main
from tapecalc.machine import example_machine, machine_from_text
from tapecalc.measuring import make_test_signal
from tapecalc.sound.files import write_sound
from tapecalc.sound.signals import tone

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
BOTH = README + "\n" + DEVELOPERS

#: What a line must begin with to be something that one types.
PROGRAMS = ("make", "pip", "git", ".venv/", "tools/", ".ci/", "python", "conda", "sudo", "tapecalc")
COMMANDS = tuple(f"{name} " for name in ("plan", "try", "render", "measure", "figures", "clip"))

HERE = "tests/cli/test_readme.py"
SITE = "tests/site/test_site.py::test_every_notebook_that_git_tracks_is_a_page_and_so_are_plan_and_card"

#: What a step of a make target does, by the words it holds, and the tests that do the same.
STEPS = {
    r"sys\.version_info": [f"{HERE}::test_too_old_a_python_is_told_what_to_do"],
    r"^echo ": [],
    r"^touch \.venv/": [],
    r"-m venv \.venv$": ["tests/cli/test_installed.py::test_every_room_can_be_imported_without_the_lab"],
    r"pip install .*--no-deps --require-hashes --only-binary :all: -r locked/\w+\.txt$": [
        "tests/cli/test_installed.py::test_the_set_up_fits_the_oldest_python_that_is_promised",
        "tests/robustness/test_supply.py::test_what_is_locked_is_what_is_pinned_and_each_has_its_hashes",
    ],
    r"pip install .*--no-deps --no-build-isolation -e \.$": [
        "tests/robustness/test_supply.py::test_what_builds_the_project_is_pinned_and_locked"
    ],
    r"build/lock": [
        "tests/robustness/test_supply.py::test_lists_are_cut_into_entries_and_put_together_again"
    ],
    r"-m tapecalc plan --out out$": [
        "tests/cli/test_plan_command.py::test_the_folder_gets_page_figures_data_and_sound"
    ],
    r"-m tapecalc figures --out build/figures$": [
        "tests/cli/test_figures_command.py::test_one_figure_in_three_formats"
    ],
    r"^(rm -rf|mv) (build/)?figures\b": [],
    r"jupyter lab notebooks/00_index\.ipynb$": [
        "tests/browser/test_panels_by_keyboard.py::test_every_panel_follows_the_keyboard_and_goes_back"
    ],
    r"tools/notebook\.py run ": [
        "tests/notebooks/test_notebook_tool.py::test_second_run_gives_the_same_bytes"
    ],
    r"tools/site\.py$": [SITE],
    r"/(ruff|lint-imports|mypy|pytest|coverage)\b": [f"{HERE}::test_the_tests_that_make_runs_are_these"],
    r"^for file in tests/benchmarks/": [f"{HERE}::test_there_are_benchmarks_to_run"],
    r"tools/mutants\.py": [f"{HERE}::test_mistakes_are_tried_in_files_that_are_there"],
    r"^rm -rf \.venv out |^find \. -name __pycache__ ": [f"{HERE}::test_make_clean_removes_what_was_made"],
    r"^tools/versions\.sh ": [f"{HERE}::test_scripts_are_sound_and_can_be_started"],
}

#: Commands that are too large to be run here, and the tests that run their steps.
LARGE = {
    "python -m venv .venv": ["tests/cli/test_installed.py::test_the_example_is_planned_from_another_folder"],
    ".venv/bin/pip install --no-deps --require-hashes --only-binary :all: -r locked/plan.txt": [
        "tests/robustness/test_supply.py::test_what_is_locked_is_what_is_pinned_and_each_has_its_hashes"
    ],
    ".venv/bin/pip install --no-deps --no-build-isolation .": [
        "tests/robustness/test_supply.py::test_what_builds_the_project_is_pinned_and_locked"
    ],
    ".venv/bin/tapecalc plan --out out": [
        "tests/cli/test_installed.py::test_the_example_is_planned_from_another_folder"
    ],
    "sudo apt install make python3-venv": [f"{HERE}::test_the_same_packages_are_missing_everywhere"],
    ".venv/bin/python tools/site.py --light": [SITE],
    ".venv/bin/python tools/site.py --base ADDRESS": [SITE],
    "pip install .": ["tests/cli/test_installed.py::test_the_example_is_planned_from_another_folder"],
    "tools/audit.sh": [
        "tests/robustness/test_supply.py::test_an_audit_fails_for_a_hole_and_says_when_it_could_not_look"
    ],
    ".ci/run": [f"{HERE}::test_scripts_are_sound_and_can_be_started"],
    ".ci/weekly": [f"{HERE}::test_scripts_are_sound_and_can_be_started"],
    ".ci/weekly python3.13": [f"{HERE}::test_scripts_are_sound_and_can_be_started"],
    "python3.11 -m venv .venv": [f"{HERE}::test_new_pins_come_from_the_oldest_python_and_every_extra"],
    ".venv/bin/pip install -e '.[lab,clips,site,test,bench,mutants]'": [
        f"{HERE}::test_new_pins_come_from_the_oldest_python_and_every_extra"
    ],
    ".venv/bin/python tools/notebook.py build lesson.py notebooks/10_my_lesson.ipynb": [
        "tests/notebooks/test_notebook_tool.py::test_text_of_a_notebook_builds_the_same_notebook"
    ],
}


def fences(text):
    """Language and content of every fenced block."""
    return re.findall(r"^```(\w*)\n(.*?)^```$", text, re.M | re.S)


def blocks(text, language):
    return [content for its, content in fences(text) if its == language]


def lines(text):
    """Every command in a shell block and every one in a sentence, comments left out, each once."""
    shown = [line.split(" #")[0].strip() for block in blocks(text, "sh") for line in block.splitlines()]
    prose = re.sub(r"^```.*?^```$", "", text, flags=re.M | re.S)
    spoken = [" ".join(span.split()) for span in re.findall(r"`([^`]+)`", prose)]
    typed = [span for span in spoken if span.startswith(PROGRAMS + COMMANDS) and not is_file(span)]
    return list(dict.fromkeys(line for line in shown + typed if line))


def is_file(span):
    """Whether one word names a place or a program in passing: only a script of ours is typed as it stands."""
    script = (ROOT / span).is_file() and os.access(ROOT / span, os.X_OK) and not span.startswith(".venv")
    return len(span.split()) == 1 and not script


def steps(target):
    """The commands of a make target, those of the set-up before it too."""
    if shutil.which("make") is None:
        pytest.skip("there is no make on this machine")
    words = ["make", "--dry-run", "--always-make", "--no-print-directory", "MAKEFLAGS=", *target]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def they_exist(names):
    for name in names:
        file, _, test = name.partition("::")
        tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
        assert test in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}, name


def output_of(words):
    """What one of our commands prints."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert main(words) == 0
    return said.getvalue()


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder as the reader has it: the machine of the README saved, a sound beside it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "machine.toml").write_text(blocks(README, "toml")[0], encoding="utf-8")
    write_sound(tmp_path / "test.wav", tone(440, 1.0, sample_rate=44_100), 44_100)
    return tmp_path


def record(folder):
    """Send the test signal through the bench deck at both speeds, as the README says."""
    rate, machine = 32_000, example_machine()
    dry = make_test_signal(rate)
    for name, speed in zip(("fast", "slow"), machine.speeds, strict=True):
        wet = generator.echo(dry, rate, generator.Deck(spacing=machine.spacings[0], speed=speed))
        write_sound(folder / f"{name}.wav", np.stack([dry, wet], axis=1), rate)


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_block_is_of_a_kind_that_is_tried_here(text):
    assert {language for language, _ in fences(text)} <= {"sh", "python", "toml", "text"}
    assert len(re.findall(r"^ *(?:```|~~~)", text, re.M)) == 2 * len(fences(text))
    lists = re.sub(r"^```.*?^```$", "", text, flags=re.M | re.S)
    indented = [block for block in re.split(r"\n\n", lists) if block.startswith("    ")]
    unread = [block for block in indented if not block.startswith("    tapecalc/\n")]
    assert unread == []


def test_there_is_something_to_check():
    assert "make plan" in lines(README)
    assert "make test" in lines(DEVELOPERS)
    assert len(lines(BOTH)) > 15
    assert all(blocks(README, language) for language in ("sh", "python", "toml", "text"))


@pytest.mark.parametrize("code", blocks(BOTH, "python"))
def test_python_blocks_print_what_their_comments_say(code):
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(code, "README.md", "exec"), {})
    expected = re.findall(r"print\(.*\)\s+# (.*)", code)
    assert said.getvalue().splitlines() == expected


def test_the_machine_file_is_a_machine_and_so_it_is_with_all_that_may_be_added():
    whole = ""
    for added in blocks(BOTH, "toml"):
        whole += added
        assert machine_from_text(whole).name == "Kitchen table"


@pytest.mark.parametrize("shown", blocks(BOTH, "text"))
def test_what_is_shown_is_what_is_printed(shown):
    assert output_of(["plan"]).startswith(shown)


@pytest.mark.slow
@pytest.mark.parametrize("line", lines(BOTH))
def test_every_command_is_one_that_works(line, folder):
    words = shlex.split(line)
    if line in LARGE:
        they_exist(LARGE[line])
    elif words[0] == "make":
        for step in steps(words[1:]):
            named = [tests for pattern, tests in STEPS.items() if re.search(pattern, step)]
            assert named, f"no test is named for the step {step}"
            they_exist(named[0])
    elif words[:3] == [".venv/bin/python", "-m", "tapecalc"]:
        if "--signal" in words:
            record(folder)
        assert output_of(words[3:])
    elif words[:2] == [".venv/bin/python", "tools/fuzz.py"]:
        words[words.index("--cases") + 1] = "3"
        run([sys.executable, ROOT / words[1], *words[2:]], folder)
    elif words[:3] == [".venv/bin/python", "tools/notebook.py", "text"]:
        assert words[4] == ">"
        printed = run([sys.executable, ROOT / words[1], "text", ROOT / words[3]], folder)
        assert "# %% [markdown]" in printed
    elif words[:2] == [".venv/bin/pip", "freeze"]:
        assert words[-2:] == [">", "constraints.txt"]
        pinned = run([sys.executable, "-m", "pip", *words[1:-2]], folder)
        assert re.search(r"^setuptools\b", pinned, re.M) and "tapecalc" not in pinned
    else:
        pytest.fail(f"no rule here for {line}")


def run(words, folder):
    """What a program prints."""
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_tests_that_make_runs_are_these():
    """The steps of `make test`: the checkers, the tests under way, the count of lines, the notebooks."""
    checkers = ["ruff check", "ruff format --check", "lint-imports", "mypy"]
    wanted = [*checkers, "pytest -p no:nbval", "coverage report", "pytest --nbval"]
    tried = [step for step in steps(["test"]) if re.search(r"/(ruff|lint|mypy|pytest|coverage)", step)]
    assert len(tried) == len(wanted)
    assert all(want in step for want, step in zip(wanted, tried, strict=True))


def test_make_clean_removes_what_was_made(tmp_path):
    steps([])  # skips where there is no make
    shutil.copy(ROOT / "Makefile", tmp_path)
    for name in (".venv", "out", "site", "tapecalc/__pycache__"):
        (tmp_path / name).mkdir(parents=True)
    run(["make", "clean"], tmp_path)
    assert {path.name for path in tmp_path.rglob("*")} == {"Makefile", "tapecalc"}


def test_new_pins_come_from_the_oldest_python_and_every_extra():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert f"python{project['requires-python'].removeprefix('>=')} -m venv .venv" in lines(DEVELOPERS)
    (extras,) = re.findall(r"pip install -e '\.\[(.*)\]'", DEVELOPERS)
    assert set(extras.split(",")) == set(project["optional-dependencies"])


def test_mistakes_are_tried_in_files_that_are_there():
    tried = re.findall(
        r'^    "(\S+\.py)",$', (ROOT / "tools" / "mutants.py").read_text(encoding="utf-8"), re.M
    )
    assert len(tried) >= 5 and all((ROOT / "tapecalc" / name).is_file() for name in tried)
    excused = tomllib.loads((ROOT / "tools" / "mutants.toml").read_text(encoding="utf-8"))
    assert set(excused) <= set(tried)


def test_there_are_benchmarks_to_run():
    assert len(list((ROOT / "tests" / "benchmarks").glob("bench_*.py"))) >= 5


@pytest.mark.parametrize("script", [".ci/run", ".ci/weekly", "tools/versions.sh", "tools/audit.sh"])
def test_scripts_are_sound_and_can_be_started(script):
    subprocess.run(["bash", "-n", ROOT / script], check=True, timeout=60)
    assert script == ".ci/run" or os.access(ROOT / script, os.X_OK)
    text = (ROOT / script).read_text(encoding="utf-8")
    assert "set -euo pipefail" in text
    for named in re.findall(r"^(?:make|tools/\S+).*", text, re.M):
        target = named.split()
        assert steps(target[1:]) if target[0] == "make" else os.access(ROOT / target[0], os.X_OK)


def test_the_same_packages_are_missing_everywhere():
    named = set(re.search(r"`sudo apt install ([^`]+)`", README).group(1).split())
    installed = set(re.findall(r"missing\+=\(([\w-]+)\)", (ROOT / ".ci" / "run").read_text(encoding="utf-8")))
    assert named == installed - {"chromium", "libatomic1", "alsa-utils", "node-typescript"}


def test_too_old_a_python_is_told_what_to_do():
    (step,) = [step for step in steps(["plan"]) if "sys.version_info" in step]
    code = shlex.split(step)[-1]
    old = f"import sys; sys.version_info = (3, 10); {code.removeprefix('import sys;')}"
    done = subprocess.run([sys.executable, "-c", old], capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert re.search(r"`(make plan PYTHON=\S+)`", README).group(1) in done.stderr


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_links_lead_to_files(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    targets = [target.split("#")[0] for target in re.findall(r"\]\(([^)]+)\)", text)]
    missing = [t for t in targets if t and not t.startswith("http") and not (ROOT / t).exists()]
    assert missing == []


def test_the_rooms_in_the_guide_are_the_rooms_in_the_tree():
    named = set(re.findall(r"^      ([a-z_]+(?:\.py|/)) ", DEVELOPERS, re.M))
    rooms = [path for path in (ROOT / "tapecalc").iterdir() if (path / "__init__.py").is_file()]
    modules = (ROOT / "tapecalc").glob("*.py")
    assert named == {f"{room.name}/" for room in rooms} | {path.name for path in modules} - {"__main__.py"}


def test_make_help_names_every_target_and_no_other():
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z]+):", text, re.M)) - {"help"}
    assert set(re.findall(r'@echo "make ([a-z]+) ', text)) == targets
    assert set(re.search(r"^\.PHONY: (.*)", text, re.M).group(1).split()) == targets | {"help"}


@pytest.mark.parametrize(
    ("text", "found"),
    [("```\nx\n```\n", ["", "x\n"]), ("```bash\nmake plan\n```\n", ["bash", "make plan\n"])],
)
def test_a_block_of_another_kind_is_found(text, found):
    assert [list(fence) for fence in fences(text)] == [found]
    with pytest.raises(AssertionError):
        test_every_block_is_of_a_kind_that_is_tried_here(text)


def test_a_command_in_a_sentence_is_found():
    text = "Then `make thing` and `.venv/bin/pip\nlist`, or `plan --no`, not `.venv` or `make`."
    assert lines(text) == ["make thing", ".venv/bin/pip list", "plan --no"]
