"""``python -m tapecalc plan``: what it prints, writes, refuses."""

import json
import re
import subprocess
import sys

import pytest

from tapecalc.cli import main
from tapecalc.machine import example_machine, with_changes, write_machine


def test_without_a_file_the_example_is_planned(capsys):
    assert main(["plan"]) == 0
    out = capsys.readouterr().out
    assert "Echo plan for Bench deck" in out
    assert "218 ms +/- 7 ms" in out
    assert main(["plan", "example"]) == 0
    assert capsys.readouterr().out == out


def test_a_few_numbers_are_enough(capsys):
    arguments = ["plan", "--spacing-mm", "41.5", "--speed-ips", "7.5", "--speed-ips", "3.75", "--bpm", "76"]
    assert main(arguments) == 0
    assert "Fit to the song at 76 bpm" in capsys.readouterr().out


def test_a_file_is_planned_with_another_tempo(tmp_path, capsys):
    path = write_machine(example_machine(), tmp_path / "club.toml")
    assert main(["plan", str(path), "--bpm", "90", "--repeats", "8"]) == 0
    out = capsys.readouterr().out
    assert "at 90 bpm" in out and "Send for 8 repeats" in out


def test_a_note_can_be_wished(capsys):
    # Three sixteenths at 103.3 bpm are 0.75 * 60 / 103.3 s = 435.6 ms, which is the delay of the slow speed.
    assert main(["plan", "--bpm", "103.3", "--note", "dotted eighth"]) == 0
    assert "At 103.3 bpm the wished dotted eighth fits best at 3.75 ips" in capsys.readouterr().out


def test_a_loop_that_runs_away_is_a_plan_and_no_error(tmp_path, capsys):
    path = tmp_path / "hot.toml"
    path.write_text("transport.speeds_ips=[7.5]\nplayback_heads=[{spacing_mm=40}]\nmixer.return_send_db=1.0")
    assert main(["plan", str(path)]) == 0
    assert "RUNS AWAY, starting at" in capsys.readouterr().out


BAD = [
    (["plan", "none.toml"], "none.toml: cannot be read"),
    (
        ["plan", "--spacing-mm", "41.5"],
        "--spacing-mm alone is no machine; give --speed-ips or --speed-cm-s as well",
    ),
    (["plan", "--speed-ips", "7.5"], "a speed alone is no machine; give --spacing-mm as well"),
    (
        ["plan", "--spacing-mm", "4", "--speed-ips", "7.5", "--speed-cm-s", "9"],
        "give --speed-ips or --speed-cm-s, not both",
    ),
    (["plan", "--spacing-mm", "0", "--speed-ips", "7.5"], ": --spacing-mm must be 0.1 or more, got 0"),
    (["plan", "--spacing-mm", "nan", "--speed-ips", "7.5"], ": --spacing-mm must be a finite number"),
    (["plan", "--spacing-mm", "inf", "--speed-ips", "7.5"], ": --spacing-mm must be a finite number"),
    (
        ["plan", "--spacing-mm", "0.4", "--speed-ips", "7.5"],
        ": --spacing-mm = 0.4 is nearer than 1 mm: is the unit right; if it is right, write a machine file",
    ),
    (
        ["plan", *9 * ["--spacing-mm", "40"], "--speed-ips", "7.5"],
        ": --spacing-mm must have at most 8 entries",
    ),
    (["plan", "--spacing-mm", "40", "--speed-cm-s", "0"], ": --speed-cm-s must be greater than 0, got 0"),
    (["plan", "--spacing-mm", "40", "--speed-ips", "900"], ": --speed-ips must be 300 or less, got 900"),
    (
        ["plan", "--spacing-mm", "40", "--speed-ips", "200"],
        ": the options give a tape speed of 508 cm/s, and",
    ),
    (["plan", "--spacing-mm", "abc", "--speed-ips", "7.5"], "invalid float value: 'abc'"),
    (["plan", "--speed-ips", "-7.5", "--spacing-mm", "4"], ": --speed-ips must be greater than 0, got -7.5"),
    (["plan", "x.toml", "--spacing-mm", "4"], "not both"),
    (["plan", "--bpm", "0"], ": --bpm must be 20 or more, got 0"),
    (["plan", "--bpm", "nan"], ": --bpm must be a finite number"),
    (["plan", "--note", "dotted eigth"], ": --note must be a note value, for example dotted eighth, got"),
    (["plan", "--note", ""], ": --note must be"),
    (["plan", "--repeats", "0"], ": --repeats must be a whole number from 1 to 200"),
    (["plan", "--repeats", "2.5"], "argument --repeats: invalid int value: '2.5'"),
    (["compare", "example"], "the following arguments are required: SECOND.toml"),
    (["compare", "example", "none.toml"], "none.toml: cannot be read"),
    (["compare", "example", "example", "--bpm", "500"], ": --bpm must be 400 or less, got 500"),
    (["plan", "--bmp", "76"], "unrecognized arguments: --bmp"),
    (["plam"], "invalid choice: 'plam'"),
    ([], "the following arguments are required: COMMAND"),
    (["plan", "a\nb\x1b[31m.toml"], "cannot be read"),
]


