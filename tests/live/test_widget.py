"""The playable tape in a notebook, without a browser: values both ways, what is refused, what is stored."""

import subprocess
import sys

import pytest
from machines import MACHINES

import tapecalc as tc
from tapecalc.live.pages import sentence
from tapecalc.machine import example_machine, machine_from_options, machine_from_text
from tapecalc.plan import make_plan

DECK = example_machine()
VIEW = "application/vnd.jupyter.widget-view+json"


@pytest.fixture
def tape():
    return tc.playable(DECK)


@pytest.fixture
def three():
    return tc.playable(machine_from_text(MACHINES["three_heads"]))


def moved_by_hand(tape, **changes):
    """Let the page's side send a setting, as it does at each move."""
    tape.set_state({"setting": {**tape.setting, **changes}})


def test_it_begins_as_the_file_has_it(tape, three):
    assert (tape.spacing_mm, tape.speed_ips, tape.return_send_db, tape.bpm) == (41.5, 7.5, -6.0, 76.0)
    assert tape.setting == tape.facts["setting"]
    assert three.spacing_mm == [40.0, 80.0, 160.0]
    assert tape.machine == DECK and tape.plan == make_plan(DECK)


def test_what_is_moved_in_the_page_is_read_in_python(tape):
    seen = []
    tape.observe(lambda change: seen.append((change["name"], change["new"])), ["spacing_mm", "bpm"])
    moved_by_hand(tape, heads=[{**tape.setting["heads"][0], "spacing_mm": 57.15}])
    assert seen == [("spacing_mm", 57.15)]
    moved_by_hand(tape, speed_ips=3.75, return_send_db=-9.0, bpm=100.0)
    assert (tape.speed_ips, tape.return_send_db, tape.bpm) == (3.75, -9.0, 100.0)
    # 57.15 mm are 2.25 inches: 300 ms at 7.5 inches a second, which is half a beat at 100 bpm.
    assert tape.plan.delays[0].delay == pytest.approx(0.3, rel=1e-12)
    assert tape.machine.mixer.return_send_db == -9 and tape.plan.bpm == 100


@pytest.mark.parametrize(
    ("name", "value", "there"),
    [
        ("spacing_mm", 50, lambda setting: setting["heads"][0]["spacing_mm"]),
        ("speed_ips", 3.75, lambda setting: setting["speed_ips"]),
        ("return_send_db", -12.5, lambda setting: setting["return_send_db"]),
        ("bpm", 120, lambda setting: setting["bpm"]),
    ],
)
def test_what_is_set_in_python_goes_to_the_page(tape, name, value, there):
    sent = []
    tape.observe(lambda change: sent.append(change["new"]), "setting")
    setattr(tape, name, value)
    assert [there(setting) for setting in sent] == [value] and there(tape.get_state()["setting"]) == value
    assert getattr(tape, name) == value
    setattr(tape, name, value)
    assert len(sent) == 1  # nothing was moved


def test_of_several_heads_each_is_moved_and_keeps_its_place(three):
    three.spacing_mm = [170.0, 80.0, 40.0]
    assert [head["spacing_mm"] for head in three.setting["heads"]] == [170.0, 80.0, 40.0]
    assert [head.spacing_mm for head in three.machine.playback_heads] == [40.0, 80.0, 170.0]
    heads = [{**head, "on": place != 1} for place, head in enumerate(three.setting["heads"])]
    moved_by_hand(three, heads=heads)
    assert three.spacing_mm == [170.0, 80.0, 40.0] and len(three.machine.playback_heads) == 2


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("spacing_mm", -3, r"heads\[1\].spacing_mm must be a number from [0-9.]+ to 150, got -3"),
        ("spacing_mm", [41.5], r"heads\[1\].spacing_mm must be a number .* got a list"),
        ("spacing_mm", "41.5", r"heads\[1\].spacing_mm must be a number"),
        ("speed_ips", 5.0, "speed_ips must be 7.5 or 3.75, got 5"),
        ("bpm", float("nan"), "bpm must be a number from 20 to 400, got no finite number"),
        ("return_send_db", 60.0, "return_send_db must be a number from -90 to 20"),
        ("setting", {}, "a setting must have the key speed_ips"),
    ],
)
def test_what_the_machine_cannot_have_is_refused_and_all_stays(tape, name, value, said):
    before = (tape.setting, tape.spacing_mm, tape.speed_ips, tape.bpm, tape.return_send_db)
    with pytest.raises(ValueError, match=said) as caught:
        setattr(tape, name, value)
    assert "\n" not in str(caught.value)
    assert (tape.setting, tape.spacing_mm, tape.speed_ips, tape.bpm, tape.return_send_db) == before


