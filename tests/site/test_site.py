"""The site: every notebook as a page that opens from disk, complete, described, and the same each time."""

import base64
import hashlib
import html
import importlib
import io
import json
import os
import re
import xml.etree.ElementTree as ET
import zipfile
from pathlib import PurePosixPath
from urllib.parse import unquote

import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from notebook_rules import SHORTEST_DESCRIPTION, tracked_notebooks
from page_outline import Outline
from PIL import Image
from programs import program
from project import keeps
from site_pages import gallery, panels, tool

from tapecalc.course.heads import comb_panel
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw

NOTEBOOKS = {notebook.name: notebook for notebook in tracked_notebooks()}
ACTIVE = ("script", "iframe", "object", "embed", "base", "form")
OURS = b'<meta name="generator" content="tapecalc 0">'
SEARCH = tool.tool_file("site_find.js")
slow = pytest.mark.slow
MOST_FILES, MOST_BYTES = 250, 10_000_000
safe_page = program("safe_page")


@pytest.fixture(scope="module")
def files():
    return tool.site_files()


@pytest.fixture(scope="module")
def pages(files):
    return {name: Outline(content.decode()) for name, content in files.items() if name.endswith(".html")}


@slow
def test_every_notebook_that_git_tracks_is_a_page_and_so_are_plan_and_card(files):
    pages = {name for name in files if name.endswith(".html")}
    lessons = {name for name in pages if not name.startswith("api/")}
    assert lessons == {tool.page_file(name) for name in NOTEBOOKS} | {
        "plan/plan.html",
        "plan/card.html",
        "try.html",
        "gallery.html",
        "promises.html",
        "contents.html",
        "404.html",
        "teaching.html",
        "solutions.html",
        "slides.html",
    } | {f"worksheet_{number}.html" for number in range(1, 10)}


@slow
def test_the_library_has_a_page_for_each_module_linked_with_the_lessons_both_ways(pages, files):
    assert {"api/index.html", "api/tapecalc.html", "api/tapecalc.calc.transport.html"} <= set(pages)
    lesson = tool.page_file(next(name for name in NOTEBOOKS if name.startswith("01")))
    there = "api/tapecalc.calc.transport.html#delay_from_spacing"
    assert there in [a["href"] for a in pages[lesson].all("a")]
    transport = pages["api/tapecalc.calc.transport.html"]
    assert f"../{lesson}" in [a["href"] for a in transport.all("a")]
    assert "delay_from_spacing" in transport.ids
    text = files["api/tapecalc.calc.transport.html"].decode()
    assert "greater than 0 m/s" in text  # what is allowed is read from the quantity


@slow
def test_every_docstring_is_read_without_a_complaint(caplog):
    tool.api_pages()
    assert [record.getMessage() for record in caplog.records] == []


def test_what_a_lesson_uses_is_found_under_any_name():
    source = "import tapecalc as tc\nfrom tapecalc.calc import transport as t\n"
    calls = "t.run_time(1, 1); tc.example_machine().name; len('tc.units')"
    notebook = new_notebook(cells=[new_code_cell(source), new_code_cell(calls)])
    assert tool.uses_in(notebook) == ["tapecalc.calc.transport.run_time", "tapecalc.machine.example_machine"]


def test_the_map_comes_first_then_the_workbench_then_the_lessons_by_number():
    names = ["09_z", "workbench", "01_b", "00_index", "02_a"]
    assert tool.reading_order(names) == ["00_index", "workbench", "01_b", "02_a", "09_z"]
    assert tool.page_file("00_index") == "index.html"


@slow
def test_pages_follow_one_another(pages):
    order = [tool.page_file(name) for name in tool.reading_order(NOTEBOOKS)]
    for place, name in enumerate(order):
        turn = {a["rel"]: a["href"] for a in pages[name].all("a") if "rel" in a}
        expected = {"prev": order[place - 1]} if place else {}
        expected |= {"next": order[place + 1]} if place + 1 < len(order) else {}
        assert turn == expected
        current = [a["href"] for a in pages[name].all("a") if a.get("aria-current") == "page"]
        assert current == [name]


@slow
def test_every_link_leads_to_a_file_of_the_site_and_to_a_place_in_it(pages, files):
    broken = []
    for name, page in pages.items():
        for address in page.addresses:
            if address.startswith("data:"):
                continue
            path, _, anchor = address.partition("#")
            target = os.path.normpath(PurePosixPath(name).parent / unquote(path)) if path else name
            if target not in files:
                broken.append(f"{name}: {address}")
            elif anchor and unquote(anchor) not in pages[target].ids:
                broken.append(f"{name}: {address} has no such place")
    keeps(broken)


#: The pages that play: each has a script for that.
PLAYED = ("index.html", "try.html")
#: Pages that the library writes: they have the scripts of the library alone.
ALONE = ("try.html", "plan/plan.html", "plan/card.html")


