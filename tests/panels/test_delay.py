"""The panels about the delay say what the library reckons."""

from functools import partial

import numpy as np
import pytest
import scripts
from panel_runs import assert_drawn, controls_of, drawn_settings, heard, reckoned, told_at
from panel_sounds import assert_heard

from tapecalc import words
from tapecalc.calc import tempo, transport
from tapecalc.calc.units import from_si, ratio_to_cents, to_si
from tapecalc.course.delay import FACTS

INCH = 0.0254
PANELS = ("delayPanel", "speedChangePanel")


told = partial(told_at, "delay", FACTS)


# ---- what the library says ----


def delay_words(spacing_mm, speed_ips, ruler_mm, speed_percent):
    """The sentence and the rows of a delay and its plus/minus."""
    spacing, speed = spacing_mm / 1000, speed_ips * INCH
    delay = transport.delay_from_spacing(spacing, speed)
    # What a person types is twice a standard uncertainty, and so is what a person reads.
    u_ruler, u_speed = ruler_mm / 2000, speed * speed_percent / 200
    flat, upright, both = (
        2 * transport.delay_uncertainty(spacing, speed, *of)
        for of in ((u_ruler, 0.0), (0.0, u_speed), (u_ruler, u_speed))
    )
    sure = words.with_uncertainty(from_si(delay, "ms"), from_si(both, "ms"), "ms")
    where = f"{spacing_mm:g} mm at {words.speed_twice(speed)}"
    return f"{where}: the echo comes after {sure}, a {tempo.echo_zone(delay).name}.", {
        "from the ruler alone": f"+/- {words.amount(flat, 'ms', '.1f')}",
        "from the speed alone": f"+/- {words.amount(upright, 'ms', '.1f')}",
        "both together": f"+/- {words.amount(both, 'ms', '.1f')}",
        "same heads at half the speed": words.amount(2 * delay, "ms"),
    }


def farthest_semitones(spacing, first, last, lasts):
    """The largest bend of pitch by a fine table of the library's delays."""
    start, new_delay = 1.0, spacing / last
    time = np.linspace(0, start + lasts + new_delay, 40_001)
    speeds = np.interp(time, (start, start + lasts), (first, last))
    recorded = np.interp(time - transport.delay_at(time, speeds, spacing), time, speeds)
    return float(np.max(np.abs(ratio_to_cents(transport.pitch_ratio(speeds, recorded))))) / 100


def change_words(spacing_mm, first_ips, last_ips, change_s, semitones):
    """The sentence and the rows of a change of speed that bends so far."""
    before, after = (words.amount(spacing_mm / 1000 / (ips * INCH), "ms") for ips in (first_ips, last_ips))
    last = words.speed(last_ips * INCH)
    sentence = (
        f"From {first_ips:.4g} to {last} in {change_s:g} s: the delay goes from {before[:-3]} to {after}. "
        f"The echo {'falls' if last_ips < first_ips else 'rises'} by up to {semitones} semitones and is "
        f"back in tune {after} after the speed has settled."
    )
    lasts = change_s + spacing_mm / 1000 / (last_ips * INCH)
    rows = {"delay before": before, "delay after": after, "farthest out of tune": f"{semitones} semitones"}
    return sentence, {**rows, "out of tune for": f"{lasts:.2f} s"}


# ---- delay and plus/minus ----


def test_words_and_numbers_of_a_delay_are_the_librarys():
    settings = drawn_settings(controls_of("delay", "delayPanel", FACTS), 150, 1)
    for setting, found in zip(settings, reckoned("delay", "delayPanel", FACTS, settings), strict=True):
        assert (found["sentence"], dict(found["rows"])) == delay_words(**setting)


def test_by_hand():
    found = told("delayPanel", spacing_mm=50.8, speed_ips=7.5)
    # Source: definition of speed: 50.8 mm at 19.05 cm/s are 266.667 ms.
    assert found["delay"] == pytest.approx(0.266667, abs=1e-6)
    assert found["sentence"].startswith("50.8 mm at 7.5 ips (19.05 cm/s): the echo comes after 267 ms")
    assert found["sentence"].endswith("a separate echo.")
    found = told("delayPanel", spacing_mm=60, speed_ips=15, ruler_mm=0.8, speed_percent=0.5)
    assert found["flat"] == pytest.approx(0.8 / 381) and found["upright"] == pytest.approx(0.005 * 60 / 381)
    assert np.hypot(found["flat"], found["upright"]) == pytest.approx(found["slanted"])
    assert told("delayPanel", ruler_mm=0, speed_percent=0)["sentence"].endswith("after 217.8 ms, a slap.")


def test_what_is_typed_as_plus_minus_comes_out_as_plus_minus():
    found = told("delayPanel", spacing_mm=50, speed_ips=7.5, ruler_mm=1, speed_percent=0)
    # 50 mm +/- 1 mm are 2 %, and 2 % of 262.5 ms are 5.2 ms.
    assert "262 ms +/- 6 ms" in found["sentence"]
    assert found["table"]["from the ruler alone"] == found["table"]["both together"] == "+/- 5.2 ms"


def test_the_question_is_answered_at_both_speeds_and_where_both_matter_alike():
    # A millimeter of 41.5 is 2.4 %: more than two percent of speed, at any speed; of 50 it is just that.
    for speed_ips, ruler, speed in ((7.5, "+/- 5.2 ms", "+/- 4.4 ms"), (3.75, "+/- 10.5 ms", "+/- 8.7 ms")):
        rows = told("delayPanel", speed_ips=speed_ips)["table"]
        assert (rows["from the ruler alone"], rows["from the speed alone"]) == (ruler, speed)
    rows = told("delayPanel", spacing_mm=50)["table"]
    assert rows["from the ruler alone"] == rows["from the speed alone"] == "+/- 5.2 ms"


