"""The catalog as a folder: every figure with its caption, alt text, call and sources."""

from __future__ import annotations

from tqdm import tqdm

from tapecalc.calc.quantity import known_name
from tapecalc.files import alone_in, write_file
from tapecalc.machine import example_machine
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw

__all__ = ["write_gallery"]


def write_gallery(
    folder,
    *,
    machine=None,
    names=(),
    profile="notebook",
    units="metric",
    symbols_only=False,
    formats=("svg", "png"),
):
    """Draw figures of the catalog into a folder, with a page of captions.

    Parameters
    ----------
    folder : str or os.PathLike
        Where to; made if it is not there yet.
    machine : Machine, optional
        What the figures show; the bundled example by default.
    names : sequence of str, optional
        Keys of `CATALOG`; all of them by default.
    profile : str or Profile, optional
        Size and ground.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    symbols_only : bool, optional
        Write symbols instead of words.
    formats : sequence of str, optional
        Out of ``style.FORMATS``.

    Returns
    -------
    list of pathlib.Path
        The files, ``captions.md`` last.

    Raises
    ------
    ValueError
        If a figure, a profile, a unit or a format is not known; nothing is written then.
    OSError
        If the folder cannot be written.

    Notes
    -----
    Source: the catalog. Notebook: 09_figures.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     paths = write_gallery(folder, names=["delay_map"], formats=["svg"])
    ...     [path.name for path in paths]
    ['delay_map.svg', 'captions.md']
    """
    suiting = [name for name, entry in CATALOG.items() if machine is None or entry.suits(machine)]
    names = [known_name("figure", name, CATALOG) for name in names] or suiting
    formats = [known_name("format", form, style.FORMATS) for form in formats]
    profile = style.as_profile(profile)
    known_name("units", units, ("metric", "inches"))
    paths, captions = [], {}
    with alone_in(folder) as folder:
        for name in tqdm(names, desc="figures", unit="figure", leave=False, disable=None):
            drawn = draw(name, machine=machine, profile=profile, units=units, symbols_only=symbols_only)
            paths += drawn.save(folder / name, formats)
            captions[name] = _caption(name, drawn, profile, units, symbols_only, formats)
        title = f"# Figures for {_plain((machine or example_machine()).name)}\n\n"
        page = folder / "captions.md"
        entries = _entries(page, title) | captions
        text = title + "\n".join(entries[name] for name in CATALOG if name in entries)
        paths.append(write_file(page, text))
    return paths


def _entries(page, title):
    """The entries of a page of captions for the same machine: those of other figures stay."""
    text = page.read_text(encoding="utf-8") if page.is_file() else ""
    if not text.startswith(title):
        return {}
    entries = text.removeprefix(title).split("\n## ")
    return {
        entry.split("\n", 1)[0].removeprefix("## "): f"## {entry.removeprefix('## ')}" for entry in entries
    }


def _caption(name, drawn, profile, units, symbols_only, formats):
    """One figure's entry on the page of captions."""
    options = [f'profile="{profile.name}"'] if profile.name != "notebook" else []
    options += [f'units="{units}"'] if units != "metric" and CATALOG[name].units else []
    options += ["symbols_only=True"] if symbols_only else []
    call = f"draw({', '.join([repr(name).replace(chr(39), chr(34)), *options])})"
    files = ", ".join(f"[{name}.{form}]({name}.{form})" for form in formats)
    return (
        f"## {name}\n\n"
        f"{_plain(drawn.caption)}\n\n"
        f"- Shows: {CATALOG[name].shows}\n"
        f"- Description: {_plain(drawn.alt)}\n"
        f"- Call: `{call}`\n"
        f"- Sources: {'; '.join(drawn.sources)}\n"
        f"- Files: {files}\n"
    )


def _plain(text):
    """Text that Markdown takes as it is written."""
    return "".join("\\" + c if c in "\\`*_{}[]<>#|" else c for c in text)
