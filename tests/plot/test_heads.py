"""The figures about many heads: data as the library says, and words that can be read."""

import numpy as np
import pytest
from figure_texts import every_size, shown_texts, text_problems
from flat_machines import ONE_HEAD, THREE_HEADS, flat_machine

from tapecalc.calc import head_design, heads, tempo
from tapecalc.machine import example_machine, with_changes
from tapecalc.plot import heads as head_figures
from tapecalc.plot import style
from tapecalc.plot.catalog import draw
from tapecalc.plot.heads import comb_of_heads, head_rhythm, reachable_rhythms, ruler_marks, tape_as_ruler

FAST, SLOW = example_machine().speeds
HOT = with_changes(example_machine(), {"mixer.return_send_db": 3.0})
LAYOUT = heads.Heads(spacings=(0.075, 0.113, 0.150), feeds_return=(False, True, True))
LIMITS = head_design.MechanicalLimits(first=0.030, pitch=0.018, longest=0.140, ruler_step=0.001)
MAKE = {
    "ruler": lambda **look: tape_as_ruler(layout=LAYOUT, speeds=(FAST, SLOW), bpm=76, **look),
    "comb": lambda **look: comb_of_heads(delays=(0.1, 0.105), levels=(1, 0.5), **look),
    "map": lambda **look: reachable_rhythms(limits=LIMITS, speeds=(SLOW, FAST), bpm=76, **look),
}


@pytest.mark.parametrize("name", MAKE)
@pytest.mark.parametrize("size", every_size("article_single", "vertical"))
@pytest.mark.parametrize("symbols_only", [False, True])
def test_texts_lie_inside_and_apart_in_every_profile(name, size, symbols_only):
    assert text_problems(MAKE[name](profile=size, symbols_only=symbols_only).figure, size) == []


@pytest.mark.parametrize("name", ["ruler", "map"])
def test_inches_are_written_where_they_are_wanted(name):
    drawn = MAKE[name](units="inches")
    assert "7.5 ips" in drawn.caption and "cm/s" not in drawn.caption


def test_marks_lie_a_sixteenth_of_tape_apart_and_beats_are_longest():
    positions, heights = ruler_marks(0.1905, 100, 0.12)
    assert positions == pytest.approx(np.arange(5) * 0.1143 / 4)  # 600 ms of tape at 190.5 mm/s
    assert heights[0] == heights[4] > heights[2] > heights[1] == heights[3]


def test_heads_stand_on_the_tape_and_on_every_ruler():
    drawn = MAKE["ruler"]()
    assert [square.get_xdata()[0] for square in drawn.artists["heads"]] == pytest.approx([75, 113, 150])
    for row, hits in enumerate(drawn.artists["hits"], 1):
        assert hits.get_xdata() == pytest.approx([75, 113, 150])
        assert set(hits.get_ydata()) == {row}
    fast, slow = (len(marks.get_segments()) for marks in drawn.artists["marks"])
    assert slow == 2 * fast - 1  # half the speed, twice as many notes on the same tape
    hollow, *filled = drawn.artists["heads"]
    assert hollow.get_markerfacecolor() != filled[0].get_markerfacecolor()


@pytest.mark.parametrize("ground", style.GROUNDS)
def test_a_hollow_head_shows_the_ground(ground):
    drawn = MAKE["ruler"](profile=style.PROFILES["notebook"].on(ground))
    assert drawn.artists["heads"][0].get_markerfacecolor() == style.GROUNDS[ground].face


def test_what_hollow_heads_and_those_that_point_down_are_is_said_in_the_picture():
    turned = heads.Heads(spacings=(0.075, 0.150), gains=(1, -1), feeds_return=(False, True))
    for drawn in (
        tape_as_ruler(layout=turned, speeds=(FAST,), bpm=76),
        head_rhythm(layout=turned, speed=FAST, bpm=76),
    ):
        said = " ".join(text for text, _ in shown_texts(drawn.figure))
        assert "hollow: not in the loop" in said and "pointing down: inverted" in said
    plain = tape_as_ruler(layout=heads.Heads(spacings=(0.075,)), speeds=(FAST,), bpm=76)
    assert not any("hollow" in text or "pointing" in text for text, _ in shown_texts(plain.figure))


