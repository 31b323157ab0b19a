"""How long a person waits: importing the library and printing a plan, against importing numpy.

All in one run, one after the other, the least CPU time of several processes each.
"""

import resource
import subprocess
import sys

BOUNDS = {"import tapecalc": 3.0}
TASKS = {
    "import numpy": "import numpy",
    "import tapecalc": "import tapecalc",
    "every calculator": (
        "from tapecalc.calc import units, standards, transport, tempo, levels, response, flutter, loop, heads"
    ),
    "machine and plan": "import tapecalc.plan",
    "print a plan": "from tapecalc.cli import main; main(['plan'])",
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
