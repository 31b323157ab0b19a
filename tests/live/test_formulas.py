"""The page's formulas are the library's: both languages at the same thousand places, the ends among them."""

import itertools

import numpy as np
import pytest
import scripts
from live_machines import TEXTS, facts_for, machine_named, random_setting
from mirrors import PLACES, assert_mirrored, exported, in_page, mirrored, places

from tapecalc import words
from tapecalc.calc import loop, response, tempo, transport, units
from tapecalc.live.setting import machine_of_setting

MODULES = ("formulas", "words")
NOTES = [{"name": note.name, "beats": note.beats, "plain": note.plain} for note in tempo.NOTE_VALUES]

DELAY, SPEED, SPACING, BPM = (1e-5, 60.0), (0.001, 20.0), (1e-4, 20.0), (20.0, 400.0)
BEATS, LEVEL, GAIN, TIME = (0.05, 6.0), (-90.0, 20.0), (1e-4, 10.0), (0.0, 3.0)


def of_ips(ips):
    """A speed in m/s."""
    return units.to_si(ips, "ips")


#: Of plain numbers: the library's function and from where to where each argument goes.
NUMBERS = {
    "dbToAmplitude": (units.db_to_amplitude, [LEVEL]),
    "amplitudeToDb": (units.amplitude_to_db, [GAIN]),
    "speedFromIps": (of_ips, [(0.1, 300.0)]),
    "delayFromSpacing": (transport.delay_from_spacing, [SPACING, SPEED]),
    "spacingFromDelay": (transport.spacing_from_delay, [DELAY, SPEED]),
    "delayFromTempo": (tempo.delay_from_tempo, [BPM, BEATS]),
    "timingThreshold": (tempo.timing_threshold, [DELAY]),
    "repeatsHeard": (loop.repeats_heard, [(-40.0, -0.01), (-100.0, 0.0)]),
    "decayTime": (loop.decay_time, [DELAY, (-40.0, -0.01), (-100.0, 0.0)]),
    "growthDbPerS": (loop.growth_db_per_s, [DELAY, (-40.0, 20.0)]),
}

#: Of numbers, with words as their result: the same string.
WORDS = {
    "msText": (lambda seconds: words.amount(seconds, "ms"), [(0.0, 3.0)]),
    "mmText": (lambda meters: words.amount(meters, "mm", ".1f"), [(0.0, 2.0)]),
    "levelText": (words.level, [LEVEL]),
    "uncertainText": (words.with_uncertainty, [(-2e4, 2e4), (1e-3, 1e3)]),
    "fixedText": (lambda value, digits: f"{value:.{int(digits)}f}", [(-100.0, 100.0), (0, 3)]),
    "generalText": (lambda value, digits: f"{value:.{int(digits)}g}", [(-2e4, 2e4), (2, 6)]),
}

#: With settings, notes or more in them: a test each, below.
TOLD_BELOW = {
    "speedText", "fitNote", "nearestFit", "fitOfSetting", "beatMarks", "headGains", "returnGains",
    "headSpacings", "headDelays", "poleLengthMm", "keepsResponse", "worstResponseDb", "marginDb", "passedDb",
    "loopGainDb", "delaysPlusMinus", "withArticle", "neighbors",
}  # fmt: skip
#: What no function of the library says.
OWN = {"fixedText", "generalText", "neighbors"}


def test_every_function_is_compared_and_says_what_it_mirrors():
    names = exported(*MODULES)
    assert sorted(names) == sorted({*NUMBERS, *WORDS, *TOLD_BELOW})
    for name in set(names) - OWN:
        mirrored(name, *MODULES)


def test_numbers_are_the_librarys():
    assert_mirrored("telling", NUMBERS, atol=1e-15)  # which joins formulas and words


