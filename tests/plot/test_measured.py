"""The figures of a measurement and the folder it is written into."""

import dataclasses
import json

import deck_generator as generator
import numpy as np
import pytest
from figure_texts import every_size, text_problems

from tapecalc import measuring as measure
from tapecalc.calc.parts import TurningPart, fingerprint, part_rates
from tapecalc.machine import example_machine, read_machine, with_changes
from tapecalc.measuring import Estimate, PassResponse, Ruler, WhatIf
from tapecalc.plot import measured, style
from tapecalc.report.measurement import measured_figures, write_measurement

RATE = 32_000
#: The generator's deck has no equalizers.
MACHINE = with_changes(example_machine(), {"heads.treble_boost_db": 0.0})
LOW_CUT = Estimate(30.0, 2.0, "Hz")
SPEED = MACHINE.speeds[0]
RATES = part_rates(MACHINE.turning_parts, SPEED)
CAPSTAN, ROLLER = RATES["capstan"], RATES["pinch roller"]
DECK = generator.Deck(
    spacing=MACHINE.spacings[0], speed=SPEED, wobbles=((5e-4, CAPSTAN, 0.3), (1e-3, ROLLER, 1.0))
)
DELAY = DECK.spacing / DECK.speed


@pytest.fixture(scope="module")
def measurement():
    """A deck with two known wobbles and a filter of known shape, made by the independent generator."""

    def dull(frequency):
        return 1 / np.sqrt(1 + (frequency / 6000) ** 2)

    dry = generator.noise(6, RATE)
    wet = generator.soiled(generator.echo(dry, RATE, DECK, gain=dull), snr_db=45)
    tone = generator.soiled(generator.tone(20, RATE, DECK, through=True), snr_db=50)
    takes = [
        measure.Take(recording=measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE)),
        measure.Take(recording=measure.open_recording(tone, sample_rate=RATE), kind="tone"),
    ]
    ruler = Ruler(Estimate(DECK.spacing, 0.5e-3, "m"))
    return measure.measure(takes, machine=MACHINE, rulers=[ruler])


@pytest.fixture(scope="module")
def drawn(measurement):
    return measured_figures(measurement)


def test_every_measured_thing_gets_its_figure(drawn):
    assert set(drawn) == {"delay_head_1_speed_1", "response_head_1_speed_1", "flutter_speed_1"}


def test_the_delay_is_drawn_where_the_tape_really_was(drawn, measurement):
    artists = drawn["delay_head_1_speed_1"].artists
    time, delay_ms = artists["track"].get_data()
    told = np.isfinite(time)
    assert np.count_nonzero(told) > 100
    true_ms = 1e3 * DECK.delay(time[told])
    assert np.sqrt(np.mean((delay_ms[told] - true_ms) ** 2)) < 3e-3
    total = measurement.delays[0, 0].total
    assert artists["mean"].get_ydata() == pytest.approx([1e3 * total.value] * 2)
    low, high = artists["band"].get_paths()[0].get_extents().intervaly
    assert (high - low) / 2 == pytest.approx(1e3 * total.plus_minus, rel=1e-6)


def test_a_pause_in_the_sound_is_a_gap_in_the_line(measurement):
    track = measurement.delays[0, 0]
    keep = (track.time < 2) | (track.time > 4)
    holed = dataclasses.replace(track, time=track.time[keep], track=track.track[keep])
    time, _ = measured.delay_over_time(track=holed).artists["track"].get_data()
    assert np.count_nonzero(np.isnan(time)) == 1
    assert time[np.flatnonzero(np.isnan(time)) - 1] < 2 < time[np.flatnonzero(np.isnan(time)) + 1]


def test_an_hour_of_delay_is_drawn_with_few_points_about_the_same_mean(measurement):
    track = measurement.delays[0, 0]
    time = np.arange(0, 3600, 0.05)
    delay = DELAY + 1e-4 * np.sin(2 * np.pi * time / 600)
    long = dataclasses.replace(track, time=time, track=delay, track_plus_minus=np.full(len(time), 1e-6))
    shown_time, shown = measured.delay_over_time(track=long).artists["track"].get_data()
    assert len(shown) < 2500
    assert shown == pytest.approx(1e3 * (DELAY + 1e-4 * np.sin(2 * np.pi * shown_time / 600)), abs=1e-4)


def test_two_readings_and_one_are_drawn_too(measurement):
    track = measurement.delays[0, 0]
    for count in (1, 2):
        short = dataclasses.replace(track, time=track.time[:count], track=track.track[:count])
        assert len(measured.delay_over_time(track=short).artists["track"].get_xdata()) == count


