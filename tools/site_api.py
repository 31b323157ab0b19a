"""The library's own pages: what each module offers, read from the source, linked with the lessons."""

from __future__ import annotations

import ast
import contextlib
import importlib
import inspect
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import griffe
import nbformat

from tapecalc.calc.quantity import Is, quantities

ROOT = Path(__file__).resolve().parents[1]
LONGEST_VALUE = 80  # characters of a constant that is shown
DOCTEST = re.compile(r"((?:^>>> .*\n?(?:^(?!>>>).+\n?)*)+)", re.M)


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One public function, class or constant: what the template shows of it."""

    name: str
    anchor: str
    kind: str
    signature: str
    text: str  # markdown
    quantities: tuple[tuple[str, str, str], ...] = ()  # parameter, what it is, what is allowed
    members: tuple[Entry, ...] = ()
    lessons: list[tuple[str, str]] = field(default_factory=list)  # file and title


@dataclass(frozen=True, kw_only=True)
class ModulePage:
    """One module: where its page stands, what it says of itself, and what it offers."""

    name: str
    file: str
    text: str
    entries: tuple[Entry, ...]

    @property
    def summary(self) -> str:
        """The first sentence of what it says."""
        return self.text.partition("\n\n")[0]


def api_pages() -> list[ModulePage]:
    """A page for each module with public names, in the order of the rooms."""
    package = griffe.load("tapecalc", search_paths=[ROOT], docstring_parser="numpy", allow_inspection=False)
    rooms = [package, *_modules(package)]
    return [page for page in map(_page, rooms) if page.entries or page.name == "tapecalc"]


#: Packages from the ground up, and what each is for.
ROOMS = {
    "tapecalc": "The start",
    "tapecalc.calc": "Calculators",
    "tapecalc.sound": "Sound",
    "tapecalc.measuring": "Measuring",
    "tapecalc.plot": "Figures and clips",
    "tapecalc.report": "Texts and pages",
    "tapecalc.course": "The course",
}


def in_rooms(pages: list[ModulePage]) -> dict[str, list[ModulePage]]:
    """The pages of each room, by what the room is for."""
    rooms: dict[str, list[ModulePage]] = {title: [] for title in ROOMS.values()}
    for page in pages:
        package = max((room for room in ROOMS if f"{page.name}.".startswith(f"{room}.")), key=len)
        rooms[ROOMS[package]].append(page)
    return {title: those for title, those in rooms.items() if those}


def _modules(package: griffe.Module) -> Iterator[griffe.Module]:
    for module in sorted(package.modules.values(), key=lambda module: (module.is_init_module, module.name)):
        if not module.is_alias and not module.name.startswith("_"):
            yield module
            yield from _modules(module)


def _page(module: griffe.Module) -> ModulePage:
    loaded = importlib.import_module(module.path)
    public = sorted((name for name in module.members if not name.startswith("_")), key=str.swapcase)
    entries = (_entry(module, name, getattr(loaded, name, None)) for name in public)
    return ModulePage(
        name=module.path,
        file=f"api/{module.path}.html",
        text=_markdown(module.docstring),
        entries=tuple(entry for entry in entries if entry is not None),
    )


def _entry(module: griffe.Module, name: str, thing: object) -> Entry | None:
    member = module.members[name]
    if member.is_alias or member.is_module or (member.is_attribute and member.docstring is None):
        return None  # said where it is made, or a number that explains itself in the source
    members: tuple[Entry, ...] = ()
    if isinstance(member, griffe.Class):
        own = (
            each for each in member.members.values() if not each.name.startswith("_") and not each.is_alias
        )
        members = tuple(
            Entry(
                name=each.name,
                anchor=f"{name}.{each.name}",
                kind="method" if isinstance(each, griffe.Function) else "field",
                signature=_signature(each),
                text=_markdown(each.docstring),
            )
            for each in own
        )
    return Entry(
        name=name,
        anchor=name,
        kind=member.kind.value,
        signature=_signature(member),
        text=_markdown(member.docstring),
        quantities=tuple(_described(thing)),
        members=members,
    )


def _signature(member: griffe.Object) -> str:
    """How it is called or, for a value, its type."""
    if isinstance(member, griffe.Function):
        return re.sub(r"\b(self|cls)(, )?", "", member.signature(), count=1)
    if isinstance(member, griffe.Class):
        shown = [p for p in member.parameters if p.name not in ("self", "cls")]
        return f"{member.name}({', '.join(p.name for p in shown)})" if shown else member.name
    annotation, value = getattr(member, "annotation", None), str(getattr(member, "value", None) or "")
    if annotation is not None:
        return f"{member.name}: {annotation}"
    return f"{member.name} = {value}" if value and len(value) < LONGEST_VALUE else member.name


def _described(thing: object) -> Iterator[tuple[str, str, str]]:
    """What the parameters or fields are that have a unit and a range of their own."""
    if isinstance(thing, type) or inspect.isfunction(thing):
        for name, kind in quantities(thing).items():
            yield name, kind.words or name, _allowed(kind)


def _allowed(kind: Is) -> str:
    said = kind.allowed()
    unit = f", in {kind.unit}" if kind.unit and kind.unit not in said else ""
    return f"{said}{unit}{', along the last axis' if kind.series else ''}"


def _markdown(docstring: griffe.Docstring | None) -> str:
    """A docstring as markdown: sections get their names, examples their own blocks."""
    if docstring is None:
        return ""
    parts = []
    for section in docstring.parsed:
        match section.kind.value:
            case "text":
                parts.append(DOCTEST.sub(r"```python\n\1\n```\n", section.value))
            case "examples":
                parts += [
                    f"```python\n{text}\n```" if kind.value == "examples" else text
                    for kind, text in section.value
                ]
            case "parameters" | "attributes" | "other parameters":
                parts.append(
                    "\n".join(f"- `{each.name}`: {_joined(each.description)}" for each in section.value)
                )
            case "returns" | "yields" | "raises" | "warns":
                said = "; ".join(_joined(each.description) for each in section.value if each.description)
                parts.append(f"{section.kind.value.capitalize()}: {said}" if said else "")
            case _:
                value = section.value
                parts.append(value if isinstance(value, str) else str(getattr(value, "description", "")))
    return "\n\n".join(part.strip("\n") for part in parts if part)


def _joined(text: str) -> str:
    return " ".join(text.split())


def uses_in(notebook: nbformat.NotebookNode) -> list[str]:
    """Dotted paths of what a lesson's code calls of the library, as it is defined there, each once."""
    known: dict[str, object] = {}
    found: dict[str, None] = {}
    for cell in notebook.cells:
        if cell.cell_type == "code":
            for node in ast.walk(ast.parse(re.sub(r"^[%!].*$", "", cell.source, flags=re.M))):
                _learn_imports(node, known)
                if isinstance(node, (ast.Name, ast.Attribute)) and (path := _defined(node, known)):
                    found[path] = None
    return sorted(found)


