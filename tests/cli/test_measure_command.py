"""``python -m tapecalc measure``: recordings in, figures with their uncertainties out, or why not."""

import json
import re

import deck_generator as generator
import numpy as np
import pytest
import soundfile

from tapecalc import measuring as measure
from tapecalc.cli import main
from tapecalc.machine import example_machine, read_machine

RATE = 32_000
DECK = example_machine()
FAST, SLOW = (generator.Deck(spacing=DECK.spacings[0], speed=speed) for speed in DECK.speeds)
FAR = (0.0800, 0.1185)  # m, where two more heads stand


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Takes that somebody at home could have made."""
    folder = tmp_path_factory.mktemp("takes")
    dry = generator.noise(3, RATE)
    for name, deck in (("fast", FAST), ("slow", SLOW)):
        wet = generator.soiled(generator.echo(dry, RATE, deck), snr_db=40)
        soundfile.write(folder / f"{name}.wav", np.stack([dry, wet], axis=1), RATE, subtype="FLOAT")
        soundfile.write(folder / f"{name}, tape.wav", wet, RATE, subtype="FLOAT")
        for head, spacing in enumerate(FAR, start=2):
            far = generator.Deck(spacing=spacing, speed=deck.speed)
            wet = generator.soiled(generator.echo(dry, RATE, far), snr_db=40, seed=head)
            soundfile.write(folder / f"{name}{head}.wav", np.stack([dry, wet], axis=1), RATE, subtype="FLOAT")
    soundfile.write(folder / "dry.wav", dry, RATE, subtype="FLOAT")
    tone = generator.tone(8, RATE, generator.Deck(wobbles=((1e-3, 4.0, 0.0),)))
    soundfile.write(folder / "tone.wav", tone, RATE, subtype="FLOAT")
    soundfile.write(folder / "hiss.wav", 1e-3 * generator.noise(4, RATE), RATE, subtype="FLOAT")
    soundfile.write(folder / "silent.wav", np.zeros((2 * RATE, 2)), RATE)
    (folder / "text.wav").write_text("no sound")
    return folder


def printed(arguments, capsys):
    """The output of a command that ends well."""
    assert main(["measure", *map(str, arguments)]) == 0
    streams = capsys.readouterr()
    assert streams.err == ""
    return streams.out


def told(text, figure):
    """Value and interval of one row of the table."""
    (row,) = [line for line in text.splitlines() if line.startswith(f"{figure}  ")]
    value, spread = re.findall(r"(-?[\d.]+)(?: |$)", row.removeprefix(figure))[:2]
    return float(value), float(spread)


def test_delays_at_two_speeds_and_a_ruler_give_spacing_and_speeds(folder, capsys):
    takes = ["--program", folder / "fast.wav", "--program", folder / "slow.wav"]
    text = printed([*takes, "--ruler-mm", "41.5", "--ruler-plus-minus-mm", "0.3"], capsys)
    for at, deck in ((1, FAST), (2, SLOW)):
        value, spread = told(text, f"delay, head 1, speed {at}")
        assert value == pytest.approx(1e3 * deck.spacing / deck.speed, abs=spread)
        assert spread < 0.1
    assert told(text, "spacing, head 1") == (41.5, 0.3)
    value, spread = told(text, "speed 1")
    assert value == pytest.approx(7.5, abs=spread)
    assert spread == 0.06  # 7.5 * 0.3 / 41.5 = 0.0542, rounded up
    assert "hang on one absolute measurement" in " ".join(text.split())


def test_the_columns_of_the_table_stand_one_below_the_other(folder, capsys):
    text = printed(["--program", folder / "fast.wav", "--machine", "example"], capsys)
    table = text.split("\n\n")[0].splitlines()[1:]
    second = table[1].index(" ", 5) + 2
    assert all(line[second - 2 : second] == "  " for line in table)
    assert any(line.startswith("What would explain the response") for line in text.splitlines())


def test_a_stopwatch_for_each_speed_does_it_too(folder, capsys):
    takes = ["--program", folder / "fast.wav", "--program", folder / "slow.wav"]
    watch = ["--stopwatch", "10", 10 / FAST.speed, "--stopwatch", "10", 10 / SLOW.speed]
    text = printed([*takes, *watch], capsys)
    value, spread = told(text, "spacing, head 1")
    assert value == pytest.approx(41.5, abs=spread)
    assert 0.05 < spread < 0.2  # a fifth of a second in a minute or two


@pytest.mark.parametrize(
    ("more", "of_speed", "of_spacing"),
    # 10 m at 7.5 ips take 52.493 s; thumb and marks make 0.394 %, 0.138 %, 0.629 % and 1.381 %. Of 7.5 ips
    # these are 0.0295, 0.0104, 0.0471 and 0.1036, of 41.5 mm 0.1635, 0.0573, 0.2609 and 0.573.
    [
        ([], 0.03, 0.17),
        (["--thumb-plus-minus-s", "0.05"], 0.011, 0.06),
        (["--marks-plus-minus-percent", "0.5"], 0.05, 0.27),
        (["--thumb-plus-minus-s", "0.5", "--marks-plus-minus-percent", "1"], 0.11, 0.6),
    ],
)
def test_speed_is_as_sure_as_thumb_and_marks(more, of_speed, of_spacing, folder, capsys):
    watch = ["--stopwatch", "10", 10 / FAST.speed, *more]
    text = printed(["--program", folder / "fast.wav", *watch], capsys)
    assert told(text, "speed 1")[1] == of_speed
    assert told(text, "spacing, head 1")[1] == of_spacing


THREE_HEADS = [
    *("--head", "1", "--program", "fast.wav", "--program", "slow.wav"),
    *("--head", "2", "--program", "fast2.wav", "--program", "slow2.wav"),
    *("--head", "3", "--program", "fast3.wav", "--program", "slow3.wav"),
]
#: The same, told speed by speed.
THREE_HEADS_TURNED = [
    *("--speed", "2", "--program", "slow.wav", "--head", "2", "--program", "slow2.wav"),
    *("--head", "3", "--program", "slow3.wav", "--speed", "1", "--program", "fast3.wav"),
    *("--head", "1", "--program", "fast.wav", "--head", "2", "--program", "fast2.wav", "--head", "3"),
]


@pytest.mark.parametrize("takes", [THREE_HEADS, THREE_HEADS_TURNED])
def test_three_heads_at_two_speeds_are_measured_with_one_ruler(takes, folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    text = printed([*takes, "--ruler-mm", "118.7"], capsys)  # to the third head
    for head, spacing in enumerate((FAST.spacing, *FAR), start=1):
        for at, deck in ((1, FAST), (2, SLOW)):
            value, spread = told(text, f"delay, head {head}, speed {at}")
            assert value == pytest.approx(1e3 * spacing / deck.speed, abs=spread)
        value, spread = told(text, f"spacing, head {head}")
        assert value == pytest.approx(1e3 * spacing, abs=spread)
        assert spread == pytest.approx(0.5 * spacing / FAR[1], abs=0.02)
    assert "clash" not in text


def test_a_ruler_for_each_head_says_more_than_one(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    one = ["--ruler-mm", "41.5", "--program", "fast.wav", "--head", "2", "--program", "fast2.wav"]
    two = [*one, "--ruler-mm", "80"]
    spreads = [told(printed(takes, capsys), "spacing, head 2")[1] for takes in (one, two)]
    # By way of the first head 0.5 mm become 0.5 * 80 / 41.5 = 0.964; with the second ruler the weights add,
    # 1 / hypot(1 / 0.964, 1 / 0.5) = 0.444. Both are printed rounded up.
    assert spreads == [1.0, 0.5]


def test_a_take_of_the_slow_speed_alone_is_held_against_the_slow_speed(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    text = printed(["--speed", "2", "--program", "slow.wav", "--machine", "example"], capsys)
    assert told(text, "delay, head 1, speed 2")[0] == pytest.approx(1e3 * SLOW.spacing / SLOW.speed, abs=0.1)
    assert told(text, "spacing, head 1")[0] == pytest.approx(41.5, abs=0.1)


def test_tones_of_two_heads_are_read_once_and_it_says_so(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    text = printed(["--tone", "tone.wav", "--head", "2", "--tone", "tone.wav"], capsys)
    assert text.count("flutter, weighted, speed 1") == 1
    assert "read once for each speed" in " ".join(text.split())


def test_delays_alone_give_ratios_and_say_what_they_cannot_tell(folder, capsys):
    takes = ["--program", folder / "fast.wav", "--program", folder / "slow.wav"]
    text = printed(takes, capsys)
    assert re.search(r"spacing, head 1 +cannot be told", text)
    assert told(text, "speed 2 over speed 1")[0] == pytest.approx(0.5, abs=1e-4)
    assert "Delays alone cannot separate head spacing from tape speed" in " ".join(text.split())


def test_two_files_are_one_take_and_a_comma_in_a_name_is_no_trouble(folder, capsys):
    two = ["--program", f"{folder / 'dry.wav'},{folder / 'fast, tape.wav'}"]
    assert "start" in refused(["measure", *two], capsys)
    text = printed([*two, "--common-start"], capsys)
    assert told(text, "delay, head 1, speed 1")[0] == pytest.approx(1e3 * FAST.spacing / FAST.speed, abs=0.1)
    assert "Two files" in text
    assert "Nothing can be told" in refused(["measure", "--program", str(folder / "fast, tape.wav")], capsys)


def test_tone_and_silence_need_the_playback_only(folder, capsys):
    takes = ["--tone", folder / "tone.wav", "--tone-taken", "test-tape", "--silence", folder / "hiss.wav"]
    text = printed(takes, capsys)
    # Source: AES6-2008, weighting 0 dB at 4 Hz, two-sigma reading of a sine 0.997 of its peak.
    assert told(text, "flutter, weighted, speed 1")[0] == pytest.approx(0.0997, rel=0.01)
    assert told(text, "noise, speed 1")[0] == pytest.approx(-80, abs=0.5)


def test_the_folder_gets_numbers_figures_and_a_machine_file_that_plans(folder, tmp_path, capsys):
    out = tmp_path / "out"
    takes = ["--program", folder / "fast.wav", "--program", folder / "slow.wav", "--ruler-mm", "41.5"]
    text = printed([*takes, "--machine", "example", "--out", out], capsys)
    names = {path.name for path in out.iterdir()}
    assert {
        "report.html",
        "measured.json",
        "machine.toml",
        "delay_head_1_speed_1.svg",
        "response_head_1_speed_2.png",
    } <= names
    assert all(name in text for name in names - {"SHA256SUMS"})
    assert set(json.loads((out / "measured.json").read_text())["delays"]) == {
        "head 1, speed 1",
        "head 1, speed 2",
    }
    measured = read_machine(out / "machine.toml")
    assert measured.speeds == pytest.approx(DECK.speeds, rel=1e-3)
    assert [(one.head, one.speed) for one in measured.measured_delays] == [(1, 1), (1, 2)]
    assert main(["plan", str(out / "machine.toml")]) == 0
    assert "Echo plan for Bench deck, measured" in capsys.readouterr().out


def test_without_a_speed_there_is_no_machine_file_and_it_says_so(folder, tmp_path, capsys):
    text = printed(["--program", folder / "fast.wav", "--out", tmp_path / "out"], capsys)
    assert "No machine.toml: cannot tell, because the tape speed was not measured" in text
    assert not (tmp_path / "out" / "machine.toml").exists()


@pytest.mark.parametrize(("more", "rate"), [([], 48000), (["--sample-rate", "44100"], 44100)])
def test_the_test_signal_is_written_and_said_how_to_record(more, rate, tmp_path, capsys):
    path = tmp_path / "signal.wav"
    text = printed(["--make-test-signal", path, *more], capsys)
    assert "74 s" in text and "return send down" in text
    written, found = soundfile.read(path)
    assert found == rate
    np.testing.assert_allclose(written, measure.make_test_signal(rate), atol=2**-23)


def refused(arguments, capsys):
    """The one line that a command ends with."""
    assert main(list(arguments)) == 2
    streams = capsys.readouterr()
    assert streams.out == ""
    assert "Traceback" not in streams.err and "\x1b" not in streams.err
    return streams.err.splitlines()[-1]


WRONG = [
    (["--program", "silent.wav"], "because the playback channel is empty: look at its lead"),
    (["--program", "tone.wav"], "there is one channel only"),
    (["--signal", "silent.wav"], "because the playback channel is empty"),
    (["--tone", "dry.wav"], "cannot tell the flutter, because there are only 3.0 s"),
    (["--silence", "tone.wav"], "cannot tell the noise"),
    (["--repeats", "silent.wav"], "because the playback channel is empty"),
]


@pytest.mark.parametrize(("arguments", "said"), WRONG)
def test_wrong_material_gets_a_reason_and_never_a_number(
    arguments, said, folder, tmp_path, capsys, monkeypatch
):
    monkeypatch.chdir(folder)
    line = refused(["measure", *arguments, "--out", str(tmp_path / "out")], capsys)
    assert said in line
    assert "+/-" not in line
    assert not (tmp_path / "out").exists()


MISTAKES = [
    ([], "name a take: --signal, --program, --tone, --silence, --repeats, --tracks, or --make-test-signal"),
    (["--program", "none.wav"], "none.wav: there is no such sound file"),
    (["--program", "text.wav"], "text.wav: not a sound file that can be read"),
    (["--program", "dry.wav,none.wav"], "none.wav: there is no such sound file"),
    (["--program", "no\x1b[31m.wav"], "there is no such sound file"),
    (["--program", "fast.wav", "--machine", "none.toml"], "none.toml: cannot be read"),
    (["--program", "fast.wav", "--ruler-mm", "0"], "--ruler-mm must be greater than 0"),
    (["--program", "fast.wav", "--ruler-mm", "nan"], "--ruler-mm must be a finite number"),
    (
        ["--program", "fast.wav", "--ruler-mm", "40", "--ruler-plus-minus-mm", "0"],
        "--ruler-plus-minus-mm must be",
    ),
    (["--program", "fast.wav", "--ruler-mm", "long"], "invalid float value: 'long'"),
    (["--program", "fast.wav", "--stopwatch", "10"], "expected 2 arguments"),
    (["--program", "fast.wav", "--stopwatch", "10", "-3"], "--stopwatch SECONDS must be greater than 0"),
    (["--program", "fast.wav", "--sample-rate", "48000"], "--sample-rate belongs to --make-test-signal"),
    (["--program", "fast.wav", "--out", "text.wav"], "--out must be a folder, text.wav is a file"),
    (["--program", "."], "is a folder, and no sound file"),
    (["--tone", "tone.wav", "--tone-taken", "never"], "invalid choice: 'never'"),
    (["--make-test-signal", "x.wav", "--program", "fast.wav"], "make the test signal first"),
    (["--make-test-signal", "x.txt"], "x.txt"),
    (["--make-test-signal", "x.wav", "--sample-rate", "8000"], "sample_rate must be a whole number"),
    (["--make-test-signal", "text.wav/x.wav"], "cannot write to text.wav"),
    (
        ["--tone", "tone.wav", "--tone", "tone.wav", "--tone", "tone.wav", "--machine", "example"],
        "--tone was named 3 times, and Bench deck has 2 speeds",
    ),
    (7 * ["--program", "fast.wav"], "--program was named 7 times, and a machine has 6 speeds"),
    (
        ["--program", "fast.wav", *3 * ["--stopwatch", "10", "52"], "--machine", "example"],
        "--stopwatch was named 3 times, and Bench deck has 2 speeds",
    ),
    (["--head", "0", "--program", "fast.wav"], "--head must be a whole number from 1 to 8, got 0"),
    (["--head", "9", "--program", "fast.wav"], "--head must be a whole number from 1 to 8, got 9"),
    (["--speed", "7", "--program", "fast.wav"], "--speed must be a whole number from 1 to 6, got 7"),
    (["--head", "two", "--program", "fast.wav"], "argument --head: invalid int value: 'two'"),
    (["--head", "2", "--program", "fast.wav", "--machine", "example"], "--head 2: Bench deck has 1 head"),
    (["--speed", "3", "--program", "fast.wav", "--machine", "example"], "--speed 3: Bench deck has 2 speeds"),
    (["--program", "fast.wav", "--head", "2"], "--head 2 belongs before what it is of, and nothing follows"),
    (["--program", "fast.wav", "--speed", "2"], "--speed 2 belongs before what it is of"),
    (
        ["--speed", "1", "--program", "fast.wav", "--program", "slow.wav"],
        "Were they of two speeds or two heads?",
    ),
    (["--ruler-mm", "41.5"], "name a take: --signal"),
    (["--program", "fast.wav", "--ruler-plus-minus-mm", "1"], "--ruler-plus-minus-mm belongs to --ruler-mm"),
    (["--program", "fast.wav", "--thumb-plus-minus-s", "1"], "--thumb-plus-minus-s belongs to --stopwatch"),
    (
        ["--program", "fast.wav", "--marks-plus-minus-percent", "1"],
        "--marks-plus-minus-percent belongs to --stopwatch",
    ),
    (["--program", "fast.wav", "--tone-taken", "later"], "--tone-taken belongs to --tone"),
    (
        ["--program", "fast.wav", "--stopwatch", "10", "52", "--thumb-plus-minus-s", "-1"],
        "--thumb-plus-minus-s must be greater than 0 s, got -1",
    ),
    (
        ["--program", "fast.wav", "--stopwatch", "10", "52", "--marks-plus-minus-percent", "0"],
        "--marks-plus-minus-percent must be greater than 0",
    ),
    (
        ["--program", "fast.wav", "--stopwatch", "10", "52", "--marks-plus-minus-percent", "nan"],
        "--marks-plus-minus-percent must be a finite number",
    ),
    (["--program", "fast.wav", "--common-start"], "--common-start is of two files DRY,PLAYBACK"),
    (["--program", "fast.wav", "--before", "text.wav"], "text.wav: not a measured.json"),
    (["--program", "fast.wav", "--before", "none.json"], "none.json: cannot be read: No such file"),
    (["--tracks", "fast.wav", "--track-distance-mm", "-1"], "--track-distance-mm must be greater than 0"),
    (["--programm", "fast.wav"], "unrecognized arguments: --programm"),
]


@pytest.mark.parametrize(("arguments", "said"), MISTAKES)
def test_a_mistake_ends_with_one_line_and_status_2(arguments, said, folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    before = sorted(path.name for path in folder.iterdir())
    assert said in refused(["measure", *arguments], capsys)
    assert sorted(path.name for path in folder.iterdir()) == before


@pytest.mark.parametrize("seconds", [1, 3, 7])
def test_a_test_signal_that_is_cut_gets_a_sentence_and_no_number(seconds, tmp_path, capsys):
    signal = measure.make_test_signal(RATE)[: seconds * RATE]
    both = np.stack([signal, generator.echo(signal, RATE, FAST)], axis=1)
    soundfile.write(tmp_path / "cut.wav", both, RATE, subtype="FLOAT")
    line = refused(["measure", "--signal", str(tmp_path / "cut.wav")], capsys)
    assert "+/-" not in line and re.search("record all of it, 74 s|play something that does not", line)


def test_a_test_signal_cut_in_its_noise_tells_the_delay_and_what_is_missing(tmp_path, capsys):
    signal = measure.make_test_signal(RATE)[: 14 * RATE]
    wet = generator.soiled(generator.echo(signal, RATE, FAST), snr_db=40)
    soundfile.write(tmp_path / "cut.wav", np.stack([signal, wet], axis=1), RATE, subtype="FLOAT")
    text = printed(["--signal", tmp_path / "cut.wav"], capsys)
    value, spread = told(text, "delay, head 1, speed 1")
    assert value == pytest.approx(1e3 * FAST.spacing / FAST.speed, abs=spread)
    assert "not all of noise, sweeps, tone and silence is there" in " ".join(text.split())


def test_speeds_are_told_in_the_owners_unit(folder, tmp_path, capsys):
    owned = tmp_path / "metric.toml"
    owned.write_text("transport.speeds_cm_s = [19.1, 9.55]\nplayback_heads = [{spacing_mm = 41.5}]")
    takes = ["--program", folder / "fast.wav", "--machine", owned, "--out", tmp_path / "out"]
    text = printed(takes, capsys)
    assert re.search(r"speed 1 +19\.1 cm/s +0\.6 cm/s", text) and "ips" not in text.partition("What")[0]
    assert read_machine(tmp_path / "out" / "machine.toml").transport.speeds_cm_s is not None


@pytest.mark.slow
@pytest.mark.parametrize("more", [[], ["--ruler-plus-minus-mm", "0.05"]])
def test_what_was_measured_is_planned_with_the_same_plus_minus(more, folder, tmp_path, capsys):
    takes = ["--program", folder / "fast.wav", "--program", folder / "slow.wav", "--ruler-mm", "41.5", *more]
    text = printed([*takes, "--machine", "example", "--out", tmp_path], capsys)
    assert main(["plan", str(tmp_path / "machine.toml")]) == 0
    plan = capsys.readouterr().out
    assert "As measured, which is surer" in plan
    for at in (1, 2):
        (row,) = [line for line in text.splitlines() if line.startswith(f"delay, head 1, speed {at} ")]
        value, plus_minus = re.findall(r"[\d.]+ ms", row)
        assert plan.count(f"{value} +/- {plus_minus} ") >= 2, (
            at,
            row,
        )  # in the first sentence and in the table
    spacing = read_machine(tmp_path / "machine.toml").playback_heads[0].spacing_plus_minus_mm
    assert spacing == pytest.approx(0.05 if more else 0.5, rel=0.02)


def test_a_later_measurement_is_held_against_an_older_one(folder, tmp_path, capsys):
    known = ["--machine", "example", "--ruler-mm", "41.5"]
    printed(["--program", folder / "fast.wav", *known, "--out", tmp_path / "old"], capsys)
    older = ["--before", tmp_path / "old" / "measured.json"]
    again = printed(["--program", folder / "fast.wav", *known, *older, "--out", tmp_path / "new"], capsys)
    assert "Before and after" in again and "no more than chance" in again
    page = (tmp_path / "new" / "report.html").read_text(encoding="utf-8")
    assert "Nothing has changed but by chance." in page
    slower = printed(["--speed", "1", "--program", folder / "slow.wav", *known, *older], capsys)
    (row,) = [
        line for line in slower.splitlines() if line.startswith("delay, head 1, speed 1") and "217" in line
    ]
    assert re.search(r"217\.8\d+ ms \+/- [\d.]+ ms +435\.\d+ ms \+/- [\d.]+ ms +217\.", row)
