"""Measuring a minute of stereo, against a filter over the same samples; growth and memory with length.

All in one run, the least CPU time of several turns. The unit is `scipy.signal.sosfilt` with three
sections over 60 s at 48 kHz. The bounds are about twice what was measured (delay 37 to 45, response 14 to 22,
flutter 6 to 10, noise 5, all of a take 60), so that they break when an algorithm gets worse and not when the
machine is busy. Memory is what Python allocates above the start, for a file that is read piece by piece; up
to some minutes there are more pieces the longer it is, and then no more.
"""

import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from tapecalc import measuring as measure

RATE = 48000
MINUTE = 60 * RATE
LONG, LONGER = 3, 6  # minutes
#: Largest multiple of the unit for a minute; 80 units are 1.5 s where the unit takes 18.7 ms.
BOUNDS = {"delay": 90, "response": 45, "flutter": 18, "noise": 22, "take": 120}
ALL_BOUND = 80  # 1.5 s on the machine that the units were taken on
GROWTH_BOUND = 1.25 * LONGER
MEMORY_GROWTH_BOUND = 8e6  # bytes, of which the delay against time is the larger part


def least_cpu(task, turns=3):
    """Result and least CPU time in s of several turns."""
    times = []
    for _ in range(turns):
        start = time.thread_time()
        result = task()
        times.append(time.thread_time() - start)
    return result, min(times)


def material(folder):
    """A minute, and several, of noise through a steady delay, and of a wobbling tone, as files."""
    rng = np.random.default_rng(1)
    dry = 0.1 * rng.standard_normal(MINUTE)
    t = np.arange(MINUTE) / RATE
    wobble = 0.001 / (2 * np.pi * 4) * np.sin(2 * np.pi * 4 * t)
    wet = np.interp(t - 0.2 + 0.1 * wobble, t, dry) + 1e-3 * rng.standard_normal(MINUTE)
    tone = 0.5 * np.sin(2 * np.pi * 3150 * (t + wobble)) + 3e-3 * rng.standard_normal(MINUTE)
    hiss = 1e-3 * rng.standard_normal(MINUTE)
    sounds = {"delay": np.stack([dry, wet], axis=1), "flutter": tone, "noise": hiss}
    for name, samples in sounds.items():
        for minutes in (1, LONG, LONGER):
            channels = samples.ndim
            with soundfile.SoundFile(folder / f"{name}{minutes}.wav", "w", RATE, channels, "PCM_16") as file:
                for _ in range(minutes):
                    file.write(samples)
    return dry


def opened(folder, name, minutes):
    return measure.open_recording(folder / f"{name}{minutes}.wav")


def peak_memory(task):
    """Most that was allocated above the start, bytes."""
    tracemalloc.start()
    task()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def run():
    """Print the table; return what is over its bound."""
    too_much = []

    def note(name, value, bound, unit):
        print(f"{name:<44}{value:10.2f} {unit:<8} bound {bound:g}")
        if value > bound:
            too_much.append(name)

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        dry = material(folder)
        sections = signal.butter(6, 0.3, output="sos")
        _, unit = least_cpu(lambda: signal.sosfilt(sections, dry), 5)
        print(f"unit: sosfilt, 3 sections, 60 s: {1e3 * unit:.1f} ms")
        tasks = {
            "delay": lambda minutes: measure.measure_delay(opened(folder, "delay", minutes)),
            "flutter": lambda minutes: measure.measure_flutter(opened(folder, "flutter", minutes)),
            "noise": lambda minutes: measure.measure_noise(opened(folder, "noise", minutes)),
            "take": lambda minutes: measure.measure(
                [measure.Take(recording=opened(folder, "delay", minutes))]
            ),
        }
        total, once = 0.0, {}
        for name, task in tasks.items():
            result, once[name] = least_cpu(lambda task=task: task(1))
            note(f"{name}, 60 s", once[name] / unit, BOUNDS[name], "units")
            total += once[name] if name != "take" else 0.0
            if name == "delay":
                recording = opened(folder, "delay", 1)
                _, cpu = least_cpu(lambda r=recording, t=result: measure.measure_response(r, t))
                note("response, 60 s", cpu / unit, BOUNDS["response"], "units")
                total += cpu
        note("all four, 60 s", total / unit, ALL_BOUND, "units")
        for name, task in tasks.items():
            _, cpu = least_cpu(lambda task=task: task(LONGER), 1)
            note(f"{name}, {LONGER} min over 1 min", cpu / once[name], GROWTH_BOUND, "times")
            short, long = (peak_memory(lambda task=task, m=m: task(m)) for m in (LONG, LONGER))
            growth = long - short
            note(
                f"{name}, memory of {LONGER} min over {LONG} min",
                growth / 1e6,
                MEMORY_GROWTH_BOUND / 1e6,
                "MB",
            )
    return too_much


if __name__ == "__main__":
    sys.exit(f"over the bound: {', '.join(late)}" if (late := run()) else 0)