@pytest.mark.parametrize(("arguments", "said"), BAD)
def test_a_mistake_ends_with_one_line_and_status_2(arguments, said, capsys):
    assert main(arguments) == 2
    streams = capsys.readouterr()
    last = streams.err.splitlines()[-1]
    assert said in last
    assert "Traceback" not in streams.err
    assert streams.out == ""
    assert "\x1b" not in streams.err


def test_forty_heads_are_refused(tmp_path, capsys):
    path = tmp_path / "many.toml"
    path.write_text("transport.speeds_ips=[7.5]\nplayback_heads=[" + "{spacing_mm=40}," * 40 + "]")
    assert main(["plan", str(path)]) == 2
    assert "many.toml: playback_heads must have at most 8 entries, got 40" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_named_and_nothing_is_printed(tmp_path, capsys):
    file = tmp_path / "out"
    file.write_text("a file, not a folder")
    for out in (file, file / "in" / "it"):
        assert main(["plan", "--out", str(out)]) == 2
        streams = capsys.readouterr()
        assert streams.err == f"tapecalc: --out must be a folder, {file} is a file\n"
        assert streams.out == ""
    assert file.read_text() == "a file, not a folder"


def test_two_machines_are_set_side_by_side(tmp_path, capsys):
    other = with_changes(example_machine(), {"playback_heads.1.spacing_mm": 50.0})
    path = str(write_machine(other, tmp_path / "far.toml"))
    assert main(["compare", "example", path, "--bpm", "90", "--note", "eighth", "--repeats", "3"]) == 0
    out = capsys.readouterr().out
    assert out.startswith(f"example beside {path}\n")
    assert re.search(r"playback_heads\[1\].spacing_mm +41.5 +50\n", out)
    # An eighth at 90 bpm is 333 ms: 218 ms are 115 ms early, 50 mm at 7.5 ips are 262 ms, 71 ms early.
    assert re.search(r"Off by +-115 ms \+/- 7 ms +-71 ms \+/- 8 ms", out)
    assert "song." not in out


def test_the_folder_gets_page_figures_data_and_sound(tmp_path, capsys):
    assert main(["plan", "--out", str(tmp_path / "out")]) == 0
    names = {
        str(path.relative_to(tmp_path / "out")) for path in (tmp_path / "out").rglob("*") if path.is_file()
    }
    assert {"plan.html", "card.html", "try.html", "plan.json", "preview.wav"} <= names
    assert {"figures/delay_map.svg", "figures/tempo_map.svg", "figures/level_ladder.svg"} <= names
    assert json.loads((tmp_path / "out" / "plan.json").read_text())["bpm"] == 76
    assert "plan.html" in capsys.readouterr().out


def test_a_hostile_name_is_shown_as_it_is_written(tmp_path, capsys):
    name = "<script>alert(1)</script> $\\frac{1}{0}$ a/b/../../c {{ 7 * 7 }}"
    path = tmp_path / "m.toml"
    path.write_text(f"name = '{name}'\ntransport.speeds_ips=[7.5]\nplayback_heads=[{{spacing_mm=40}}]")
    assert main(["plan", str(path), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "plan.html").read_text()
    assert "<script" not in page
    assert "{{ 7 * 7 }}" in page.split("<h1")[1].split("</h1>")[0]
    assert name in capsys.readouterr().out


def test_output_into_a_closed_pipe_is_no_error():
    done = subprocess.run(
        f"{sys.executable} -m tapecalc plan | head -1", shell=True, capture_output=True, text=True, timeout=60
    )
    assert done.stdout == "Echo plan for Bench deck\n"
    assert done.stderr == ""


@pytest.mark.parametrize("words", ["plan", "plan --help", "plan --spacing-mm 40 --speed-ips 7.5 --bpm 76"])
def test_output_that_nobody_reads_is_no_error(words):
    command = f"{sys.executable} -m tapecalc {words} | true; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_printing_a_plan_loads_no_figures_and_no_sound():
    code = (
        "import sys; from tapecalc.cli import main; main(['plan']);"
        "print([name for name in ('matplotlib', 'ipywidgets', 'scipy', 'soundfile') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.splitlines()[-1] == "[]"
