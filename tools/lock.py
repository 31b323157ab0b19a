"""Write the packages that `make` installs step by step, with their hashes, and the licenses of all.

    make lock

Versions are those of `constraints.txt`; what only another system needs has no pin there and is the newest.
The list of a step holds what those before it have not. Licenses are read from what is installed in `.venv`.
"""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCKED = ROOT / "locked"
#: The steps of the Makefile, and the extras that are there by then.
STEPS = {
    "plan": "",
    "lab": "lab clips",
    "test": "lab clips site test",
    "bench": "lab clips site test bench",
    "mutants": "lab clips site test mutants",
}
COMPILE = (
    "uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate "
    "--no-emit-index-url --constraint constraints.txt pyproject.toml -"
)
LICENSES = (
    "pip-licenses --python .venv/bin/python --from=mixed --order=name --format=markdown --with-system "
    "--ignore-packages tapecalc"
)


def entries(text):
    """The packages of a list, each with the lines of its hashes."""
    return text.strip().replace("\n    ", "\0").replace("\n", "\1").replace("\0", "\n    ").split("\1")


def told(line, **options):
    """What one of the two programs that stand beside this Python prints."""
    program, *words = line.split()
    command = [Path(sys.executable).parent / program, *words]
    return subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True, **options).stdout


def main():
    LOCKED.mkdir(exist_ok=True)
    there = []
    for step, extras in STEPS.items():
        options = " ".join(f"--extra {extra}" for extra in extras.split())
        found = entries(told(f"{COMPILE} {options}", input="setuptools"))  # which builds the project itself
        new = [entry for entry in found if entry not in there]
        (LOCKED / f"{step}.txt").write_text("\n".join([*new, ""]), encoding="utf-8")
        there += new if step in ("plan", "lab", "test") else []
    (LOCKED / "LICENSES.md").write_text(told(LICENSES), encoding="utf-8")


if __name__ == "__main__":
    main()
