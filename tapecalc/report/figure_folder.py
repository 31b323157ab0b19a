"""The catalog as a folder: every figure with its caption, alt text, call and sources."""

import os
from collections.abc import Sequence
from pathlib import Path

from tqdm import tqdm

from tapecalc.calc.quantity import known_name
from tapecalc.files import replacing_folder, write_file
from tapecalc.machine import Machine, example_machine
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.words import UNIT_SYSTEMS


def write_gallery(
    folder: str | os.PathLike[str],
    *,
    machine: Machine | None = None,
    names: Sequence[str] = (),
    profile: str | style.Profile = "notebook",
    units: str = "metric",
    symbols_only: bool = False,
    formats: Sequence[str] = ("svg", "png"),
) -> list[Path]:
    """Draw figures of the catalog, by default all, into a folder, ``captions.md`` last.

    The machine is the bundled example by default. A name that is not known writes nothing.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     paths = write_gallery(folder, names=["delay_map"], formats=["svg"])
    ...     [path.name for path in paths]
    ['delay_map.svg', 'captions.md']
    """
    machine = machine or example_machine()
    suiting = [name for name, entry in CATALOG.items() if entry.suits(machine)]
    names = [known_name("figure", name, CATALOG) for name in names] or suiting
    formats = tuple(known_name("format", form, style.FORMATS) for form in formats)
    known_name("units", units, UNIT_SYSTEMS)
    profile = style.as_profile(profile)
    options = [f'profile="{profile.name}"'] if profile.name != "notebook" else []
    paths: list[Path] = []
    with replacing_folder(folder, "figures", keep=True) as place:
        page = place / "captions.md"
        title = f"# Figures for {_plain(machine.name)}\n\n"
        text = page.read_text(encoding="utf-8") if page.is_file() else ""
        entries = _entries(text.removeprefix(title)) if text.startswith(title) else {}
        for path in () if entries else list(place.iterdir()):  # of another machine
            path.unlink()
        for name in tqdm(names, desc="figures", unit="figure", leave=False, disable=None):
            drawn = draw(name, machine, profile=profile, units=units, symbols_only=symbols_only)
            paths += drawn.save(place / name, formats)
            in_units = [f'units="{units}"'] if units != "metric" and CATALOG[name].units else []
            said = [f'"{name}"', *options, *in_units, *(["symbols_only=True"] if symbols_only else [])]
            entries[name] = (
                f"## {name}\n\n"
                f"{_plain(drawn.caption)}\n\n"
                f"- Shows: {CATALOG[name].shows}\n"
                f"- Description: {_plain(drawn.alt)}\n"
                f"- Call: `draw({', '.join(said)})`\n"
                f"- Sources: {'; '.join(drawn.sources)}\n"
                f"- Files: {', '.join(f'[{name}.{form}]({name}.{form})' for form in formats)}\n"
            )
        paths.append(
            write_file(page, title + "\n".join(entries[name] for name in CATALOG if name in entries))
        )
    return [Path(folder) / path.name for path in paths]


def _entries(text: str) -> dict[str, str]:
    """The entries of a page of captions by name: those of figures that are not drawn again stay."""
    entries = (f"## {entry.removeprefix('## ')}" for entry in text.split("\n## "))
    return {entry.split("\n", 1)[0].removeprefix("## "): entry for entry in entries}


def _plain(text: str) -> str:
    """Text that Markdown takes as it is written."""
    return "".join("\\" + c if c in "\\`*_{}[]<>#|" else c for c in text)