@slow
def test_nothing_is_fetched_from_elsewhere_and_nothing_runs_but_scripts_of_ours(pages, files):
    found = []
    for name, page in pages.items():
        lesson = name[:2].isdigit() and name != "404.html"  # it asks, and has panels
        asks = name in ("index.html", "workbench.html") or lesson
        hears = any(start in files[name] for start in (b".forEach(mountSwitch)", b"mountCheck(document"))
        turns = name == "slides.html"
        count = (name in PLAYED) + (name not in ALONE) + asks + lesson + hears + turns
        assert page.all("script") == [{"type": "module"}] * count, name
        page.tags = [one for one in page.tags if one != ("script", {"type": "module"})]
        found += [f"{name}: {a}" for a in page.addresses if re.match(r"(?!data:)[a-z+.-]+:|/", a, re.I)]
        found += [f"{name}: {tag}" for tag, _ in page.tags if tag in ACTIVE]
        handlers = [key for _, attributes in page.tags for key in attributes if key.startswith("on")]
        found += [f"{name}: {key}" for key in handlers]
    keeps(found)
    assert set(re.findall(rb"url\(([^,)]*)|(@import)", files["style.css"])) == {
        (b"data:font/woff;base64", b"")
    }
    for script in re.findall(rb"https?:[^\s\"']*|fetch\(|XMLHttpRequest|eval\(", SEARCH.encode()):
        raise AssertionError(script)


@slow
def test_every_picture_is_described(pages, files):
    short = [
        f"{name}: {image['src'][:40]} {image.get('alt')!r}"
        for name, page in pages.items()
        for image in page.all("img")
        if len(image.get("alt") or "") < SHORTEST_DESCRIPTION and not image["src"].endswith("icon.svg")
    ]
    keeps(short)
    assert all(page.all("img") for name, page in pages.items() if name[:2].isdigit())  # lessons
    assert not [
        name for name, content in files.items() if b"<summary>The picture in words" in content
    ]  # which is twice


@slow
def test_each_page_says_what_it_is(pages):
    titles = [page.title for page in pages.values()]
    assert len(set(titles)) == len(titles) and all(titles)
    for page in pages.values():
        assert page.all("html") == [{"lang": "en"}]
        assert len(page.all("main")) == 1
        assert len(page.ids) == len(set(page.ids))
        assert page.open == []


@slow
def test_headings_go_down_one_step_at_a_time(pages):
    jumps = []
    for name, page in pages.items():
        levels = [level for level, _ in page.headings]
        assert levels[0] == 1 and levels.count(1) == 1
        jumps += [
            f"{name}: {page.headings[n + 1]}"
            for n, (one, two) in enumerate(zip(levels, levels[1:], strict=False))
            if two > one + 1
        ]
    keeps(jumps)


@slow
def test_formulas_are_mathml_and_none_is_left_as_it_was_typed(pages, files):
    left = []
    for name, page in pages.items():
        text = "" if name.startswith("api/") else "".join(page.prose)
        left += [f"{name}: {found}" for found in re.findall(r".{0,30}(?:\$|\\[a-z]).{0,30}", text)]
        for formula in re.findall(r"<math\b.*?</math>", files[name].decode(), re.S):
            ET.fromstring(formula)
    keeps(left)
    lessons = [tool.page_file(name) for name in NOTEBOOKS if NOTEBOOKS[name].is_lesson]
    assert sum(len(pages[name].all("math")) for name in lessons) > 100


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_every_formula_can_be_converted(name):
    class Collecting(tool.Renderer):
        def inline_math(self, body):
            formulas.append((body, False))
            return ""

        def block_math(self, body):
            formulas.append((body, True))
            return ""

    formulas, failed = [], []
    markdown = tool.MarkdownWithMath(renderer=Collecting(lambda url: url))
    for _, cell in NOTEBOOKS[name].prose:
        markdown.render(cell.source)
    for formula, block in formulas:
        try:
            tool.to_mathml(formula, block=block)
        except tool.Refused as refusal:
            failed.append(str(refusal))
    keeps(failed)


@slow
def test_sounds_are_files_that_play_and_can_be_saved(pages, files):
    sounds = {name: content for name, content in files.items() if name.startswith("sounds/")}
    assert sounds
    for content in sounds.values():
        assert content[:3] == b"ID3" or content[0] == 0xFF
    played = [audio["src"] for name, page in pages.items() if "/" not in name for audio in page.all("audio")]
    assert set(played) == set(sounds)
    assert not any(b"Run this cell" in content for name, content in files.items() if name.endswith(".html"))
    for page in pages.values():
        assert all("controls" in audio and "autoplay" not in audio for audio in page.all("audio"))


@slow
def test_solutions_are_folded_and_errors_made_on_purpose_are_shown(pages, files):
    for name, notebook in NOTEBOOKS.items():
        text = files[tool.page_file(name)].decode()
        prose = "\n".join(cell.source for _, cell in notebook.prose)
        folds = [fold.get("class") for fold in pages[tool.page_file(name)].all("details")]
        assert folds[0] == "menu" and folds.count(None) == prose.count("<details>")
        assert set(folds) <= {"menu", "how", "uses", "back", None}
        errors = [o for _, cell in notebook.code for o in cell.outputs if o.output_type == "error"]
        assert text.count("It stops, on purpose:") == len(errors)
        assert all(f"{error.ename}: " in text for error in errors)


@slow
def test_a_panel_has_its_place_its_picture_and_one_script(files):
    for name, notebook in NOTEBOOKS.items():
        texts = [o.data.get("text/html", "") for _, c in notebook.code for o in c.outputs if "data" in o]
        functions = [panels.panel_in(text) for text in texts if panels.panel_in(text)]
        page = files[tool.page_file(name)].decode()
        assert re.findall(r'<div class="what-if" data-panel="(\w+)"', page) == functions
        assert page.count('<figure class="panel-still"') == len(functions)
        for function in functions:
            assert page.count(f"), {function}({{") == 1
        assert page.count("function mountPanel(") == bool(functions)
        assert f"notebooks/{name}.ipynb" in page


