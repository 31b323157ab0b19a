"""The library's house rules: each function looks at one module and lists what breaks a rule.

A rule returns sentences, one for each violation, and an empty list for a module that keeps it. The
tests in `tests/conventions` ask every module of the library; they also ask small modules that break
the rule on purpose, so that a rule which never speaks is found out.
"""

from __future__ import annotations

import ast
import dataclasses
import doctest
import importlib
import importlib.util
import inspect
import pkgutil
import re
import sys
import textwrap
from functools import cache, cached_property
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LIBRARY = ROOT / "tapecalc"
NOTEBOOKS = ROOT / "notebooks"

SECTIONS = (
    "Parameters", "Returns", "Yields", "Attributes", "Raises", "Warns", "See Also", "Notes", "Examples",
)  # fmt: skip
#: The rooms from the ground up. A module imports from floors below its own, and, inside a package,
#: from its neighbors.
FLOORS = (
    {"checks", "files"},
    {"units"},
    {"standards"},
    {"transport"},
    {"tempo", "levels", "response", "flutter"},
    {"loop"},
    {"heads"},
    {"machine"},
    {"plan"},
    {"audio"},
    {"show"},
    {"__main__"},
)
#: Modules that compute: their functions are derived in a notebook.
CALCULATORS = ("units", "transport", "tempo", "levels", "response", "flutter", "loop", "heads")
#: The notebooks that a docstring may name.
COURSE = (
    "01_delay",
    "02_wavelength",
    "03_repeats",
    "04_tempo",
    "05_flutter",
    "06_heads",
    "07_patching",
    "08_measuring",
    "09_figures",
    "workbench",
)
#: Modules in which methods are held to the rules of functions, too.
COMPUTING = (*CALCULATORS, "machine", "plan")
#: Functions of `checks` that never refuse anything.
HARMLESS_CHECKS = {"scalar_or_array"}
#: Endings of names that carry their unit.
UNIT_ENDINGS = ("_db", "_dba", "_dbu", "_dbv", "_percent", "_cents", "_in", "_pt", "_volts")
#: What `numpy.random` has without a state for all.
SEEDED = ("default_rng", "Generator", "SeedSequence", "BitGenerator", "PCG64")
#: Lengths of the inch and the foot, as digits without zeros and points.
INCH_DIGITS = {"254", "3048"}


@dataclasses.dataclass(frozen=True)
class Subject:
    """One module as the rules see it: the object, its name below the package, its source."""

    module: object
    name: str
    path: Path

    @cached_property
    def source(self):
        """The text of the file."""
        return self.path.read_text(encoding="utf-8")

    @cached_property
    def tree(self):
        """The syntax tree of the file."""
        return _tree(self.source)

    @cached_property
    def checks(self):
        """Names under which the module knows functions that refuse a value."""
        return {
            alias.asname or alias.name
            for statement in ast.walk(self.tree)
            if isinstance(statement, ast.ImportFrom) and statement.module == "tapecalc.checks"
            for alias in statement.names
            if alias.name not in HARMLESS_CHECKS
        }

    @cached_property
    def private(self):
        """The module's private functions by name."""
        functions = (node for node in self.tree.body if isinstance(node, ast.FunctionDef))
        return {node.name: node for node in functions if node.name.startswith("_")}

    @property
    def public(self):
        """Public objects that were made in this module, by name."""
        names = getattr(self.module, "__all__", ())
        made_here = ((name, getattr(self.module, name, None)) for name in names)
        return {name: value for name, value in made_here if self._is_own(value)}

    def _is_own(self, value):
        callable_here = inspect.isfunction(value) or inspect.isclass(value)
        return callable_here and value.__module__ == self.module.__name__


@cache
def _tree(source):
    return ast.parse(source)


@dataclasses.dataclass(frozen=True)
class Callable:
    """A public function or method, its docstring in sections, its syntax tree."""

    where: str
    function: object
    node: object
    subject: Subject

    @cached_property
    def doc(self):
        """The docstring in sections."""
        return Docstring(inspect.getdoc(self.function) or "")

    @property
    def parameters(self):
        """Parameters as a caller sees them, by name; self left out."""
        signature = inspect.signature(self.function)
        return {name: p for name, p in signature.parameters.items() if name not in ("self", "cls")}

    @property
    def name(self):
        """The last part of `where`."""
        return self.where.rpartition(".")[2]


