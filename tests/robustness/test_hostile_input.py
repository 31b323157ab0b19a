"""Files that nobody should send: one printable line comes of them, and nothing else."""

import importlib.util
import json
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from hypothesis import example, given, settings
from hypothesis import strategies as st
from project import ROOT

from tapecalc.cli import main
from tapecalc.machine import MachineFileError, example_machine, machine_from_text, with_changes
from tapecalc.measuring import Take, measure, open_recording
from tapecalc.plan import make_plan
from tapecalc.report.plan_data import plan_data
from tapecalc.report.plan_page import plan_page, plan_preview
from tapecalc.report.plan_text import plan_text
from tapecalc.sound import files as sound
from tapecalc.sound.files import read_sound
from tapecalc.sound.render import render_file

SPEC = importlib.util.spec_from_file_location("fuzz", ROOT / "tools" / "fuzz.py")
fuzz = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(fuzz)

LEAST = "transport.speeds_ips = [7.5]\nplayback_heads = [{spacing_mm = 41.5}]\n"


# --- many cases made from a seed ---


@pytest.mark.slow
@pytest.mark.parametrize(("what", "cases"), [("machine", 150), ("sound", 300), ("page", 1), ("take", 80)])
def test_cases_from_a_seed_do_no_harm(what, cases):
    command = [sys.executable, str(ROOT / "tools" / "fuzz.py"), what, "--cases", str(cases), "--seed", "7"]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", timeout=300, cwd=ROOT)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    assert f"{cases} cases" in done.stdout
    good = {"sound": "read", "take": "measured"}.get(what, "planned")
    assert f"'{good}'" in done.stdout  # not all of them are refused, or there would be little to see


def test_a_traceback_a_long_message_and_a_stray_file_are_found(tmp_path):
    with pytest.raises(AssertionError, match="a message of"):
        fuzz.one_line(ValueError("two\nlines"))
    with pytest.raises(AssertionError, match="a message of"):
        fuzz.one_line(ValueError("x" * 1000))
    with pytest.raises(fuzz.TooSlow):
        fuzz.limited(0.05, lambda: [None for _ in iter(int, 1)])
    for bad in ("<script>", "<img src='http://a/b.png'>", "<p onclick='x()'>", "<link href='a.css'>"):
        with pytest.raises(AssertionError):
            fuzz.harmless(bad)
    fuzz.harmless("<p>text</p><img src='data:image/png;base64,AAAA'><a href='#there'>there</a>")


# --- machine files ---


@given(st.text() | st.binary(max_size=300).map(lambda raw: raw.decode("latin-1")))
@example("a." * 30_000)
@example("[" * 60_000)
@example("a = " + "{a = " * 10_000)
@example(LEAST + "x = " + "[" * 3000 + "]" * 3000)
def test_any_text_is_a_machine_or_one_line(text):
    try:
        machine_from_text(text)
    except MachineFileError as error:
        fuzz.one_line(error)


@given(st.recursive(st.integers() | st.floats() | st.booleans() | st.text(), st.lists, max_leaves=5))
def test_any_value_for_a_key_is_taken_or_named(value):
    try:
        with_changes(example_machine(), {"heads.gap_um": value})
    except MachineFileError as error:
        fuzz.one_line(error)
        assert "heads.gap_um" in str(error)


@settings(max_examples=30)
@given(st.text(min_size=1, max_size=60), st.text(min_size=1, max_size=60))
@example("<script>alert(1)</script>", '"><img src=x onerror=alert(1)>')
@example("{{ 7 * 7 }}", "</table></section><iframe src='http://example.org'>")
@example("$\\frac{1}{0}$", "&lt;b&gt;")
@example("\U0001f4fc", "录音\u0301")
def test_names_reach_page_text_and_data_as_words_only(name, part):
    try:
        machine = with_changes(
            example_machine(),
            {"name": name, "parts": [{"name": part, "radius_mm": 50.0, "wobble_percent": 0.1}]},
        )
    except MachineFileError as error:
        fuzz.one_line(error)
        assert not (name.isprintable() and name.strip() and part.isprintable() and part.strip())
        return
    plan = make_plan(machine)
    page = plan_page(plan, {})
    fuzz.harmless(page)
    text = plan_text(plan)
    assert all(line.isprintable() for line in text.splitlines())
    assert name in text and part in text
    data = json.loads(json.dumps(plan_data(plan)))
    assert (data["machine"]["name"], data["wobble"][0]["part"]) == (name, part)