# --- a page as a place ---


@slow
def test_the_navigation_names_each_lesson_and_marks_the_page(pages, files):
    for name in pages:
        if name in ALONE:
            continue
        text = files[name].decode()
        nav = text.partition('<nav aria-label="Course">')[2].partition("</nav>")[0]
        for notebook in NOTEBOOKS:
            title = "Map of the course" if notebook == "00_index" else titles()[notebook].partition(":")[0]
            up = "../" * name.count("/")
            assert re.search(
                rf'<a href="{up}{tool.page_file(notebook)}"[^>]*>(<span.*?</span>)?{title}</a>', nav
            )


def titles():
    """The first heading of each notebook."""
    return {
        name: one.prose[0][1].source.partition("\n")[0].removeprefix("# ") for name, one in NOTEBOOKS.items()
    }


@slow
def test_a_page_lists_its_headings_and_those_below_them(pages, files):
    for name, page in pages.items():
        if name in ALONE or name.startswith(("api/", "worksheet_")):
            continue
        nav = files[name].decode().partition('<nav aria-label="Course">')[2].partition("</nav>")[0]
        listed = [html.unescape(words) for words in re.findall(r'<a href="#[^"]*">(.*?)</a>', nav)]
        shown = [words for level, words in page.headings if level in (2, 3)]
        if name in ("contents.html", "slides.html"):
            shown = [words for level, words in page.headings if level == 2]
        assert listed == [words for words in shown if words not in ("All of them in one size",)], name


@slow
def test_a_shared_page_says_what_it_is_with_a_picture_of_the_site(pages, files):
    sentences = []
    for name, page in pages.items():
        if name == "plan/card.html":
            continue
        tags = {a.get("property") or a.get("name"): a["content"] for a in page.all("meta") if "content" in a}
        assert tags["og:title"] == page.title and tags["description"] == tags["og:description"]
        assert len(tags["description"]) >= 15 and len(tags["og:image:alt"]) > 20, name
        assert ":" not in tags["og:image"] and "og:url" not in tags
        picture = os.path.normpath(PurePosixPath(name).parent / tags["og:image"])
        assert files[picture].startswith(b"\x89PNG"), name
        sentences += [tags["description"]] if name[:2].isdigit() and name != "404.html" else []
    assert len(set(sentences)) == len(sentences) == 9


def test_no_lesson_begins_with_a_picture_that_tells_what_it_asks_to_guess(pages, files):
    for name, page in pages.items():
        if re.match(r"0[1-9]_", name):
            truth = importlib.import_module(f"tapecalc.course.{name[3:-5]}").first_guess.data["truth"]
            lead = next(a["src"] for a in page.all("img") if a["src"].startswith("gallery/"))
            words = html.unescape(re.sub(r"<[^>]+>", " ", files[lead].decode()))
            number, _, unit = truth.partition(" ")
            told = rf"(?<![\d.]){float(number):.3g}\s?{unit}(?!\w)"
            assert not (unit and re.search(told, words)), (name, truth)


def test_where_the_site_stands_is_said_only_if_it_is_known():
    site, page = made_up()
    assert 'property="og:image" content="figures/tape_path.png"' in filled(site, page)
    site.base = tool.base_address("https://example.org/echo")
    text = filled(site, page)
    assert 'property="og:image" content="https://example.org/echo/figures/tape_path.png"' in text
    assert 'property="og:url" content="https://example.org/echo/01_a.html"' in text
    for wrong in ("example.org", "javascript:x", 'https://a"b'):
        with pytest.raises(tool.argparse.ArgumentTypeError, match="no address"):
            tool.base_address(wrong)


@slow
def test_every_page_has_the_icon_which_is_a_drawing_of_its_own(pages, files):
    icon = ET.fromstring(files["icon.svg"])
    assert {one.tag.rpartition("}")[2] for one in icon} <= {"title", "rect", "path"}
    for name, page in pages.items():
        icons = [one["href"] for one in page.all("link") if one["rel"] == "icon"]
        assert icons == ([] if name in ALONE else ["../" * name.count("/") + "icon.svg"]), name


@slow
def test_each_lesson_can_be_saved_and_so_can_its_pictures(pages, files):
    for name, notebook in NOTEBOOKS.items():
        saved = [a for a in pages[tool.page_file(name)].all("a") if "download" in a]
        assert f"notebooks/{name}.ipynb" in [a["href"] for a in saved]
        stored = json.loads(files[f"notebooks/{name}.ipynb"])
        cells = [cell for cell in stored["cells"] if cell["cell_type"] == "code"]
        assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in cells)
        assert ["".join(cell["source"]) for cell in cells] == [cell.source for _, cell in notebook.code]
        shown = {image["src"] for image in pages[tool.page_file(name)].all("img") if "style" not in image}
        pictures = {source for source in shown if source.startswith("pictures/")}
        assert pictures <= {a["href"] for a in saved}
        assert len({a["download"] for a in saved if a["download"]}) == len(
            [a for a in saved if a["download"]]
        )