class Docstring:
    """A numpydoc docstring: a summary and sections, in their order."""

    def __init__(self, text):
        lines = text.splitlines()
        headings = [
            number
            for number in range(len(lines) - 1)
            if lines[number].strip() and re.fullmatch(r"-{3,}", lines[number + 1].strip())
        ]
        ends = [*headings, len(lines)]
        self.summary = "\n".join(lines[: ends[0]]).strip()
        self.order = [lines[number].strip() for number in headings]
        self.sections = {
            lines[start].strip(): "\n".join(lines[start + 2 : end]).strip("\n")
            for start, end in zip(headings, ends[1:], strict=True)
        }

    def entries(self, section):
        """Entries of a section such as Parameters: name to (type, description)."""
        found = {}
        for line in self.sections.get(section, "").splitlines():
            if line and not line[0].isspace():
                names, _, kind = line.partition(" : ")
                current = [name.strip().lstrip("*") for name in names.split(",")]
                for name in current:
                    found[name] = [kind.strip(), ""]
            elif line.strip() and found:
                for name in current:
                    found[name][1] = f"{found[name][1]} {line.strip()}".strip()
        return {name: tuple(entry) for name, entry in found.items()}

    @property
    def notes(self):
        """The Notes section as one line."""
        return " ".join(self.sections.get("Notes", "").split())

    @property
    def notebook(self):
        """The notebook that is named, "none", or None where no line names one."""
        found = re.search(r"Notebook: (\w+)\.", self.notes)
        return found and found[1]

    @property
    def see_also(self):
        """What See Also names: name to description."""
        return {name: description for name, (description, _) in self.entries("See Also").items()}

    @property
    def inverses(self):
        """Names that See Also calls an inverse."""
        return {name for name, text in self.see_also.items() if re.match(r"the inverses?\b", text)}


def keeps(violations):
    """Fail with every violation on a line of its own."""
    assert not violations, "\n".join(["", *violations])


# ---------------------------------------------------------------- what there is


def subject(name):
    """Return one module of the library by its name below the package."""
    module = importlib.import_module(f"tapecalc.{name}" if name else "tapecalc")
    return Subject(module, name, Path(module.__file__))


@cache
def _found():
    """Names of all modules with something public, and what kept others from being imported."""
    names, broken = [], []
    for info in pkgutil.walk_packages([str(LIBRARY)], "tapecalc.", onerror=lambda name: None):
        try:
            module = importlib.import_module(info.name)
        except Exception as error:  # one broken module must not hide what is wrong in the others
            broken.append(f"{info.name} cannot be imported: {error!r}")
        else:
            if hasattr(module, "__all__"):
                names.append(info.name.removeprefix("tapecalc."))
    return tuple(names), tuple(broken)


def module_names():
    """Every module of the library with something public, by name below the package."""
    return _found()[0]


def every_file():
    """Every Python file of the library as a subject, those without anything public, too."""
    for path in sorted(LIBRARY.rglob("*.py")):
        parts = path.relative_to(LIBRARY).with_suffix("").parts
        yield Subject(None, ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path)


def import_violations():
    """Every module of the library can be imported."""
    return list(_found()[1])


def library():
    """Every module of the library that has something public."""
    return [subject(name) for name in module_names()]


def callables(subject):
    """Public functions, and public methods that public classes define themselves."""
    nodes = {node.name: node for node in subject.tree.body if hasattr(node, "name")}
    for name, value in subject.public.items():
        if inspect.isfunction(value):
            yield Callable(f"{subject.name}.{name}", value, nodes[name], subject)
        else:
            for node in nodes[name].body:
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                    method = inspect.getattr_static(value, node.name)
                    method = getattr(method, "__func__", method)
                    if inspect.isfunction(method):
                        yield Callable(f"{subject.name}.{name}.{node.name}", method, node, subject)


def functions(subject):
    """Public functions, methods left out."""
    return [one for one in callables(subject) if one.where.count(".") == subject.name.count(".") + 1]


