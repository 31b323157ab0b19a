"""The programs of `tools/` as modules."""

from __future__ import annotations

import importlib.util
import sys

from project import ROOT

#: What the programs share; those import these by their own names.
SHARED = ("notebook_file", "safe_page")


def program(stem, name=None):
    """A program of `tools/`, by its file: on the path the folder would hide other modules."""
    for shared in SHARED:
        if shared not in sys.modules:
            _loaded(shared, shared)
    return _loaded(stem, name or stem)


def _loaded(stem, name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{stem}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # data classes look themselves up there, and one program imports the other
    spec.loader.exec_module(module)
    return module
