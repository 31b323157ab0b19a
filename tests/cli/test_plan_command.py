"""``python -m tapecalc plan``: what it prints, writes, refuses."""

import json
import subprocess
import sys

import pytest

from tapecalc.cli import main
from tapecalc.machine import example_machine, write_machine


def test_without_a_file_the_example_is_planned(capsys):
    assert main(["plan"]) == 0
    out = capsys.readouterr().out
    assert "Echo plan for Bench deck" in out
    assert "218 ms +/- 3 ms" in out


def test_a_few_numbers_are_enough(capsys):
    arguments = ["plan", "--spacing-mm", "41.5", "--speed-ips", "7.5", "--speed-ips", "3.75", "--bpm", "76"]
    assert main(arguments) == 0
    assert "Fit to the song at 76 bpm" in capsys.readouterr().out


def test_a_file_is_planned_with_another_tempo(tmp_path, capsys):
    path = write_machine(example_machine(), tmp_path / "club.toml")
    assert main(["plan", str(path), "--bpm", "90", "--repeats", "8"]) == 0
    out = capsys.readouterr().out
    assert "at 90 bpm" in out and "The wish is 8 repeats" in out


def test_a_loop_that_runs_away_is_a_plan_and_no_error(tmp_path, capsys):
    path = tmp_path / "hot.toml"
    path.write_text("transport.speeds_ips=[7.5]\nplayback_heads=[{spacing_mm=40}]\nmixer.return_send_db=1.0")
    assert main(["plan", str(path)]) == 0
    assert "RUNS AWAY, starting at" in capsys.readouterr().out


BAD = [
    (["plan", "none.toml"], "none.toml: cannot be read"),
    (["plan", "--spacing-mm", "41.5"], "options: transport needs either speeds_ips or speeds_cm_s"),
    (["plan", "--speed-ips", "7.5"], "options: playback_heads must have 1 or more entries"),
    (["plan", "--spacing-mm", "0", "--speed-ips", "7.5"], "spacing_mm must be greater than 0"),
    (["plan", "--spacing-mm", "nan", "--speed-ips", "7.5"], "spacing_mm must be a finite number"),
    (["plan", "--spacing-mm", "inf", "--speed-ips", "7.5"], "spacing_mm must be a finite number"),
    (["plan", "--spacing-mm", "abc", "--speed-ips", "7.5"], "invalid float value: 'abc'"),
    (["plan", "--speed-ips", "-7.5", "--spacing-mm", "4"], "must be greater than 0, got -7.5"),
    (["plan", "x.toml", "--spacing-mm", "4"], "not both"),
    (["plan", "--bpm", "0"], "song.bpm must be 20 or more, got 0"),
    (["plan", "--bpm", "nan"], "song.bpm must be a finite number"),
    (["plan", "--repeats", "0"], "repeats must be a whole number from 1 to 200"),
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
    (tmp_path / "out").write_text("a file, not a folder")
    assert main(["plan", "--out", str(tmp_path / "out")]) == 2
    streams = capsys.readouterr()
    assert len(streams.err.splitlines()) == 1
    assert "cannot write to" in streams.err
    assert (tmp_path / "out").read_text() == "a file, not a folder"


def test_the_folder_gets_page_figures_data_and_sound(tmp_path, capsys):
    assert main(["plan", "--out", str(tmp_path / "out")]) == 0
    names = {
        str(path.relative_to(tmp_path / "out")) for path in (tmp_path / "out").rglob("*") if path.is_file()
    }
    assert {"plan.html", "plan.json", "preview.wav"} <= names
    assert {name.rpartition(".")[0] for name in names if name.endswith(".svg")} == {
        name.rpartition(".")[0] for name in names if name.endswith(".png")
    }
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