def data_classes(subject):
    """Public data classes that a caller makes, with their syntax trees, as callables."""
    nodes = {node.name: node for node in subject.tree.body if isinstance(node, ast.ClassDef)}
    for name, value in subject.public.items():
        if inspect.isclass(value) and dataclasses.is_dataclass(value):
            yield Callable(f"{subject.name}.{name}", value, nodes[name], subject)


def public_names():
    """Every public function and data class of the library: bare name to callables of that name."""
    found = {}
    for module in library():
        for one in (*callables(module), *data_classes(module)):
            found.setdefault(one.name, []).append(one)
    return found


def resolve(name, near):
    """Find the callable that a docstring of `near` names, its own module first; None if there is none."""
    found = public_names_cached().get(name.strip("`").rpartition(".")[2], [])
    own = [one for one in found if one.subject.name == near.subject.name]
    return (own or found or [None])[0]


public_names_cached = cache(public_names)


# ---------------------------------------------------------------- symbol table


def symbol_table(subject):
    """The table on top of a module: name in code to (symbol, SI unit, typical value)."""
    lines = (inspect.getdoc(subject.module) or "").splitlines()
    rules = [number for number, line in enumerate(lines) if re.fullmatch(r"=+( +=+){3}", line.strip())]
    if len(rules) < 3:
        return {}
    columns = [match.span() for match in re.finditer("=+", lines[rules[0]])]
    rows = {}
    for line in lines[rules[1] + 1 : rules[2]]:
        cells = [line[a:b].strip() for a, b in columns[:-1]] + [line[columns[-1][0] :].strip()]
        rows[cells[1].strip("`")] = (cells[0], cells[2], cells[3])
    return rows


def table_violations(subject):
    """Each parameter of a public function stands in the symbol table, and no row is stale."""
    if not subject.public:
        return []  # a package that only gathers what its modules have
    table = symbol_table(subject)
    if not table:
        return [f"{subject.name}: the module's docstring has no symbol table"]
    found = []
    for one in callables(subject) if subject.name in COMPUTING else functions(subject):
        for name in one.parameters:
            if name not in table:
                found.append(f"{one.where}: ``{name}`` is not in the symbol table")
    body = subject.source.replace(ast.get_docstring(subject.tree, clean=False) or "", "")
    for name, row in table.items():
        if not all(row):
            found.append(f"{subject.name}: the row of ``{name}`` has an empty cell")
        if not re.search(rf"\b{re.escape(name)}\b", body):
            found.append(f"{subject.name}: ``{name}`` is in the symbol table and nowhere else")
    return found


# ---------------------------------------------------------------- docstrings


def docstring_violations(subject):
    """Each public function, method and data class keeps the docstring contract."""
    found = []
    exported = getattr(subject.module, "__all__", None)
    if list(exported or ()) != sorted(exported or (), key=_constants_classes_functions):
        found.append(f"{subject.name}: __all__ is not sorted: CONSTANTS, Classes, functions")
    for name in exported or ():
        if not hasattr(subject.module, name):
            found.append(f"{subject.name}: __all__ names {name}, which is not there")
    defined = (node.name for node in subject.tree.body if isinstance(node, ast.FunctionDef))
    for name in defined:
        internal = name.startswith("_") or "." in subject.name  # packages share functions among themselves
        if not internal and name not in (exported or ()):
            found.append(f"{subject.name}.{name}: neither in __all__ nor private")
    for one in callables(subject):
        found += [f"{one.where}: {text}" for text in _sections(one) + _parameters(one) + _outcome(one)]
        if not _is_short_method(one):
            found += [f"{one.where}: {text}" for text in _notes(one) + _example(one)]
    for one in data_classes(subject):
        found += [f"{one.where}: {text}" for text in _sections(one) + _fields(one)]
    return found


def _constants_classes_functions(name):
    return (2 - name[0].isupper() - name.isupper(), name)


def _is_short_method(one):
    """A method that takes one line of docstring: its class carries source, notebook and example."""
    return not inspect.isclass(one.function) and one.where.count(".") > one.subject.name.count(".") + 1


