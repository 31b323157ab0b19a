"""The panels about the tempo say what the library reckons."""

import re
from functools import partial

import numpy as np
import pytest
from panel_runs import assert_drawn, controls_of, drawn_settings, heard, reckoned, signed, told_at
from panel_sounds import assert_heard

from tapecalc import words
from tapecalc.calc import tempo, transport
from tapecalc.course.tempo import FACTS
from tapecalc.plot.tempo import SONG_NOTES

INCH = 0.0254
JUDGED_AS = {
    "an even pulse": "pulse", "a line, sharp attacks": "sharp line", "a line, soft attacks": "soft line"
}  # fmt: skip
RATE = 24_000


told = partial(told_at, "tempo", FACTS)


def late_or_early(error):
    """An error in words, to a tenth of a millisecond."""
    size = words.amount(abs(error), "ms", ".1f")
    return "right in time" if size == "0.0 ms" else f"{size} {'late' if error > 0 else 'early'}"


# ---- what the library says ----


def tempo_words(tempo_bpm, spacing_mm, speed_ips, note, judged_as):
    """The sentence and the rows of a fit."""
    spacing, speed = spacing_mm / 1000, speed_ips * INCH
    names = SONG_NOTES if note == "the nearest" else [note]
    fit = tempo.nearest_fits(
        transport.delay_from_spacing(spacing, speed),
        tempo_bpm,
        notes=map(tempo.note_value, names),
        threshold=tempo.JUDGED_AS[JUDGED_AS[judged_as]],
    )[0]
    # Source: the bench deck's file: a capstan of 8 mm, a tape of 35 um.
    ways = tempo.exact_changes(
        fit, spacing=spacing, speed=speed, capstan_diameter=0.008, tape_thickness=35e-6
    )
    sleeve = "impossible: a sleeve only adds"
    if ways.sleeve_possible:
        sleeve = f"{words.amount(ways.sleeve_diameter.value, 'mm', '.2f')}, on a shaft of 8.00 mm"
    verdict = "a miss, because ears notice" if fit.audible else "a fit, because ears notice only"
    sentence = (
        f"At {tempo_bpm:g} bpm the delay of {words.amount(fit.delay, 'ms')} is "
        f"{words.with_article(fit.note.name)}, {late_or_early(fit.error)} ({signed(fit.error_percent, 1)} %, "
        f"{signed(fit.error_cents, 0)} cents): {verdict} from {words.amount(fit.threshold, 'ms', '.1f')}."
    )
    move = f"{signed(1000 * ways.spacing_change.value, 1)} mm"
    return sentence, {
        "move the playback head by": f"{move}, to {words.amount(ways.spacing, 'mm', '.1f')}",
        "or change the speed by": f"{signed(ways.speed_change_percent.value, 1)} %, to "
        f"{words.amount(ways.speed, 'ips', '.2f')}",
        "or a sleeve of": sleeve,
        "or play at": f"{ways.bpm.value:.1f} bpm",
    }


def repeats_words(tempo_bpm, note, error_percent, repeats, judged_as):
    """The sentence and the rows of repeats against the beat."""
    value = tempo.note_value(note)
    wanted = tempo.delay_from_tempo(tempo_bpm, value.beats)
    delay = wanted * (1 + error_percent / 100)
    fit = tempo.fit(delay, tempo_bpm, value, threshold=tempo.JUDGED_AS[JUDGED_AS[judged_as]])
    every, beats = value.cross_rhythm
    count = f"{every} repeat{'s' * (every > 1)} make{'s' * (every == 1)} {beats} beat{'s' * (beats > 1)}"
    good = fit.repeats_in_time
    noticed = "none is ever heard as wrong" if good is None else f"ears notice from repeat {good + 1} on"
    last = tempo.grid_offset(delay, wanted, repeats)
    sentence = (
        f"{words.with_article(note).capitalize()} at {tempo_bpm:g} bpm lasts {words.amount(wanted, 'ms')}; "
        f"{count}. With {error_percent:+.3g} % of error repeat {repeats} is {late_or_early(last)}; {noticed}."
    )
    return sentence, {
        "the delay": words.amount(delay, "ms", ".1f"),
        "late per repeat": f"{signed(1000 * fit.error, 1)} ms",
        "ears notice from": words.amount(fit.threshold, "ms", ".1f"),
    }


# ---- how well a delay fits ----


