"""Exercises of a notebook as a page has them: places for fields, and the script that fills them.

A cell's code is read and not run: which exercise it checks is told by what it imports from the course. Where
no script runs, a sentence stands in each place.
"""

from __future__ import annotations

import ast
import importlib
import re
from html import escape
from itertools import count, starmap
from pathlib import Path

from markupsafe import Markup

from tapecalc.course.exercise import COMMON, Asked, Exercise, met
from tapecalc.course.look_back import look_back, variants_for
from tapecalc.live.modules import joined
from tapecalc.live.pages import in_script

#: Where a lesson asks for guesses, a list of them; which of them a variable takes; where one is told.
PREDICT = re.compile(r"^## (?:Predict|Say [\w ]+ first)\b", re.M)
ITEM = re.compile(r"(?<=<li>)(.*?)(?=</li>)", re.S)
TAKEN = re.compile(r"^(\w+) = None +# your guess number (\d)", re.M)
TOLD = re.compile(r"uess number (\d)(?:(?!</p>).)*</p>", re.S)
#: A paragraph that asks for one more.
FIRST = re.compile(r"<p>(?:(?!</p>).)*(?:Guess first|<strong>Guess:)(?:(?!</p>).)*</p>", re.S)
COURSE = re.compile(r"tapecalc\.course(?:\.([a-z_]+))?")
STYLE = Path(__file__).parent / "site_exercises.css"
#: What stands in a place where no script runs.
STILL = {
    "exercise": "Work it out and write it down: the notebook checks it, and says which slip it looks like.",
    "guess": "Write your guess down before you read on.",
    "truth": "Set your guess beside it.",
}


