"""Files that nobody should send: one printable line comes of them, and nothing else."""

import argparse
import json
import os
import random
import re
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from hypothesis import example, given, settings
from hypothesis import strategies as st
from programs import program
from project import ROOT

from tapecalc.cli import main
from tapecalc.machine import (
    LARGEST_FILE,
    MachineFileError,
    example_machine,
    machine_from_text,
    machine_to_text,
    read_machine,
    with_changes,
)
from tapecalc.measuring import Take, measure, open_recording
from tapecalc.plan import make_plan
from tapecalc.report.compare_text import compare_text
from tapecalc.report.plan_data import plan_data
from tapecalc.report.plan_page import plan_page, plan_preview
from tapecalc.report.plan_text import plan_text
from tapecalc.sound import files as sound
from tapecalc.sound.files import read_sound
from tapecalc.sound.render import render_file

fuzz = program("fuzz")

LEAST = "transport.speeds_ips = [7.5]\nplayback_heads = [{spacing_mm = 41.5}]\n"


# --- many cases made from a seed ---


CASES = {"machine": 1000, "setting": 600, "sound": 300, "take": 100, "page": 1}


@pytest.mark.slow
@pytest.mark.parametrize(("what", "cases"), CASES.items())
def test_cases_from_a_seed_do_no_harm(what, cases):
    command = [sys.executable, str(ROOT / "tools" / "fuzz.py"), what, "--cases", str(cases), "--seed", "7"]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", timeout=3000, cwd=ROOT)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    rows = fuzz.read_rows(fuzz.CORPUS / f"{what}.txt")
    assert rows or what == "page"
    assert f"{cases + len(rows)} cases" in done.stdout
    good = {"setting": "a machine", "sound": "read", "take": "measured"}.get(what, "planned")
    assert f"'{good}'" in done.stdout  # not all of them are refused, or there would be little to see


def test_two_thousand_cases_are_tried_here_and_a_hundred_thousand_each_week():
    assert sum(CASES.values()) > 2000
    weekly = (ROOT / ".ci" / "weekly").read_text("utf-8")
    tried = dict(re.findall(r"\b(\w+):(\d+)", weekly))
    assert tried.keys() == CASES.keys() and sum(map(int, tried.values())) > 100_000


def test_a_row_of_draws_makes_its_case_again_and_a_changed_one_another(tmp_path):
    first = fuzz.Draws("machine 7 1")
    case = fuzz.machine_case(first)
    fuzz.write_rows(tmp_path / "rows.txt", [first.drawn, [0, 35, 36]])
    row, small = fuzz.read_rows(tmp_path / "rows.txt")
    assert small == [0, 35, 36] and (tmp_path / "rows.txt").read_text().endswith("\n0 z 10\n")
    again = fuzz.Draws("another seed", row)
    assert fuzz.machine_case(again) == case and again.drawn == row
    others = [fuzz.changed(random.Random(seed), [row, small]) for seed in range(20)]
    assert len({tuple(other) for other in others}) > 10
    assert len({fuzz.machine_case(fuzz.Draws("seed", other)) for other in others}) > 10


def test_a_case_that_fails_changes_none_after_it(tmp_path, monkeypatch, capsys):
    tried = []

    def fails(case, folder, number):
        tried.append(case)
        raise AssertionError("as planted")

    monkeypatch.setattr(fuzz.resource, "setrlimit", lambda *limits: None)
    monkeypatch.setitem(fuzz.KINDS_OF_CASES, "machine", (*fuzz.KINDS_OF_CASES["machine"][:2], fails, 5.0))
    for first, cases in ((1, 6), (6, 1)):
        options = argparse.Namespace(what="machine", first=first, cases=cases, seed=7, grow=None)
        assert fuzz.try_all(options, tmp_path, [])[0]["failed"] == cases
    assert tried[5] == tried[6] and "as planted" in capsys.readouterr().out


def test_steps_of_the_library_are_followed_and_the_fewest_rows_lead_to_all_of_them():
    def steps(text):
        followed = fuzz.Steps()
        sys.settrace(followed)
        try:
            machine_from_text(text)
        except MachineFileError:
            pass
        finally:
            sys.settrace(None)
        return followed.taken

    before = sys.gettrace()
    good, again, bad = steps(LEAST), steps(LEAST), steps("a = ")
    sys.settrace(before)
    assert good == again and bad - good and good - bad
    assert {file for file, _, _ in good | bad} >= {machine_from_text.__code__.co_filename}
    assert fuzz.of_use([([1, 2], good), ([1], bad), ([1, 2, 3], good | bad)]) == [[1], [1, 2]]


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


