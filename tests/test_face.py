"""The public face: loaded when it is named, and known to an editor before."""

import subprocess
import sys

import jedi
import pytest

import tapecalc as tc

#: What a plan, a drawing, a sound or a measurement needs, and nobody who only imports the package.
HEAVY = ("numpy", "scipy", "matplotlib", "pydantic", "soundfile", "ipywidgets", "jinja2", "tabulate")


def loaded_after(code):
    """Which of the heavy packages a new process has loaded after some code."""
    code = f"import sys\n{code}\nprint(*[name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


@pytest.mark.parametrize(
    ("code", "loads"),
    [
        ("import tapecalc as tc; tc.__version__; dir(tc)", set()),
        ("import tapecalc as tc; tc.transport.delay_from_spacing(0.04, 0.2)", {"numpy"}),
        ("import tapecalc as tc; tc.make_plan(tc.example_machine())", {"numpy", "pydantic"}),
    ],
)
def test_a_name_loads_what_it_needs_and_no_more(code, loads):
    assert set(loaded_after(code)) == loads


def test_every_name_of_the_face_is_there_and_is_listed():
    for name in tc.__all__:
        assert getattr(tc, name) is not None
    assert set(tc.__all__) <= set(dir(tc))
    assert tc.draw("delay_map").caption.startswith("Delay over head spacing")
    with pytest.raises(AttributeError, match="module 'tapecalc' has no attribute 'make_plans'"):
        _ = tc.make_plans


@pytest.mark.parametrize(
    ("code", "offered"),
    [
        ("", {"example_machine", "make_plan", "draw", "render", "measure", "transport", "loop", "words"}),
        ("example_machine().", {"spacings", "speeds", "delays", "echo_loop", "mixer", "assumed"}),
        ("example_machine().mixer.", {"return_send_db", "input_send_db"}),
        ("make_plan(tc.example_machine()).", {"machine", "delays", "loops", "tempos", "runs_away"}),
        ("make_plan(tc.example_machine()).loops[0].", {"stability", "repeats", "tone", "return_send_db"}),
        ("make_plan(tc.example_machine()).loops[0].stability.", {"margin_db", "frequency", "stable"}),
        ("transport.", {"delay_from_spacing", "run_time"}),
    ],
)
def test_an_editor_completes_what_there_is(code, offered):
    script = jedi.Script(f"import tapecalc as tc\ntc.{code}")
    assert offered <= {completion.name for completion in script.complete()}
