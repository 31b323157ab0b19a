"""The site's program as a module."""

from __future__ import annotations

import importlib.util
import sys

from project import ROOT


def _loaded(name, stem):
    """A program of `tools/`, by its file: on the path the folder would hide other modules."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{stem}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # data classes look themselves up there, and one program imports the other
    spec.loader.exec_module(module)
    return module


panels = _loaded("site_panels", "site_panels")
_loaded("site_api", "site_api")
gallery = _loaded("site_gallery", "site_gallery")
tool = _loaded("site_tool", "site")