def _sections(one):
    doc = one.doc
    found = []
    if not doc.summary:
        return ["has no docstring"]
    if not re.search(r"[.:]$", doc.summary.splitlines()[0]) or not doc.summary[0].isupper():
        found.append("the summary is not one sentence on one line")
    unknown = [name for name in doc.order if name not in SECTIONS]
    if unknown:
        found.append(f"unknown sections {unknown}")
    known = [SECTIONS.index(name) for name in doc.order if name in SECTIONS]
    if known != sorted(known):
        found.append(f"sections are out of order: {doc.order}")
    return found


def _parameters(one):
    documented = one.doc.entries("Parameters")
    if _is_short_method(one) and not documented:
        text = one.doc.summary
        if one.subject.name not in COMPUTING:
            return []
        missing = [name for name in one.parameters if not re.search(rf"(?i)\b{name}s?\b", text)]
        return [f"parameter {name} is not explained" for name in missing]
    found = [f"parameter {name} is not documented" for name in one.parameters if name not in documented]
    found += [f"documents {name}, which is no parameter" for name in documented if name not in one.parameters]
    for name, (kind, text) in documented.items():
        if name not in one.parameters:
            continue
        open_keywords = one.parameters[name].kind is inspect.Parameter.VAR_KEYWORD
        if not (kind or open_keywords) or len(text) < 4:
            found.append(f"parameter {name} has no type or no description")
        has_default = one.parameters[name].default is not inspect.Parameter.empty
        if has_default != ("optional" in kind):
            found.append(f"parameter {name}: 'optional' in its type and a default go together")
    if not found and [n for n in documented if n in one.parameters] != list(one.parameters):
        found.append("parameters are documented in another order than the signature's")
    return found


def _fields(one):
    """A data class documents what it is made of, in a section; a record that is only handed out
    explains its numbers in its summary, in the symbol table, or by a unit in the name."""
    documented = {**one.doc.entries("Parameters"), **one.doc.entries("Attributes")}
    made_of = {field.name: field for field in dataclasses.fields(one.function)}
    if documented:
        missing = [name for name in made_of if name not in documented]
    else:
        table = symbol_table(one.subject)
        numbers = [name for name, field in made_of.items() if "float" in str(field.type)]
        missing = [
            name
            for name in numbers
            if name not in table
            and not name.endswith(UNIT_ENDINGS)
            and not re.search(rf"(?i)\b({name}|{name.replace('_', ' ')})\b", one.doc.summary)
        ]
    found = [f"field {name} is not explained" for name in missing if not name.startswith("_")]
    known = {*made_of, *vars(one.function)}
    found += [f"documents {name}, which it does not have" for name in documented if name not in known]
    if documented and _refuses(one.node, one.subject) and "Raises" not in one.doc.sections:
        found.append("raises, but has no Raises section")
    if not one.function.__dataclass_params__.frozen:
        found.append("is a data class that is not frozen")
    return found + (_notes(one) if "Parameters" in one.doc.sections else [])


def _outcome(one):
    """Returns, Yields and Raises agree with the source."""
    if _is_short_method(one) and not one.doc.order:
        return []
    found = []
    own = list(_own_nodes(one.node))
    returns = any(isinstance(node, ast.Return) and node.value is not None for node in own)
    yields = any(isinstance(node, (ast.Yield, ast.YieldFrom)) for node in own)
    for happens, section in ((returns and not yields, "Returns"), (yields, "Yields")):
        if happens != (section in one.doc.sections):
            found.append(f"has {'no' if happens else 'a'} {section} section, against its source")
    for section in ("Returns", "Yields"):
        for name, (kind, text) in one.doc.entries(section).items():
            if len(text or kind) < 4:
                found.append(f"{section} does not explain {name}")
    if _refuses(one.node, one.subject) and "Raises" not in one.doc.sections:
        found.append("raises, but has no Raises section")
    for name, (_, text) in one.doc.entries("Raises").items():
        if not re.match(r"(If|Always)\b", text):
            found.append(f"Raises does not say when {name} is raised")
    return found


def _own_nodes(node):
    """Nodes of a function's own body, not those of functions inside it."""
    for child in ast.iter_child_nodes(node):
        yield child
        if not isinstance(child, (ast.FunctionDef, ast.Lambda)):
            yield from _own_nodes(child)


