"""Every exercise of the course, by the name of its lesson and its own."""

import importlib
import pkgutil

from tapecalc import course
from tapecalc.course.exercise import Exercise


def exercises():
    """``"delay.two_inches"`` -> exercise, of every module of the course."""
    return {
        f"{module.name}.{name}": value
        for module in pkgutil.iter_modules(course.__path__)
        for name, value in vars(importlib.import_module(f"{course.__name__}.{module.name}")).items()
        if isinstance(value, Exercise)
    }
