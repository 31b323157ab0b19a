"""The catalog as a folder: every figure with its caption, alt text, call and sources."""

import io
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw, ImageFont
from tqdm import tqdm

from tapecalc.calc.quantity import known_name
from tapecalc.files import replacing_folder, write_file
from tapecalc.machine import Machine, example_machine
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.plot.kit import Drawn
from tapecalc.words import UNIT_SYSTEMS

SHEET = "sheet.png"
THUMB = (640, 480)  # the most that a picture of the contact sheet takes, pixels
#: Below the heading of captions.md.
RIGHTS = f"Pictures: {style.CREDIT} (by {style.CREATOR}), {style.LICENSE}"


def write_gallery(
    folder: str | os.PathLike[str],
    *,
    machine: Machine | None = None,
    names: Sequence[str] = (),
    profile: str | style.Profile = "notebook",
    units: str = "metric",
    symbols_only: bool = False,
    credit: bool = False,
    sheet: bool = False,
    formats: Sequence[str] = ("svg", "png"),
) -> list[Path]:
    """Draw figures of the catalog, by default all, into a folder, ``captions.md`` last.

    The machine is the bundled example by default. A name that is not known writes nothing. `credit` prints
    whose the pictures are into them; `sheet` adds one picture of all of them, ``sheet.png``.

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
    drawing: dict[str, Any] = {"profile": profile, "units": units, "symbols_only": symbols_only}
    paths: list[Path] = []
    thumbs: dict[str, Image.Image] = {}
    with replacing_folder(folder, "figures", keep=True) as place:
        page = place / "captions.md"
        title = captions_head(machine)
        text = page.read_text(encoding="utf-8") if page.is_file() else ""
        entries = _entries(text.removeprefix(title)) if text.startswith(title) else {}
        for path in () if entries else list(place.iterdir()):  # of another machine
            path.unlink()
        for name in tqdm(names, desc="figures", unit="figure", leave=False, disable=None):
            drawn = draw(name, machine, credit=credit, **drawing)
            paths += drawn.save(place / name, formats)
            if sheet:
                thumbs[name] = _thumb(drawn)
            said: dict[str, Any] = {"units": units, "symbols_only": symbols_only}
            entries[name] = caption_entry(name, drawn, profile.name, formats, **said)
        if sheet:
            paths.append(write_file(place / SHEET, _contact_sheet(thumbs)))
        paths.append(
            write_file(page, title + "\n".join(entries[name] for name in CATALOG if name in entries))
        )
    return [Path(folder) / path.name for path in paths]


def captions_head(machine: Machine) -> str:
    """Return what stands above the entries of captions.md: whose figures they are, and the license."""
    return f"# Figures for {_plain(machine.name)}\n\n{RIGHTS}\n\n"


def caption_entry(
    name: str,
    drawn: Drawn,
    profile: str,
    formats: Sequence[str] = ("svg", "png"),
    *,
    units: str = "metric",
    symbols_only: bool = False,
) -> str:
    """Return what captions.md says of a figure: caption, finding, description, call, sources, files."""
    said = [
        f'"{name}"',
        *([f'profile="{profile}"'] if profile != "notebook" else []),
        *([f'units="{units}"'] if units != "metric" and CATALOG[name].units else []),
        *(["symbols_only=True"] if symbols_only else []),
    ]
    return (
        f"## {name}\n\n"
        f"{_plain(drawn.caption)}\n\n"
        f"- Finding: {_plain(drawn.title)}\n"
        f"- Shows: {CATALOG[name].shows}\n"
        f"- Description: {_plain(drawn.alt)}\n"
        f"- Call: `draw({', '.join(said)})`\n"
        f"- Sources: {'; '.join(drawn.sources)}\n"
        f"- Files: {', '.join(f'[{name}.{form}]({name}.{form})' for form in formats)}\n"
    )


def _thumb(drawn: Drawn) -> Image.Image:
    """A figure as it stands on a contact sheet, on its own ground."""
    with Image.open(io.BytesIO(style.figure_bytes(drawn.figure, "png"))) as picture:
        thumb = picture.convert("RGBA")
    thumb.thumbnail(THUMB)
    return thumb


def _contact_sheet(thumbs: Mapping[str, Image.Image]) -> bytes:
    """Put pictures side by side on gray, each above its name."""
    high = max(thumb.height for thumb in thumbs.values())
    wide = max(max(thumb.width for thumb in thumbs.values()), THUMB[1] // 2)
    columns = math.ceil(math.sqrt(len(thumbs) * high / wide))
    line, gap = THUMB[1] // 16, THUMB[1] // 40
    across, down = wide + gap, high + line + gap
    size = columns * across + gap, math.ceil(len(thumbs) / columns) * down + gap
    page = Image.new("RGBA", size, "#808080")
    pen, face = ImageDraw.Draw(page), ImageFont.truetype(style.type_file("Regular"), line * 0.6)
    for k, (name, thumb) in enumerate(thumbs.items()):
        x, y = gap + k % columns * across, gap + k // columns * down
        page.alpha_composite(thumb, (x, y))
        pen.text((x, y + thumb.height + 0.1 * line), name, font=face, fill="#FFFFFF")
    buffer = io.BytesIO()
    page.convert("RGB").save(buffer, "png", optimize=True)
    return buffer.getvalue()


def _entries(text: str) -> dict[str, str]:
    """The entries of a page of captions by name: those of figures that are not drawn again stay."""
    entries = (f"## {entry.removeprefix('## ')}" for entry in text.split("\n## "))
    return {entry.split("\n", 1)[0].removeprefix("## "): entry for entry in entries}


def _plain(text: str) -> str:
    """Text that Markdown takes as it is written."""
    return "".join("\\" + c if c in "\\`*_{}[]<>#|" else c for c in text)