def _refuses(node, subject, seen=frozenset()):
    """Whether a definition raises, calls a check, or calls a private helper that does."""
    if isinstance(node, ast.ClassDef):
        inner = [one for one in node.body if getattr(one, "name", "") == "__post_init__"]
        return any(_refuses(one, subject, seen) for one in inner)
    for child in ast.walk(node):
        if isinstance(child, ast.Raise) and child.exc is not None:
            return True
        if isinstance(child, ast.Call) and isinstance(child.func, ast.Name):
            name = child.func.id
            if name in subject.checks:
                return True
            helper = subject.private.get(name)
            if helper is not None and name not in seen and _refuses(helper, subject, seen | {name}):
                return True
    return False


def _notes(one):
    doc = one.doc
    found = []
    if not re.search(r"Source: \S.{3,}", doc.notes):
        found.append("Notes give no `Source: ...`")
    for name in re.findall(r"Source: as `([^`]+)`", doc.notes):
        if resolve(name, one) is None and name not in vars(one.subject.module):
            found.append(f"its source refers to {name}, which is not there")
    if doc.notebook is None:
        found.append("Notes give no `Notebook: name.` (or `Notebook: none.`)")
    elif doc.notebook not in ("none", *COURSE):
        found.append(f"names the notebook {doc.notebook}, which is not in the course")
    elif doc.notebook == "none" and one.subject.name in CALCULATORS:
        found.append("names no notebook, but a calculator is derived in one")
    return found


def _example(one):
    examples = doctest.DocTestParser().get_examples(one.doc.sections.get("Examples", ""))
    if not any(example.want for example in examples) and "Yields" not in one.doc.sections:
        return ["has no example with a result to compare"]
    if not any(re.search(rf"\b{one.name}\b", example.source) for example in examples):
        return ["its examples do not call it"]
    return []


def see_also_violations(one):
    """What See Also names is there, and an inverse names this one as its inverse."""
    found = []
    for name in one.doc.see_also:
        other = resolve(name, one)
        if other is None:
            found.append(f"{one.where}: See Also names {name}, which is not there")
        elif name in one.doc.inverses and one.name not in other.doc.inverses:
            found.append(f"{other.where}: See Also does not name {one.name} as its inverse")
    return found


def notebook_violations(one, notebook_text):
    """The notebook that a docstring names calls the function or names it."""
    if not re.search(rf"\b{re.escape(one.name)}\b", notebook_text):
        return [f"{one.where}: {one.doc.notebook} neither calls it nor names it"]
    return []


# ---------------------------------------------------------------- keywords


def keyword_violations(one):
    """No open keywords, an unknown one is refused by name, and options come by keyword."""
    kinds = inspect.Parameter
    parameters = one.parameters.values()
    found = []
    if any(p.kind is kinds.VAR_KEYWORD for p in parameters):
        found.append(f"{one.where}: takes open keywords")
    if inspect.isclass(one.function):
        return found
    positional = [p for p in parameters if p.kind is kinds.POSITIONAL_OR_KEYWORD]
    options = [p for p in positional if p.default is not kinds.empty]
    late = [p.name for p in options[1:] if positional.index(p) >= 2]
    if late:
        found.append(f"{one.where}: options {late} come third or later and are not keyword-only")
    for p in options:
        if isinstance(p.default, bool):
            found.append(f"{one.where}: the switch {p.name} is not keyword-only")
    return found


def unknown_keyword_violations(one):
    """Calling with a keyword that nobody knows raises TypeError about that keyword."""
    try:
        one.function(no_such_keyword=1)
    except TypeError as error:
        if "no_such_keyword" in str(error):
            return []
    except Exception as error:  # any other error means that the keyword went through
        return [f"{one.where}: an unknown keyword raised {error!r}"]
    return [f"{one.where}: an unknown keyword is swallowed"]


# ---------------------------------------------------------------- rooms, constants, state