def test_code_is_folded_and_code_after_code_stands_in_one_fold():
    site, page = made_up(new_code_cell("a = 1"), new_code_cell("b = 2"), new_markdown_cell("then"))
    assert [part["kind"] for part in page.parts] == ["code", "prose"]
    text = filled(site, page)
    assert text.count('<details class="how"><summary>How it is computed</summary>') == 1
    assert 'class="n">a' in text and 'class="n">b' in text


@slow
def test_no_page_asks_to_put_a_number_into_a_cell_that_is_not_there(pages):
    assert not [name for name, page in pages.items() if "replace None" in page.text and "/" not in name]


def test_a_clip_stands_where_the_code_makes_it_and_only_once():
    assert gallery.clips_in('clip = make_scene("tape_path", machine=deck)') == ["tape_path"]
    assert gallery.clips_in("make_scene(name); write_clip('nosuch', 1); draw('tape_path')") == []


def test_a_clip_has_poster_captions_and_a_description():
    words = {"source": "clips/tape_path.mp4", "poster": "clips/tape_path.png", "captions": "data:text/vtt,",
             "width": 2, "height": 1, "alt": "Tape moves", "caption": "It moves."}  # fmt: skip
    cells = [new_code_cell("make_scene('tape_path')"), new_code_cell("write_clip('tape_path', 'a.mp4')")]
    site = tool.Site({"notebooks/01_a.ipynb"}, film=lambda name: ({f"clips/{name}.mp4": b"film"}, words))
    page = site.page("01_a", new_notebook(cells=[new_markdown_cell("# A title"), *cells]))
    assert [part["kind"] for part in page.parts].count("clip") == 1 and site.files[
        "clips/tape_path.mp4"
    ] == b"film"
    text = filled(site, page)
    assert '<video controls preload="none" src="clips/tape_path.mp4"' in text and "autoplay" not in text
    assert 'aria-label="Tape moves"' in text and "<track" in text
    assert [part["kind"] for part in made_up(*cells)[1].parts] == ["code"]


def test_a_clip_that_a_notebook_plays_becomes_a_file_and_is_not_filmed_again():
    shown = f"<video controls src='data:video/mp4;base64,{base64.b64encode(b'film').decode()}'></video>"
    played = new_code_cell(
        "make_scene('tape_path')", outputs=[new_output("display_data", data={"text/html": shown})]
    )
    again = new_code_cell("write_clip('tape_path', 'a.mp4')")
    site = tool.Site({"notebooks/01_a.ipynb"}, film=lambda name: ({}, {}))
    page = site.page("01_a", new_notebook(cells=[new_markdown_cell("# A title"), played, again]))
    assert "clip" not in [part["kind"] for part in page.parts]
    (file,) = (name for name in site.files if name.startswith("clips/"))
    assert site.files[file] == b"film" and f"src='{file}'" in filled(site, page)


@slow
def test_a_clip_is_filmed_small(tmp_path):
    files, words = gallery.clip_of("tape_path")
    assert files[words["source"]][4:8] == b"ftyp" and files[words["poster"]].startswith(b"\x89PNG")
    assert sum(map(len, files.values())) < 700_000 and len(words["alt"]) > SHORTEST_DESCRIPTION


def test_nothing_of_a_notebook_is_run(tmp_path):
    ran = tmp_path / "ran"
    source = f"import tapecalc as tc\nopen({str(ran)!r}, 'w')\nraise SystemExit"
    output = new_output("execute_result", data={"text/html": comb_panel().still()}, execution_count=1)
    notebook = new_notebook(cells=page_cells(new_code_cell(source, outputs=[output])))
    site = tool.Site({"notebooks/01_a.ipynb"})
    page = site.page("01_a", notebook)
    assert page.panels == ["combPanel"] and filled(site, page) and tool.uses_in(notebook) == []
    assert not ran.exists()


def test_a_panel_that_no_lesson_has_stops_the_build():
    with pytest.raises(ValueError, match="^no lesson has the panel nonsense$"):
        panels.panels_script(["combPanel", "nonsense"])


def test_a_lighter_picture_is_the_same_drawing():
    way = ' d="M 10.123456 20 \nL 30 20 \nC 30 30 40.5 30 40.5 20 \nL 41 21 \nz\n"'
    svg = f'<svg xmlns="http://www.w3.org/2000/svg">\n <g id="a">\n  <path{way}/></g></svg>'.encode()
    assert b'svg"><g><path' in gallery.lighter(svg)
    assert re.findall(rb' d="(.*?)"', gallery.lighter(svg)) == [b"M10.1 20l19.9 0c0 10 10.5 10 10.5 0l.5 1z"]


def test_pictures_keep_few_colors_but_what_lets_something_through_stays():
    def png(mode, color):
        buffer = io.BytesIO()
        gradient = Image.linear_gradient("L").convert(mode)
        gradient.putpixel((0, 0), color)
        gradient.save(buffer, "png")
        return buffer.getvalue()

    few, clear = png("RGB", (1, 2, 3)), png("RGBA", (1, 2, 3, 0))
    assert len(Image.open(io.BytesIO(panels.small(few))).getcolors()) <= panels.COLORS
    assert panels.small(clear) == clear


# --- search ---