@pytest.mark.parametrize("character", list("\x1b\x07\n\r\x7f\x9b\u202e\u2028\u200b"))
def test_a_name_cannot_command_the_terminal(character, tmp_path, capsys):
    path = tmp_path / f"a{character}b.toml"
    path.write_text(LEAST + f'name = "a\\u{ord(character):04x}b"', encoding="utf-8")
    assert main(["plan", str(path)]) == 2
    line = capsys.readouterr().err
    assert line.endswith("\n") and line[:-1].isprintable()
    assert "name must be one line of printable characters" in line


@pytest.mark.parametrize(
    "changes",
    [
        {"playback_heads.1.spacing_mm": 0.01},  # an echo too soon to be rendered
        {"transport.speeds_ips": [0.1]},  # and one after the end of the preview
    ],
)
def test_a_machine_without_a_preview_still_has_its_page(changes):
    plan = make_plan(with_changes(example_machine(), changes))
    assert plan_preview(plan) is None
    assert "<audio" not in plan_page(plan, {}, preview=None)


def test_a_preview_that_would_be_clipped_is_turned_down_as_a_whole():
    hot = with_changes(example_machine(), {"mixer.input_send_db": 20.0, "playback_heads.1.level_db": 20.0})
    preview = plan_preview(make_plan(hot))
    assert np.abs(preview.mix).max() <= 1 and np.abs(preview.wet).max() <= 1
    np.testing.assert_allclose(preview.dry + preview.wet, preview.mix, atol=1e-9)


# --- sound files ---


def flac(path, seconds=4.0):
    soundfile.write(path, 0.3 * np.sin(np.arange(int(seconds * 48000)) / 9), 48000)
    return bytearray(path.read_bytes())


def test_a_sound_damaged_in_its_middle_is_refused_by_name(tmp_path):
    path = tmp_path / "take.flac"
    data = flac(path)
    data[len(data) // 2 :] = bytes(len(data) - len(data) // 2)
    path.write_bytes(data)
    for read in (read_sound, lambda p: render_file(example_machine(), p, tmp_path / "out.wav")):
        with pytest.raises(ValueError, match="^take.flac: (is damaged and cannot be read|ends .* before)"):
            read(path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["take.flac"]


def test_a_head_that_promises_more_than_there_is_costs_no_memory_and_is_refused(tmp_path):
    path = tmp_path / "take.flac"
    data = flac(path, 0.5)
    # STREAMINFO: the low 4 bits of byte 21 and bytes 22 to 25 hold the number of samples
    data[21] |= 0x0F
    data[22:26] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    assert soundfile.info(path).frames > 2**35
    for read in (read_sound, lambda p: render_file(example_machine(), p, tmp_path / "out.wav")):
        with pytest.raises(ValueError, match="^take.flac: "):
            read(path)
    assert not (tmp_path / "out.wav").exists()


def test_a_recording_damaged_in_its_middle_or_shorter_than_it_says_is_not_measured(tmp_path):
    path = tmp_path / "take.flac"
    whole = flac(path)
    for damage in ("zeros", "promise"):
        data = bytearray(whole)
        if damage == "zeros":
            data[len(data) // 2 : -2000] = bytes(len(data) - 2000 - len(data) // 2)
        else:
            data[21] |= 0x0F
            data[22:26] = b"\xff\xff\xff\xff"
        path.write_bytes(data)
        with pytest.raises(ValueError, match="^take.flac: (is damaged|ends before)"):
            measure([Take(recording=open_recording(path), kind="silence")])


@pytest.mark.parametrize("bad", [np.nan, -np.inf, 3e38])
def test_a_recording_with_a_sample_that_is_no_sound_is_not_measured(tmp_path, bad):
    path = tmp_path / "take.wav"
    samples = np.random.default_rng(1).uniform(-0.1, 0.1, 100_000)
    samples[60_000] = bad
    soundfile.write(path, samples, 48000, subtype="FLOAT")
    with pytest.raises(ValueError, match="^take.wav: holds samples that are not finite"):
        measure([Take(recording=open_recording(path), kind="silence")])


def test_a_sound_too_long_for_memory_is_refused_before_it_is_read_whole(tmp_path, monkeypatch):
    path = tmp_path / "take.flac"
    flac(path)
    monkeypatch.setattr(sound, "MOST_SAMPLES", 48_000)
    monkeypatch.setattr(sound, "READ_AT_ONCE", 10_000)
    with pytest.raises(ValueError, match="take.flac: is longer than 0.0167 min; cut it into parts"):
        read_sound(path)


def test_a_sound_is_read_the_same_in_blocks_as_at_once(tmp_path, monkeypatch):
    path = tmp_path / "take.wav"
    soundfile.write(path, np.random.default_rng(1).uniform(-1, 1, (25_001, 2)), 44100, subtype="PCM_24")
    whole, _ = soundfile.read(path)
    monkeypatch.setattr(sound, "READ_AT_ONCE", 10_000)
    np.testing.assert_array_equal(read_sound(path)[0], whole)