def imports(subject):
    """Modules that a file imports, at its top or inside functions, as dotted names."""
    package = subject.name.split(".")[:-1] if subject.path.name != "__init__.py" else subject.name.split(".")
    for node in ast.walk(subject.tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            kept = package[: len(package) + 1 - node.level] if node.level else []
            start = ["tapecalc", *kept] if node.level else []
            base = ".".join([*start, *([node.module] if node.module else [])])
            yield from (f"{base}.{alias.name}" for alias in node.names)


def floor(name):
    """The floor of a module or package by its first name, from 0 at the ground."""
    room = name.split(".")[0]
    numbers = [number for number, rooms in enumerate(FLOORS) if room in rooms]
    if not numbers:
        raise ValueError(f"tapecalc.{name} has no floor yet: give it one in FLOORS")
    return numbers[0]


def room_violations(subject):
    """A module imports from lower rooms only."""
    found = []
    for target in imports(subject):
        if not target.startswith("tapecalc.") or not subject.name:
            continue
        room = target.removeprefix("tapecalc.").split(".")[0]
        if room in ("examples", "__version__"):  # data, of no floor
            continue
        neighbor = room == subject.name.split(".")[0] and (LIBRARY / room).is_dir()
        if not neighbor and floor(room) >= floor(subject.name):
            found.append(f"{subject.name}: imports {room}, which is not on a lower floor")
    return found


def inch_violations(subject):
    """The inch is written down in `units` only."""
    found = []
    for node in ast.walk(subject.tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, float) and subject.name != "units":
            digits = f"{node.value:.12e}".split("e")[0].replace(".", "").strip("0-")
            if digits in INCH_DIGITS:
                found.append(f"{subject.name}, line {node.lineno}: {node.value!r} is the inch again")
    return found


def state_violations(subject):
    """No global statement, no legacy or global random numbers, no clock outside the upper rooms."""
    found = []
    for node in ast.walk(subject.tree):
        if isinstance(node, ast.Global):
            found.append(f"{subject.name}, line {node.lineno}: changes a global")
        if isinstance(node, ast.FunctionDef) and any(_is_mutable(d) for d in _defaults(node)):
            found.append(f"{subject.name}.{node.name}: a default that can be changed in place")
        if isinstance(node, ast.Attribute):
            text = ast.unparse(node)
            legacy = re.fullmatch(r"(np|numpy)\.random\.(\w+)", text)
            if legacy and legacy[2] not in SEEDED:
                found.append(f"{subject.name}, line {node.lineno}: {text} uses the global random numbers")
        makes_generator = isinstance(node, ast.Call) and ast.unparse(node.func).endswith("default_rng")
        if makes_generator and not node.args:
            found.append(f"{subject.name}, line {node.lineno}: random numbers without a seed")
    if "random" in imports(subject):
        found.append(f"{subject.name}: imports random")
    clocks = {"time", "datetime"} & {name.split(".")[0] for name in imports(subject)}
    if clocks and subject.name.split(".")[0] not in ("audio", "show", "__main__"):
        found.append(f"{subject.name}: reads the clock ({', '.join(sorted(clocks))})")
    return found


def _defaults(node):
    return [d for d in (*node.args.defaults, *node.args.kw_defaults) if d is not None]


def _is_mutable(node):
    made = isinstance(node, ast.Call) and ast.unparse(node.func) in ("list", "dict", "set", "np.array")
    return made or isinstance(node, (ast.List, ast.Dict, ast.Set))


def drawing_violations(subject):
    """Figures are never shown, pyplot is never used, and only `style` saves one."""
    found = []
    for name in imports(subject):
        if name.startswith("matplotlib.pyplot"):
            found.append(f"{subject.name}: imports pyplot, which keeps figures and settings for all")
    for node in ast.walk(subject.tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr == "show" and subject.name.startswith("show."):
                found.append(f"{subject.name}, line {node.lineno}: shows a figure")
            if node.func.attr == "savefig" and subject.name in ("show.figures", "show.diagrams"):
                found.append(f"{subject.name}, line {node.lineno}: saves a figure")
    return found


def made_module(folder, source, name="made_up"):
    """Import a small module from its source, for a rule to look at."""
    path = Path(folder) / f"{name.rpartition('.')[2]}.py"
    path.write_text(textwrap.dedent(source).lstrip("\n"), encoding="utf-8")
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module  # data classes look their module up
    try:
        spec.loader.exec_module(module)
    finally:
        del sys.modules[path.stem]
    return Subject(module, name, path)
