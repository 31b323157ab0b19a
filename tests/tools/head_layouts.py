"""Head layouts by brute force, and their worst timing error by another way than the library's."""

import itertools

import numpy as np


def all_layouts(limits, heads):
    """Every layout that a ruler allows, in m, one a row."""
    first, pitch, last = limits.marks
    squeezed = itertools.combinations(range(first, last - (heads - 1) * (pitch - 1) + 1), heads)
    return (np.array(list(squeezed)) + (pitch - 1) * np.arange(heads)) * limits.ruler_step


def random_layouts(limits, heads, count, *, seed):
    """Layouts on the ruler at random, in m, one a row."""
    first, pitch, last = limits.marks
    room = last - first - (heads - 1) * pitch
    spare = np.sort(np.random.default_rng(seed).integers(0, room + 1, (count, heads)), axis=1)
    return (first + spare + pitch * np.arange(heads)) * limits.ruler_step


def worst_error(positions, beats, tempos, speeds):
    """The worst timing error over a range of tempos, each played at its best speed, by runs of speeds.

    It is the largest of the crossings, where two neighboring speeds just meet, and of the errors at the ends
    of the range; heads on the last axis.
    """
    positions, beats = np.asarray(positions), np.asarray(beats)
    speeds = sorted(set(speeds), reverse=True)
    late = [np.max(positions / v - beats * 60 / tempos[1], axis=-1) for v in speeds]
    early = [np.max(beats * 60 / tempos[0] - positions / v, axis=-1) for v in speeds]
    crossings = [crossing(positions, beats, fast, slow) for fast, slow in itertools.pairwise(speeds)]
    best = np.full(positions.shape[:-1], np.inf)
    for start, end in itertools.combinations_with_replacement(range(len(speeds)), 2):
        best = np.minimum(best, np.max([late[start], *crossings[start:end], early[end]], axis=0))
    return best


def crossing(positions, beats, fast, slow):
    """The error at which the tempos served at two neighboring speeds just meet."""
    early, late = positions[..., None, :] / slow, positions[..., :, None] / fast
    misses = (beats[:, None] * early - beats * late) / (beats[:, None] + beats)
    return misses.max(axis=(-2, -1))