def _learn_imports(node: ast.AST, known: dict[str, object]) -> None:
    """Note what names an import gives to parts of the library."""
    if isinstance(node, ast.Import):
        for alias in node.names:
            if alias.name.partition(".")[0] == "tapecalc":
                known[alias.asname or "tapecalc"] = importlib.import_module(
                    alias.name if alias.asname else "tapecalc"
                )
    elif isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] == "tapecalc":
        module = importlib.import_module(node.module or "tapecalc")
        for alias in node.names:
            with contextlib.suppress(ModuleNotFoundError):  # then it is no module, but what the module holds
                importlib.import_module(f"{node.module}.{alias.name}")
            known[alias.asname or alias.name] = getattr(module, alias.name, None)


def _defined(node: ast.AST, known: dict[str, object]) -> str | None:
    """Where the thing is defined that a name or a chain of names stands for; None if it is not of ours."""
    names: list[str] = []
    while isinstance(node, ast.Attribute):
        names.insert(0, node.attr)
        node = node.value
    thing = known.get(node.id) if isinstance(node, ast.Name) else None
    for name in names:
        thing = getattr(thing, name, None)
    module, name = getattr(thing, "__module__", None), getattr(thing, "__qualname__", "")
    return f"{module}.{name}" if isinstance(module, str) and module.startswith("tapecalc") and name else None


def link_lessons(
    pages: list[ModulePage], lessons: dict[str, tuple[str, list[str]]]
) -> dict[str, list[tuple[str, str]]]:
    """Tell each entry which lessons use it, and give back for each lesson the entries it uses.

    `lessons` maps the file of a lesson's page to its title and to what `uses_in` found there.
    """
    entries = {f"{page.name}.{entry.name}": (page, entry) for page in pages for entry in page.entries}
    used: dict[str, list[tuple[str, str]]] = {}
    for file, (title, paths) in lessons.items():
        used[file] = []
        for path in paths:
            if path in entries:
                page, entry = entries[path]
                entry.lessons.append((file, title))
                used[file].append((f"{page.file}#{entry.anchor}", entry.name))
    return used
