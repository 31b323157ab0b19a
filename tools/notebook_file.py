"""Read a notebook's file, or say in one sentence why it cannot be used."""

import warnings
from pathlib import Path

import nbformat

from tapecalc.files import read_bounded

LARGEST_READ = 20_000_000  # bytes
UNFOLDED = {"shown", "yours"}  # tags of cells whose code a reader sees at once


def read_notebook(path):
    """Read a notebook as it is stored; a damaged one raises a ValueError of one line."""
    name = Path(path).name
    try:
        text = read_bounded(path, LARGEST_READ).decode("utf-8")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # cells without an id get one
            notebook = nbformat.convert(nbformat.reader.reads(text), 4)
            nbformat.validate(notebook)
    except Exception as error:  # JSON, schema and older forms have a dozen kinds
        raise ValueError(f"{name}: is no notebook, or a damaged one ({reason(error)})") from None
    return notebook


def reason(error):
    """What an error says, in one printable line that does not fill the screen."""
    said = getattr(error, "strerror", None) or getattr(error, "message", None) or error
    line = " ".join(str(said).split()) or type(error).__name__
    return "".join(c if c.isprintable() else "?" for c in line[:150])
