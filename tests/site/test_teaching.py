"""The teacher's page, worksheets, solutions and slides: whole, and nothing on them is typed twice."""

import html
import re
import tomllib
from importlib import import_module

import pytest
from nbformat.v4 import new_code_cell
from notebook_rules import minutes, tracked_notebooks
from project import ROOT, keeps
from site_pages import teaching, tool

from tapecalc.course import delay
from tapecalc.course.exercise import Exercise, Guess
from tapecalc.plot.catalog import CATALOG

LESSONS = [one for one in tracked_notebooks() if one.is_lesson]
FIGURES = {
    name: {"title": f"What {name} shows", "alt": f"Seen in {name}", "width": 480, "height": 320}
    for name in CATALOG
}


@pytest.fixture(scope="module")
def made():
    """The pages for teachers, without the rest of the site."""
    site = tool.Site(tool.tracked())
    read = {one.name: one.content for one in LESSONS}
    pages = [site.page(name, content) for name, content in read.items()]
    markdown = tool.MarkdownWithMath(renderer=tool.Renderer(site.link_to))
    common = {"places": tool.places(pages)}
    teaching.add_teaching(site, pages, read, FIGURES, lambda text: tool.Markup(markdown.render(text)), common)
    return {name: content.decode() for name, content in site.files.items() if name.endswith(".html")}


def seen(page):
    """The words of a page's content, each space one."""
    main = page.partition("<main")[2].partition("</main>")[0]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", main)).split())


def part(page, kind, number):
    """What a page has of one lesson."""
    return page.partition(f'<section class="{kind}" data-lesson="{number}"')[2].partition("</section>")[0]


def exercises(lesson):
    """Names and titles of the exercises of a notebook, and the words of what asks and solves each."""
    text = "\n\n".join(
        cell.source if cell.cell_type == "markdown" else f"CODE {cell.source}" for cell in lesson.cells
    )
    asked = text.partition("\n## Check yourself\n")[2].partition("\n## Sources")[0]
    found = []
    for block in re.split(r"^### \d+\. ", asked, flags=re.M)[1:]:
        title, _, rest = block.partition("\n")
        name = re.search(r"CODE .*?\blesson\.(\w+)\.check\(", rest, re.S)
        solution = re.search(r"</summary>(.*?)</details>", rest, re.S)[1]
        found.append((name and name[1], title, re.split("CODE|<details>", rest)[0], solution))
    return found


def longest_words(markdown):
    """The longest run of plain words in a text, as a page must show it."""
    runs = re.split(r"\$[^$]*\$|`[^`]*`|\]\([^)]*\)|[*_\[\]<>\"'&-]", " ".join(markdown.split()))
    return max(runs, key=len).strip()


def number_of(lesson):
    return int(lesson.name[:2])


@pytest.mark.parametrize("lesson", LESSONS, ids=[one.name for one in LESSONS])
def test_each_lesson_has_aims_times_things_to_bring_and_errors(made, lesson):
    page, number = made["teaching.html"], number_of(lesson)
    told = part(page, "teach", number)
    lists = [re.findall(r"<li>", told.partition(f'class="{kind}"')[2].partition("</ul>")[0])
             for kind in ("aims", "bring")]  # fmt: skip
    assert len(lists[0]) == 3 and len(lists[1]) >= 2
    assert sum(map(int, re.findall(r'<th scope="row">(\d+) min</th>', told))) == 45
    stated = int(re.search(r"\((\d+) minutes alone\)", told)[1])
    assert abs(stated - minutes(lesson)) <= max(5, minutes(lesson) / 10)
    cleared = "\n".join(cell.source for _, cell in lesson.prose).partition("### Cleared up\n")[2]
    errors = re.findall(r"^- \*\"(.*?)\"\*", cleared.partition("\n###")[0], re.M | re.S)
    assert len(errors) >= 4
    keeps(f"no {error}" for error in errors if " ".join(error.split()) not in seen(f"<main>{told}</main>"))


