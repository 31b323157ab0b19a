"""Compare what a page reckons with the library: the same functions at the same thousand places."""

import importlib
import itertools
import re

import numpy as np
import scripts

from tapecalc.live.modules import module_file

PLACES = 1000


def places(limits, seed):
    """Draw a thousand places, all the corners first, evenly over the logarithm where that is wide."""
    rng = np.random.default_rng(seed)
    rows = list(itertools.product(*limits))
    while len(rows) < PLACES:
        row = []
        for low, high in limits:
            wide = low > 0 and high > 100 * low
            value = np.exp(rng.uniform(*np.log([low, high]))) if wide else rng.uniform(low, high)
            row.append(int(rng.integers(low, high + 1)) if isinstance(low, int) else float(value))
        rows.append(tuple(row))
    return rows


def in_page(module, names, given):
    """Call each of the functions at each of its places, in one run of a joined module, or several."""
    script = f"const all = {{{', '.join(names)}}}; const found = {{}};"
    script += (
        "for (const name in all) found[name] = given[name].map((row) => all[name](...row)); return found;"
    )
    return scripts.run(module, script, given)


def assert_mirrored(module, numbers, *, atol):
    """Compare functions of plain numbers with the library's; with each goes where its arguments are drawn."""
    given = {name: places(limits, seed) for seed, (name, (_, limits)) in enumerate(numbers.items())}
    found = in_page(module, numbers, given)
    for name, (original, _) in numbers.items():
        wanted = [original(*row) for row in given[name]]
        np.testing.assert_allclose(found[name], wanted, rtol=1e-9, atol=atol, err_msg=name)


def text_of(*modules):
    """The source of modules."""
    return "".join(module_file(name).read_text(encoding="utf-8") for name in modules)


def exported(*modules):
    """What modules export."""
    return re.findall(r"^export (?:function|const|class) (\w+)", text_of(*modules), re.MULTILINE)


def mirrored(name, *modules):
    """Find what the comment of a function says that it mirrors, in the library."""
    found = re.search(rf"/\*\*((?:(?!\*/).)*)\*/\nexport function {name}\b", text_of(*modules), re.DOTALL)
    dotted = re.match(r"Mirrors .*?(tapecalc(?:\.\w+)+)", " ".join(found[1].replace("*", " ").split()))
    assert dotted, name
    parts = dotted[1].rstrip(".").split(".")
    module = next(n for n in range(len(parts), 0, -1) if _is_module(".".join(parts[:n])))
    thing = importlib.import_module(".".join(parts[:module]))
    for part in parts[module:]:
        thing = thing.__annotations__.get(part) or getattr(thing, part)
    assert module < len(parts), name
    return thing


def _is_module(name):
    try:
        importlib.import_module(name)
    except ModuleNotFoundError:
        return False
    return True