@slow
def test_every_place_of_the_index_is_there_and_none_tells_a_solution(pages, files):
    sheet = files["search_index.css"].decode()
    places = json.loads(sheet.removeprefix(":root{--search-index:'").removesuffix("'}\n"))
    assert "\\" not in sheet and sheet.count("'") == 2 and sheet.count("\n") == 1
    for title, where, address, text in places:
        path, _, anchor = address.partition("#")
        assert title and where and (not anchor or unquote(anchor) in pages[path].ids), address
        assert "<" not in title and "Solution" not in text[:10]
    listed = {address for _, _, address, _ in places}
    assert {tool.page_file(name) for name in NOTEBOOKS} <= listed
    assert {f"gallery.html#{name}" for name in CATALOG} <= listed
    assert "api/tapecalc.calc.transport.html#delay_from_spacing" in listed
    for name, page in pages.items():
        if tool.page_file("00_index") == name or name[:2].isdigit() and name != "404.html":
            anchors = {unquote(a.partition("#")[2]) for a in listed if a.startswith(f"{name}#")}
            assert anchors == {i for i in page.ids if i in anchors} and len(anchors) >= 4
    solutions = " ".join(text for _, _, _, text in places)
    assert "meters meanwhile: 34 millimeters" not in solutions


@slow
def test_without_the_search_the_contents_lead_to_every_heading(pages):
    links = {a["href"] for a in pages["contents.html"].all("a")}
    for name in NOTEBOOKS:
        page = pages[tool.page_file(name)]
        listed = {a["href"] for a in page.all("a") if a["href"].startswith("#")} - {"#content"}
        assert len(listed) >= 4 and {f"{tool.page_file(name)}{place}" for place in listed} <= links
    assert {f"gallery.html#{name}" for name in CATALOG} <= links
    assert "api/tapecalc.calc.transport.html" in links
    for name, page in pages.items():
        search = [a["href"] for a in page.all("a") if a.get("class") == "find"]
        assert search == ([] if name in ALONE else ["../" * name.count("/") + "contents.html"])


@slow
def test_the_site_is_light(files):
    """What is only saved and the library's pages are counted apart."""
    rest = {
        name: len(content) for name, content in files.items() if not name.startswith(("api/", "notebooks/"))
    }
    assert len(rest) <= MOST_FILES and sum(rest.values()) <= MOST_BYTES
    assert max(len(files[tool.page_file(name)]) for name, one in NOTEBOOKS.items() if one.is_lesson) < 400_000


@slow
def test_the_same_notebooks_give_the_same_bytes(files):
    again = tool.site_files(plan=False)
    assert again == {name: content for name, content in files.items() if not name.startswith("plan/")}


@pytest.mark.parametrize("tex", [r"\nosuch{x}", r"\frac{a", r"a & b", "{}"])
def test_a_formula_that_cannot_be_converted_is_refused(tex):
    with pytest.raises(tool.Refused, match="formula"):
        tool.to_mathml(tex, block=False)


def test_formulas_become_what_they_say():
    assert "<mfrac>" in tool.to_mathml(r"\displaystyle \frac{d}{v}", block=True)
    two_lines = tool.to_mathml(r"\begin{aligned}a &= b \\ c &= d\end{aligned}", block=True)
    assert two_lines.count("<mtr>") == 2 and "&amp;" not in two_lines
    assert 'display="inline"' in tool.to_mathml("a < b", block=False)


def test_names_of_functions_stand_apart_from_what_follows_but_not_from_a_bracket():
    assert "mspace" in tool.to_mathml(r"\sin x", block=False)
    assert "mspace" in tool.to_mathml(r"20 \log_{10} x", block=False)
    assert "mspace" not in tool.to_mathml(r"\sin(x)", block=False)
    assert "mspace" not in tool.to_mathml(r"x + y", block=False)


def test_bars_around_a_value_open_and_close():
    forms = re.findall(r'form="(\w+)"', tool.to_mathml("|x| + |y|", block=False))
    assert forms == ["prefix", "postfix", "prefix", "postfix"]


def made_up(*cells):
    """A page from cells, on a site that knows two notebooks."""
    site = tool.Site({"notebooks/00_index.ipynb", "notebooks/01_a.ipynb", "figures/tempo_map.png"})
    return site, site.page("01_a", new_notebook(cells=[new_markdown_cell("# A title"), *cells]))


def written(*cells):
    return "".join(str(part.get("html", part)) for part in made_up(*cells)[1].parts)


def test_links_between_notebooks_become_links_between_pages():
    text = written(new_markdown_cell("[map](00_index.ipynb) [here](01_a.ipynb#A-title) [up](#A-title)"))
    assert 'href="index.html"' in text and 'href="01_a.html#A-title"' in text and 'href="#A-title"' in text


def test_a_lesson_that_is_not_written_yet_is_named_without_a_link():
    assert "<p>the next one</p>" in written(new_markdown_cell("[the next one](02_later.ipynb)"))


def test_the_page_that_a_lesson_writes_to_print_is_the_card_beside_the_plan():
    assert 'href="plan/card.html"' in written(new_markdown_cell("[print](out/setup_card.html)"))


