"""The map of rhythms, the inverse design and a set of songs, against a filter over one minute of sound.

All in one run, the least CPU time of several turns each. The unit is `scipy.signal.sosfilt` with
three sections over 60 s at 48 kHz; the bounds are some four times what was measured, so that they
break when an algorithm gets worse and not when the machine is busy. The last part is about
exactness: how far below the bound on the loop gain a frequency grid reads the peak.
"""

import sys
import time

import numpy as np
from scipy import signal

from tapecalc.calc import head_design, heads
from tapecalc.calc.head_design import MechanicalLimits
from tapecalc.calc.song_set import MachineDelay, Song, common_change
from tapecalc.calc.tempo import NOTE_VALUES

LIMITS = MechanicalLimits(first=0.03, pitch=0.018, longest=0.4, ruler_step=0.001)
RHYTHM = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0)
SPEEDS = (0.1905, 0.09525)
TEMPOS = (70, 100)


def least_cpu(task, turns):
    """The least CPU time in s of several turns."""
    times = []
    for _ in range(turns):
        start = time.process_time()
        task()
        times.append(time.process_time() - start)
    return min(times)


def one_minute_filter():
    """The unit: three second-order sections over a minute of sound."""
    sections = signal.butter(6, 0.3, output="sos")
    sound = np.random.default_rng(1).standard_normal(60 * 48000)
    return lambda: signal.sosfilt(sections, sound)


def set_of_songs():
    """Forty songs, eight notes wanted, on eight heads at six speeds."""
    drawn = np.random.default_rng(2)
    songs = [Song(name="one", bpm=bpm, notes=NOTE_VALUES[4:12]) for bpm in drawn.uniform(60, 180, 40)]
    delays = [
        MachineDelay(speed=place // 8, head=place % 8, delay=delay)
        for place, delay in enumerate(drawn.uniform(0.05, 1.2, 48))
    ]
    return lambda: common_change(songs, delays)


def tasks():
    """(name, task, turns, largest allowed multiple of the unit)."""
    return (
        (
            f"map of {len(NOTE_VALUES)} notes on 371 marks",
            lambda: head_design.rhythm_map(LIMITS, SPEEDS, 76),
            3,
            1,
        ),
        ("design 3 heads", lambda: head_design.design_heads(RHYTHM[:3], TEMPOS, SPEEDS, LIMITS), 5, 4),
        ("design 6 heads", lambda: head_design.design_heads(RHYTHM, TEMPOS, SPEEDS, LIMITS), 5, 6),
        ("one change for 40 songs", set_of_songs(), 5, 8),
    )


def peaks_below_the_bound():
    """How far in dB a grid reads the peak of three heads below the bound, by number of points."""
    # off the ruler: delays with a common step would line up early
    delays = np.sort(np.random.default_rng(3).uniform(0.08, 0.4, (100, 3)), axis=1)
    bound_db = 20 * np.log10(3)
    found = {}
    for points in (32, 256, 1024, 16384):
        frequency = np.linspace(40, 8000, points)
        peaks = [np.abs(heads.taps_gain(frequency, row, np.ones(3))).max() for row in delays]
        found[points] = bound_db - 20 * np.log10(peaks)
    return found


def run():
    """Print the tables and return 1 if a bound is broken."""
    unit_task = one_minute_filter()
    unit = least_cpu(unit_task, 5)
    failed = False
    print(f"{'task':<38}{'CPU ms':>9}{'x filter':>10}{'bound':>8}")
    for name, task, turns, bound in tasks():
        unit = min(unit, least_cpu(unit_task, 2))
        seconds = least_cpu(task, turns)
        failed |= seconds / unit > bound
        print(f"{name:<38}{1e3 * seconds:>9.1f}{seconds / unit:>10.2f}{bound:>8}")
    print()
    print(f"{'grid points':<14}{'mean dB low':>12}{'worst':>8}")
    for points, below in peaks_below_the_bound().items():
        failed |= below.min() < -1e-9
        print(f"{points:<14}{below.mean():>12.2f}{below.max():>8.2f}")
    failed |= below.max() > 0.6  # the finest grid: the bound itself is hardly too high
    return int(failed)


if __name__ == "__main__":
    sys.exit(run())
