"""Where things are, and how a test says all that is wrong at once."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LIBRARY = ROOT / "tapecalc"
NOTEBOOKS = ROOT / "notebooks"


def keeps(violations: Iterable[str]) -> None:
    """Fail with every violation on a line of its own."""
    found = list(violations)
    assert not found, "\n".join(["", *found])
