"""A set of songs: the exact search against fine grids of factors, on drawn sets."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc.song_set import MachineDelay, Song, best_choices, common_change
from tapecalc.calc.tempo import NOTE_VALUES

LOW, HIGH = 0.8, 1.25
songs = st.lists(
    st.builds(
        Song,
        name=st.just("drawn"),
        bpm=st.floats(40, 240),
        notes=st.none() | st.lists(st.sampled_from(NOTE_VALUES), min_size=1, max_size=4).map(tuple),
    ),
    min_size=1,
    max_size=6,
)
machines = st.lists(
    st.builds(MachineDelay, speed=st.just(0), head=st.just(0), delay=st.floats(0.03, 1.5)),
    min_size=1,
    max_size=5,
)


def off_by_hand(songs, machine, factors, every_delay=False):
    """By how many thresholds each song is off, for each factor: every note at every delay, one by one."""
    rows = []
    for song in songs:
        of_delays = []
        for own in machine:
            lasts = [60 * note.beats / song.bpm for note in song.wanted]
            # Source: Friberg and Sundberg 1995: 6 ms or 2.5 % of the interval.
            misses = [abs(factors * own.delay - last) / max(0.006, 0.025 * last) for last in lasts]
            of_delays.append(np.min(misses, axis=0))
        rows += of_delays if every_delay else [np.min(of_delays, axis=0)]
    return np.array(rows)


@given(songs, machines, st.booleans())
def test_no_factor_of_a_fine_grid_beats_the_search(songs, machine, every_delay):
    change = common_change(songs, machine, every_delay=every_delay)
    grid = np.linspace(LOW, HIGH, 4001)
    off = off_by_hand(songs, machine, grid, every_delay)
    found = change.best.worst.fit.audibility
    assert LOW <= change.best.factor <= HIGH
    assert found <= off.max(axis=0).min() * (1 + 1e-9) + 1e-9
    at_best = off_by_hand(songs, machine, np.array([change.best.factor]), every_delay)
    assert at_best.max() == pytest.approx(found, rel=1e-9, abs=1e-9)
    counts = (off <= 1).sum(axis=0)
    most = change.most_in_time
    assert most.in_time >= max(counts.max(), change.best.in_time)
    as_many = off[:, counts == most.in_time]
    if most.in_time and as_many.size:
        worst_in_time = np.where(as_many <= 1, as_many, 0).max(axis=0).min()
        found = max(choice.fit.audibility for choice in most.choices if not choice.fit.audible)
        assert found <= worst_in_time * (1 + 1e-9) + 1e-9


@given(songs, machines, st.booleans())
def test_a_runner_up_is_a_local_optimum_and_no_better_one_is_left_out(songs, machine, every_delay):
    change = common_change(songs, machine, every_delay=every_delay)
    grid = np.linspace(LOW, HIGH, 4001)
    worst = off_by_hand(songs, machine, grid, every_delay).max(axis=0)
    inner = np.flatnonzero((worst[1:-1] < worst[:-2]) & (worst[1:-1] < worst[2:])) + 1
    ends = [k for k, beside in ((0, 1), (-1, -2)) if worst[k] < worst[beside]]
    apart = [k for k in [*inner, *ends] if abs(grid[k] / change.best.factor - 1) > 0.0102]
    if change.runner_up is None:
        assert not apart
        return
    found, factor = change.runner_up.worst.fit.audibility, change.runner_up.factor
    assert not apart or found <= worst[apart].min() * (1 + 1e-9) + 1e-9
    assert found >= change.best.worst.fit.audibility - 1e-9
    apart = abs(factor / change.best.factor - 1) > 0.01
    assert apart or change.runner_up.in_time != change.best.in_time
    beside = np.clip(factor * (1 + np.array([-1e-7, 1e-7])), LOW, HIGH)
    assert found <= off_by_hand(songs, machine, beside, every_delay).max(axis=0).min() + 1e-9


@given(songs, machines)
def test_every_song_has_its_best_choice(songs, machine):
    for song, choice in zip(songs, best_choices(songs, machine), strict=True):
        assert choice.song is song and choice.fit.note in song.wanted
        assert choice.fit.delay == choice.delay.delay
        (best,) = off_by_hand([song], machine, np.ones(1))
        assert choice.fit.audibility == pytest.approx(best[0], rel=1e-9, abs=1e-9)


@given(songs, machines, st.floats(0.9, 1.1))
def test_a_machine_that_is_longer_by_a_factor_needs_that_much_less(songs, machine, ratio):
    longer = [MachineDelay(speed=0, head=0, delay=one.delay * ratio) for one in machine]
    one = common_change(songs, machine, low=LOW, high=HIGH)
    other = common_change(songs, longer, low=LOW / ratio, high=HIGH / ratio)
    assert other.best.worst.fit.audibility == pytest.approx(one.best.worst.fit.audibility, rel=1e-6, abs=1e-6)


@given(songs, machines)
def test_more_delays_never_make_a_set_worse_and_more_songs_never_better(songs, machine):
    worst = common_change(songs, machine).best.worst.fit.audibility
    assert common_change(songs, machine[:1]).best.worst.fit.audibility >= worst - 1e-9
    assert common_change(songs[:1], machine).best.worst.fit.audibility <= worst + 1e-9