@pytest.mark.parametrize(("panel", "said"), [("tempoPanel", tempo_words), ("repeatsPanel", repeats_words)])
def test_words_and_numbers_are_the_librarys(panel, said):
    settings = drawn_settings(controls_of("tempo", panel, FACTS), 200, 1)
    for setting in settings:
        if "repeats" in setting:
            setting["repeats"] = int(setting["repeats"])
    for setting, found in zip(settings, reckoned("tempo", panel, FACTS, settings), strict=True):
        assert (found["sentence"], dict(found["rows"])) == said(**setting)


def test_a_fit_by_hand():
    found = told("tempoPanel", tempo_bpm=90, spacing_mm=50, speed_ips=7.5, note="eighth triplet")
    # Source: definition of beats per minute: three eighth triplets fill one beat of 666.667 ms.
    assert 1000 * found["fit"]["wanted"] == pytest.approx(222.222, abs=1e-3)
    assert 1000 * found["fit"]["delay"] == pytest.approx(262.467, abs=1e-3)
    assert "262 ms is an eighth triplet, 40.2 ms late" in found["sentence"]


@pytest.mark.parametrize("setting", [(60, 41.5, 3.75), (76, 20, 15), (118, 63.3, 7.5), (76, 41.5, 3.75)])
def test_each_of_the_four_ways_is_exact(setting):
    bpm, spacing_mm, speed_ips = setting
    found = told("tempoPanel", tempo_bpm=bpm, spacing_mm=spacing_mm, speed_ips=speed_ips)
    name = re.search(r"is an? ([\w ]+), ", found["sentence"])[1]
    wanted = tempo.delay_from_tempo(bpm, tempo.note_value(name).beats)
    head, speed, capstan, play = found["table"].values()
    new_mm, new_ips, new_bpm = (float(re.findall(r"[\d.]+", text)[-1]) for text in (head, speed, play))
    assert new_mm == pytest.approx(1000 * wanted * speed_ips * INCH, abs=0.051)
    assert new_ips == pytest.approx(spacing_mm / 1000 / wanted / INCH, abs=0.0051)
    delay = transport.delay_from_spacing(spacing_mm / 1000, speed_ips * INCH)
    assert new_bpm == pytest.approx(bpm * wanted / delay, abs=0.051)
    if delay < wanted:
        assert capstan == "impossible: a sleeve only adds"
    else:
        sleeve = float(capstan.split()[0]) / 1000
        assert transport.sleeve_speed_ratio(sleeve, 0.008, 35e-6) == pytest.approx(delay / wanted, abs=0.001)


def test_the_question_is_answered_by_each_of_three_controls_alone():
    found = told("tempoPanel")
    assert ": a miss, because ears notice from 9.9 ms" in found["sentence"]
    assert found["table"]["or play at"] == "68.9 bpm"
    for move in ({"tempo_bpm": 69}, {"spacing_mm": 37.6}, {"speed_ips": 4.14}):
        assert ": a fit, because ears notice only" in told("tempoPanel", **move)["sentence"], move


def test_a_line_beside_other_players_may_lag_by_more():
    # 435.696 ms and an eighth of 30000/71 = 422.535 ms: 13.2 late, in a pulse heard from 10.6.
    found = told("tempoPanel", tempo_bpm=71, judged_as="a line, soft attacks")
    assert ": a fit, because ears notice only from 35.0 ms" in found["sentence"]
    # 410.959 ms: 24.7 late.
    found = told("tempoPanel", tempo_bpm=73, judged_as="a line, sharp attacks")
    assert ": a miss, because ears notice from 20.0 ms" in found["sentence"]


def test_an_exact_delay_is_said_to_be_in_time():
    # 47.6 mm at 7.5 ips are 249.9 ms; 38.1 mm at 15 ips are 100 ms, a sixteenth at 75 bpm lasts 200 ms.
    assert "0.1 ms early" in told("tempoPanel", tempo_bpm=120, spacing_mm=47.6, speed_ips=7.5)["sentence"]
    found = told("tempoPanel", tempo_bpm=75, spacing_mm=38.1, speed_ips=15)
    assert "sixteenth, 100.0 ms early (-50.0 %, -1200 cents)" in found["sentence"]
    found = told("tempoPanel", tempo_bpm=75, spacing_mm=76.2, speed_ips=15)
    assert "sixteenth, right in time (+0.0 %, +0 cents)" in found["sentence"]
    assert found["table"]["move the playback head by"] == "+0.0 mm, to 76.2 mm"


# ---- where the repeats fall ----


