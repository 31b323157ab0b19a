"""The panels about many heads say what the library reckons, and hold at every end."""

import itertools
import re
from functools import partial

import numpy as np
import pytest
from panel_runs import assert_drawn, controls_of, drawn_settings, heard, reckoned, told_at

from tapecalc import words
from tapecalc.calc import heads, response, standards, stereo, tempo
from tapecalc.calc.loop import EchoLoop, stability
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, to_si
from tapecalc.course.heads import FACTS, RHYTHM_MM
from tapecalc.machine import example_machine

DECK = example_machine()
FAST, SLOW = DECK.speeds
RETURNS = {
    "all three": (0, 1, 2),
    "the first alone": (0,),
    "the first and the last": (0, 2),
    "the last alone": (2,),
}


told = partial(told_at, "heads", FACTS)


def every(panel, count, seed):
    """Settings at the ends and between, with what the panel reckons there."""
    settings = drawn_settings(controls_of("heads", panel, FACTS), count, seed)
    return zip(settings, reckoned("heads", panel, FACTS, settings), strict=True)


def speed_of(setting):
    """The speed of a setting in m/s, as the library has it."""
    return to_si(float(setting["speed"].removesuffix(" ips")), "ips")


@pytest.mark.parametrize("panel", ["rhythmPanel", "combPanel", "returnPanel", "crossedPanel"])
def test_pictures_hold_at_every_end(panel):
    assert_drawn("heads", panel, FACTS)


# ---- a rhythm on the tape ----


def test_what_is_said_of_a_rhythm_is_the_librarys():
    for setting, found in every("rhythmPanel", 150, 41):
        speed, bpm = speed_of(setting), setting["bpm"]
        places = np.cumsum([setting["first_mm"], setting["second_mm"], setting["third_mm"]])
        fits = [one.fit for one in heads.rhythm(heads.Heads(spacings=tuple(places * 1e-3)), speed, bpm)]
        worst = max(fits, key=lambda fit: abs(fit.error))
        at, names = (
            words.listed(f"{place:.0f}" for place in places),
            words.listed(fit.note.name for fit in fits),
        )
        assert found["sentence"] == (
            f"At {setting['speed']} and {bpm:g} beats a minute the heads at {at} mm play {names}; the worst "
            f"is {words.amount(abs(worst.error), 'ms', '.1f')} off."
        ), setting
        wanted = {
            f"head {k}, {place:.0f} mm, {fit.note.name}": f"{words.amount(fit.delay, 'ms')}, "
            f"{words.level(1000 * fit.error, 'ms')} off"
            for k, (place, fit) in enumerate(zip(places, fits, strict=True), 1)
        }
        wanted["ears notice in a steady beat"] = words.amount(tempo.timing_threshold(worst.delay), "ms")
        assert dict(found["rows"]) == wanted, setting
        assert max(found["places"] + found["wanted"]) <= 240


def test_thirds_of_a_beat_of_tape_answer_the_question():
    found = told("rhythmPanel", first_mm=38, second_mm=38, third_mm=38, bpm=100)
    # A beat of 600 ms on tape at 190.5 mm/s: a third, two thirds and a whole of 114.3 mm.
    assert found["wanted"] == pytest.approx([38.1, 76.2, 114.3])
    assert "eighth triplet, quarter triplet and quarter" in found["sentence"]
    assert found["sentence"].endswith("the worst is 1.6 ms off.")  # 0.3 mm at 190.5 mm/s
    assert found["table"]["head 3, 114 mm, quarter"] == "598 ms, -1.6 ms off"


def test_half_the_speed_halves_the_ruler_and_leaves_the_heads():
    fast, slow = told("rhythmPanel", bpm=100), told("rhythmPanel", bpm=100, speed="3.75 ips")
    assert [mark["at_mm"] for mark in fast["marks"]][:4] == pytest.approx(114.3 / 4 * np.arange(1, 5))
    assert slow["marks"][0]["at_mm"] == pytest.approx(fast["marks"][0]["at_mm"] / 2)
    assert slow["places"] == fast["places"] == list(RHYTHM_MM)
    assert "quarter, dotted quarter and half" in told("rhythmPanel", speed="3.75 ips")["sentence"]


