"""What holds for the plan of any machine: tables agree, advice leads to what it promises."""

import math
import re

import numpy as np
import pytest
from flat_machines import ONE_HEAD, flat_machine
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tapecalc.machine import machine_from_data, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.plan_text import headlines, tables

pytestmark = pytest.mark.slow
few = settings(
    max_examples=min(25, settings.default.max_examples),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


def hundredths(low, high):
    """Numbers as a person types them: others are as small as 1e-300 now and then, which a file refuses."""
    return st.integers(round(100 * low), round(100 * high)).map(lambda whole: whole / 100)


SOME_HEADS, ANY_SEND_DB = st.integers(1, 3), hundredths(-40, 3)
NO_POLES, ANY_POLES = st.just(0.0), st.sampled_from([0.0, 2.0, 5.0])
#: The largest bump that there can be: the integral of J0 from 0 to its first zero, 1.4703, in dB.
LARGEST_BUMP_DB = 3.349


@st.composite
def machines(draw, heads=SOME_HEADS, send_db=ANY_SEND_DB, poles=ANY_POLES):
    """Machines of a few heads, dirty or clean, at one or two speeds."""
    count = draw(heads)
    spacings = sorted(draw(st.lists(st.integers(8, 60), min_size=count, max_size=count, unique=True)))
    head = st.fixed_dictionaries(
        {"level_db": hundredths(-15, 5), "inverted": st.booleans(), "feeds_return": st.booleans()}
    )
    data = {
        "transport": {"speeds_cm_s": draw(st.sampled_from([[19.05], [9.525], [19.05, 9.525]]))},
        "heads": {
            "spacing_loss_um": draw(hundredths(0, 5)),
            "azimuth_error_arcmin": draw(hundredths(0, 15)),
            "low_cut_hz": draw(hundredths(10, 200)),
            "pole_length_mm": draw(poles),
        },
        "playback_heads": [{"spacing_mm": 4.0 * mm, **draw(head)} for mm in spacings],
        "mixer": {"input_send_db": draw(hundredths(-20, 10)), "return_send_db": draw(send_db)},
        "song": {"faded_db": draw(hundredths(-60, -10)), "wanted_repeats": draw(st.integers(1, 12))},
        "levels": {"instrument_dbu": draw(hundredths(-30, 0)), "mixer_gain_db": draw(hundredths(-10, 30))},
    }
    return machine_from_data(data, "drawn")


@few
@given(machines())
def test_the_way_through_the_levels_is_the_loop(machine):
    """From the machine's input to the return the level changes by the largest loop gain of all speeds."""
    plan = make_plan(machine)
    fed = any(head.feeds_return for head in machine.playback_heads)
    assert ("return send" in [node.name for node in plan.levels.nodes]) == fed
    assert all((one.return_send_db is not None) == fed for one in plan.loops)
    if not fed:
        return
    once_db = plan.node("return send").dbu - plan.node("machine input").dbu
    assert once_db == pytest.approx(max(one.gain_db for one in plan.loops), abs=1e-6)
    # Heads outside the loop are heard beside the others: never less comes out of the machine than goes back.
    back_db = plan.node("return send").dbu - machine.mixer.return_send_db
    assert plan.node("playback output").dbu >= back_db - 1e-9
    for one in plan.loops:
        largest_db = LARGEST_BUMP_DB if one.bumps else 0.0
        assert one.stability.margin_db >= -one.gain_db - largest_db - 1e-6


@few
@given(machines())
def test_rows_of_the_loop_do_not_contradict_each_other(machine):
    for one in make_plan(machine).loops:
        assert one.stability.stable == (one.growth_db_per_s is None)
        assert not one.runs_away or (one.repeats is None and one.gone_in is None)
        assert one.stability.stable <= (not one.runs_away)
        assert one.bumps or one.runs_away == (not one.stability.stable)  # nothing lies in between
        assert (one.snr_db is None) == (one.gain_db >= 0 or one.runs_away)
        assert (one.piled_up_db is None) == (one.stability.bound_db <= 0)
        assert (one.settles_dbu is None) == (one.stability.margin_db >= 0)
        if one.repeats is not None:
            step = -one.gain_db
            assert (
                (one.repeats - 1) * step
                <= -machine.song.faded_db * (1 + 1e-9)
                < one.repeats * step * (1 + 1e-9)
            )
        if one.settles_dbu is not None:
            alone, crowd = one.settles_dbu
            assert alone <= crowd <= alone + 3.02  # a square wave is as strong as a sine 3 dB louder
        lows, highs = zip(*((row.low or 0, row.high or math.inf) for row in one.tone), strict=True)
        assert list(lows) == sorted(lows) and list(highs) == sorted(highs, reverse=True)


@few
@given(machines(heads=st.just(1), send_db=hundredths(-60, 6), poles=NO_POLES))
def test_advice_leads_to_the_wish_and_is_not_what_is_set(machine):
    """What a headline says to set gives the wished repeats; where they are there already it says so."""
    assume(machine.playback_heads[0].feeds_return)
    plan, wish = make_plan(machine), machine.song.wanted_repeats
    said = " ".join(headlines(plan))
    sends = re.findall(rf"For {wish} set the return send to ([+-]\d+\.\d) dB\.", said)
    rows = next(table.rows for table in tables(plan) if table.key == "repeats")
    told = {row[-1] for row in rows} - {"as set"}
    for one, row in zip(plan.loops, rows, strict=True):
        assert (row[-1] == "as set") == (one.repeats == wish)
        if (
            one.return_send_db is None
        ):  # only one repeat, by less than the lowest send, or by more than the highest
            assert row[-1] in ("none", "as set")
            continue
        exact = with_changes(machine, {"mixer.return_send_db": one.return_send_db})
        again = {loop.speed: loop for loop in make_plan(exact).loops}[one.speed]
        assert again.repeats == wish
        assert wish == 1 or machine.song.faded_db / again.gain_db == pytest.approx(wish - 0.5)
    for send in sends:
        assert f"{send} dB" in told
        assert float(send) != round(machine.mixer.return_send_db, 1)
        there = make_plan(with_changes(machine, {"mixer.return_send_db": float(send)}))
        assert wish in {loop.repeats for loop in there.loops}
        # The plan of what it advised is content.
        assert ", as wished" in " ".join(headlines(there))


@few
@given(machines(heads=st.just(1), send_db=hundredths(0.01, 20)))
def test_turned_down_by_what_is_said_a_runaway_dies(machine):
    plan = make_plan(machine)
    less = [float(found) for found in re.findall(r"down by (\d+\.\d) dB", " ".join(headlines(plan)))]
    assert bool(less) == plan.runs_away
    if less:
        send_db = machine.mixer.return_send_db - max(less) - 1e-3
        assert not make_plan(with_changes(machine, {"mixer.return_send_db": send_db})).runs_away


@few
@given(hundredths(30, 300), hundredths(0.1, 3.0), hundredths(0.1, 20), st.integers(1, 9))
def test_chances_grow_with_doubt_and_repeats(bpm, plus_minus_mm, speed_percent, wish):
    machine = with_changes(
        flat_machine(ONE_HEAD),
        {
            "playback_heads.1.spacing_plus_minus_mm": plus_minus_mm,
            "transport.speed_plus_minus_percent": speed_percent,
            "song.wanted_repeats": wish,
            "songs": [],
        },
    )
    plan = make_plan(machine, bpm=bpm)
    ranks = [one.fit.rank for one in plan.tempos]
    assert ranks == pytest.approx(sorted(ranks), abs=1e-8)
    for one in plan.tempos:
        assert 0 <= one.chance <= one.chance_of_last + 1e-12 <= 1 + 1e-12
        relative = math.hypot(plus_minus_mm / 38.1, speed_percent / 100)
        assert one.delay.plus_minus == pytest.approx(relative * one.delay.delay)
        # As many of a million drawn machines are off.
        errors = one.fit.error + one.delay.u_delay * np.random.default_rng(1).standard_normal(100_000)
        assert one.chance == pytest.approx(np.mean(np.abs(errors) > one.fit.threshold), abs=0.006)
