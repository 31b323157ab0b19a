"""What panels reckon about delay and tempo is the library's."""

import itertools

import numpy as np
import pytest
import scripts
from mirrors import exported, in_page, mirrored, places

from tapecalc import words
from tapecalc.calc import tempo, transport
from tapecalc.calc.units import ratio_to_cents
from tapecalc.course.delay import FACTS
from tapecalc.course.tempo import FACTS as TEMPO_FACTS

DELAY, SPEED, SPACING, BPM = (1e-5, 60.0), (0.001, 20.0), (1e-4, 20.0), (20.0, 400.0)
NOTES = [{"name": note.name, "beats": note.beats, "plain": note.plain} for note in tempo.NOTE_VALUES]


def semitones(speed, recorded):
    """Pitch in semitones."""
    return ratio_to_cents(transport.pitch_ratio(speed, recorded)) / 100


#: Of plain numbers: the library's function and from where to where each argument goes.
NUMBERS = {
    "delayUncertainty": (transport.delay_uncertainty, [SPACING, SPEED, (0.0, 1.0), (0.0, 0.1)]),
    "pitchSemitones": (semitones, [SPEED, SPEED]),
    "sleeveDiameter": (transport.sleeve_diameter, [(0.001, 0.05), (0.0, 1e-4), (0.2, 5.0)]),
    "gridOffset": (tempo.grid_offset, [DELAY, DELAY, (1, 30)]),
}
TOLD_BELOW = {"echoZone", "delayAt", "exactChanges", "repeatsInTime", "speedTwiceText", "signedText"}
OWN = {"signedText"}


def test_every_function_is_compared_and_says_what_it_mirrors():
    names = exported("timing")
    assert sorted(names) == sorted({*NUMBERS, *TOLD_BELOW})
    for name in set(names) - OWN:
        mirrored(name, "timing")


def test_numbers_are_the_librarys():
    given = {name: places(limits, seed) for seed, (name, (_, limits)) in enumerate(NUMBERS.items())}
    found = in_page("timing", NUMBERS, given)
    for name, (original, _) in NUMBERS.items():
        wanted = [original(*row) for row in given[name]]
        scale = [sum(map(abs, row[:2])) * row[-1] for row in given[name]] if name == "gridOffset" else 0
        off = np.abs(np.subtract(found[name], wanted))
        assert np.all(off <= 1e-9 * np.maximum(np.abs(wanted), scale) + 1e-13), name


def test_zones_of_delays_and_words_of_speeds_are_the_librarys():
    delays = [row[0] for row in places([DELAY], 1)] + [0.005, 0.04, 0.25, 0.0399999, 1e9]
    speeds = [row[0] for row in places([SPEED], 2)] + [0.1905, 0.09525]
    script = """return { zones: given.delays.map((delay) => echoZone(delay, given.zones)),
      speeds: given.speeds.map(speedTwiceText) };"""
    given = {"delays": delays, "zones": FACTS["zones"], "speeds": speeds}
    found = scripts.run("timing", script, given)
    assert found["zones"] == [tempo.echo_zone(delay).name for delay in delays]
    assert found["speeds"] == [words.speed_twice(speed) for speed in speeds]


def test_the_delay_while_the_speed_changes_is_the_librarys():
    rng, rows = np.random.default_rng(3), []
    for count in [*range(2, 12)] * 12:
        times = np.cumsum(rng.uniform(0.01, 1.0, count)) - rng.uniform(0, 2)
        rows.append((times.tolist(), rng.uniform(0.02, 0.8, count).tolist(), float(rng.uniform(1e-3, 0.5))))
    rows.append(([0.0, 1.0, 2.0], [0.2, 0.2, 0.2], 0.2))  # met just as the table begins
    found = scripts.run("timing", "return given.map((row) => delayAt(...row));", rows)
    assert sum(map(len, found)) > 700
    for row, delays in zip(rows, found, strict=True):
        np.testing.assert_allclose(delays, transport.delay_at(*row), rtol=1e-9, atol=1e-12)


def fits():
    """A thousand delays, tempos and notes, exact ones among them."""
    rows = places([(0.01, 6.0), BPM], 4)
    given = [
        [*row, note, threshold]
        for row, note, threshold in zip(rows, itertools.cycle(NOTES), itertools.cycle([None, 0.02, 0.1]))
    ]
    given += [[note["beats"] * 0.5, 120.0, note, None] for note in NOTES]
    quarter = next(note for note in NOTES if note["name"] == "quarter")
    return given + [
        [0.5 + 0.02 / n, 120.0, quarter, 0.02] for n in range(1, 30)
    ]  # repeat n is just not heard


def test_the_ways_to_be_exact_and_the_repeats_in_time_are_the_librarys():
    given, speed, capstan, thickness = fits(), 0.1905, 0.008, 35e-6
    script = """return given.map(([delay, bpm, note, threshold]) => {
      const fit = fitNote(delay, bpm, note, threshold);
      const ways = exactChanges(fit, note.beats, delay * 0.1905, 0.1905, 0.008, 35e-6);
      return { ...ways, repeats: repeatsInTime(fit) };
    });"""
    for (delay, bpm, note, threshold), found in zip(given, scripts.run("timing", script, given), strict=True):
        fit = tempo.fit(delay, bpm, tempo.note_value(note["name"]), threshold=threshold)
        wanted = tempo.exact_changes(
            fit, spacing=delay * speed, speed=speed, capstan_diameter=capstan, tape_thickness=thickness
        )
        reach = (
            max(fit.delay, fit.wanted_delay) * speed
        )  # a change is as good as what it is the difference of
        assert found["spacingChange"] == pytest.approx(
            wanted.spacing_change.value, rel=1e-9, abs=1e-12 * reach
        )
        percent = wanted.speed_change_percent.value
        assert found["speedChangePercent"] == pytest.approx(percent, rel=1e-9, abs=1e-10)
        for name in ("spacing", "speed"):
            assert found[name] == pytest.approx(getattr(wanted, name), rel=1e-9)
        assert found["bpm"] == pytest.approx(wanted.bpm.value, rel=1e-9)
        assert found["repeats"] == fit.repeats_in_time
        assert (found["sleeve"] is None) == (wanted.sleeve_diameter is None)
        if wanted.sleeve_diameter is not None:
            assert found["sleeve"] == pytest.approx(wanted.sleeve_diameter.value, rel=1e-9)


def test_a_signed_number_has_no_minus_before_a_zero():
    rows = [
        (value, digits) for value in (0, 0.04, -0.04, -0.05, 1.25, -1.25, 1234.5, -0.0) for digits in (0, 1)
    ]
    found = scripts.run("timing", "return given.map((row) => signedText(...row));", rows)
    assert found == [f"{round(value, digits) + 0.0:+.{digits}f}" for value, digits in rows]


def test_every_note_that_panels_know_is_the_librarys():
    for note in TEMPO_FACTS["notes"]:
        value = tempo.note_value(note["name"])
        assert (note["beats"], note["plain"]) == (value.beats, value.plain)
        assert (note["every"], note["meets"]) == value.cross_rhythm