@pytest.mark.parametrize("lesson", LESSONS, ids=[one.name for one in LESSONS])
def test_a_worksheet_asks_all_and_solves_nothing_and_the_solutions_have_all(made, lesson):
    sheet = seen(made[f"worksheet_{number_of(lesson)}.html"])
    solved = seen(f"<main>{part(made['solutions.html'], 'solved', number_of(lesson))}</main>")
    found = exercises(lesson)
    assert len(found) >= 6 and [name for name, *_ in found].count(None) == 1  # the open one
    module = import_module(f"tapecalc.course.{lesson.name[3:]}")
    for name, title, question, solution in found:
        assert title in sheet and title in solved
        assert longest_words(question) in sheet
        assert longest_words(solution) in solved and longest_words(solution) not in sheet
        if name:
            one = getattr(module, name)
            assert f"{title}: {one.data['truth']}" in solved
            assert all(" ".join(said.split()) in solved for _, said in one.slips)
            assert not any(said in sheet for _, said in one.slips)
    assert sheet.count("Group A") == sheet.count("Group B") == asks_again(module)
    assert made[f"worksheet_{number_of(lesson)}.html"].count('class="field"') >= len(found) - 1


def asks_again(module):
    """Whether a lesson has questions that can be asked with other numbers."""
    return any(name.endswith("_again") for name in vars(module))


@pytest.mark.parametrize("lesson", LESSONS, ids=[one.name for one in LESSONS])
def test_the_solutions_tell_every_guess_that_the_worksheet_asks_for(made, lesson):
    number = number_of(lesson)
    sheet = made[f"worksheet_{number}.html"].partition('<div class="guesses">')[2].partition("</div>")[0]
    asked = sheet.count("<li>")
    told = part(made["solutions.html"], "solved", number).partition("</ol>")[0].count("<li>")
    assert asked == told >= 2
    assert "in below" not in seen(f"<main>{sheet}</main>")  # no field of a page
    truth = import_module(f"tapecalc.course.{lesson.name[3:]}").first_guess.data["truth"]
    assert f"It is {truth}." in part(made["solutions.html"], "solved", number)


def test_two_groups_get_numbers_with_other_answers():
    first, second = teaching._for_two_groups(delay.inches_again)
    assert first.question != second.question and first.exercise.expected != second.exercise.expected
    assert "Heads" in first.question and first.exercise.data["truth"] in first.solution


def test_likely_wrong_numbers_are_told_in_words():
    one = Exercise(5, "ms").hints("x", (3750.4, "a"), ((None, 40), "b"), ((7, 9), "c"), ("not whole", "d"))
    told = ["3,750 ms", "at most 40 ms", "7 to 9 ms", "not whole"]
    assert [number for number, _ in teaching.slips_of(one)] == told
    assert teaching.slips_of(Exercise(5, "").hints("x", ((2, None), "e"))) == [("at least 2", "e")]


def test_each_slide_has_one_figure_with_its_finding_as_its_heading(made):
    page = made["slides.html"]
    told = tomllib.loads((ROOT / "tools" / "site_teaching.toml").read_text("utf-8"))
    assert [*told] == [one.name[3:] for one in LESSONS]
    names = [name for topic in told.values() for name in topic["slides"]]
    assert re.findall(r'<img class="drawn" src="gallery/(\w+).svg"', page) == names and set(names) <= set(
        CATALOG
    )
    assert re.findall(r"<h3>(.*?)</h3>", page) == [FIGURES[name]["title"] for name in names]
    assert page.count('<section class="slide') == len(names) + len(LESSONS)
    for topic in told.values():
        assert len(topic["slides"]) >= 2
    script = teaching.SCRIPT.read_text("utf-8")
    assert script in page and not re.search(r"https?:|fetch\(|innerHTML|eval\(", script)


def test_a_lesson_that_lacks_a_part_is_refused_by_name():
    site = tool.Site(tool.tracked())
    (lesson, *_) = LESSONS
    without = tool.copy.deepcopy(lesson.content)
    without.cells = [cell for cell in without.cells if "### Cleared up" not in cell.source]
    page = site.page(lesson.name, without)
    with pytest.raises(ValueError, match=f"{lesson.name} has not what pages for teachers need .*Cleared up"):
        teaching.add_teaching(site, [page], {lesson.name: without}, FIGURES, str, {})


def test_an_exercise_without_a_place_in_the_text_is_seen(made):
    """The rule above can fail: a cell that checks an exercise under no heading leaves one out."""
    (lesson, *_) = LESSONS
    without = [one for one in exercises(lesson) if one[1] != "A sleeve"]
    assert len(without) == len(exercises(lesson)) - 1
    site_exercises = tool.Exercises(lesson.content)
    checked = [key for cell in lesson.cells if (key := site_exercises.checked_in(cell))]
    assert [key.partition(".")[2] for key in checked] == [name for name, *_ in exercises(lesson) if name]
    assert site_exercises.checked_in(new_code_cell("lesson.first_guess.check(guess_ms)")) is None
    assert isinstance(delay.first_guess, Guess)
