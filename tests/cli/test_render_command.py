"""``python -m tapecalc render``, and how every command ends."""

import io
import os

import numpy as np
import pytest
import soundfile

import tapecalc.cli as command_line
from tapecalc.cli import main, run
from tapecalc.sound.files import write_sound
from tapecalc.sound.signals import click


@pytest.fixture
def source(tmp_path):
    path = tmp_path / "in.wav"
    write_sound(path, click(0.5, 44_100), 44_100)
    return str(path)


def first_echo(path):
    sound, rate = soundfile.read(path)
    return np.argmax(np.abs(sound[: int(0.6 * rate)])) / rate - 0.05


def test_the_echo_alone_comes_a_delay_later(source, tmp_path, capsys):
    target = tmp_path / "out.wav"
    assert main(["render", "example", source, str(target), "--wet-only", "--speed-ips", "7.5"]) == 0
    assert first_echo(target) == pytest.approx(0.0415 / 0.1905, abs=2e-3)
    assert "out.wav" in capsys.readouterr().out


def test_another_speed_and_an_end_can_be_named(source, tmp_path):
    target = tmp_path / "out.flac"
    options = ["--wet-only", "--speed-ips", "3.75", "--seconds", "0.75", "--seed", "3"]
    assert main(["render", "example", source, str(target), *options]) == 0
    assert first_echo(target) == pytest.approx(0.0415 / 0.09525, abs=3e-3)
    assert soundfile.info(target).duration == pytest.approx(0.75, abs=0.01)


@pytest.mark.parametrize("speed", ["15", "0", "-7.5", "nan", "inf"])
def test_a_speed_that_the_machine_has_not_is_refused(speed, source, tmp_path, capsys):
    assert main(["render", "example", source, str(tmp_path / "out.wav"), "--speed-ips", speed]) == 2
    assert "must be one of the machine's speeds (7.5, 3.75)" in capsys.readouterr().err
    assert not (tmp_path / "out.wav").exists()


def test_a_source_that_is_not_there_is_named_in_one_line(tmp_path, capsys):
    assert main(["render", "example", str(tmp_path / "none.wav"), str(tmp_path / "out.wav")]) == 2
    error = capsys.readouterr().err
    assert "none.wav" in error and len(error.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def broken(error):
    def command(**options):
        raise error

    return command


def test_a_stopped_command_says_so(monkeypatch, capsys):
    monkeypatch.setattr(command_line, "_plan", broken(KeyboardInterrupt()))
    assert main(["plan"]) == 130
    assert capsys.readouterr().err == "tapecalc: stopped\n"


def test_an_error_of_the_system_names_the_file_in_one_printable_line(monkeypatch, capsys):
    monkeypatch.setattr(command_line, "_plan", broken(OSError(28, "No space left", "out\x1b[31m\n/plan")))
    assert main(["plan"]) == 2
    assert capsys.readouterr().err == "tapecalc: out?[31m /plan: No space left\n"


def test_a_reader_who_has_seen_enough_is_no_error(monkeypatch, tmp_path):
    with open(tmp_path / "pipe", "w") as pipe:
        monkeypatch.setattr(command_line.sys, "stdout", pipe)
        monkeypatch.setattr(command_line, "_plan", broken(BrokenPipeError()))
        assert main(["plan"]) == 0


def test_output_that_is_left_over_for_nobody_is_dropped(monkeypatch):
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "w") as pipe:
        monkeypatch.setattr(command_line.sys, "stdout", pipe)
        monkeypatch.setattr(command_line.sys, "argv", ["tapecalc", "--help"])
        with pytest.raises(SystemExit) as stop:
            run()
    assert stop.value.code == 0


def test_running_leaves_with_the_exit_status(monkeypatch):
    monkeypatch.setattr(command_line.sys, "argv", ["tapecalc", "plam"])
    monkeypatch.setattr(command_line.sys, "stderr", io.StringIO())
    with pytest.raises(SystemExit) as stop:
        run()
    assert stop.value.code == 2