# ---- close heads ----


def test_what_is_said_of_a_comb_is_the_librarys():
    for setting, found in every("combPanel", 150, 42):
        apart = setting["apart_mm"] * 1e-3 / speed_of(setting)
        peak_db, notch_db = heads.comb_extremes_db(1.0, db_to_amplitude(setting["second_db"]))
        notches = heads.notch_frequencies(0, apart, 1000.0)
        fused = "the ear may hear two sounds"
        if apart < standards.FUSION_LIMIT:
            fused = "speech is heard as one sound, a click as two"
        if apart < standards.CLICK_FUSION_LIMIT:
            fused = "the ear hears one sound"
        assert found["sentence"] == (
            f"{setting['apart_mm']:g} mm at {setting['speed']} are {words.amount(apart, 'ms', '.1f')}: "
            f"{fused}, with peaks of {words.level(peak_db)} and its first notch at {0.5 / apart:.0f} Hz."
        ), setting
        assert dict(found["rows"]) == {
            "peaks": words.level(peak_db),
            "notches": f"{notch_db:.1f} dB" if notch_db > -40 else "silence",
            "from notch to notch": f"{1 / apart:.0f} Hz",
            "notches up to 1000 Hz": f"{notches.size}",
        }, setting
        assert found["notches"] == pytest.approx(notches.tolist())


def test_so_much_quieter_the_notches_are_3_db_deep():
    # 20 log10(1 - 10^(-10.7/20)) = -3.00; a tenth louder and they are deeper.
    assert told("combPanel", second_db=-10.7)["table"]["notches"] == "-3.0 dB"
    assert told("combPanel", second_db=-10.4)["table"]["notches"] == "-3.1 dB"


def test_equal_heads_cancel_to_silence_and_far_ones_are_two_sounds():
    found = told("combPanel")
    assert found["table"]["notches"] == "silence" and "one sound" in found["sentence"]
    assert "two sounds" in told("combPanel", apart_mm=12.0)["sentence"]  # 63 ms


@pytest.mark.parametrize("setting", [{"apart_mm": 1.0}, {"apart_mm": 2.0, "second_db": -6}])
def test_the_comb_is_heard_where_it_is_drawn(setting):
    rate, samples = heard("heads", "combPanel", FACTS, setting)
    assert (rate, samples.size) == (24000, 72000)
    assert np.max(np.abs(samples)) <= 0.5 and max(abs(samples[0]), abs(samples[-1])) < 1e-4
    apart = setting["apart_mm"] / 190.5
    second = 10 ** (setting.get("second_db", 0) / 20)
    one, two = (_spectrum(samples[start : start + 32000], 2400) for start in (2400, 38600))
    frequency = np.fft.rfftfreq(2400, 1 / rate)
    inside = (frequency > 50) & (frequency < 1000)
    comb_db = 20 * np.log10(np.abs(1 + second * np.exp(-2j * np.pi * frequency * apart)))
    loud = inside & (comb_db > 0)
    assert np.mean((10 * np.log10(two / one) - comb_db)[loud]) == pytest.approx(0, abs=1)
    quiet = inside & (comb_db < comb_db[inside].min() + 3)
    assert np.max(10 * np.log10(two / one)[quiet]) < -2


