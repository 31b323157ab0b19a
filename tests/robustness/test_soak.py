"""Many runs in one process, and one that is long, need no more memory than a few short ones."""

import subprocess
import sys

import pytest

pytestmark = pytest.mark.weekly

#: Memory in MB after a tenth of the rounds and after all of them.
MANY = """
import resource, sys, tempfile
from pathlib import Path
import numpy as np
from tapecalc.machine import example_machine
from tapecalc.plan import make_plan
from tapecalc.report.plan_text import plan_text
from tapecalc.sound.files import write_sound
from tapecalc.sound.render import render_file
deck, rounds = example_machine(), int(sys.argv[1])
with tempfile.TemporaryDirectory() as folder:
    dry = write_sound(Path(folder) / "dry.wav", 0.3 * np.sin(np.arange(24_000) / 9), 48000)
    for number in range(rounds):
        plan_text(make_plan(deck, bpm=60 + number % 90))
        render_file(deck, dry, Path(folder) / "echo.wav", seconds=1, progress=False)
        if number + 1 in (rounds // 10, rounds):
            print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""
#: Memory in MB after a sound of some seconds went through the machine.
LONG = """
import resource, sys, tempfile
from pathlib import Path
import numpy as np
from tapecalc.machine import example_machine
from tapecalc.sound.files import new_sound
from tapecalc.sound.render import render_file
seconds = int(sys.argv[1])
with tempfile.TemporaryDirectory() as folder:
    with new_sound(Path(folder) / "dry.flac", 48000, 2) as file:
        for _ in range(seconds // 10):
            file.write(0.3 * np.sin(np.arange(960_000).reshape(-1, 2) / 9))
    render_file(example_machine(), Path(folder) / "dry.flac", Path(folder) / "echo.flac", progress=False)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def memory(code, size):
    pytest.importorskip("resource", reason="this system does not tell the memory of a process")
    done = subprocess.run([sys.executable, "-c", code, str(size)], capture_output=True, text=True, check=True)
    return [float(line) for line in done.stdout.split()]


def test_two_hundred_plans_and_renders_in_one_process_do_not_grow():
    early, late = memory(MANY, 200)
    assert late < early + 10


def test_an_hour_of_sound_needs_the_memory_of_a_minute():
    (minute,), (hour,) = (memory(LONG, seconds) for seconds in (60, 3600))
    assert hour < 1.2 * minute
