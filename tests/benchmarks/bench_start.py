"""How long a person waits: importing the library and printing a plan, against importing numpy.

All in one run, one after the other, the least CPU time of several processes each.
"""

import resource
import subprocess
import sys

#: A machine of eight heads, six speeds and sixty songs, as large as a file may describe.
LARGEST = """
from tapecalc.machine import machine_from_data
from tapecalc.plan import make_plan
heads = [{"spacing_mm": 12.0 * number**1.37} for number in range(1, 9)]
songs = [{"name": f"song {number}", "bpm": 60.0 + 2 * number} for number in range(60)]
speeds = [76.2, 38.1, 19.05, 9.525, 4.7625, 2.38125]
transport = {"speeds_cm_s": speeds, "capstan_diameter_mm": 8.0}
deck = {"transport": transport, "playback_heads": heads, "songs": songs, "mixer": {"return_send_db": SEND}}
make_plan(machine_from_data(deck, "largest"), bpm=92)
"""
BOUNDS = {"import tapecalc": 3.0, "largest, dies away": 20.0, "largest, runs away": 20.0}
TASKS = {
    "import numpy": "import numpy",
    "import tapecalc": "import tapecalc",
    "every calculator": (
        "from tapecalc.calc import units, standards, transport, tempo, levels, response, flutter, loop, heads"
    ),
    "machine and plan": "import tapecalc.plan",
    "print a plan": "from tapecalc.cli import main; main(['plan'])",
    "largest, dies away": LARGEST.replace("SEND", "-20.0"),
    "largest, runs away": LARGEST.replace("SEND", "5.0"),
}


def child_seconds(code):
    """CPU time of one new process that runs `code`."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def run():
    """Print the table and return 1 if a bound is broken."""
    rounds = [{name: child_seconds(code) for name, code in TASKS.items()} for _ in range(7)]
    least = {name: min(one[name] for one in rounds) for name in TASKS}
    failed = False
    print(f"{'task':<20}{'CPU s':>8}{'x numpy':>10}{'bound':>8}")
    for name, seconds in least.items():
        ratio = seconds / least["import numpy"]
        bound = BOUNDS.get(name)
        failed |= bound is not None and ratio > bound
        print(f"{name:<20}{seconds:>8.3f}{ratio:>10.2f}{'' if bound is None else bound:>8}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(run())