def test_a_linked_file_comes_along_and_a_figure_of_the_gallery_is_shown_from_there():
    site, _ = made_up(new_markdown_cell("[The figure](../figures/tempo_map.png)"))
    assert site.files["figures/tempo_map.png"][:4] == b"\x89PNG"
    shown = written(new_markdown_cell("![A chart of delays over tempo](../figures/tempo_map.png)"))
    assert 'class="drawn" src="gallery/tempo_map.svg"' in shown


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ("[gone](../figures/gone.png)", "leads nowhere"),
        ("![](../figures/tempo_map.png)", "no description"),
        ("\\begin{equation}x\\end{equation}", "outside"),
        ("# A second title", "one heading"),
        ("$\\nosuch x$", "cell 2: cannot convert"),
    ],
)
def test_what_a_page_cannot_show_is_refused(source, says):
    with pytest.raises(tool.Refused, match=says):
        made_up(new_markdown_cell(source))


def test_a_stored_picture_without_a_description_is_refused():
    output = new_output("display_data", data={"image/png": "iVBORw0KGgo=", "text/plain": "x"})
    with pytest.raises(tool.Refused, match="description"):
        made_up(new_code_cell("draw()", outputs=[output]))


def test_two_headings_of_one_name_get_two_places():
    site, page = made_up(new_markdown_cell("## Why\n\n## Why"))
    assert page.sections == [(2, "Why", "Why"), (2, "Why-2", "Why")]


def test_what_is_printed_is_shown_and_not_obeyed():
    output = new_output("stream", name="stdout", text="<b>bold</b> & \x1b[31mred\x1b[0m\n")
    _, page = made_up(new_code_cell("print('<i>')", outputs=[output]))
    assert page.parts[1]["text"] == "<b>bold</b> & red"
    assert "<i>" not in str(page.parts[0]["html"])


#: A picture of one point.
PNG = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNgAAAAAgABSK+kcQAAAABJRU5ErkJggg=="


def page_cells(cell):
    return [new_markdown_cell("# A title"), cell]


def test_a_site_is_replaced_as_a_whole_and_nothing_else_ever(tmp_path):
    folder = tool.write_site({"index.html": OURS, "old.html": b"old"}, tmp_path / "site")
    tool.write_site({"index.html": OURS, "a/new.html": b"new"}, folder)
    there = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.html"))
    assert there == ["a/new.html", "index.html"]
    assert [path.name for path in tmp_path.iterdir()] == ["site"]

    other = tmp_path / "letters"
    other.mkdir()
    (other / "index.html").write_text("dear all")
    with pytest.raises(ValueError, match="holds index.html, which is not, or no longer, as 'tapecalc site'"):
        tool.write_site({"index.html": OURS}, other)
    assert (other / "index.html").read_text() == "dear all"


def test_a_refused_build_leaves_the_old_site(tmp_path, monkeypatch, capsys):
    folder = tool.write_site({"index.html": OURS}, tmp_path / "site")
    broken = new_notebook(cells=[new_markdown_cell("# T\n\n$\\nosuch x$")])
    monkeypatch.setattr(tool, "tracked", lambda: {"notebooks/00_index.ipynb"})
    monkeypatch.setattr(tool, "read_notebook", lambda *_: broken)
    assert tool.main(["--light", "--out", str(folder)]) == 1
    assert "00_index, cell 1" in capsys.readouterr().err
    assert sorted(path.name for path in folder.iterdir()) == ["SHA256SUMS", "index.html"]


# --- what a notebook must not bring in ---


@pytest.mark.parametrize(
    "source",
    [
        "[a](javascript:alert(1))",
        "[a](JaVaScRiPt:alert(1))",
        "<a href='java\tscript:alert(1)'>a</a>",
        "[a](data:text/html,x)",
        "[a](vbscript:x)",
        "<script>alert(1)</script>",
        "<script src=https://example.org/a.js></script>",
        "<svg><script href='//example.org'/></svg>",
        "<img src=https://example.org/a.png alt=a>",
        "![a picture from elsewhere](https://example.org/a.png)",
        "<p onclick=alert(1)>a</p>",
        "<iframe src=b.html></iframe>",
        "<object data=b.html></object>",
        "<form action=b.html></form>",
        "<base href=https://example.org>",
        "<meta http-equiv=refresh content=0>",
        "<link rel=preload href=b.css>",
        "<video poster=https://example.org/a.png></video>",
        "$\\href{javascript:alert(1)}{x}$",
    ],
)
def test_a_page_that_would_run_or_load_something_is_refused(source):
    output = new_output("display_data", data={"text/html": source, "text/plain": "x"})
    cells = [new_markdown_cell(source)]
    cells += [] if source[0] in "[!$" else [new_code_cell("show()", outputs=[output])]
    for cell in cells:
        with pytest.raises(tool.Refused):
            filled(*made_up(cell))


def filled(site, page):
    """The text of a page that the template makes."""
    figure = {"alt": "A picture that is described", "width": 1, "height": 1}
    site.add(
        "site_page", page.file, page=page, before=None, after=None, used=[], sections=page.sections,
        places=tool.places([page]), title=page.title, sentence=page.sentence, figure=figure,
    )  # fmt: skip
    return site.files[page.file].decode()


def test_words_tables_links_and_sounds_pass():
    page = "<p>a &lt;script&gt; <a href='https://example.org'>b</a> <a href='01.html#x'>c</a></p>"
    page += "<audio src='sounds/a.mp3'></audio><audio src='data:audio/mpeg;base64,AA'></audio><table></table>"
    assert safe_page.harm_in(page, site=True) == []