def test_repeats_by_hand():
    found = told("repeatsPanel", tempo_bpm=100, note="dotted eighth", error_percent=1.0, repeats=5)
    # Source: definition of beats per minute: a beat is 600 ms, a dotted eighth 450 ms, 1 % of it 4.5 ms.
    assert [1000 * offset for offset in found["offsets"]] == pytest.approx([4.5, 9, 13.5, 18, 22.5])
    assert found["table"]["the delay"] == "454.5 ms" and found["table"]["late per repeat"] == "+4.5 ms"
    assert found["beat"] == pytest.approx(0.6)


def test_as_a_line_more_repeats_pass():
    # 6 ms of 500 a repeat: 12 pass 12.5, 18 pass 20, 30 pass 35.
    for judged_as, first in (("an even pulse", 3), ("a line, sharp attacks", 4), ("a line, soft attacks", 6)):
        setting = {"tempo_bpm": 120, "note": "quarter", "error_percent": 1.2, "repeats": 12}
        found = told("repeatsPanel", **setting, judged_as=judged_as)
        assert f"ears notice from repeat {first} on" in found["sentence"]
        late = np.abs(found["offsets"]) > found["threshold"]
        assert int(np.argmax(late)) + 1 == first


@pytest.mark.parametrize(
    ("note", "said"),
    [
        ("quarter", "1 repeat makes 1 beat."),
        ("dotted eighth", "4 repeats make 3 beats."),
        ("eighth triplet", "3 repeats make 1 beat."),
        ("sixteenth", "4 repeats make 1 beat."),
    ],
)
def test_the_cross_rhythm_is_said_in_words(note, said):
    assert said in told("repeatsPanel", note=note)["sentence"]


def test_the_question_of_repeats_is_answered():
    # 1 % of 592.1 ms a repeat, 2.5 % pass: two do, the third does not; with 0.6 % four do.
    assert "ears notice from repeat 3 on" in told("repeatsPanel")["sentence"]
    assert "ears notice from repeat 5 on" in told("repeatsPanel", error_percent=0.6)["sentence"]
    # A line of sharp attacks may be 20 ms off: 0.8 % are 4.74 ms, four of them 18.9.
    found = told("repeatsPanel", error_percent=0.8, judged_as="a line, sharp attacks")
    assert "ears notice from repeat 5 on" in found["sentence"]
    found = told("repeatsPanel", error_percent=0)
    assert found["sentence"].endswith("repeat 8 is right in time; none is ever heard as wrong.")
    assert "repeat 8 is 47.4 ms early" in told("repeatsPanel", error_percent=-1)["sentence"]


@pytest.mark.parametrize("setting", [{}, {"repeats": 2, "error_percent": 0}, {"note": "sixteenth"}])
def test_clicks_are_on_the_beat_and_repeats_where_they_fall(setting):
    rate, samples = heard("tempo", "repeatsPanel", FACTS, setting)
    found = told("repeatsPanel", **setting)
    last, beat = len(found["offsets"]) * found["delay"], found["beat"]
    skipped = beat * max(0, np.ceil((last - 2.45) / beat - 1e-9))
    assert last - skipped <= 2.45 + 1e-9  # the last one is among those that are heard
    starts = [0.05 + n * found["delay"] - skipped for n in range(len(found["offsets"]) + 1)]
    beats = [0.05 + n * beat - skipped for n in range(int(last / beat + 1e-9) + 1)]
    wanted = np.array(sorted({round(at, 6) for at in starts + beats if at >= 0}))
    for at in wanted:
        before, after = (
            samples[int(rate * (at + t)) : int(rate * (at + t + 0.003))] for t in (-0.004, 0.0005)
        )
        apart = np.min(np.abs(wanted[wanted != at] - at), initial=1)
        if apart > 0.1:
            assert np.max(np.abs(after)) > 3 * np.max(np.abs(before)), at


@pytest.mark.parametrize(
    "setting",
    [
        {},
        {"repeats": 1, "note": "sixteenth", "tempo_bpm": 180},
        {"repeats": 16, "note": "quarter", "tempo_bpm": 60},
    ],
)
def test_the_sound_is_as_loud_as_a_program_and_begins_and_ends_in_silence(setting):
    assert_heard(*heard("tempo", "repeatsPanel", FACTS, setting))


# ---- both ----


@pytest.mark.parametrize("panel", ["tempoPanel", "repeatsPanel"])
def test_every_picture_is_whole(panel):
    assert_drawn("tempo", panel, FACTS)