def bombs():
    """Texts as long as a machine file may be that some reader takes the square of their length for."""
    most = LARGEST_FILE - 100
    dotted = "a." * 28
    return {
        "dots": "a." * (most // 2) + "a = 1",
        "spaced dots": "a . " * (most // 4) + "a = 1",
        "quoted dots": "'a'." * (most // 4) + "a = 1",
        "table": f"[{'a.' * (most // 2)}a]",
        "list of tables": f"[[{'a.' * (most // 2)}a]]",
        "inline": "a = {" + "a." * (most // 2) + "a = 1}",
        "many keys": "\n".join(f"{dotted}b{k} = 1" for k in range(most // 66)),
        "many tables": "\n".join(f"[a{k}.{dotted}b]" for k in range(most // 68)),
        "lists": "a = " + "[" * (most // 2),
        "closed lists": "a = [" + ",".join(["[" * 90 + "]" * 90] * (most // 182)) + "]",
        "tables in tables": "a = " + "{a = " * (most // 5),
        "one word": "a" * most,
        "one string": '"' + "a" * most,
        "quotes": '"' * most,
        "digits": "a = " + "9" * most,
        "bare digits": "9" * most + "'",
        "hexadecimal": "a = 0x" + "f" * (most - 10),
        "underscores": "a = " + "1_" * (most // 2) + "1",
        "heads": LEAST.replace("[{", "[" + "{x = 1}, " * (most // 10) + "{"),
        "spaces": "a" + " " * most,
    }


@pytest.mark.parametrize("name", bombs())
def test_a_bomb_is_one_line_in_a_moment_and_in_little_memory(name, tmp_path):
    path = tmp_path / "bomb.toml"
    path.write_text(bombs()[name])
    assert path.stat().st_size <= LARGEST_FILE
    code = (
        "import resource, sys, time; from tapecalc.machine import read_machine\n"
        "resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30)); begun = time.process_time()\n"
        "try: read_machine(sys.argv[1])\n"
        "except ValueError as error: print(error); print(time.process_time() - begun)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    line, seconds = done.stdout.splitlines()
    fuzz.one_line(ValueError(line))
    assert float(seconds) < 1  # of processor time; the most that was seen is 0.15 s


@pytest.mark.parametrize(
    "text", ["a.b.c.d = 1", f"name = '{'a.' * 14}a'", "# " + "a." * 20 + "\n" + "x = 1.5"]
)
def test_a_few_dots_are_no_bomb(text):
    with pytest.raises(MachineFileError) as refusal:
        machine_from_text(text)
    assert "nested too deeply" not in str(refusal.value)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_a_device_and_a_folder_are_refused_at_once(tmp_path):
    for name in ("pipe.toml", "pipe.wav"):
        os.mkfifo(tmp_path / name)
    for path in (tmp_path / "pipe.toml", "/dev/zero", tmp_path):
        with pytest.raises(
            MachineFileError, match="cannot be read \\((is a pipe or a device|Is a directory)"
        ):
            read_machine(path)
    for read in (read_sound, open_recording):
        with pytest.raises(ValueError, match="^pipe.wav: is a pipe or a device, and no ordinary file"):
            measure([Take(recording=read(tmp_path / "pipe.wav"), kind="silence")])


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
    assert name in text and all(word[:20] in text for word in part.split())  # long cells are broken
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


NEW_KEYS = (
    "transport.speed_range_ips",
    "transport.speed_range_cm_s",
    "tape.loop_length_m",
    "song.note",
    "unusual",
    "file_version",
)


@pytest.mark.parametrize("key", NEW_KEYS)
@given(st.recursive(st.integers() | st.floats() | st.booleans() | st.text(), st.lists, max_leaves=5))
@example([20.0, 10.0])
@example([float("nan"), 1.0])
@example([1e-300, 1e300])
@example("dotted eighth\x1b[31m")
@example(10**400)
def test_any_value_for_a_key_of_the_set_the_loop_or_the_range_is_taken_or_named(key, value):
    base = machine_from_text("unusual = true\n" + LEAST)
    changes = {key: value}
    if "range" in key:
        changes["transport.speeds_ips"] = None
    try:
        machine = with_changes(base, changes)
    except MachineFileError as error:
        fuzz.one_line(error)
        assert key.rpartition(".")[2] in str(error) or "transport" in str(error)
        return
    assert machine_from_text(machine_to_text(machine)) == machine


@given(
    st.lists(
        st.dictionaries(
            st.sampled_from(["name", "bpm", "note", "tempo"]),
            st.integers() | st.floats() | st.text() | st.sampled_from(["quarter", "dotted eighth", 76.0]),
        ),
        max_size=62,
    )
)
@example([{"name": "a", "bpm": 76.0}] * 61)
@example([{"name": "<script>", "bpm": 76.0, "note": "quarter"}] * 60)
def test_any_set_of_songs_is_taken_or_named(songs):
    try:
        machine = with_changes(example_machine(), {"songs": songs})
    except MachineFileError as error:
        fuzz.one_line(error)
        assert "songs" in str(error)
        return
    assert len(machine.songs) == len(songs) <= 60


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (
            "transport.speed_range_cm_s = [40, 10]",
            "speed_range_cm_s must be the slowest and the fastest speed",
        ),
        ("transport.speed_range_cm_s = [10]", "speed_range_cm_s must have 2 or more entries, got 1"),
        ("transport.speed_range_cm_s = [10, 20, 40]", "speed_range_cm_s must have at most 2 entries, got 3"),
        ("transport.speed_range_cm_s = [0, 40]", "speed_range_cm_s[1] must be greater than 0, got 0"),
        (
            "transport = {speed_range_cm_s = [10, 40], speeds_ips = [7.5]}",
            "transport needs one of speeds_ips, speeds_cm_s, speed_range_ips, speed_range_cm_s, and no other",
        ),
        (
            "transport.speeds_ips = [7.5]\ntape.loop_length_m = 0.04",
            "must reach beyond the last playback head",
        ),
        ("transport.speeds_ips = [7.5]\ntape.loop_length_m = nan", "tape.loop_length_m must be"),
        (
            "transport.speeds_ips = [7.5]\ntape = {loop_length_m = 2, length_m = 100}",
            "tape needs length_m or loop_length_m, and not both",
        ),
        ("transport.speeds_ips = [7.5]\nfile_version = 1", "file_version must be 2 for this tapecalc, got 1"),
        ("transport.speeds_ips = [7.5]\nfile_version = '2'", "file_version must be a whole number, got '2'"),
        ("transport.speeds_ips = [7.5]\nunusual = 'yes'", "unusual must be true or false, got 'yes'"),
        (
            "transport.speeds_ips = [7.5]\nsong.note = 'eigth'",
            "song.note must be a note value, for example eighth",
        ),
        ("transport.speeds_ips = [7.5]\nsongs = [{bpm = 90}]", "songs[1].name is missing"),
        ("transport.speeds_ips = [7.5]\n[songs]\nname = 'a'", "songs must be a list"),
        ("transport.speeds_ips = [900]", "transport.speeds_ips[1] must be 300 or less, got 900"),
    ],
)
def test_a_slip_in_a_key_of_the_set_the_loop_or_the_range_is_said_in_its_words(lines, said):
    text = f"playback_heads = [{{spacing_mm = 41.5}}]\n{lines}"
    with pytest.raises(MachineFileError) as refusal:
        machine_from_text(text)
    fuzz.one_line(refusal.value)
    assert said in str(refusal.value)


@pytest.mark.parametrize("off", ["1e-50", "5e-324"])
def test_a_doubt_that_nobody_can_measure_is_refused_and_a_small_one_printed_short(off):
    lines = "spacing_mm = 41.5, spacing_plus_minus_mm = "
    text = LEAST.replace("spacing_mm = 41.5", lines + off)
    with pytest.raises(MachineFileError, match="must be 0 or a number that can be measured, got "):
        machine_from_text(text)
    smallest = "transport.speed_plus_minus_percent = 0\n" + LEAST.replace("spacing_mm = 41.5", lines + "1e-9")
    text = plan_text(make_plan(machine_from_text("unusual = true\n" + smallest)))
    assert max(map(len, re.findall(r"[\d.]+", text))) == len("217.847769029")


def test_heads_in_one_place_that_cancel_each_other_are_no_machine():
    heads = "{spacing_mm = 40}, {spacing_mm = 40, inverted = true}"
    with pytest.raises(MachineFileError, match="playback_heads cancel each other, and nothing would be"):
        machine_from_text(f"transport.speeds_ips = [7.5]\nplayback_heads = [{heads}]")
    farther = f"transport.speeds_ips = [7.5]\nplayback_heads = [{heads}, {{spacing_mm = 80}}]"
    assert len(machine_from_text(farther).spacings) == 3


#: Valid machines that nobody has built: heads a thousandfold apart, a loop 70 dB over, a peak of the treble
#: narrower than a search steps, heads that give nothing, and sixty songs for eight heads.
FAR_FETCHED = {
    "thousandfold": """
        transport.speeds_cm_s = [0.38]
        heads = {gap_um = 50, azimuth_error_arcmin = -300}
        mixer.return_send_db = 17
        playback_heads = [{spacing_mm = 0.1}, {spacing_mm = 100, level_db = -90}]""",
    "far beyond": """
        transport.speeds_cm_s = [7.5]
        heads = {treble_boost_db = 60, aligned_spacing_loss_um = 50, spacing_loss_um = 0}
        mixer.return_send_db = 20
        playback_heads = [{spacing_mm = 17, level_db = 20}]""",
    "narrow": """
        transport.speeds_ips = [7.5]
        tape.length_m = 5e-6
        heads.gap_um = 0.0035
        heads.aligned_azimuth_error_arcmin = -299.8
        heads.treble_boost_db = 60
        heads.low_cut_hz = 1000
        playback_heads = [{spacing_mm = 32.29, level_db = -90}]""",
    "all but silent": """
        transport.speed_range_cm_s = [0.2, 200]
        mixer.return_send_db = -90
        heads.gap_um = 50
        [[playback_heads]]
        spacing_mm = 10
        level_db = -90
        [[playback_heads]]
        spacing_mm = 10
        level_db = -89.9
        inverted = true""",
    # Millions of answers in a minute, each of them fainter than any that is heard.
    "crowded": "transport.speeds_cm_s = [2.4]\nmixer.return_send_db = -13.3\nheads.low_cut_hz = 0"
    + "".join(
        f"\n[[playback_heads]]\nspacing_mm = {spacing}\nlevel_db = {level_db}\ninverted = {inverted}"
        for spacing, level_db, inverted in (
            (0.7254, 0, "true"),
            (0.854, 0, "false"),
            (2.1189, 0, "true"),
            (8.4073, 0, "false"),
            (8.8334, -6, "false"),
            (9.0997, -20, "false"),
            (10.1327, -6, "true"),
            (12.02, -12, "false"),
        )
    ),
    "full": f"""
        transport.speed_range_cm_s = [5, 40]
        tape.loop_length_m = 3
        heads.erases = false
        playback_heads = [{", ".join(f"{{spacing_mm = {12 * n**1.37}}}" for n in range(1, 9))}]
        songs = [{", ".join(f"{{name = '{n} <b>', bpm = {60 + 2 * n}}}" for n in range(60))}]""",
}


@pytest.mark.parametrize("name", FAR_FETCHED)
def test_a_valid_machine_is_planned_however_far_fetched(name):
    machine = machine_from_text("unusual = true\n" + FAR_FETCHED[name])
    plan = make_plan(machine, bpm=92)
    text = plan_text(plan) + compare_text(plan, make_plan(example_machine()), names=("a", "b"))
    assert all(line.isprintable() for line in text.splitlines())
    assert "nan" not in text and "inf" not in text.replace("information", "")
    json.dumps(plan_data(plan), allow_nan=False)


@pytest.mark.parametrize("send_db", [-1, 0, 3])
def test_heads_millimeters_and_meters_away_are_planned_within_what_is_promised(send_db):
    heads = "playback_heads = [{spacing_mm = 8}, {spacing_mm = 339}, {spacing_mm = 20_000}]"
    lines = f"unusual = true\ntransport.speeds_ips = [15, 30, 300]\nmixer.return_send_db = {send_db}\n"
    code = (
        "import sys, time; from tapecalc.machine import machine_from_text\n"
        "from tapecalc.plan import make_plan; from tapecalc.report.plan_text import plan_text\n"
        "begun = time.process_time(); plan_text(make_plan(machine_from_text(sys.argv[1])))\n"
        "print(time.process_time() - begun)"
    )
    words = [sys.executable, "-c", code, lines + heads]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert float(done.stdout) < fuzz.SECONDS  # of processor time; the most that was seen is 0.4 s


@pytest.mark.parametrize(
    "changes",
    [
        {
            "playback_heads.1.spacing_mm": 0.1,
            "transport.speeds_ips": [300],
            "unusual": True,
        },  # an echo too soon to be rendered
        {"transport.speeds_ips": [0.1], "unusual": True},  # and one after the end of the preview
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


@pytest.mark.parametrize("kind", sorted(soundfile.available_formats()))
def test_only_the_kinds_that_the_help_names_are_read(kind, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # one kind is two files, and the second lies where we are
    path = tmp_path / "take.wav"
    rate = 8000 if kind == "SVX" else 48000
    try:
        with path.open("wb") as file:
            soundfile.write(file, np.zeros(4000) + 0.1, rate, format=kind)
    except (ValueError, soundfile.SoundFileError, TypeError):
        pytest.skip("libsndfile writes none without more being said")
    if kind in ("WAV", "WAVEX", "FLAC", "OGG", "MP3"):
        assert len(read_sound(path)[0]) >= 4000
    else:
        with pytest.raises(
            ValueError, match="^take.wav: (is of the kind .*, and not WAV, FLAC, OGG or MP3|not a)"
        ):
            read_sound(path)


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