def policy_of(page):
    """The rules of a page's only policy."""
    (policy,) = re.findall(r'<meta http-equiv="Content-Security-Policy" content="([^"]+)">', page)
    return dict(rule.strip().split(" ", 1) for rule in policy.split(";"))


@slow
def test_a_page_lets_in_the_scripts_that_it_has_and_none_by_its_address(files):
    for name, content in files.items():
        if not name.endswith(".html"):
            continue
        page = content.decode()
        rules = policy_of(page)
        scripts = re.findall(r'<script type="module">(.*?)</script>', page, re.S)
        digests = {base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts}
        named = {f"'sha256-{digest}'" for digest in digests}
        assert "'self'" not in rules.get("script-src", "") and "unsafe" not in rules.get("script-src", "")
        if name in ALONE:
            assert set(rules.get("script-src", "").split()) == (named | {"data:"} if named else set())
        else:
            assert set(rules["script-src"].split()) == named | (
                {"data:"} if name in PLAYED or "mountCheck(" in page else set()
            )
            assert SEARCH in scripts
        if name in PLAYED:
            assert page.count('class="tape-page"') == 1 and page.count('class="tape-still"') == 1


@slow
def test_beside_scripts_and_files_of_its_own_a_page_may_no_more_than_the_plan(files):
    plan = policy_of(files["plan/plan.html"].decode())
    for name in ("01_delay.html", "gallery.html", "api/index.html", "404.html"):
        rules = {key: set(said.split()) for key, said in policy_of(files[name].decode()).items()}
        assert rules.pop("base-uri") == rules.pop("form-action") == {"'none'"} and rules.pop("script-src")
        assert {key: said - {"'self'"} for key, said in rules.items()} == {
            key: set(said.split()) for key, said in plan.items()
        }


BEFORE = "<meta charset=utf-8>"
POLICY = "<meta http-equiv='Content-Security-Policy' content=\"default-src 'none'; script-src {}\">"
ONE = "'sha256-bhHHL3z2vDgxUt0W3dWQOrprscmda2Y5pLsLg4GF+pI='"  # of alert(1), which openssl says as well


@pytest.mark.parametrize(
    ("page", "harmless"),
    [
        (POLICY.format(ONE) + "<script type=module>alert(1)</script>", True),
        (BEFORE + POLICY.format(f"{ONE} data:") + "<script type=module>alert(1)</script>", True),
        (POLICY.format(ONE) + "<script type=module>alert(2)</script>", False),
        (POLICY.format(ONE) + "<script type=module>alert(1)", False),
        (POLICY.format(f"'unsafe-inline' {ONE}") + "<script type=module>alert(1)</script>", False),
        (POLICY.format(ONE) + "<script>alert(1)</script>", False),
        (POLICY.format(ONE) + "<script type=module src=a.js>alert(1)</script>", False),
        (POLICY.format("'self'") + "<script type=module>alert(1)</script>", False),
        ("<script type=module>alert(1)</script>" + POLICY.format(ONE), False),
        ("<p>a</p>" + POLICY.format(ONE) + "<script type=module>alert(1)</script>", False),
        (POLICY.format("'self'") + POLICY.format(ONE) + "<script type=module>alert(1)</script>", False),
        ("<script type=module>alert(1)</script>", False),
    ],
)
def test_a_script_may_stand_only_where_the_first_policy_names_it(page, harmless):
    assert (safe_page.harm_in(page) == []) is harmless
    if harmless:
        assert safe_page.harm_in(page, site=True) == []


@slow
def test_every_page_says_first_what_it_may_load(files):
    for name, content in files.items():
        if name.endswith(".html"):
            head = content.decode().partition("</head>")[0]
            (policy,) = re.findall(r'<meta http-equiv="Content-Security-Policy" content="([^"]+)">', head)
            assert policy.startswith("default-src 'none'; ") and "http" not in policy
            before = head.partition("<meta http-equiv")[0]
            assert not re.search(r"<(link|script|style|img)", before)