def test_lines_stand_at_the_wobbles_that_were_put_in_and_carry_their_names(drawn):
    figure = drawn["flutter_speed_1"]
    read, own = (dict(zip(*figure.artists[name].get_data(), strict=True)) for name in ("read", "own"))
    for rate, depth in ((CAPSTAN, 0.05), (ROLLER, 0.1)):
        comb = 2 * abs(np.sin(np.pi * rate * DELAY))
        (nearest,) = [r for r in read if abs(r - rate) < 0.02]
        assert read[nearest] == pytest.approx(comb * depth, rel=0.02)
        assert own[nearest] == pytest.approx(depth, rel=0.02)
    texts = {text.get_text() for text in figure.figure.axes[0].texts}
    assert {"capstan", "pinch roller"} <= texts and drawn[
        "flutter_speed_1"
    ].title == "The pinch roller wobbles most"
    assert "capstan at 7.5" in figure.caption and "% its own" in figure.caption


def test_rates_that_the_recording_cannot_show_are_marked(drawn):
    blind = drawn["flutter_speed_1"].artists["blind"].get_xdata()
    assert blind == pytest.approx(np.arange(1, 9) / DELAY, rel=1e-4)


def test_no_line_is_lost_between_the_points_of_the_spectrum(drawn, measurement):
    rate, depth = drawn["flutter_speed_1"].artists["spectrum"].get_data()
    assert len(rate) < 600
    assert depth.max() == pytest.approx(100 * measurement.flutter[0].depth[1:].max())


def test_a_test_tape_has_neither_a_comb_nor_a_second_mark():
    tape = measure.open_recording(generator.tone(8, RATE, DECK), sample_rate=RATE)
    reading = measure.measure_flutter(tape, record_mode="test tape")
    figure = measured.flutter_spectrum(reading=reading, delay=DELAY)
    assert len(figure.artists["own"].get_xdata()) == len(figure.artists["blind"].get_xdata()) == 0
    assert "own" not in figure.caption and "a line at" in figure.caption


def test_lines_close_together_are_named_apart_and_a_part_nobody_knows_is_said():
    deck = dataclasses.replace(DECK, wobbles=((1e-3, 4.0, 0), (8e-4, 5.0, 0)))
    tape = measure.open_recording(generator.tone(20, RATE, deck), sample_rate=RATE)
    reading = measure.measure_flutter(tape, record_mode="test tape")
    roller = TurningPart(name="roller", diameter=SPEED / np.pi / 2.0)  # twice a second
    verdicts = fingerprint(reading.peaks(), [roller], SPEED)
    figure = measured.flutter_spectrum(reading=reading, verdicts=verdicts)
    assert {text.get_text() for text in figure.figure.axes[0].texts} == {"2 x roller", "not in the list"}
    assert "2 x roller at 4.00 Hz" in figure.caption and "not in the list at 5.00 Hz" in figure.caption
    assert figure.title == "The roller wobbles most" and text_problems(figure.figure, "notebook") == []
    # A line that was not asked about is not called unknown.
    verdicts = fingerprint(reading.peaks()[:1], [roller], SPEED)
    assert "a line at 5.00 Hz" in measured.flutter_spectrum(reading=reading, verdicts=verdicts).caption


def test_a_line_whose_own_depth_is_hidden_says_so(measurement):
    reading = measurement.flutter[0]
    hidden = dataclasses.replace(reading.lines[0], element_depth=None)
    figure = measured.flutter_spectrum(reading=dataclasses.replace(reading, lines=(hidden,)))
    assert "its own cannot be told" in figure.caption
    assert len(figure.artists["own"].get_xdata()) == 0


def test_a_tone_without_a_line_is_drawn_as_that(measurement):
    reading = dataclasses.replace(measurement.flutter[0], lines=())
    assert "no line stands out" in measured.flutter_spectrum(reading=reading).caption


def test_the_response_is_that_of_the_path(drawn):
    figure = drawn["response_head_1_speed_1"]
    frequency, level_db = figure.artists["level"].get_data()
    true_db = -10 * np.log10(1 + (frequency / 6000) ** 2) + 10 * np.log10(1 + (1000 / 6000) ** 2)
    inside = (frequency > 200) & (frequency < 8000)
    assert np.max(np.abs(level_db - true_db)[inside]) < 0.3
    assert "as aligned" in figure.artists["explanations"]
    assert "3 dB down at 6" in figure.caption