@pytest.mark.parametrize("value", [80.0, [40.0, 80.0], "abc"])
def test_several_heads_want_a_number_each(three, value):
    with pytest.raises(ValueError, match="spacing_mm must be 3 numbers, one for each head, got"):
        three.spacing_mm = value
    assert three.spacing_mm == [40.0, 80.0, 160.0]


def test_reset_goes_back_to_the_file(tape):
    tape.spacing_mm, tape.bpm = 60.0, 90.0
    tape.reset()
    assert (tape.spacing_mm, tape.bpm, tape.machine) == (41.5, 76.0, DECK)


def test_a_page_gets_one_picture_and_one_sentence_and_a_text_that_is_the_same_each_time(tape):
    data, metadata = tape._repr_mimebundle_()
    assert set(data) == {VIEW, "text/html", "text/plain"} and metadata == {}
    assert data["text/plain"] == repr(tape) == sentence(DECK)
    assert data["text/html"].count("<img") == 1 and data["text/html"].count("<figcaption") == 1
    assert "<script" not in data["text/html"] and len(data["text/html"]) < 200_000
    again, _ = tc.playable(DECK)._repr_mimebundle_()
    assert {k: v for k, v in again.items() if k != VIEW} == {k: v for k, v in data.items() if k != VIEW}


def test_the_picture_is_of_what_is_set(tape):
    tape.spacing_mm = 83.0
    data, _ = tape._repr_mimebundle_()
    assert "436 ms" in repr(tape) and data["text/plain"] == repr(tape)  # twice as far as the file has it
    assert "83" in data["text/html"].partition("<img")[2]
    tape.setting = {**tape.setting, "heads": [{**tape.setting["heads"][0], "on": False}]}
    assert repr(tape) == sentence(DECK)


def test_the_front_end_is_one_module_that_loads_nothing(tape):
    front_end = tape._esm
    assert front_end.endswith("export default { render };\n")
    assert front_end.count("export ") == 1 and "import " not in front_end.replace("important ", "")


def test_a_machine_that_no_page_can_play_is_refused_in_one_sentence():
    near = machine_from_options(spacings_mm=[8], speeds_ips=[30])
    with pytest.raises(ValueError, match="playback_heads must stand .* or more from the record head"):
        tc.playable(near)
    # At 1 mm/s a head within a minute stands 60 mm away at most; at 2 m/s that is 30 ms.
    wide = (
        "unusual = true\ntransport.speed_range_cm_s = [0.1, {}]\nplayback_heads = [{{ spacing_mm = 1.95 }}]"
    )
    with pytest.raises(ValueError, match="must stand 30.2 mm or more"):
        tc.playable(machine_from_text(wide.format(92.56)))
    with pytest.raises(
        ValueError, match="cannot stand where all speeds .*: 60 mm, the farthest, is too near"
    ):
        tc.playable(machine_from_text(wide.format(200)))


@pytest.mark.parametrize("package", ["anywidget", "ipywidgets"])
def test_without_a_package_of_the_lab_one_sentence_says_what_to_do(package):
    code = f"import sys; sys.modules[{package!r}] = None\nimport tapecalc as tc\nmake = tc.playable\n"
    code += "make(tc.example_machine())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    last = done.stderr.splitlines()[-1]
    assert last.startswith(f"ImportError: a notebook's playable tape needs the package {package}")
    assert "python -m tapecalc try" in last and "line 4, in <module>" in done.stderr


def test_the_page_and_the_command_need_no_notebook():
    code = (
        "import sys, tapecalc as tc\nfrom tapecalc.report.try_page import try_page\n"
        "try_page(tc.make_plan(tc.example_machine()))\n"
        "print([name for name in ('ipywidgets', 'anywidget', 'IPython') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout == "[]\n", done.stderr