@pytest.mark.parametrize("damage", [b"", b"{", b"null", b"[" * 100_000, b'{"a":' * 50_000, b"\xff\xfe"])
def test_a_damaged_notebook_is_refused_in_one_line(damage, tmp_path, monkeypatch, capsys):
    folder = tool.write_site({"index.html": OURS}, tmp_path / "site")
    (tmp_path / "notebooks").mkdir()
    (tmp_path / "notebooks" / "00_index.ipynb").write_bytes(damage)
    monkeypatch.setattr(tool, "tracked", lambda: {"notebooks/00_index.ipynb"})
    monkeypatch.setattr(tool, "ROOT", tmp_path)
    assert tool.main(["--light", "--out", str(folder)]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert "00_index.ipynb: is no notebook, or a damaged one" in line and line.isprintable()
    assert sorted(path.name for path in folder.iterdir()) == ["SHA256SUMS", "index.html"]


def picture(kind):
    """A small picture as a file of a kind."""
    file = io.BytesIO()
    Image.effect_noise((20, 20), 50).save(file, kind)
    return file.getvalue()


PNG, GIF = picture("PNG"), picture("GIF")


def picture_output(data):
    encoded = base64.b64encode(data).decode()
    return new_output("display_data", data={"image/png": encoded}, metadata={"image/png": {"alt": "a"}})


@pytest.mark.parametrize(
    "output",
    [
        new_output("display_data", data={"image/svg+xml": "<svg/>"}),
        new_output("display_data", data={}),
        new_output("display_data", data={"image/png": "?"}, metadata={"image/png": {"alt": "a"}}),
        new_output("display_data", data={"image/png": "AA"}, metadata={"image/png": []}),
        *(picture_output(damaged) for damaged in (PNG[:20], PNG[:-100], PNG.replace(b"IDAT", b"IDAX"), GIF)),
        new_output("display_data", data={"text/html": ["<p>"]}),
        new_output("error", ename="a", evalue="b", traceback=[]),
    ],
)
def test_an_output_that_is_damaged_is_refused_by_its_cell(output):
    try:
        made_up(new_code_cell("show()", outputs=[output]))
    except tool.Refused as refusal:
        assert str(refusal).startswith("01_a, cell 2: ") and str(refusal).isprintable()
    else:
        assert output.output_type == "error"  # which is shown empty


def test_the_gallery_has_every_figure_with_its_words_and_license(files):
    page = files["gallery.html"].decode()
    assert page.count('<figure class="borrow">') == len(CATALOG) and style.CREDIT in page
    assert b"Attribution 4.0" in files["LICENSE-PICTURES.txt"]
    for name in CATALOG:
        assert f"draw(&quot;{name}&quot;)" in page and f"gallery/{name}.svg" in files


def packed(names, profiles, monkeypatch):
    """The archives of some figures in some profiles, opened."""
    monkeypatch.setattr(gallery, "CATALOG", {name: CATALOG[name] for name in names})
    made = gallery.archives([style.PROFILES[profile] for profile in profiles])
    assert list(made) == [f"gallery/{profile}.zip" for profile in profiles]
    return [zipfile.ZipFile(io.BytesIO(content)) for content in made.values()]


def same_as_drawn(name, profile, archive):
    """Whether the pictures of an archive are what would be drawn in its profile."""
    drawn = draw(name, profile=profile)
    about = {"title": drawn.title, "alt": drawn.alt}
    own, apart = (archive.read(f"{profile}/{name}.svg"), style.figure_bytes(drawn.figure, "svg", **about))
    # Names of clips and markers are made of colors as well.
    plain = [re.sub(rb'(?<=[#"])[hmp][0-9a-f]{10}\b', b"", svg) for svg in (own, apart)]
    files = (archive.read(f"{profile}/{name}.png"), style.figure_bytes(drawn.figure, "png", **about))
    pictures = [Image.open(io.BytesIO(content)) for content in files]
    points = [picture.convert("RGBA").tobytes() for picture in pictures]
    said = [picture.info | {"dpi": picture.info["dpi"][0]} for picture in pictures]
    return plain[0] == plain[1] and points[0] == points[1] and said[0] == said[1]


def test_archives_hold_what_would_be_drawn_the_words_and_the_license(monkeypatch):
    names, profiles = (
        ("delay_map", "crossed_returns"),
        [f"article_single{on}" for on in ("", "_dark", "_transparent")],
    )
    for profile, archive in zip(profiles, packed(names, profiles, monkeypatch), strict=True):
        listed = {f"{name}.{form}" for name in names for form in ("svg", "png")}
        assert set(archive.namelist()) == {
            f"{profile}/{one}" for one in listed | {"captions.md", "LICENSE-PICTURES"}
        }
        assert b"CC BY 4.0" in archive.read(f"{profile}/LICENSE-PICTURES")
        said = archive.read(f"{profile}/captions.md").decode()
        assert (
            said.startswith("# Figures for ") and f'- Call: `draw("delay_map", profile="{profile}")`' in said
        )
        assert all(same_as_drawn(name, profile, archive) for name in names)


@pytest.mark.weekly
def test_every_figure_changes_its_colors_as_if_it_were_drawn_anew(monkeypatch):
    profiles = ["page", "page_dark", "page_transparent"]
    for profile, archive in zip(profiles, packed(CATALOG, profiles, monkeypatch), strict=True):
        assert [name for name in CATALOG if not same_as_drawn(name, profile, archive)] == []


def test_one_layout_serves_each_ground_and_both_sizes_of_video(monkeypatch):
    groups = [[profile.name for profile in group] for group in gallery.layouts()]
    assert sorted(sum(groups, [])) == sorted(style.PROFILES) and len(groups) == len(style.TOKENS["sizes"]) - 1
    assert {"video_1080", "video_2160_dark"} <= set(groups[0]) and all(
        len(group) in (3, 6) for group in groups
    )
    for archive, high in zip(
        packed(["delay_map"], ["video_1080", "video_2160"], monkeypatch), (1080, 2160), strict=True
    ):
        (name,) = (name for name in archive.namelist() if name.endswith(".png"))
        assert Image.open(io.BytesIO(archive.read(name))).height == high


@slow
def test_where_a_notebook_plays_a_page_leads_to_the_tape_that_does(files):
    for name, notebook in NOTEBOOKS.items():
        stills = sum(
            "tape-still" in output.get("data", {}).get("text/html", "")
            for _, cell in notebook.code
            for output in cell.outputs
        )
        text = files[tool.page_file(name)].decode()
        assert text.count('<a href="try.html">The tape to play</a>') == stills
    assert "The tape to play" in files["01_delay.html"].decode()