@pytest.mark.parametrize(
    ("beats", "title"),
    [
        ((0.5,), "The echo falls on an eighth"),
        ((0.45,), "The echo falls beside the notes"),
        ((0.5, 0.75), "All heads fall on notes"),
        ((0.5, 0.45), "1 of 2 heads falls on a note"),
        ((0.45, 0.91), "None of 2 heads falls on a note"),
    ],
)
def test_the_title_of_the_rhythm_says_which_heads_fall_on_a_note(beats, title):
    # At 60 beats a minute and 0.2 m/s a beat is 200 mm of tape.
    drawn = head_rhythm(layout=heads.Heads(spacings=tuple(0.2 * b for b in beats)), speed=0.2, bpm=60)
    assert drawn.title == title


def test_the_ruler_says_its_finding_or_how_much_tape_a_beat_is():
    def drawn(*speeds):
        return tape_as_ruler(layout=heads.Heads(spacings=(0.05,)), speeds=speeds, bpm=120)

    half, alone = drawn(0.2, 0.1), drawn(0.2)
    said = [text for text, _ in shown_texts(half.figure)]
    assert "1.00 beats" in said and "at 10 cm/s, 0.50 at 20 cm/s" in said  # 0.5 s and 0.25 s
    assert "100 mm" in [text for text, _ in shown_texts(alone.figure)]  # 0.5 s at 20 cm/s
    assert half.title == "Half the speed, twice the beats"
    assert alone.title == "0.50 beats lie before the head"
    assert drawn(0.4, 0.1).title == "Slower tape holds more beats"


def test_of_very_many_marks_only_beats_are_drawn():
    # 2 m at 4.76 cm/s and 120 bpm: 42 s, 84 beats and 336 sixteenths.
    (marks,) = tape_as_ruler(layout=heads.Heads(spacings=(2.0,)), speeds=(0.0476,), bpm=120).artists["marks"]
    places = [stroke[0, 0] for stroke in marks.get_segments()]
    assert np.diff(places) == pytest.approx(0.5 * 47.6) and len(places) > 84


def test_the_first_peak_and_the_first_notch_are_named():
    shown = [text for text, _ in shown_texts(comb_of_heads(delays=(0.1, 0.105), levels=(1, 1)).figure)]
    assert shown.count("200 Hz") == 2 and "100 Hz" in shown  # the peak, and how far it is to the next


def test_heads_in_one_place_make_no_comb():
    drawn = comb_of_heads(delays=(0.1, 0.1), levels=(1, 1))
    assert drawn.caption == "2 heads in one place: no comb."
    assert "no comb" in drawn.title


def test_many_beats_are_not_all_numbered():
    layout = heads.Heads(spacings=(0.4,))
    drawn = tape_as_ruler(layout=layout, speeds=(SLOW,), bpm=200)
    numbers = [int(text) for text, _ in shown_texts(drawn.figure) if text.isdigit() and int(text) < 40]
    beats = [n for n in numbers if n]
    assert 0 < len(beats) <= head_figures.MOST_NUMBERS + 1


def test_the_comb_is_the_sum_of_the_heads():
    drawn = MAKE["comb"]()
    frequency, level_db = drawn.artists["comb"].get_data()
    expected = np.abs(1 + 0.5 * np.exp(-2j * np.pi * frequency * 0.005))
    assert frequency[-1] == pytest.approx(1000)
    assert level_db == pytest.approx(20 * np.log10(expected), abs=1e-9)
    assert "notches from 100 Hz on, 200 Hz apart" in drawn.caption


def test_three_heads_and_a_comb_beyond_the_picture_are_said():
    assert comb_of_heads(delays=(0.1, 0.103, 0.107), levels=(1, 1, 1)).caption == (
        "3 heads, the closest 3.0 ms apart: peaks of at most +9.5 dB."
    )
    turned = comb_of_heads(delays=(0.1, 0.105), levels=(1, -1)).caption
    assert turned == "Two heads 5.0 ms apart: peaks of +6.0 dB, notches from 200 Hz on, 200 Hz apart."
    far = comb_of_heads(delays=(0.1, 0.2), levels=(1, 1)).caption  # beyond 40 ms nothing fuses
    assert far.endswith("; ears take them for answers of their own.")
    assert "beyond this picture" in comb_of_heads(delays=(0.1, 0.1001), levels=(1, 1)).caption


