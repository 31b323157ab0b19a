"""What a teacher needs: a page with aims, times and errors, worksheets to print, their solutions, and slides.

Guesses, exercises, solutions, errors and times are read from the notebooks and from the exercises of the
course, numbers for a second group are drawn from its questions; what no notebook says stands in
`site_teaching.toml`.
"""

from __future__ import annotations

import importlib
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from tapecalc import words
from tapecalc.course.deck import DECK, FAST, SLOW
from tapecalc.course.exercise import Asked, Exercise, Question

HERE = Path(__file__).parent
TEACHING, SOLUTIONS, SLIDES = "teaching.html", "solutions.html", "slides.html"
STYLE, SCRIPT = HERE / "site_teaching.css", HERE / "site_slides.js"
MINUTES = re.compile(r"\*Lesson \d of \d, (\d+) minutes")
GUESSES = re.compile(r"^## (?P<title>Say [\w ]+ first)\n(?P<text>.*)", re.M | re.S)
#: What asks for a cell of the notebook or a field of the page.
IN_A_CELL = re.compile(r"\s*Put it in below\b[^.]*\.")
TASKS = re.compile(r"^## Check yourself$(.*?)^## Sources$", re.M | re.S)
NUMBERED = re.compile(r"\d+\. (.+)")
CHECKS = "checks the exercise "
FOLD = re.compile(r"<details><summary>[^<]*</summary>(.*?)</details>", re.S)
ERRORS = "Cleared up"
END = 3  # sections at a lesson's end that are the same in all


@dataclass(frozen=True)
class Task:
    """One exercise: its title, question and solution as HTML; an open one has no exercise."""

    title: str
    question: Markup
    solution: Markup
    exercise: Exercise | None

    @property
    def unit(self) -> str:
        """What is counted."""
        return self.exercise.unit if self.exercise else ""

    @property
    def slips(self) -> list[tuple[str, str]]:
        """Likely wrong numbers, and what is said to each."""
        return slips_of(self.exercise) if self.exercise else []


@dataclass(frozen=True, kw_only=True)
class Teaching:
    """All that is told of one lesson."""

    page: object  # of the site
    minutes: int
    aims: list[str]
    bring: list[str]
    plan: list[tuple[int, Markup]]
    slides: list[str]  # names of figures
    guesses: Markup  # what is asked first
    asks: str  # the heading above
    truths: list[str]
    tasks: list[Task]
    fresh: list[tuple[Asked, Asked]]  # with numbers for two groups
    errors: Markup

    @property
    def worksheet(self) -> str:
        """The page of its worksheet."""
        return f"worksheet_{self.page.number}.html"

    @property
    def parts(self):
        """Sections of the lesson that are its own: (anchor, words)."""
        return [(anchor, said) for level, anchor, said in self.page.sections if level == 2][:-END]


def teaching_of(page, notebook, told, render):
    """What a teacher needs of one lesson, of which no notebook says what is `told`; `render` makes HTML."""
    text = _with_checks(notebook, page.exercises)
    asked = next(found for cell in notebook.cells if (found := GUESSES.search(cell.source)))
    _, *blocks = re.split(r"^### ", TASKS.search(text)[1], flags=re.M)
    named = {title: block for title, _, block in (block.partition("\n") for block in blocks)}
    tasks = [_task(NUMBERED.fullmatch(title)[1], block, page.exercises.found, render)
             for title, block in named.items() if NUMBERED.fullmatch(title)]  # fmt: skip
    module = importlib.import_module(f"tapecalc.course.{page.exercises.topic}")
    questions = [one for one in vars(module).values() if isinstance(one, Question)]
    return Teaching(
        page=page, minutes=int(MINUTES.search(notebook.cells[0].source)[1]), aims=told["aims"],
        bring=told["bring"], plan=[(minutes, render(step)) for minutes, step in told["plan"]],
        slides=told["slides"], asks=asked["title"],
        guesses=render(IN_A_CELL.sub("", asked["text"])),
        truths=page.exercises.told, tasks=tasks, fresh=[_for_two_groups(one) for one in questions],
        errors=render(named[ERRORS].partition("<!--")[0]),
    )  # fmt: skip