def test_words_are_the_librarys():
    given = {name: places(limits, seed) for seed, (name, (_, limits)) in enumerate(WORDS.items())}
    halves = [n / 8 for n in range(-400, 400)]  # ties go to the even digit
    given["msText"] += [((n + 0.5) / 1000,) for n in range(300)]
    given["levelText"] += [(value,) for value in [*halves, 0.0, -0.04, 0.04, -0.05]]
    given["uncertainText"] += [(41.5, 0.0), (-0.01, 5.0), (12345.0, 35.0), (12355.0, 40.0), (0.5, 0.0999)]
    given["fixedText"] += [(value, digits) for value in halves for digits in (0, 1, 2, 3)]
    given["generalText"] += [(value, digits) for value in halves for digits in (2, 3, 4)]
    given["generalText"] += [
        (value, 3) for value in (0.0, 999.6, 99.96, 1e9, 1e-4, 1.23e-5, 1e-12, 9.9996e-5)
    ]
    found = in_page("telling", WORDS, given)
    for name, (original, _) in WORDS.items():
        wanted = [original(*row) for row in given[name]]
        assert [
            pair for pair in zip(given[name], found[name], wanted, strict=True) if pair[1] != pair[2]
        ] == [], name


def test_speeds_are_written_in_both_units():
    speeds = [row[0] for row in places([(0.002, 3.0)], 3)] + [0.1905, 0.0476, 0.38]
    script = "return given.map((v) => [speedText(v, 'us'), speedText(v, 'metric')]);"
    found = scripts.run("words", script, speeds)
    assert found == [[words.speed(v), words.speed(v, "metric")] for v in speeds]


def test_a_note_has_its_article():
    names = [note["name"] for note in NOTES]
    found = scripts.run("words", "return given.map(withArticle);", names)
    assert found == [words.with_article(name) for name in names]


# ---- notes ----

FIELDS = {
    "delay": "delay", "wanted": "wanted_delay", "error": "error", "errorPercent": "error_percent",
    "errorCents": "error_cents", "threshold": "threshold", "audibility": "audibility", "rank": "rank",
}  # fmt: skip


def assert_same_fit(found, wanted):
    """Compare two fits; an error is as good as the delays that it is the difference of."""
    assert (found["note"], found["audible"]) == (wanted.note.name, wanted.audible)
    scale = {"error": wanted.delay, "audibility": wanted.delay / wanted.threshold}
    scale |= {"rank": scale["audibility"], "errorPercent": 100 * wanted.delay / wanted.wanted_delay}
    for key, name in FIELDS.items():
        assert found[key] == pytest.approx(
            getattr(wanted, name), rel=1e-9, abs=1e-12 * scale.get(key, 1200)
        ), key


def test_fits_of_notes_are_the_librarys():
    rows = places([(0.01, 6.0), BPM], 5)
    notes, thresholds = itertools.cycle(NOTES), itertools.cycle([None, 0.02, 0.035, 0.1])
    given = [[*row, note, threshold] for row, note, threshold in zip(rows, notes, thresholds, strict=False)]
    given += [[note["beats"] * 0.5, 120.0, note, None] for note in NOTES]  # exact ones
    given += [
        [0.52, 120.0, NOTES[[note["name"] for note in NOTES].index("quarter")], 0.02]
    ]  # off by just that
    found = scripts.run("formulas", "return given.map((row) => fitNote(...row));", given)
    for (delay, bpm, note, threshold), fit in zip(given, found, strict=True):
        wanted = tempo.fit(delay, bpm, tempo.note_value(note["name"]), threshold=threshold)
        assert_same_fit(fit, wanted)


def test_the_nearest_note_is_the_librarys():
    rows = places([(0.01, 6.0), BPM], 6)
    given = [[*row, (None, 0.02, 0.035)[number % 3]] for number, row in enumerate(rows)]
    given += [[note["beats"] * 0.5, 120.0, None] for note in NOTES]
    script = "return given.rows.map(([d, b, t]) => nearestFit(d, b, given.notes, t));"
    found = scripts.run("formulas", script, {"rows": given, "notes": NOTES})
    for (delay, bpm, threshold), fit in zip(given, found, strict=True):
        assert_same_fit(fit, tempo.nearest_fits(delay, bpm, threshold=threshold)[0])