def test_points_of_the_map_are_the_pairs_that_the_library_reaches():
    drawn = MAKE["map"]()
    notes = [tempo.note_value(name) for name in head_figures.RHYTHM_NOTES]
    reached = {tuple(point) for points in drawn.artists["reached"] for point in points.get_xydata().tolist()}
    missed = {tuple(point) for point in drawn.artists["missed"].get_xydata().tolist()}
    assert reached | missed == {(j, i) for j in range(len(notes)) for i in range(j + 1)}
    assert not reached & missed
    assert drawn.title == "Two heads could play the filled pairs"
    assert f"{len(reached)} of 45" in [text for text, _ in shown_texts(drawn.figure)]
    marks = np.arange(30, 141) / 1000
    for second, first in sorted(reached | missed):
        near, far = (notes[int(k)].beats * 60 / 76 for k in (first, second))
        best = min(
            max(abs(d / v - near), abs(e / v - far))
            for v in (FAST, SLOW)
            for d, e in (
                [(d, d) for d in marks]
                if first == second
                else [(d, e) for d in marks for e in marks if e - d >= 0.018 - 1e-9]
            )
        )
        assert (best <= 0.006) == ((second, first) in reached)


def test_rhythm_strikes_where_the_tempo_says():
    drawn = head_rhythm(layout=heads.Heads(spacings=(0.0415, 0.083)), speed=FAST, bpm=76)
    expected = [d / FAST * 76 / 60 for d in (0.0415, 0.083)]
    np.testing.assert_allclose([hit.get_xdata()[0] for hit in drawn.artists["hits"]], expected)
    assert drawn.artists["later"].get_xdata().size == 0


# ---- two tracks ----


def test_crossed_returns_take_turns_and_half_crossed_ones_are_alike():
    # -8 dB once round, drawn down to -30 dB: answers at 0, -8, -16 and -24 dB every 200 ms. With half of it
    # crossed the second answer has half on either side, 6.02 dB less: -14.02, -22.02, -30.02 dB.
    machine = flat_machine(ONE_HEAD)
    drawn = draw("crossed_returns", machine)
    left, right = drawn.artists["left"], drawn.artists["right"]
    times = [[end.get_xdata().round(6).tolist() for end in ends] for ends in (left, right)]
    assert times[0] == [[0.2, 0.4, 0.6, 0.8], [0.2, 0.4, 0.6], [0.2, 0.6]]
    assert times[1] == [[], [0.4, 0.6], [0.4, 0.8]]
    # Full height for 0 dB, none for -30 dB; rows 1 apart, left is up, which is below in numbers.
    assert left[0].get_ydata() == pytest.approx(-0.4 * (1 - np.array([0, 8, 16, 24]) / 30), abs=1e-4)
    assert right[1].get_ydata() == pytest.approx(1 + 0.4 * (1 - np.array([14.0206, 22.0206]) / 30), abs=1e-4)
    assert right[2].get_ydata() == pytest.approx(2 + 0.4 * (1 - np.array([8, 24]) / 30), abs=1e-4)
    assert "answers 200 ms apart" in drawn.caption


def test_sides_are_named_clear_of_the_echoes_of_a_loop_that_runs_away_and_rows_stay_apart():
    for size in ("slide", "notebook", "vertical"):
        drawn = draw("crossed_returns", HOT, profile=size)
        box, to_sheet = dict(shown_texts(drawn.figure))["left"], drawn.figure.axes[0].transData
        lefts, rights = (
            [to_sheet.transform(end.get_xydata()) for end in drawn.artists[side]]
            for side in ("left", "right")
        )
        assert lefts[0][:, 0].max() < box.x0 - 0.5 * box.height
        dot = drawn.artists["left"][0].get_markersize() * drawn.figure.dpi / 72
        assert rights[1][:, 1].min() - lefts[2][:, 1].max() > 2 * dot


def test_of_many_heads_the_first_that_feeds_the_return_is_drawn_on_either_track():
    drawn = draw("crossed_returns", flat_machine(THREE_HEADS))
    # 44 mm at 20 cm/s; -10 dB of return
    assert drawn.artists["left"][0].get_xdata() == pytest.approx([0.22, 0.44, 0.66, 0.88])
