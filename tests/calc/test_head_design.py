"""The design of head layouts against brute force, and what it refuses."""

import itertools

import numpy as np
import pytest
from head_layouts import all_layouts, random_layouts, worst_error

from tapecalc.calc import head_design
from tapecalc.calc.head_design import InfeasibleLayout, MechanicalLimits

LIMITS = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)


def error_on_a_grid(positions, beats, tempos, speeds, points):
    """The worst timing error by trying tempos one by one, and how far beside the truth it can be."""
    periods = np.linspace(60 / tempos[1], 60 / tempos[0], points)
    positions, wanted = np.asarray(positions)[..., None, :], np.outer(periods, beats)
    errors = [np.max(np.abs(positions / v - wanted), axis=-1) for v in speeds]
    return np.max(np.min(errors, axis=0), axis=-1), beats[-1] * (periods[-1] - periods[0]) / (points - 1)


def small_case(seed, most_heads=3):
    """Draw a rhythm, tempos, speeds and limits with few layouts."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, most_heads + 1))
    beats = np.sort(rng.choice([0.25, 1 / 3, 0.5, 2 / 3, 0.75, 1, 1.25, 1.5], count, replace=False))
    slowest = rng.uniform(60, 120)
    tempos = (slowest, slowest * rng.uniform(1, 1.6))
    speeds = rng.uniform(0.05, 0.4, int(rng.integers(1, 5))).tolist()
    limits = MechanicalLimits(
        first=rng.uniform(0.01, 0.05),
        pitch=rng.uniform(0.005, 0.03),
        longest=rng.uniform(0.12, 0.3),
        ruler_step=float(rng.choice([0.01, 0.013, 0.007])),
    )
    return beats, tempos, speeds, limits


@pytest.mark.parametrize("seed", range(12))
def test_worst_error_by_runs_agrees_with_trying_every_tempo(seed):
    beats, tempos, speeds, limits = small_case(seed)
    layouts = random_layouts(limits, beats.size, 20, seed=seed)
    exact = worst_error(layouts, beats, tempos, speeds)
    tried, beside = error_on_a_grid(layouts, beats, tempos, speeds, 4001)
    assert np.all(tried <= exact + 1e-12)
    assert np.all(exact <= tried + beside)


@pytest.mark.parametrize("seed", range(40))
def test_design_is_as_good_as_the_best_of_all_layouts(seed):
    beats, tempos, speeds, limits = small_case(seed)
    design = head_design.design_heads(beats, tempos, speeds, limits)
    layouts = all_layouts(limits, beats.size)
    best = np.min(worst_error(layouts, beats, tempos, speeds))
    assert design.worst_error == pytest.approx(best, abs=1e-9)
    assert np.min(np.abs(layouts - design.layout.spacings).max(axis=1)) < 1e-9


@pytest.mark.parametrize("count", [4, 5, 6])
@pytest.mark.parametrize("speeds", [(0.2,), (0.25, 0.12)])
def test_design_of_up_to_six_heads_agrees_with_trying_all_layouts_and_tempos(count, speeds):
    beats = np.array([0.25, 0.5, 0.75, 1.0, 1.5, 2.0])[:count]
    limits = MechanicalLimits(first=0.02, pitch=0.02, longest=0.3, ruler_step=0.02)
    tempos = (95.0, 118.0)
    design = head_design.design_heads(beats, tempos, speeds, limits)
    marks = np.arange(1, 16) * 0.02
    layouts = np.array(list(itertools.combinations(marks, count)))
    tried, beside = error_on_a_grid(layouts, beats, tempos, speeds, 400)
    assert tried.min() - 1e-12 <= design.worst_error <= tried.min() + beside


def test_heads_without_a_ruler_reach_an_exact_rhythm():
    limits = MechanicalLimits(first=0.01, pitch=0.01, longest=0.4, ruler_step=None)
    design = head_design.design_heads([1 / 3, 2 / 3, 1.0], (97, 97), [0.1905], limits)
    assert design.worst_error < 1e-9
    assert design.layout.spacings == pytest.approx(np.array([1, 2, 3]) / 3 * 0.1905 * 60 / 97, abs=1e-9)


def test_order_of_the_rhythm_and_of_the_speeds_does_not_matter():
    one = head_design.design_heads([1.0, 0.5], (90, 100), [0.1, 0.2], LIMITS)
    other = head_design.design_heads([0.5, 1.0], (90, 100), [0.2, 0.1, 0.2], LIMITS)
    assert one == other
    assert one.speeds == (0.2, 0.1)


def test_among_equals_the_layout_nearest_to_the_proportions_is_taken():
    design = head_design.design_heads([0.25, 1.0], (70, 100), [0.2], LIMITS)
    near, far = design.layout.spacings
    assert near == pytest.approx(far / 4, abs=0.0006)


def test_a_speed_that_serves_no_tempo_does_no_harm():
    alone = head_design.design_heads([0.5, 1.0], (110, 130), [0.2], LIMITS)
    three = head_design.design_heads([0.5, 1.0], (110, 130), [0.2, 5.0, 0.001], LIMITS)
    assert (three.layout, three.worst_error) == (alone.layout, alone.worst_error)


def test_errors_are_positive_when_late_and_broadcast():
    design = head_design.design_heads([0.5, 1.0], (120, 120), [0.2], LIMITS)
    np.testing.assert_allclose(design.errors([120, 100], 0.2), [[0, 0], [-0.05, -0.1]], atol=1e-12)
    assert design.errors(120, [0.2, 0.1, 0.05]).shape == (3, 2)
    with pytest.raises(ValueError, match="bpm must be greater than 0"):
        design.errors(0, 0.2)


def test_worst_tempo_and_best_speed_explain_the_worst_error():
    design = head_design.design_heads([0.5, 0.75, 1.0], (70, 110), [0.25, 0.125], LIMITS)
    speed = design.best_speed(design.worst_bpm)
    errors = design.errors(design.worst_bpm, speed)
    assert np.max(np.abs(errors)) == pytest.approx(design.worst_error, abs=1e-12)
    assert 70 <= design.worst_bpm <= 110
    for bpm in np.linspace(70, 110, 50):
        assert np.max(np.abs(design.errors(bpm, design.best_speed(bpm)))) <= design.worst_error + 1e-12


def test_layout_of_a_design_keeps_the_limits():
    limits = MechanicalLimits(first=0.0301, pitch=0.0205, longest=0.2, ruler_step=0.0005)
    design = head_design.design_heads([0.25, 0.3, 0.5, 2.0], (80, 80), [0.1905], limits)
    positions = np.array(design.layout.spacings)
    assert positions[0] >= 0.0301
    assert np.min(np.diff(positions)) >= 0.0205 - 1e-12
    assert positions[-1] <= 0.2
    np.testing.assert_allclose(positions / 0.0005, np.rint(positions / 0.0005), atol=1e-9)


def test_more_heads_than_the_path_holds_are_refused_with_the_sum():
    limits = MechanicalLimits(first=0.03, pitch=0.05, longest=0.12)
    with pytest.raises(InfeasibleLayout, match="3 heads do not fit: .* at 130 mm, beyond .* 120 mm"):
        head_design.design_heads([0.25, 0.5, 1.0], (80, 80), [0.2], limits)
    free = MechanicalLimits(first=0.03, pitch=0.05, longest=0.12, ruler_step=None)
    with pytest.raises(InfeasibleLayout) as caught:
        head_design.design_heads([0.25, 0.5, 1.0], (80, 80), [0.2], free)
    assert caught.value.in_the_way == ("first", "pitch", "longest")


@pytest.mark.parametrize(
    ("rhythm", "tempos", "limits", "in_the_way", "sentence"),
    [
        # a quarter at 60 takes 200 mm
        ([1.0], (60, 60), {"longest": 0.15}, ("longest",), "by 250 ms at 60 beats .* without the longest"),
        # a sixteenth at 120 takes 25 mm
        ([0.25], (120, 120), {"first": 0.05}, ("first",), "without the first possible position it "),
        # an eighth and a dotted eighth at 120 are 25 mm apart
        ([0.5, 0.75], (120, 120), {"pitch": 0.05}, ("pitch",), "without the pitch between heads"),
        # an eighth at 120 takes 50 mm
        ([0.5], (120, 120), {"ruler_step": 0.03}, ("ruler_step",), "without the ruler step"),
        # no single speed serves two tempos
        ([1.0], (80, 100), {}, ("speeds", "tempos"), "even heads free to stand anywhere miss by"),
        # 25 mm and 300 mm: the first stands too far out, the last too near
        (
            [0.25, 3.0],
            (120, 120),
            {"first": 0.05, "longest": 0.2},
            ("first", "longest"),
            "without the first possible position and the longest path it would be 0 ms",
        ),
        # an eighth at 120 takes 50 mm; the marks stand 100 mm apart and the first allowed at 200 mm
        (
            [0.5],
            (120, 120),
            {"first": 0.11, "ruler_step": 0.1},
            ("first", "ruler_step"),
            "misses by 750 ms .* without the first possible position and the ruler step",
        ),
    ],
)
def test_the_limit_that_stands_in_the_way_is_named(rhythm, tempos, limits, in_the_way, sentence):
    limits = MechanicalLimits(**{"first": 0.02, "pitch": 0.01, "longest": 0.4, "ruler_step": 0.001, **limits})
    with pytest.raises(InfeasibleLayout, match=sentence) as caught:
        head_design.design_heads(rhythm, tempos, [0.2], limits, allowed_error=0.004)
    assert caught.value.in_the_way == in_the_way


def test_every_limit_that_would_do_alone_is_named():
    limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.04, ruler_step=0.04)
    with pytest.raises(InfeasibleLayout) as caught:
        head_design.design_heads([0.35], (120, 120), [0.2], limits, allowed_error=0.004)
    assert caught.value.in_the_way == ("ruler_step",)
    limits = MechanicalLimits(first=0.045, pitch=0.02, longest=0.08, ruler_step=0.04)
    with pytest.raises(InfeasibleLayout, match="misses by 200 ms .* without the first") as caught:
        head_design.design_heads([0.4], (120, 120), [0.2], limits, allowed_error=0.03)
    assert caught.value.in_the_way == ("first", "ruler_step")


def test_an_error_that_is_allowed_passes():
    limits = MechanicalLimits(first=0.02, pitch=0.01, longest=0.15)
    design = head_design.design_heads([1.0], (60, 60), [0.2], limits, allowed_error=0.25)
    assert design.layout.spacings == (0.15,)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"rhythm_beats": []}, "rhythm_beats must hold 1 to 8 note values, got none"),
        ({"rhythm_beats": [-0.5, 1.0]}, "rhythm_beats must be greater than 0 beats, got -0.5"),
        ({"rhythm_beats": [0.5, 0.5]}, "each note value once, .* two heads cannot stand in one place"),
        ({"rhythm_beats": np.arange(1, 10)}, "rhythm_beats must hold 1 to 8 note values, got shape"),
        ({"rhythm_beats": ["eighth"]}, "rhythm_beats must be a number or an array of numbers"),
        ({"tempos": (100, 90)}, r"tempos must go from the slowest to the fastest, got \(100, 90\)"),
        ({"tempos": (100,)}, "tempos must be the slowest and the fastest tempo"),
        ({"tempos": (0, 90)}, "tempos must be greater than 0 beats per minute"),
        ({"speeds": []}, "speeds must be a number or an array of numbers"),
        ({"speeds": [0.2, 0]}, "speeds must be greater than 0 m/s"),
        ({"speeds": np.linspace(0.1, 0.2, 13)}, "speeds must be 1 to 12 different speeds, got 13"),
        ({"allowed_error": -0.001}, "allowed_error must be 0 s or more"),
    ],
)
def test_a_wish_that_makes_no_sense_gets_one_sentence(change, sentence):
    arguments = {"rhythm_beats": [0.5, 1.0], "tempos": (90, 100), "speeds": [0.2], **change}
    with pytest.raises(ValueError, match=sentence):
        head_design.design_heads(limits=LIMITS, **arguments)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"first": 0}, "first must be greater than 0 m"),
        ({"pitch": -0.01}, "pitch must be greater than 0 m"),
        ({"longest": 0.01}, r"longest must be 0.03 m \(first\) or more, got 0.01"),
        ({"ruler_step": 0}, "ruler_step must be greater than 0 m"),
        ({"longest": 0.035, "ruler_step": 0.02}, "ruler_step must put a mark from 0.03 to 0.035 m, got 0.02"),
    ],
)
def test_impossible_limits_get_one_sentence(change, sentence):
    with pytest.raises(ValueError, match=sentence):
        MechanicalLimits(**{"first": 0.03, "pitch": 0.02, "longest": 0.4, **change})


# ---- the map of rhythms ----


def test_rhythm_map_agrees_with_trying_all_pairs():
    limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.15, ruler_step=0.004)
    speeds = (0.2, 0.1)
    table = head_design.rhythm_map(limits, speeds, 93)
    pairs = all_layouts(limits, 2)
    ones = all_layouts(limits, 1)
    for i, first in enumerate(table.notes):
        alone = worst_error(ones, [first.beats], (93, 93), speeds)
        assert table.errors[i, i] == pytest.approx(alone.min(), abs=1e-12)
        for j in range(i + 1, len(table.notes)):
            beats = [first.beats, table.notes[j].beats]
            tried = worst_error(pairs, beats, (93, 93), speeds)
            assert table.errors[i, j] == pytest.approx(tried.min(), abs=1e-12)
            there = worst_error(pairs, beats, (93, 93), [table.speeds[i, j]])
            assert there.min() == pytest.approx(table.errors[i, j], abs=1e-12)
    np.testing.assert_array_equal(table.errors, table.errors.T)


def test_a_map_needs_room_for_two_heads():
    with pytest.raises(InfeasibleLayout, match="2 heads do not fit"):
        head_design.rhythm_map(MechanicalLimits(first=0.03, pitch=0.05, longest=0.06), [0.2], 120)


def test_layouts_without_a_ruler_cannot_be_mapped():
    free = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=None)
    with pytest.raises(ValueError, match="limits must have a ruler_step, got None"):
        head_design.rhythm_map(free, [0.2], 120)