def test_explanations_that_cannot_be_told_apart_are_drawn_together():
    f = np.geomspace(50, 15000, 60)
    response = PassResponse(f, np.zeros(60), np.full(60, 0.1), np.ones(60), Estimate(0.0, 0.1, "dB"))
    gap = WhatIf({"gap": Estimate(8e-6, 1e-7, "m")}, LOW_CUT, 0.1, 10.0, np.full(60, -0.1))
    tilt = WhatIf({"azimuth": Estimate(3e-3, 1e-4, "rad")}, LOW_CUT, 0.1, 11.0, np.full(60, -0.2))
    far = WhatIf({"separation": Estimate(3e-6, 1e-7, "m")}, LOW_CUT, 2.0, 900.0, np.full(60, -3.0))
    aligned = WhatIf({}, LOW_CUT, 3.0, 1900.0, np.full(60, -4.0))
    figure = measured.measured_response(response=response, what_ifs=(gap, tilt, far, aligned))
    assert set(figure.artists["explanations"]) == {"gap", "azimuth", "as aligned"}
    texts = [text.get_text() for text in figure.figure.axes[0].texts]
    assert texts == ["measured", "gap\n8.00 \N{MICRO SIGN}m", "azimuth\n10.3'", "as aligned"]
    assert figure.title == "More than one cause explains it"
    alone = measured.measured_response(response=response, what_ifs=(gap, far, aligned))
    assert alone.title == "Gap explains it best"


@pytest.mark.parametrize("size", every_size("article_single", "vertical"))
@pytest.mark.parametrize("symbols_only", [False, True])
def test_texts_lie_inside_and_apart_in_every_profile(size, symbols_only, measurement):
    look = {"profile": size, "symbols_only": symbols_only}
    for figure in (
        measured.delay_over_time(track=measurement.delays[0, 0], **look),
        measured.measured_response(
            response=measurement.responses[0, 0], what_ifs=measurement.what_ifs[0, 0], **look
        ),
        measured.flutter_spectrum(
            reading=measurement.flutter[0], verdicts=measurement.suspects[0], delay=DELAY, **look
        ),
    ):
        assert text_problems(figure.figure, size) == []


def test_words_for_those_who_cannot_see_it_are_there_and_files_repeat(drawn, measurement):
    again = measured_figures(measurement)
    for name, figure in drawn.items():
        assert len(figure.alt) > 40 and figure.alt.endswith(".") and figure.caption.endswith(".")
        assert figure.sources and "nan" not in figure.alt
        assert style.figure_bytes(figure.figure, "svg") == style.figure_bytes(again[name].figure, "svg")


def test_a_figure_can_be_drawn_into_the_readers_own_axes(measurement):
    with style.context("page") as page:
        figure = style.new_figure(page)
        axes = figure.subplots(1, 2)[1]
        drawn = measured.delay_over_time(track=measurement.delays[0, 0], profile=page, axes=axes)
    assert drawn.figure is figure and axes.has_data()


def test_the_folder_gets_figures_machine_and_numbers(measurement, tmp_path):
    paths = write_measurement(measurement, tmp_path / "new" / "folder", machine=MACHINE).paths
    names = [path.name for path in paths]
    assert names[0] == "report.html" and names[-1] == "measured.json" and len(names) == 9
    there = {path.name for path in (tmp_path / "new" / "folder").iterdir()}
    assert there == {*names, "SHA256SUMS"}
    data = json.loads(paths[-1].read_text())
    assert data["machine_file"] == "machine.toml"
    assert data["delays"]["head 1, speed 1"]["total"]["value"] == pytest.approx(DELAY, abs=1e-4)
    machine = read_machine(tmp_path / "new" / "folder" / "machine.toml")
    assert machine.name == "Bench deck, measured"
    assert machine.delays(machine.speeds[0])[0] == pytest.approx(DELAY, rel=1e-3)


def test_where_speed_cannot_be_told_there_is_no_machine_file_and_the_numbers_say_why(measurement, tmp_path):
    alone = dataclasses.replace(measurement, geometry=None)
    paths = write_measurement(alone, tmp_path).paths
    assert not (tmp_path / "machine.toml").exists()
    assert "cannot tell, because" in json.loads(paths[-1].read_text())["machine_file"]


def test_a_figure_that_fails_leaves_nothing_behind(measurement, tmp_path, monkeypatch):
    def fails(*_, **__):
        raise ValueError("no ink")

    monkeypatch.setattr(style, "figure_bytes", fails)
    with pytest.raises(ValueError, match="no ink"):
        write_measurement(measurement, tmp_path / "out", machine=MACHINE)
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_is_named(measurement, tmp_path):
    (tmp_path / "out").write_text("a file, not a folder")
    with pytest.raises(OSError, match="cannot write to"):
        write_measurement(measurement, tmp_path / "out", machine=MACHINE)
    assert (tmp_path / "out").read_text() == "a file, not a folder"