class Exercises:
    """The exercises of one notebook, in its order."""

    def __init__(self, notebook, topic=""):
        self.topic = topic  # of the lesson
        self.found = {}  # key -> exercise
        self.worded = []  # keys of guesses in words
        self.asked = {}  # name in the notebook -> question from an earlier lesson
        self.modules = {}  # name in the notebook -> module of the course
        self.lesson, self.variants = "", []  # of the questions from earlier lessons
        self.guessed = {}  # variable that takes a guess -> key
        self.listed = set()  # keys of guesses in numbers that have their place in the list
        self.met = []  # at the end, what is true of each guess: the key of a number, or words
        sources = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
        for line in (line for source in sources for line in _lines(source)):
            self._read(line)
        taken = [one for source in sources for one in TAKEN.findall(source)]
        #: By its key, the number in the list of a guess that a variable takes.
        self.numbered = {self.guessed[name]: number for name, number in taken if name in self.guessed}
        self.numbers = set(self.numbered.values())

    def checked_in(self, cell):
        """The key of the exercise that a cell checks in its last line; None for a guess or none."""
        found = self._checked(lines[-1]) if (lines := _code(cell)) else None
        return found[0] if found and found[0] in self.found and not found[1].is_guess else None

    @property
    def told(self):
        """What is true of each guess, in words."""
        return [self._true(one) for one in self.met]

    def _true(self, one):
        return met(None, self.found.get(one, one))

    def around(self, cell, parts):
        """What stands on the page for a cell: `parts`, or a place where a number is asked for."""
        if cell.cell_type != "code":
            return parts
        lines = _lines(cell.source)
        for line in lines:
            if key := self.guessed.get(_assigned_none(line)):
                places = all(map(_assigned_none, lines))  # code that is only places for guesses
                kept = [] if places else parts
                if key in self.listed:
                    return kept
                return [*kept, _place("guess", key, self.numbered.get(key))]
        if lines and (true := self.truths(lines[-1])):
            return [_part(f"<ol>{''.join(starmap(self._met, enumerate(true, 1)))}</ol>")]
        if not lines or not (exercise := self._checked(lines[-1])):
            return parts
        key, one = exercise
        if isinstance(one, Asked):
            question, solution = escape(one.question), escape(one.solution)
            folded = f"<details class='back'><summary>Solution</summary><p>{solution}</p></details>"
            return [_part(f'<div data-look-back="{key}"><p>{question}</p>{folded}</div>')]
        printed = parts[:-1] if len(parts) > 2 else []  # beside the code and the reply
        return [*printed, _place("truth" if one.is_guess else "exercise", key)]

    def truths(self, line):
        """What a line such as ``meet((guess, lesson.first_guess), (None, "No."))`` tells: keys and words."""
        if not (isinstance(line, ast.Expr) and _called(line.value, "meet")):
            return []
        true = [pair.elts[1] for pair in line.value.args]
        return [one.value if isinstance(one, ast.Constant) else self._named(one) for one in true]

    def _named(self, guess):
        """The key of a guess in numbers that a lesson's module has."""
        key = f"{self.modules[guess.value.id]}.{guess.attr}"
        if key not in self.found:
            raise ValueError(f"no cell before asks for {key}")
        return key

    def _met(self, number, true):
        """What is true of one guess, with the place for the reader's own."""
        key = f"{self.topic}.guess-{number}"
        own = f'<div data-word-told="{escape(key)}"></div>' if key in self.worded else ""
        if true in self.found:
            own = f'<div data-truth="{escape(true)}"></div>'
        return f"<li>{escape(self._true(true))}{own}</li>"

    def with_guesses(self, source, shown):
        """The HTML of a text cell with a place for each guess in words, and one where it is told."""
        if PREDICT.search(source):
            numbers = count(1)
            if not ITEM.search(shown):
                return shown + self._word("1")
            return ITEM.sub(lambda item: item[1] + self._asked(str(next(numbers))), shown)
        shown = FIRST.sub(lambda asked: asked[0] + self._word(f"first-{len(self.worded)}"), shown)
        return TOLD.sub(self._told, shown)

    def _asked(self, number):
        """A place for a guess of the list."""
        for key in (key for key, own in self.numbered.items() if own == number):
            self.listed.add(key)
            return str(_place("guess", key, number)["html"])
        return self._word(number)

    def _word(self, name):
        self.worded.append(f"{self.topic}.guess-{name}")
        return f'<div data-word="{escape(self.worded[-1])}"></div>'

    def _told(self, told):
        """A paragraph that tells a guess of the list, the place for the reader's behind it."""
        key = f"{self.topic}.guess-{told[1]}"
        return f'{told[0]}<div data-word-told="{escape(key)}"></div>' if key in self.worded else told[0]

    def keys(self, *, guesses):
        """Keys of the guesses, or of the exercises."""
        numbers = [key for key, one in self.found.items() if one.is_guess == guesses]
        return numbers + (self.worded if guesses else [])

    def script(self, pages=()):
        """The page's script: what it must know, all modules as one, and the call that begins; or None.

        The map tells what has been answered on `pages`.
        """
        if not (self.found or self.worded or pages):
            return None
        lessons = [
            {
                "title": page.title,
                "file": page.file,
                "guesses": page.exercises.keys(guesses=True),
                "exercises": page.exercises.keys(guesses=False),
            }
            for page in pages
            if page.exercises.found or page.exercises.worded
        ]
        course = {
            "common": COMMON,
            "lesson": self.lesson,
            "exercises": {key: one.data for key, one in self.found.items()},
            "look_back": [[one.data for one in asked] for asked in self.variants],
            "lessons": lessons,
        }
        start = "mountExercises(document, COURSE, ownStore());"
        return "\n".join(["", f"const COURSE = {in_script(course)};", joined("answers"), start, ""])

    def _read(self, line):
        """Take in what a line says of the course."""
        if isinstance(line, ast.ImportFrom) and (found := COURSE.fullmatch(line.module or "")):
            for alias in line.names:
                if found[1] is None:
                    self.modules[alias.asname or alias.name] = alias.name
        elif isinstance(line, ast.Assign) and _called(line.value, "look_back"):
            (names,), (lesson,) = line.targets, line.value.args
            self.lesson, self.variants = lesson.value, variants_for(lesson.value)
            self.asked = dict(zip((name.id for name in names.elts), look_back(lesson.value), strict=True))
        elif true := self.truths(line):
            self.met = true
        elif (exercise := self._checked(line)) and not isinstance(exercise[1], Asked):
            key, one = exercise
            self.found[key] = one
            argument = line.value.args[0]
            if one.is_guess and isinstance(argument, ast.Name):
                self.guessed[argument.id] = key

    def _checked(self, line):
        """Key and exercise that a line such as ``lesson.mains.check(answer)`` names; None for any other."""
        if not (isinstance(line, ast.Expr) and isinstance(line.value, ast.Call)):
            return None
        match line.value.func:
            case ast.Attribute(attr="ask", value=ast.Name(id=name)) if name in self.asked:
                return list(self.asked).index(name), self.asked[name]
            case ast.Attribute(attr="check", value=ast.Attribute(attr=name, value=ast.Name(id=module))):
                if module in self.modules:
                    topic = self.modules[module]
                    one = getattr(importlib.import_module(f"tapecalc.course.{topic}"), name, None)
                    return (f"{topic}.{name}", one) if isinstance(one, Exercise) else None
        return None


def progress_place():
    """Where the map tells what has been answered."""
    return _part('<div data-progress=""></div>')


def _lines(source):
    """A cell's statements; none of one that is not plain Python."""
    try:
        return ast.parse(source).body
    except SyntaxError:
        return []


def _code(cell):
    """The statements of a cell of code."""
    return _lines(cell.source) if cell.cell_type == "code" else []


def _called(value, name):
    return isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id == name


def _assigned_none(line):
    """The name in a line such as ``guess_ms = None``."""
    match line:
        case ast.Assign(targets=[ast.Name(id=name)], value=ast.Constant(value=None)):
            return name
    return None


def _place(kind, key, number=None):
    numbered = f' data-number="{number}"' if number else ""
    return _part(f'<div data-{kind}="{escape(key)}"{numbered}><p>{STILL[kind]}</p></div>')


def _part(text):
    return {"kind": "exercise", "html": Markup(text)}