def test_beats_lie_where_their_delay_puts_a_head():
    rows = places([(0.02, 0.8), (40.0, 200.0), (20.0, 1000.0)], 7)
    found = scripts.run("formulas", "return given.map((row) => beatMarks(...row));", rows)
    for (speed, bpm, far_mm), marks in zip(rows, found, strict=True):
        wanted_mm = [1e3 * speed * tempo.delay_from_tempo(bpm, mark["beats"]) for mark in marks]
        np.testing.assert_allclose([mark["at_mm"] for mark in marks], wanted_mm, rtol=1e-9)
        assert [mark["beats"] for mark in marks] == [n / 4 for n in range(1, len(marks) + 1)]
        assert far_mm / (1e3 * speed * tempo.delay_from_tempo(bpm, 0.25)) - len(marks) < 1


def test_beats_by_hand():
    # 120 in a minute at 0.2 m/s: 100 mm a beat, 25 mm a sixteenth.
    marks = scripts.run("formulas", "return beatMarks(0.2, 120, 100);")
    assert [round(mark["at_mm"], 9) for mark in marks] == [25, 50, 75, 100]
    assert [mark["part"] for mark in marks] == [4, 2, 4, 1]


# ---- settings of machines ----

EACH = """
return given.map(({ facts, settings }) => settings.map((s) => ({
  gains: headGains(s), fed: returnGains(s), spacings: headSpacings(facts, s), delays: headDelays(facts, s),
  plus_minus: delaysPlusMinus(facts, s), pole_mm: poleLengthMm(facts, s), keeps: keepsResponse(facts, s),
  worst_db: worstResponseDb(facts, s), margin_db: marginDb(facts, s),
  passed_db: passedDb(facts, s), once_db: loopGainDb(facts, s),
  fits: headDelays(facts, s).map((delay) => fitOfSetting(facts, s, delay)),
})));
"""


