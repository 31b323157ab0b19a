"""How long rendering takes, against a filter over the same samples in the same run.

All times are CPU time, the least of five turns, with a turn of the filter before and after
each of them. The unit is `scipy.signal.sosfilt` with three sections over the same number of
samples; the standard case is one head at 83 ms, 60 s of mono at 48 kHz, with response,
flutter and feedback. Run with ``--short`` it leaves out what takes minutes.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine
from tapecalc.sound.engine import EchoSettings, echo_layout, wet_blocks
from tapecalc.sound.motion import Motion
from tapecalc.sound.render import render, render_file

RATE = 48000
SPEED = 0.1905
TURNS = 5
WOBBLES = ((0.0011, 0.55), (0.0007, 4.3), (0.0004, 9.7), (0.00015, 28.0))
SECTIONS = signal.butter(6, 0.3, output="sos")
MEMORY_BOUND = 200  # MB above the bare interpreter
NUMBA_SHARE = 0.4  # of the speed of a compiled sample loop
CLIP_BOUND = 40e-3 / (18.4e-3 * 8 / 60)  # 40 ms, in filters over 8 s of the machine this was stated for


def noise(seconds):
    """Noise a third of which would limit the tape."""
    return 0.1 * np.random.default_rng(1).standard_normal(seconds * RATE)


def echo(heads, delay, **more):
    """A machine of some heads, the nearest at `delay`, each further one half as far again."""
    return EchoSettings(
        motion=Motion(speed=SPEED, wobbles=WOBBLES),
        heads=Heads(
            spacings=tuple(SPEED * delay * (1 + 0.5 * head) for head in range(heads)), gains=(0.7,) * heads
        ),
        return_gain=0.8 / heads,
        one_pass=example_machine().one_pass(SPEED),
        **more,
    )


def engine(samples, settings):
    """Return a task: samples through the engine into an array."""
    wet = np.empty_like(samples)

    def task():
        layout = echo_layout(settings, RATE)
        whole = len(samples) // layout.block * layout.block
        blocks = (samples[None, start : start + layout.block] for start in range(0, whole, layout.block))
        for start, block in enumerate(wet_blocks(blocks, settings, layout)):
            wet[start * layout.block : (start + 1) * layout.block] = block[0]

    return task


def cpu(task):
    """The CPU time in s of one turn, all threads counted."""
    start = time.process_time()
    task()
    return time.process_time() - start


def least(task, unit):
    """The least CPU times of a task and of the filter, in s, turn about."""
    times, units = [], [cpu(unit)]
    for _ in range(TURNS):
        times.append(cpu(task))
        units.append(cpu(unit))
    return min(times), min(units)


class Table:
    """Prints rows as they are measured and remembers whether a bound was broken."""

    def __init__(self):
        self.failed = False
        print(f"{'case':<52}{'CPU ms':>9}{'ratio':>8}{'bound':>8}")

    def row(self, name, seconds, value, bound, note=""):
        self.failed |= value > bound
        print(f"{name:<52}{1e3 * seconds:>9.1f}{value:>8.2f}{bound:>8.2f} {note}", flush=True)
        return value

    def figure(self, name, value, bound, unit):
        self.failed |= value > bound
        print(f"{name:<52}{value:>17.2f}{bound:>8.2f} {unit}", flush=True)


def times_against_the_filter(table):
    """Engines of one to three heads over a minute, and a clip for a slider."""
    samples = noise(60)
    unit = lambda: signal.sosfilt(SECTIONS, samples)  # noqa: E731
    found = {}
    for name, settings, bound in (
        ("1 head, 83 ms", echo(1, 0.083), 12.0),
        ("1 head, 330 ms", echo(1, 0.33), 8.0),
        ("2 heads, 83 ms", echo(2, 0.083), 12.0 + 2.8),
        ("3 heads, 83 ms", echo(3, 0.083), 12.0 + 5.6),
        # The record equalizer, a limit at five times the rate, and noise with a spectrum.
        ("3 heads, 83 ms, limiter and hiss", echo(3, 0.083, saturation=0.355, hiss=1e-4), 25.6),
    ):
        seconds, one = least(engine(samples, settings), unit)
        found[name] = table.row(name, seconds, seconds / one, bound)
    table.figure("each further head", (found["3 heads, 83 ms"] - found["1 head, 83 ms"]) / 2, 2.8, "filters")
    seconds, one = least(lambda: render(samples, RATE, echo(1, 0.083), seconds=60), unit)
    table.row("1 head, 83 ms, with checks, dry sound and mix", seconds, seconds / one, 14.0)
    clip, three = samples[: 8 * RATE], echo(3, 0.218)
    seconds, one = least(lambda: render(clip, RATE, three, seconds=8), lambda: signal.sosfilt(SECTIONS, clip))
    table.row("a clip of 8 s, 3 heads, with dry sound and mix", seconds, seconds / one, CLIP_BOUND)


def growth_with_length(table):
    """Ten minutes against one."""
    short, long = noise(60), noise(600)
    one, _ = least(engine(short, echo(1, 0.083)), lambda: None)
    ten, _ = least(engine(long, echo(1, 0.083)), lambda: None)
    table.figure("600 s over 60 s", ten / one, 11.5, "times")


def compiled_loop(numba):
    """A sample loop with 16 taps of a windowed sinc from a table, three biquads, flutter and feedback."""
    phases, taps = 512, 16
    away = np.arange(taps) - taps // 2 + 1 - np.arange(phases + 1)[:, None] / phases
    table = np.sinc(0.92 * away) * np.kaiser(2 * 4096 + 1, 9.0)[np.rint(4096 * (1 + away / 8.6)).astype(int)]
    depths, rates = np.transpose(WOBBLES)

    @numba.njit(fastmath=True)
    def loop(samples, delay, history, table, sections, depths, rates):
        state = np.zeros((3, 2))
        wet = np.empty_like(samples)
        step = 64
        for start in range(0, len(samples), step):
            ends = np.empty(2)
            for side in range(2):
                time = (start + step * side) / 48000
                late = delay
                for _ in range(3):
                    offset = 0.0
                    for k in range(len(depths)):
                        turn = 2 * np.pi * rates[k]
                        swing = np.cos(turn * time) - np.cos(turn * (time - late / 48000))
                        offset += depths[k] / turn * swing
                    late = delay + offset * 48000
                ends[side] = late
            for n in range(start, min(start + step, len(samples))):
                late = ends[0] + (ends[1] - ends[0]) * (n - start) / step
                behind = int(np.ceil(late))
                place = (behind - late) * 512
                phase = int(place)
                blend = place - phase
                value = 0.0
                first = n - behind - 7 + 100000
                for k in range(16):
                    weight = table[phase, k] + blend * (table[phase + 1, k] - table[phase, k])
                    value += history[first + k] * weight
                wet[n] = value
                bus = samples[n] + 0.8 * 0.7 * value
                for k in range(3):
                    out = sections[k, 0] * bus + state[k, 0]
                    state[k, 0] = sections[k, 1] * bus - sections[k, 4] * out + state[k, 1]
                    state[k, 1] = sections[k, 2] * bus - sections[k, 5] * out
                    bus = out
                history[n + 100000] = bus
        return wet

    return lambda samples: loop(
        samples, 0.083 * RATE, np.zeros(len(samples) + 200000), table, SECTIONS, depths, rates
    )


def against_a_compiled_loop(table):
    """What numba makes of the plain loop, if it is installed."""
    try:
        import numba
    except ImportError:
        print("numba is not installed: the comparison with a compiled loop is left out")
        return
    samples = noise(60)
    compiled = compiled_loop(numba)
    compiled(samples[:1000])
    loop, _ = least(lambda: compiled(samples), lambda: None)
    ours, _ = least(engine(samples, echo(1, 0.083)), lambda: None)
    table.row("1 head, 83 ms, over a compiled loop of 16 taps", ours, ours / loop, 1 / NUMBA_SHARE)


def ratio_in_a_new_process(threads):
    """The standard case in a process whose BLAS wants so many threads."""
    code = (
        "from bench_render import *\n"
        "samples = noise(60)\n"
        "print(*least(engine(samples, echo(3, 0.083, saturation=0.355)), "
        "lambda: signal.sosfilt(SECTIONS, samples)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"OPENBLAS_NUM_THREADS": str(threads)},
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=True,
    )
    seconds, unit = map(float, done.stdout.split())
    return seconds / unit


def threads_of_blas(table):
    """Two threads must not cost CPU time: a matrix product large enough to wake one would."""
    table.figure(
        "BLAS wants 2 threads, over 1", ratio_in_a_new_process(2) / ratio_in_a_new_process(1), 1.2, "times"
    )


def peak_memory(code, *arguments):
    """The largest resident set of a new interpreter in MB; getrusage would count its parent's."""
    script = f"{code}\nprint(*(row.split()[1] for row in open('/proc/self/status') if 'VmHWM' in row))"
    command = [sys.executable, "-c", script, *map(str, arguments)]
    done = subprocess.run(command, cwd=Path(__file__).parent, capture_output=True, text=True, check=True)
    return float(done.stdout) / 1024


def memory_for_an_hour(table):
    """One hour of stereo, from file to file."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "hour.flac"
        second = np.column_stack([noise(1), noise(1)[::-1]]) * 0.2
        with soundfile.SoundFile(source, "w", RATE, 2, "PCM_16") as file:
            for _ in range(3600):
                file.write(second)
        render = "import sys\nfrom bench_render import *\nrender_hour(*sys.argv[1:])"
        used = peak_memory(render, source, Path(folder) / "echo.flac")
    table.figure("an hour of stereo, above the bare interpreter", used - peak_memory(""), MEMORY_BOUND, "MB")


def render_hour(source, target):
    """Render one file into another."""
    render_file(example_machine(), source, target, seconds=3600)


def run(short):
    """Measure, print, and return 1 if a bound is broken."""
    table = Table()
    times_against_the_filter(table)
    against_a_compiled_loop(table)
    threads_of_blas(table)
    if not short:
        growth_with_length(table)
        if Path("/proc/self/status").exists():
            memory_for_an_hour(table)
    return int(table.failed)


if __name__ == "__main__":
    sys.exit(run("--short" in sys.argv[1:]))
