"""What a loop does to a tone is the library's in the page, and hiss shares the tape with it."""

from dataclasses import asdict, replace

import numpy as np
import pytest
import scripts
from mirrors import exported, in_page, mirrored, places

from tapecalc.calc import loop
from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine

DECK = example_machine()
ONE_PASS = DECK.one_pass(DECK.speeds[0])

NUMBERS = {
    "describingFunction": (lambda drive: loop.describing_function(drive, 1.0), [(1e-9, 20.0)]),
    "settlingLevel": (lambda db: loop.settling_level(db, 1.0), [(1e-3, 12.0)]),
    "crowdSettlingLevel": (lambda db: loop.crowd_settling_level(db, 1.0), [(1e-3, 12.0)]),
}
TOLD_BELOW = {"onceRound", "loopStart", "playedRounds"}
OWN = {"playedRounds"}


def test_every_formula_is_told():
    assert set(exported("loops")) == NUMBERS.keys() | TOLD_BELOW
    for name in set(exported("loops")) - OWN:
        assert callable(mirrored(name, "loops"))


def test_numbers_are_the_librarys():
    given = {name: places(limits, seed) for seed, (name, (_, limits)) in enumerate(NUMBERS.items())}
    found = in_page("loops", NUMBERS, given)
    for name, (function, _) in NUMBERS.items():
        wanted = [float(function(*row)) for row in given[name]]
        np.testing.assert_allclose(found[name], wanted, rtol=1e-9, err_msg=name)


def worn(dirt_um, low_cut, shape):
    """The deck's pass with some of its numbers changed."""
    today = replace(ONE_PASS.today, separation=dirt_um * 1e-6)
    return replace(ONE_PASS, today=today, low_cut=low_cut, pole_shape=shape)


def loop_of(delay, one_pass):
    """A loop of one head with its return send fully up."""
    return loop.EchoLoop(heads=Heads.from_delays(delay, one_pass.speed), return_gain=1.0, one_pass=one_pass)


def test_one_round_is_the_librarys():
    rows = places([(0.03, 0.4), (0.0, 5.0), (0.0, 320.0), (1.0, 40e3)], 4)
    passes = [
        worn(dirt, cut, ("flat", "blocks", "plates")[k % 3]) for k, (_, dirt, cut, _) in enumerate(rows)
    ]
    given = [[asdict(one), row[0], row[3]] for one, row in zip(passes, rows, strict=True)]
    found = scripts.run("loops", "return given.map((row) => onceRound(...row));", given)
    wanted = [loop.loop_gain(loop_of(row[0], one), row[3]) for one, row in zip(passes, rows, strict=True)]
    # Sixteen digits of a phase of some ten thousand turns.
    np.testing.assert_allclose([re + 1j * im for re, im in found], wanted, rtol=1e-9, atol=1e-10)


@pytest.mark.slow
def test_a_loop_starts_where_the_library_says():
    rows = places([(0.03, 0.3), (0.0, 5.0), (5.0, 400.0)], 5)
    passes = [worn(dirt, cut, ("flat", "blocks", "plates")[k % 3]) for k, (_, dirt, cut) in enumerate(rows)]
    given = [[asdict(one), row[0]] for one, row in zip(passes, rows, strict=True)]
    script = """return given.map((row) => {
      const { levelDb, frequency, low, high } = loopStart(...row);
      return [-levelDb, frequency, low, high];
    });"""
    for row, one, page in zip(rows, passes, scripts.run("loops", script, given), strict=True):
        found = loop.stability(loop_of(row[0], one), count_modes=False)
        wanted = [found.margin_db, found.frequency, *found.band]
        np.testing.assert_allclose(page, wanted, rtol=1e-9, atol=1e-9, err_msg=str(row))


# ---- tone and hiss on one tape ----


def played(gain, start_db, hiss_db, count):
    """Levels of the tone and of the hiss, dB, round by round."""
    script = "const found = playedRounds(...given); return [[...found.levelsDb], [...found.hissesDb]];"
    return np.array(scripts.run("loops", script, [gain, 10 ** (start_db / 20), hiss_db, count]))


@pytest.mark.parametrize("gain_db", [-6.0, -0.5, 0.0, 1.0])
def test_far_from_a_full_tape_nothing_is_held_back(gain_db):
    levels_db, hisses_db = played(10 ** (gain_db / 20), -60.0, -90.0, 12)
    assert levels_db == pytest.approx(-60 + gain_db * np.arange(12), abs=0.01)
    # Hiss of different passes is not alike: powers add.
    wanted_db = -90 + loop.noise_build_up_db(gain_db, np.arange(1, 13))
    assert hisses_db == pytest.approx(wanted_db, abs=0.01)


def test_each_repeat_is_what_the_limit_leaves():
    levels_db, _ = played(1.2, -20.0, -80.0, 60)
    on_bus = 0.1
    for level_db in levels_db:
        assert level_db == pytest.approx(
            20 * np.log10(on_bus * loop.describing_function(on_bus, 1.0)), abs=1e-9
        )
        on_bus = 1.2 * 10 ** (level_db / 20)
    assert on_bus == pytest.approx(loop.settling_level(20 * np.log10(1.2), 1.0), rel=1e-6)


@pytest.mark.parametrize(
    ("gain", "start_db", "hiss_db"),
    [(1.3, -20, -65), (1.3, -9, -40), (1.1, -9, -65), (1.02, -9, -50), (0.95, 0, -40)],
)
def test_hiss_rides_on_the_tone_and_is_held_with_it(gain, start_db, hiss_db):
    # Source: a tone and noise sent round a tanh many times, at places of the tone that lie close near zero.
    rng, share = np.random.default_rng(7), (np.arange(300) + 0.5) / 300
    own = 10 ** (hiss_db / 20) / np.sqrt(2)  # a full tape is a sine of amplitude 1
    bus = 10 ** (start_db / 20) * np.sin(np.pi / 2 * share**3)[:, None] * np.ones(600)
    found_db = []
    for _ in range(50):
        playback = np.tanh(bus) + own * rng.standard_normal(bus.shape)
        power = np.mean(3 * share**2 * playback.var(axis=1))
        found_db.append(10 * np.log10(2 * power))
        bus = gain * playback
    assert played(gain, start_db, hiss_db, 50)[1] == pytest.approx(found_db, abs=0.8)