def _spectrum(samples, size):
    """The mean power of many short pieces."""
    pieces = np.lib.stride_tricks.sliding_window_view(samples, size)[:: size // 4] * np.hanning(size)
    return np.mean(np.abs(np.fft.rfft(pieces)) ** 2, axis=0)


# ---- heads on the return ----


def ways_round(feeds, send, gains, speed):
    """Amplitudes of a click's later echoes by millimeters of tape, each way followed on its own."""
    later, on_tape = {}, {at: send * gains[k] for k, at in enumerate(RHYTHM_MM) if k in feeds}
    while on_tape:
        coming = {}
        for (at, level), (k, further) in itertools.product(on_tape.items(), enumerate(RHYTHM_MM)):
            heard_level = level * gains[k]
            if (at + further) / 1000 / speed <= 6 and heard_level >= 10 ** (-36 / 20) * (1 - 1e-9):
                later[at + further] = later.get(at + further, 0) + heard_level
                if k in feeds:
                    coming[at + further] = coming.get(at + further, 0) + send * heard_level
        on_tape = coming
    return later


def test_what_is_said_of_the_return_is_the_librarys():
    for setting, found in every("returnPanel", 150, 43):
        feeds, speed = RETURNS[setting["feeds"]], speed_of(setting)
        send, gains = (
            db_to_amplitude(setting["return_send_db"]),
            db_to_amplitude(-setting["step_db"] * np.arange(3)),
        )
        three = heads.Heads(
            spacings=tuple(place / 1000 for place in RHYTHM_MM),
            gains=tuple(gains),
            feeds_return=tuple(k in feeds for k in range(3)),
        )
        worst = DECK.one_pass(FAST if speed > 0.15 else SLOW, pole_shape="plates")
        bound_db = stability(
            EchoLoop(heads=three, return_gain=send, one_pass=worst), count_modes=False
        ).bound_db
        later = ways_round(feeds, send, gains, speed)
        levels_db = amplitude_to_db(np.array([*gains, *later.values()]))
        count = np.count_nonzero(levels_db > -30 + 1e-6)
        state = "is safe by" if bound_db > 0 else "may run away, too loud by"
        assert found["sentence"] == (
            f"With {setting['feeds']} on the return at {setting['return_send_db']:g} dB the loop {state} "
            f"{abs(bound_db):.1f} dB, and a click has {count} echoes above -30 dB."
        ), setting
        assert dict(found["rows"]) == {
            "loop gain at most": words.level(-bound_db),
            "echoes above -30 dB": f"{count}",
        }
        assert [echo["time"] for echo in found["first"]] == pytest.approx(three.delays(speed).tolist())


def test_too_much_send_is_said_to_run_away():
    found = told("returnPanel", return_send_db=0.0, step_db=0.0)
    too_loud = re.search(r"may run away, too loud by ([\d.]+) dB", found["sentence"])
    # three heads, three times the amplitude, at the top of the largest bump, which lies below 200 Hz
    bump_db = DECK.one_pass(FAST, pole_shape="plates").level_db(np.linspace(50, 200, 15001)).max()
    assert 1 < bump_db < 2.1
    assert float(too_loud[1]) == pytest.approx(20 * np.log10(3) + bump_db, abs=0.051)


def test_with_the_last_head_alone_each_round_is_the_figure_one_quarter_later():
    found = told("returnPanel", feeds="the last alone", return_send_db=-6.0, step_db=3.0)
    first, later = (
        [(e["time"], 20 * np.log10(e["level"])) for e in found[name]] for name in ("first", "later")
    )
    period = RHYTHM_MM[-1] / 190.5
    for rounds in (1, 2):  # send and the last head's own level
        wanted = [(time + rounds * period, level_db - 12 * rounds) for time, level_db in first]
        for one, other in zip(later[3 * rounds - 3 : 3 * rounds], wanted, strict=True):
            assert one == pytest.approx(other, abs=3e-6)


@pytest.mark.parametrize("speed", ["7.5 ips", "3.75 ips"])
def test_echoes_of_one_moment_add_up(speed):
    found = told("returnPanel", feeds="the first and the last", return_send_db=-6.0, step_db=0.0, speed=speed)
    # 225 = 75 + 150 = 150 + 75 = 75 + 75 + 75: two ways through one return, one through two.
    one, time = 10 ** (-6 / 20), 225 / 25.4 / float(speed.removesuffix(" ips"))
    [level] = [echo["level"] for echo in found["later"] if abs(echo["time"] - time) < 1e-4]
    assert level == pytest.approx(2 * one + one**2, abs=1e-9)


# ---- two tracks ----


def test_what_is_said_of_crossed_returns_is_the_librarys():
    for setting, found in every("crossedPanel", 150, 44):
        share, send_db, both = (
            setting["crossed_percent"] / 100,
            setting["return_send_db"],
            setting["sent"] == "both",
        )
        speed = FAST if setting["speed"] == "7.5 ips" else SLOW
        sends = stereo.shared_sends(db_to_amplitude(send_db), share)
        made = stereo.StereoLoop(
            heads=(DECK.heads_at(speed),) * 2, sends=sends, one_pass=DECK.one_pass(speed, pole_shape="flat")
        )
        _, sides = stereo.stereo_echoes(made, (1.0, float(both)), longest=3.0, faintest_db=-36)
        worst = DECK.one_pass(speed, pole_shape="plates")
        margin_db = -send_db - response.loudest(worst)[1]
        heard_there = np.count_nonzero(np.abs(sides[:, 1]) >= db_to_amplitude(-30))
        how = {0: "stays on its side", 0.5: "becomes mono", 1: "changes sides each time"}.get(share)
        how = how or ("mostly stays on its side" if share < 0.5 else "mostly changes sides")
        state = "is safe by" if margin_db > 0 else "may run away, too loud by"
        assert found["sentence"] == (
            f"With {setting['crossed_percent']:g} % crossed at {send_db:g} dB the echo "
            f"{'is alike on both sides' if both else how}: {heard_there} answers on the right are heard, and "
            f"the loop {state} {abs(margin_db):.1f} dB."
        ), setting
        left = "not at all" if share == 0.5 else words.level(send_db + amplitude_to_db(abs(1 - 2 * share)))
        assert dict(found["rows"]) == {
            "the sum of both sides comes back at": words.level(send_db),
            "their difference": left + (", inverted" if share > 0.5 else ""),
        }, setting


def test_all_crossed_the_sides_take_turns_6_db_apart():
    found = told("crossedPanel")
    delay = 41.5 / 190.5
    assert [echo["time"] for echo in found["echoes"]] == pytest.approx(delay * np.arange(1, 7), abs=1e-5)
    sides = np.array([echo["sides"] for echo in found["echoes"]])
    assert np.all(sides[::2, 1] == 0) and np.all(sides[1::2, 0] == 0)
    # each pass is 0.1 dB below its own loudest or less
    assert 20 * np.log10(sides.sum(axis=1)) == pytest.approx(-6 * np.arange(6), abs=0.7)
    assert "changes sides each time: 2 answers on the right" in found["sentence"]  # -6 and -18, not -30.6 dB


def test_half_crossed_is_mono_from_the_second_answer_on():
    found = told("crossedPanel", crossed_percent=50)
    sides = np.array([echo["sides"] for echo in found["echoes"]])
    assert sides[0, 1] == 0 and sides[1:, 0] == pytest.approx(sides[1:, 1])
    assert found["table"]["their difference"] == "not at all" and "becomes mono" in found["sentence"]
    found = told("crossedPanel", crossed_percent=75)
    assert found["table"]["their difference"] == "-12.0 dB, inverted"  # 1 - 2 * 0.75 = -1/2


@pytest.mark.parametrize("percent", [0, 30, 100])
def test_the_margin_of_two_tracks_is_that_of_their_matrix_or_a_little_less(percent):
    found = told("crossedPanel", crossed_percent=percent, return_send_db=-9.0)
    told_db = float(re.search(r"safe by ([\d.]+) dB", found["sentence"])[1])
    both, worst = (DECK.heads_at(FAST),) * 2, DECK.one_pass(FAST, pole_shape="plates")
    made = stereo.StereoLoop(heads=both, sends=stereo.shared_sends(10**-0.45, percent / 100), one_pass=worst)
    exact = stereo.stereo_stability(made)
    assert told_db == pytest.approx(exact.bound_db, abs=0.051)
    assert told_db <= exact.margin_db + 0.051 < told_db + 0.2
