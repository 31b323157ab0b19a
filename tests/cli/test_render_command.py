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
    out = capsys.readouterr().out
    assert out.startswith(f"Written: {target} (") and out.endswith("), at 7.5 ips (19.05 cm/s)\n")


def test_another_speed_and_an_end_can_be_named(source, tmp_path):
    target = tmp_path / "out.flac"
    options = ["--wet-only", "--seconds", "0.75", "--seed", "3"]
    sounds = []
    for speed in (
        ["--speed-ips", "3.75"],
        ["--speed-cm-s", "9.5"],
    ):  # one speed of the machine, in round numbers
        assert main(["render", "example", source, str(target), *speed, *options]) == 0
        assert first_echo(target) == pytest.approx(0.0415 / 0.09525, abs=3e-3)
        assert soundfile.info(target).duration == pytest.approx(0.75, abs=0.01)
        sounds.append(soundfile.read(target)[0])
    np.testing.assert_array_equal(*sounds)


@pytest.mark.parametrize(
    ("typed", "speed"), [([], 10.0), (["--speed-cm-s", "16.5"], 16.5), (["--speed-cm-s", "40"], 40.0)]
)
def test_any_speed_of_a_range_can_be_heard(typed, speed, source, tmp_path, capsys):
    free = tmp_path / "free.toml"
    free.write_text("transport.speed_range_cm_s = [10, 40]\nplayback_heads = [{spacing_mm = 30}]")
    target = tmp_path / "out.wav"
    assert main(["render", str(free), source, str(target), "--wet-only", "--seconds", "1", *typed]) == 0
    assert first_echo(target) == pytest.approx(3.0 / speed, abs=3e-3)
    assert f"at {speed:g} cm/s (" in capsys.readouterr().out


@pytest.mark.parametrize("typed", ["9.9", "40.5", "nan", "-20"])
def test_a_speed_beyond_the_range_is_refused(typed, source, tmp_path, capsys):
    free = tmp_path / "free.toml"
    free.write_text("transport.speed_range_cm_s = [10, 40]\nplayback_heads = [{spacing_mm = 30}]")
    assert main(["render", str(free), source, str(tmp_path / "out.wav"), "--speed-cm-s", typed]) == 2
    said = f"--speed-cm-s must be within the machine's range, 10 to 40; got {typed}"
    assert capsys.readouterr().err == f"tapecalc: {said}\n"


def test_two_speeds_are_one_too_many_and_a_folder_is_no_sound(source, tmp_path, capsys):
    target = str(tmp_path / "out.wav")
    both = ["--speed-ips", "7.5", "--speed-cm-s", "19.05"]
    assert main(["render", "example", source, target, *both]) == 2
    assert "give --speed-ips or --speed-cm-s, not both" in capsys.readouterr().err
    assert main(["render", "example", str(tmp_path), target]) == 2
    assert capsys.readouterr().err == f"tapecalc: {tmp_path.name}: is a folder, and no sound file\n"


@pytest.mark.parametrize("speed", ["15", "7.7", "0", "-7.5", "nan", "inf"])
def test_a_speed_that_the_machine_has_not_is_refused(speed, source, tmp_path, capsys):
    assert main(["render", "example", source, str(tmp_path / "out.wav"), "--speed-ips", speed]) == 2
    assert (
        f"--speed-ips must be one of the machine's speeds, 7.5 and 3.75; got {speed}"
        in capsys.readouterr().err
    )
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
