"""Quantities: each has its unit, its range and its words in one place, and is checked by them.

A quantity is an annotation that carries an `Is`. A function under `calculator` gets every argument
that is annotated so as a checked float64 array and gives a plain number back where it was asked with
plain numbers:

>>> from typing import Annotated
>>> Spacing = Annotated[T, Is("m", above=0, words="distance along the tape")]
>>> Speed = Annotated[T, Is("m/s", above=0, words="tape speed")]
>>> @calculator
... def delay(spacing: Spacing, speed: Speed) -> Spacing:
...     return spacing / speed
>>> delay(0.1, 0.2), delay(0.1, [0.1, 0.2])
(0.5, array([1. , 0.5]))
>>> delay(-1, 0.2)
Traceback (most recent call last):
ValueError: spacing must be greater than 0 m, got -1

For type checkers a bare quantity is whatever is given: no type can tell whether a number or an array
comes back. Where one number is meant, ``Speed[float]`` says so, and an array is then refused.

The quantities that several rooms share are declared at the end.
"""

import difflib
import functools
import inspect
import typing
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Annotated, Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

T = TypeVar("T")
P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True)
class Is:
    """What a quantity is: SI unit, what is allowed, words for people, and a usual range.

    At most one of `above`, `least` and `below` is given; `most` alone means from minus infinity.
    """

    unit: str = ""
    words: str = ""
    above: float | None = None
    least: float | None = None
    below: float | None = None
    most: float | None = None
    one: bool = False  # one number, not an array
    whole: bool = False
    series: bool = False  # worked on as a whole along the last axis, not element by element
    usual: tuple[float, float] = (0.1, 0.9)
    must: str = ""  # what it must be, where the range alone does not say why

    def allowed(self) -> str:
        """Say what is allowed, as errors and pages do."""
        if self.must:
            return self.must
        if self._counts:
            return f"a whole number from {self.least:g} to {self.most:g}"
        if self.above is not None:
            text = f"greater than {self.above:g} {self.unit}".rstrip()
            return text if self.most is None else f"{text} and at most {self.most:g}"
        if self.below is not None:
            return f"less than {self.below:g} {self.unit}".rstrip()
        if self.least is not None and self.most is not None:
            return f"from {self.least:g} to {self.most:g} {self.unit}".rstrip()
        if self.least is not None:
            return f"{self.least:g} {self.unit}".rstrip() + " or more"
        return "a finite number" if self.most is None else f"{self.most:g} {self.unit}".rstrip() + " or less"

    def check(self, name: str, value: Any) -> Any:
        """Give `value` back as a new float64 array (a plain number for `one`), or refuse it by `name`."""
        if self._counts:
            return whole(name, value, int(self.least or 0), int(self.most or 0))
        array = finite(name, value)
        beyond = self._beyond(array)
        if beyond.any():
            _refuse(name, array, beyond, self.allowed())
        if self.whole:
            start = (self.least or 0) if self.above is None else self.above + 1
            _refuse(name, array, array != np.floor(array), f"whole numbers from {start:g}")
        return single(name, array) if self.one else array

    def _beyond(self, array: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Where elements are not allowed."""
        beyond = np.zeros(array.shape, dtype=bool)
        for end, outside in (
            (self.above, np.less_equal),
            (self.least, np.less),
            (self.below, np.greater_equal),
            (self.most, np.greater),
        ):
            if end is not None:
                beyond |= outside(array, end)
        return beyond

    @property
    def _counts(self) -> bool:
        return self.whole and self.one and self.most is not None


def quantities(thing: Callable[..., Any] | type) -> dict[str, Is]:
    """Find the quantities of a function's parameters or a data class's fields, by name."""
    thing = inspect.unwrap(thing) if callable(thing) else thing
    hints = typing.get_type_hints(thing, include_extras=True)
    hints.pop("return", None)
    found = {name: _quantity(hint) for name, hint in hints.items()}
    return {name: one for name, one in found.items() if one is not None}


def _quantity(hint: Any) -> Is | None:
    """The `Is` in an annotation, also where None is allowed beside it."""
    for part in getattr(hint, "__metadata__", ()):
        if isinstance(part, Is):
            return replace(part, one=True) if hint.__origin__ in (float, int) else part
    for option in typing.get_args(hint):
        if hasattr(option, "__metadata__"):
            return _quantity(option)
    return None


def calculator(function: Callable[P, R]) -> Callable[P, R]:
    """Check every argument that is a quantity, and give plain numbers back for plain numbers.

    None passes where it is the default.
    """
    kinds = quantities(function)
    parameters = inspect.signature(function).parameters
    order = tuple(parameters)
    defaults = {name: parameters[name].default for name in kinds}
    fallback = {name: value for name, value in defaults.items() if value not in (None, inspect._empty)}
    optional = {name for name, value in defaults.items() if value is None}

    @functools.wraps(function)
    def checked(*args: Any, **options: Any) -> Any:
        if len(args) > len(order) or not options.keys() <= parameters.keys():
            return function(*args, **options)  # which refuses the call by its own name
        given = fallback | dict(zip(order, args, strict=False)) | options
        for name, kind in kinds.items():
            if name in given and not (given[name] is None and name in optional):
                given[name] = kind.check(name, given[name])
        taken = [given.pop(name) for name in order[: len(args)]]
        return _plain(function(*taken, **given))

    return typing.cast("Callable[P, R]", checked)


def check_fields(instance: Any) -> None:
    """Check the fields of a frozen data class that are quantities; call it in ``__post_init__``."""
    for name, kind in _field_kinds(type(instance)).items():  # type: ignore[arg-type]
        value = getattr(instance, name)
        if value is not None:
            object.__setattr__(instance, name, scalar_or_array(kind.check(name, value)))


@functools.cache
def _field_kinds(cls: Any) -> dict[str, Is]:
    return quantities(cls)


def _plain(result: Any) -> Any:
    if isinstance(result, tuple) and type(result) is tuple:
        return tuple(_plain(part) for part in result)
    return scalar_or_array(result) if isinstance(result, (np.ndarray, np.generic)) else result


def finite(name: str, value: ArrayLike) -> NDArray[np.float64]:
    """Give `value` back as a new float64 array, refusing NaN, infinity and what is no number."""
    raw = np.asarray(value)
    if raw.dtype.kind not in "iuf" or raw.size == 0:
        raise ValueError(f"{name} must be a number or an array of numbers, got {value!r}")
    array = np.array(raw, dtype=np.float64)
    _refuse(name, array, ~np.isfinite(array), "a finite number")
    return array


def positive(name: str, value: ArrayLike, unit: str = "") -> NDArray[np.float64]:
    """Like `finite`, with every element above 0."""
    return Is(unit, above=0).check(name, value)


def non_negative(name: str, value: ArrayLike, unit: str = "") -> NDArray[np.float64]:
    """Like `finite`, with no element below 0."""
    return Is(unit, least=0).check(name, value)


def between(name: str, value: ArrayLike, low: float, high: float, unit: str = "") -> NDArray[np.float64]:
    """Like `finite`, with every element from `low` to `high`, both allowed."""
    return Is(unit, least=low, most=high).check(name, value)


def single(name: str, value: NDArray[Any]) -> float:
    """Give a checked value back as one plain float, refusing an array of numbers."""
    if value.ndim:
        raise ValueError(f"{name} must be one number, got an array of shape {value.shape}")
    return value.item()


def whole(name: str, value: Any, low: int, high: int) -> int:
    """Give `value` back as an int from `low` to `high`, both allowed."""
    array = np.asarray(value)
    if array.ndim or array.dtype.kind not in "iuf" or array != np.floor(array) or not low <= array <= high:
        raise ValueError(f"{name} must be a whole number from {low} to {high}, got {value!r}")
    return int(array)


def known_name(kind: str, name: str, known: Iterable[str]) -> str:
    """Give `name` back if it is one of `known`, else refuse it, naming the nearest.

    >>> known_name("ground", "drak", ["light", "dark"])
    Traceback (most recent call last):
    ValueError: ground 'drak' is not known; did you mean 'dark'?
    """
    known = list(known)
    if isinstance(name, str) and name in known:
        return name
    near = nearest(str(name), known)
    hint = f"did you mean {near!r}?" if near else f"known: {', '.join(known)}"
    raise ValueError(f"{kind} {name!r} is not known; {hint}")


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Find the known name that a mistyped one was probably meant to be; None if none is near."""
    return next(iter(difflib.get_close_matches(name, list(known), n=1)), None)


def scalar_or_array(result: Any) -> Any:
    """Turn a zero-dimensional array into a plain Python number and leave arrays alone."""
    array = np.asarray(result)
    return array.item() if array.ndim == 0 else array


def _refuse(name: str, array: NDArray[Any], bad: NDArray[np.bool_], allowed: str) -> None:
    """Raise ValueError about the first element of `array` at which `bad` is true."""
    if not bad.any():
        return
    where = tuple(int(i[0]) for i in np.nonzero(np.atleast_1d(bad)))
    place = f" at index {where[0] if len(where) == 1 else where}" if array.ndim else ""
    raise ValueError(f"{name} must be {allowed}, got {np.atleast_1d(array)[where]:g}{place}")


# what several rooms share
Speed = Annotated[T, Is("m/s", above=0, words="tape speed", usual=(0.05, 0.8))]
Spacing = Annotated[T, Is("m", above=0, words="gap-to-gap distance along the tape", usual=(0.01, 0.3))]
Length = Annotated[T, Is("m", above=0, words="length of tape", usual=(1.0, 500.0))]
Thickness = Annotated[T, Is("m", above=0, words="total tape thickness", usual=(15e-6, 55e-6))]
ThicknessOrZero = Annotated[T, Is("m", least=0, words="total tape thickness, or 0", usual=(15e-6, 55e-6))]
TrackWidth = Annotated[T, Is("m", above=0, words="width of a track", usual=(1e-3, 6e-3))]
Wavelength = Annotated[T, Is("m", above=0, words="wavelength on the tape", usual=(1e-5, 1e-3))]

Delay = Annotated[T, Is("s", above=0, words="time from record to playback head", usual=(0.05, 1.0))]
DelayOrZero = Annotated[T, Is("s", least=0, words="delay, or 0", usual=(0.05, 1.0))]
Duration = Annotated[T, Is("s", above=0, words="length of time", usual=(0.05, 2.0))]
DurationOrZero = Annotated[T, Is("s", least=0, words="length of time, or 0", usual=(0.05, 2.0))]
Time = Annotated[T, Is("s", words="point in time, from any zero", usual=(0.05, 2.0))]

Frequency = Annotated[T, Is("Hz", above=0, words="frequency of a tone", usual=(20.0, 15000.0))]
FrequencyOrZero = Annotated[T, Is("Hz", least=0, words="frequency of a tone, or 0", usual=(20.0, 15000.0))]
Rate = Annotated[T, Is("Hz", above=0, words="turns or wobbles per second", usual=(0.5, 10.0))]
RateOrZero = Annotated[T, Is("Hz", least=0, words="turns or wobbles per second, or 0", usual=(0.5, 10.0))]
Angle = Annotated[T, Is("rad", words="angle or phase", usual=(0.0005, 0.003))]

Level = Annotated[T, Is("dB", words="level or gain, negative for a loss", usual=(-30.0, -3.0))]
Decibels = Annotated[T, Is("dB", least=0, words="difference of levels", usual=(3.0, 12.0))]
Gain = Annotated[T, Is(least=0, words="ratio of amplitudes", usual=(0.1, 0.9))]
Depth = Annotated[T, Is(least=0, words="deviation of speed or pitch, as a fraction", usual=(0.0005, 0.005))]
Ratio = Annotated[T, Is(above=0, words="ratio of two like things", usual=(0.5, 2.0))]

Tempo = Annotated[T, Is(above=0, words="tempo in beats per minute", usual=(60.0, 180.0))]
Beats = Annotated[T, Is(above=0, words="length in beats, quarter notes", usual=(0.1, 4.0))]
Repeats = Annotated[T, Is(least=0, words="which repeat; 0 is the sound itself", usual=(2.0, 8.0))]