@pytest.mark.parametrize("ips", FACTS["standard_ips"])
def test_each_standard_speed_is_reached_by_the_slider_in_whole_steps(ips):
    control = controls_of("delay", "delayPanel", FACTS)[1]
    steps = np.log10(ips / control["low"]) / control["step"]
    assert steps == pytest.approx(round(steps), abs=1e-9)


@pytest.mark.parametrize(("spacing_mm", "speed_ips"), [(10, 15), (41.5, 7.5), (100, 3.75)])
def test_the_echo_is_heard_after_the_delay(spacing_mm, speed_ips):
    rate, samples = heard("delay", "delayPanel", FACTS, {"spacing_mm": spacing_mm, "speed_ips": speed_ips})
    delay, time = spacing_mm / 1000 / (speed_ips * INCH), np.arange(len(samples)) / rate

    def left_over(delay):
        """What two notes and their echoes after a delay do not explain."""
        starts = [0.05, 1.45, 0.05 + delay, 1.45 + delay]
        given = (time[:, None] - starts).T.tolist()
        shapes = np.array(scripts.run("hearing", "return given.map((row) => row.map(pluckedNote));", given))
        notes = np.stack([shapes[0] + shapes[1], shapes[2] + shapes[3]], axis=1)
        weights, *_ = np.linalg.lstsq(notes, samples, rcond=None)
        return np.max(np.abs(notes @ weights - samples)), weights[1] / weights[0]

    rest, level = left_over(delay)
    assert rest < 1e-6 and level == pytest.approx(0.7, abs=1e-5)
    assert left_over(delay + 0.1 / rate)[0] > 30 * rest  # so that a tenth of a sample would be noticed


@pytest.mark.parametrize("setting", [{}, {"spacing_mm": 10, "speed_ips": 15}, {"spacing_mm": 100}])
def test_the_sound_is_as_loud_as_a_program_and_begins_and_ends_in_silence(setting):
    assert_heard(*heard("delay", "delayPanel", FACTS, setting))


# ---- while the speed changes ----


def test_words_and_numbers_of_a_change_are_the_librarys():
    settings = drawn_settings(controls_of("delay", "speedChangePanel", FACTS), 100, 2)
    found = reckoned("delay", "speedChangePanel", FACTS, settings)
    moved = [(one, said) for one, said in zip(settings, found, strict=True) if said["rows"]]
    assert len(moved) > 100
    for setting, said in moved:
        first, last = (to_si(setting[name], "ips") for name in ("first_ips", "last_ips"))
        spacing = setting["spacing_mm"] / 1000
        exact = farthest_semitones(spacing, first, last, setting["change_s"])
        assert abs(said["farthest"]) == pytest.approx(exact, abs=0.01)
        assert exact - abs(said["farthest"]) < 1e-9  # the table goes by steps, the panel has the peak itself
        assert (said["sentence"], dict(said["rows"])) == change_words(
            **setting, semitones=f"{abs(said['farthest']):.1f}"
        )


def test_a_speed_that_stays_is_said_to_stay():
    for speed_ips in (3.75, 7.5, 15):
        found = told("speedChangePanel", first_ips=speed_ips, last_ips=speed_ips)
        delay = words.amount(0.0415 / (speed_ips * INCH), "ms")
        assert found["sentence"] == (
            f"The speed stays at {speed_ips:g} ips: the echo stays {delay} behind, and in tune."
        )
        assert found["rows"] == [] and np.allclose(found["pitches"], 0, atol=1e-9)


def test_the_curves_are_the_librarys_and_leave_zero_only_from_the_change_to_one_new_delay_after():
    found = told("speedChangePanel", spacing_mm=80, first_ips=3.75, last_ips=15, change_s=0.6)
    time, pitches = np.array(found["times"]), np.array(found["pitches"])
    speeds = np.interp(time, (1, 1.6), (3.75 * INCH, 15 * INCH))
    assert found["delays"] == pytest.approx(transport.delay_at(time, speeds, 0.08), rel=1e-9)
    assert np.all(np.diff(time) > 0)
    in_tune_again = 1.6 + 0.080 / (15 * INCH)
    outside = (time <= 1) | (time >= in_tune_again - 1e-9)
    assert pitches[outside] == pytest.approx(0, abs=1e-9) and np.all(pitches[~outside] > 0)
    assert "The echo rises" in found["sentence"]


def test_a_change_far_shorter_than_the_delay_bends_by_the_ratio_of_the_speeds():
    found = told("speedChangePanel", spacing_mm=100, change_s=0.05)
    assert found["farthest"] == pytest.approx(-12)  # half the speed is an octave


def test_the_question_of_a_change_is_answered_by_one_new_delay():
    # 41.5 mm at 3.75 ips: 41.5/95.25 s.
    assert "back in tune 436 ms after the speed has settled" in told("speedChangePanel")["sentence"]
    assert "back in tune 210 ms after" in told("speedChangePanel", spacing_mm=80, last_ips=15)["sentence"]


# ---- both ----


@pytest.mark.parametrize("panel", PANELS)
def test_every_picture_is_whole(panel):
    assert_drawn("delay", panel, FACTS)
