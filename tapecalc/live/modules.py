"""Join JavaScript modules into one text, which runs from disk, from a host and in a notebook alike.

A page on disk may not load a module from a file, and a notebook's widget may not import one. So every module
imports by name from its neighbors, one statement a line and nothing renamed; joined, all share one scope.
"""

import re
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable

#: The packages in which modules stand; a name stands once in all of them.
PACKAGES = ("tapecalc.live", "tapecalc.panels")

_IMPORT = re.compile(r"^import \{([^}]*)\} from \"\.(?:\./\w+)?/(\w+)\.mjs\";\n", re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?function\b|class\b|const\b)", re.MULTILINE)
_COMMENT = re.compile(r"^[ \t]*(?:/\*\*(?:(?!\*/).)*\*/|//[^\n]*)\n", re.MULTILINE | re.DOTALL)
_NAMES = re.compile(r"^(?:async )?(?:function\*?|class|const|let) (\w+)", re.MULTILINE)


@cache
def joined(*roots: str) -> str:
    """Return modules with all that they import before them, each once, without imports and comments.

    Two modules with one name at their top level, or that import each other, are refused.

    >>> "class Engine" in joined("engine"), "import {" in joined("engine")
    (True, False)
    """
    parts: dict[str, str] = {}
    for root in roots:
        _collect(root, parts, ())
    names: dict[str, str] = {}
    for module, text in parts.items():
        for top in _NAMES.findall(text):
            if names.setdefault(top, module) != module:
                raise ValueError(f"modules must differ in names, got {top} in {names[top]} and {module}")
    return "\n".join(parts.values())


def module_file(name: str) -> Traversable:
    """The file of a module, in whichever package it stands."""
    places = [resources.files(package) / f"{name}.mjs" for package in PACKAGES]
    found = [place for place in places if place.is_file()]
    if len(found) != 1:
        raise ValueError(f"a module must stand in one of {', '.join(PACKAGES)}, got {name} in {len(found)}")
    return found[0]


def _collect(name: str, parts: dict[str, str], way: tuple[str, ...]) -> None:
    """Put a module behind those it imports; `way` leads to it."""
    if name in way:
        raise ValueError(f"modules must not import each other, got {' -> '.join((*way, name))}")
    if name in parts:
        return
    text = module_file(name).read_text(encoding="utf-8")
    for _, other in _IMPORT.findall(text):
        _collect(other, parts, (*way, name))
    parts[name] = _EXPORT.sub("", _COMMENT.sub("", _IMPORT.sub("", text)))