@pytest.fixture(scope="module")
def moved():
    """Some thousand settings of all machines: facts of the file, setting, machine of the setting, page."""
    rng, machines, given = np.random.default_rng(11), [], []
    for name in TEXTS:
        machine = machine_named(name)
        facts = facts_for(machine)
        settings = [facts["setting"]] + [random_setting(rng, facts) for _ in range(PLACES // len(TEXTS) + 30)]
        heard = [{**one, "response": True} for one in settings if can_be_heard(machine, one)]
        given.append({"facts": facts, "settings": heard})
        machines.append(machine)
    found = scripts.run("formulas", EACH, given)
    rows = [
        (one["facts"], setting, machine_of_setting(machine, setting), page)
        for machine, one, pages in zip(machines, given, found, strict=True)
        for setting, page in zip(one["settings"], pages, strict=True)
    ]
    assert len(rows) >= PLACES
    return rows


def can_be_heard(machine, setting):
    """Whether a setting makes a machine."""
    try:
        machine_of_setting(machine, setting)
    except ValueError:
        return False
    return True


def in_tape_order(setting, values):
    """Leave out the values of heads that are off, and put the others in the order of the tape."""
    used = [(h["spacing_mm"], at) for at, h in enumerate(setting["heads"]) if h["on"]]
    return [values[at] for _, at in sorted(used)]


def speed_of(facts, setting, machine):
    """The machine's own number for the speed of a setting."""
    for speed, stated in zip(machine.speeds, facts["speeds"], strict=True):
        if stated["speed_ips"] == setting["speed_ips"]:
            return speed
    return units.to_si(setting["speed_ips"], "ips")


def test_heads_of_a_setting_are_those_of_its_machine(moved):
    for facts, setting, machine, page in moved:
        speed = speed_of(facts, setting, machine)
        wanted = machine.heads_at(speed)
        np.testing.assert_allclose(in_tape_order(setting, page["spacings"]), wanted.spacings, rtol=1e-9)
        np.testing.assert_allclose(in_tape_order(setting, page["delays"]), machine.delays(speed), rtol=1e-9)
        u_delays = np.multiply(in_tape_order(setting, page["plus_minus"]), 1 / units.COVERAGE_FACTOR)
        np.testing.assert_allclose(u_delays, machine.u_delays(speed), rtol=1e-9)
        np.testing.assert_allclose(in_tape_order(setting, page["gains"]), wanted.gains, rtol=1e-9)
        np.testing.assert_allclose(in_tape_order(setting, page["fed"]), wanted.return_gains, rtol=1e-9)
        off = [gain for gain, head in zip(page["gains"], setting["heads"], strict=True) if not head["on"]]
        assert not any(off)
        assert page["pole_mm"] == pytest.approx(1e3 * machine.pole_length, rel=1e-9)


def test_a_measured_response_holds_where_it_does_in_the_library(moved):
    for facts, _, machine, page in moved:
        if facts["file"]["responses"]:
            assert page["keeps"] is bool(machine.measured_responses)


def test_the_note_of_a_setting_is_the_plans(moved):
    for _, setting, machine, page in moved:
        heard = machine.timing_threshold
        for delay, fit in zip(page["delays"], page["fits"], strict=True):
            if setting["note"] == "any":
                wanted = tempo.nearest_fits(delay, setting["bpm"], threshold=heard)[0]
            else:
                note = tempo.note_value(setting["note"])
                wanted = tempo.fit(delay, setting["bpm"], note, threshold=heard)
            assert_same_fit(fit, wanted)


def test_the_level_once_round_is_the_plans(moved):
    for facts, setting, machine, page in moved:
        echo = machine.echo_loop(speed_of(facts, setting, machine), pole_shape="flat")
        passed_db, fed = response.loudest(echo.one_pass)[1], sum(map(abs, echo.head_gains))
        # Between the speeds of a free range it lies straight between two of them.
        slack_db = 1e-9 if any(setting["speed_ips"] == s["speed_ips"] for s in facts["speeds"]) else 0.01
        assert page["passed_db"] == pytest.approx(passed_db, abs=slack_db, rel=1e-9)
        if fed:
            once_db = units.amplitude_to_db(fed) + setting["return_send_db"] + passed_db
            assert page["once_db"] == pytest.approx(once_db, abs=slack_db, rel=1e-9)
        else:
            assert page["once_db"] == response.NULL_DB


def test_the_worst_response_is_never_below_that_of_the_machine(moved):
    far_db = []
    for facts, setting, machine, page in moved:
        worst_db = response.loudest(machine.worst_loop(speed_of(facts, setting, machine)).one_pass)[1]
        far_db.append(page["worst_db"] - worst_db)
        exact = facts["speed_range_ips"] is None and page["pole_mm"] in (5.0, facts["file"]["pole_length_mm"])
        assert far_db[-1] == pytest.approx(0, abs=1e-9) if exact else far_db[-1] > -1e-9
    # It is that of poles up to a third longer, and of the next speed of a free range.
    assert max(far_db) < 0.6
    assert np.median(far_db) < 0.05


def test_the_margin_is_never_more_than_the_plans(moved):
    below_db = []
    for facts, setting, machine, page in moved[::7]:
        verdict = loop.stability(machine.worst_loop(speed_of(facts, setting, machine)), count_modes=False)
        if not any(page["fed"]):
            assert page["margin_db"] == 300
            continue
        below_db.append(verdict.margin_db - page["margin_db"])
        assert below_db[-1] > -1e-6
        assert verdict.bound_db - page["margin_db"] < 0.6
    print(np.percentile(below_db, [0, 50, 90, 100]))


def test_the_margin_by_hand():
    # One flat head at -8 dB in the return: 8 dB, less what the bumps of 5 mm poles lift.
    facts = facts_for(machine_named("one_head"))
    moved = {**facts["setting"], "response": False}
    silent = {**moved, "heads": [{**moved["heads"][0], "feeds_return": False}]}
    script = "return [marginDb(given[0], given[1]), marginDb(given[0], given[2])];"
    assert scripts.run("formulas", script, [facts, moved, silent]) == [8, 300]