def _with_checks(notebook, exercises):
    """The text of a notebook, in which a comment stands for each cell that checks an exercise."""
    texts = []
    for cell in notebook.cells:
        key = exercises.checked_in(cell)
        texts += [cell.source] if cell.cell_type == "markdown" else [f"<!-- {CHECKS}{key} -->"] if key else []
    return "\n\n".join(texts)


def _task(title, block, exercises, render):
    question, *_ = re.split(r"<details>|<!--", block)
    checks = re.search(rf"{CHECKS}(\S+)", block)
    exercise = exercises[checks[1]] if checks else None
    return Task(title, render(question), render(FOLD.search(block)[1]), exercise)


def _for_two_groups(question):
    """The question with two sets of numbers whose answers differ."""
    first, *others = question.variants(seed=len(question.text))
    return first, next(one for one in others if one.exercise.expected != first.exercise.expected)


def slips_of(exercise):
    """Likely wrong numbers of an exercise in words, and what is said to each."""
    return [(_number(wrong, exercise.unit), said) for wrong, said in exercise.slips]


def _number(wrong, unit):
    """A number, a range, or a kind of number."""
    if isinstance(wrong, str):
        return wrong
    low, high = (None if end is None else f"{float(f'{end:.3g}'):,.10g}" for end in _ends(wrong))
    if low == high:
        said = low
    elif low is None or high is None:
        said = f"at most {high}" if low is None else f"at least {low}"
    else:
        said = f"{low} to {high}"
    return f"{said} {unit}".rstrip()


def _ends(wrong):
    return wrong if isinstance(wrong, tuple) else (wrong, wrong)


def add_teaching(site, pages, notebooks, figures, render, common):
    """The teacher's page, a worksheet for each lesson, all solutions, and the slides."""
    lessons, told = [], tomllib.loads((HERE / "site_teaching.toml").read_text("utf-8"))
    for page in (page for page in pages if page.number):
        try:
            topic = page.exercises.topic
            lessons.append(teaching_of(page, notebooks[page.name], told[topic], render))
        except (LookupError, AttributeError, TypeError, StopIteration) as error:
            why = f"{type(error).__name__}: {error}"
            raise ValueError(f"{page.name} has not what pages for teachers need ({why})") from None
    shared = {"lessons": lessons, "figures": figures, "deck": the_deck(), "solutions": SOLUTIONS,
              "slides": SLIDES, "teaching": TEACHING, "within": TEACHING, **common}  # fmt: skip

    def sections(suffix=""):
        return [(2, f"lesson-{one.page.number}", f"{one.page.number} {one.page.title}{suffix}")
                for one in lessons]  # fmt: skip

    about = {
        TEACHING: ("For teachers", "Aims, times, what to bring, common errors, worksheets and slides."),
        SOLUTIONS: ("Solutions of the worksheets", "Answers, and what likely led to a wrong one."),
        SLIDES: ("Slides", "One figure with its finding on each slide, lesson by lesson."),
    }
    first = [(2, "in-class", "In class"), (2, "overview", "All lessons")]
    for file, (title, sentence) in about.items():
        site.add(
            f"site_{Path(file).stem}", file, title=f"{title} - tapecalc", sentence=sentence,
            sections=(first if file == TEACHING else []) + sections(),
            scripts=[SCRIPT.read_text("utf-8")] if file == SLIDES else [], **shared,
        )  # fmt: skip
    for one in lessons:
        site.add(
            "site_worksheet", one.worksheet, lesson=one, title=f"Worksheet {one.page.number} - tapecalc",
            sentence=f"Exercises on paper: {one.page.title}.", **shared,
        )  # fmt: skip


def the_deck():
    """What a worksheet must know of the machine in its questions."""
    speeds = " and ".join(f"{words.speed(one)} ({1000 * one:.4g} mm a second)" for one in (FAST, SLOW))
    place = words.length(DECK.spacings[0])
    return f"its playback head stands {place} behind the record head; it runs at {speeds}"


def for_teachers(pages):
    """What the contents list: (words, address)."""
    sheets = [(f"Worksheet {page.number}: {page.title}", f"worksheet_{page.number}.html")
              for page in pages if page.number]  # fmt: skip
    rest = [("Solutions of the worksheets", SOLUTIONS), ("Slides", SLIDES)]
    return [("For teachers", TEACHING), *sheets, *rest]
