"""Turn the notebooks into pages that open from disk, offline, in any browser.

    python tools/site.py            # into site/
    python tools/site.py --out DIR
    python tools/site.py --light    # no archives, no clips: quicker
    python tools/site.py --base https://example.org/echo/    # where it will stand: previews and 404 name it

Every notebook that git tracks becomes a page, in reading order, with what it last put out: pictures with
their descriptions, sounds, tables, errors made on purpose; its code is folded, the notebook lies beside it.
Formulas become MathML, which browsers draw by themselves. The plan of the bundled machine and SECURITY.md
stand beside the pages, one page lists all headings, and a small script searches them. Panels are reckoned
and drawn in the page; without scripts their picture and words at the first setting stand there. No code of
a notebook is run, nothing is fetched from elsewhere, and the same notebooks give the same bytes. A formula
that cannot be converted, a link that leads nowhere or a picture without a description stops the build, and
the old site stays.
"""

from __future__ import annotations

import argparse
import base64
import copy
import functools
import hashlib
import html
import os
import re
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ET
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from urllib.parse import unquote

import jinja2
import nbformat
from latex2mathml.converter import convert
from markupsafe import Markup
from nbconvert.filters import strip_ansi
from nbconvert.filters.markdown_mistune import IPythonRenderer, MarkdownWithMath
from notebook_file import UNFOLDED, read_notebook, reason
from pygments import highlight
from pygments.formatters import HtmlFormatter
from pygments.lexers import PythonLexer
from safe_page import harm_in
from site_api import api_pages, in_rooms, link_lessons, uses_in
from site_exercises import STYLE as EXERCISES_STYLE
from site_exercises import Exercises, progress_place
from site_find import contents_of, index_sheet, plain, search_index
from site_gallery import PAGE as GALLERY
from site_gallery import archives, clip_of, clips_in, gallery_figures, layouts, lighter
from site_panels import on_light_ground, panel_in, panels_script, small, sounds_script
from site_teaching import STYLE as TEACHING_STYLE
from site_teaching import TEACHING, add_teaching, for_teachers

from tapecalc import __version__
from tapecalc.course import listening, live_check
from tapecalc.course.exercise import MARKS
from tapecalc.files import MANIFEST, replacing_folder, write_file
from tapecalc.live import pages as live_pages
from tapecalc.live.facts import playable_facts
from tapecalc.machine import example_machine
from tapecalc.panels.panel import style_sheet as panels_style
from tapecalc.plan import make_plan
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG
from tapecalc.plot.templates import filled
from tapecalc.report.plan_page import write_plan
from tapecalc.report.try_page import try_page
from tapecalc.words import sentence

ROOT = Path(__file__).resolve().parents[1]
FIRST = ("00_index", "workbench")  # then the lessons by their numbers
PLAN = "plan/plan.html"
CARD = "plan/card.html"  # to print; a lesson writes it, where it runs, to the second place
CARD_OF_LESSON = "notebooks/out/setup_card.html"
API = "api/index.html"
CONTENTS = "contents.html"
MISSING = "404.html"  # where hosts look for what to show instead
TRY = "try.html"
PROMISES = "promises.html"
THE_COURSE = "## The course\n"  # on the map; below it stands what has been done
ICON = "icon.svg"
#: What a lesson's first cell says for the index, and the figure there; its page begins with that.
IN_INDEX = re.compile(
    r"<!-- in the index: (?P<finds>.*?)\n!\[.*?\]\(\.\./figures/(?P<figure>\w+)\.png\) -->", re.S
)
FIGURE, PREVIEW_ALT = "tape_path", "The way of the tape past its heads"  # what the others begin with
#: What begins where the figure of the index would tell what the lesson asks to guess.
OTHER_FIGURE = {
    "workbench": "machine_back", "01_delay": "at_the_gap", "02_wavelength": "lifted_tape",
    "03_repeats": "patch_sends", "04_tempo": "head_rhythm", "05_flutter": "deck_works",
    "07_patching": "mixer_back", "08_measuring": "machine_back",
}  # fmt: skip
#: Where a notebook has the playable tape a page has its picture, and the way to a tape that plays.
TAPE_STILL = 'class="tape-still"'
PLAY_IT = (
    f'<p class="live">Here stands a picture. <a href="{TRY}">The tape to play</a> has a page of its own: '
    "press <em>Play</em> and drag the head there.</p>"
)
MUST_FAIL = "raises-exception"
#: What a check says of an answer that is not there yet, and what a page without a kernel says instead.
NOTHING_YET = re.compile(rf"<p role='status'[^>]*><b aria-hidden='true'>{MARKS['open']}</b>.*?</p>", re.S)
IN_NOTEBOOK = '<p class="live">In the notebook, what you write here is checked.</p>'
FITS_A_PHONE = 40  # characters or TeX signs in a line that is not scrolled sideways
MATHML = "http://www.w3.org/1998/Math/MathML"
STOP_BEHIND_MATH = re.compile(r'(<math [^>]*display="inline"[^>]*>(?:(?!</math>).)*</math>)([).,:;?!]+)')
EMBEDDED = re.compile(r"data:(audio/mpeg|video/mp4|image/svg\+xml);base64,([A-Za-z0-9+/=]+)")
ADDRESS = re.compile(r"(?i)^([a-z][a-z0-9+.-]*:|//)")

ET.register_namespace("", MATHML)


class Refused(Exception):
    """Something in a notebook that a page cannot show, with the reason."""


@dataclass(frozen=True, kw_only=True)
class Page:
    """One page as the template takes it: `parts` are headings and paragraphs, code, and what code put out.

    Its first cell is apart: `head` is the title and a line below it, `lead` the rest.
    """

    name: str
    title: str
    sentence: str  # what it is about
    figure: str  # what it begins with
    head: Markup
    lead: Markup
    parts: list
    exercises: Exercises
    sections: list  # (level, anchor, words) of each heading below the title
    kilobytes: int  # of the notebook without what it put out

    @property
    def number(self):
        """Which lesson it is; 0 for the map and the workbench."""
        return int(self.name[:2]) if self.name[:2].isdigit() else 0

    @property
    def file(self):
        """The file's name on the site."""
        return page_file(self.name)

    @property
    def html(self):
        """What its code put out as HTML."""
        return "".join(str(part["html"]) for part in self.parts if part.get("html"))

    @property
    def panels(self):
        """The functions that make its panels."""
        return [part["function"] for part in self.parts if part["kind"] == "panel"]


def page_file(name):
    """The page of a notebook; the map is what a host shows first."""
    return "index.html" if name == FIRST[0] else f"{name}.html"


def reading_order(names):
    """Names of notebooks in the order in which to read them."""
    return sorted(names, key=lambda name: (FIRST.index(name) if name in FIRST else len(FIRST), name))


def notebooks_in(files):
    """Names of the notebooks among files, in the order in which to read them."""
    return reading_order(Path(name).stem for name in files if re.fullmatch(r"notebooks/[^/]+\.ipynb", name))


def tracked():
    """Every file that git tracks and that is there, from the project's folder."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    return {name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()}


def to_mathml(tex, *, block):
    """A formula as MathML; refused if the converter left anything of it as it was."""
    tex = tex.strip().removeprefix(r"\displaystyle").strip()
    bare = re.sub(r"\\.", "", tex)
    if bare.count("{") != bare.count("}"):
        raise Refused(f"a brace is open or one too many in the formula {tex}")
    wanted = re.sub(r"\\(begin|end)\{aligned\}", r"\\\1{split}", tex)  # the same under another name
    try:
        math = ET.fromstring(convert(wanted, xmlns=MATHML, display="block" if block else "inline"))
    except Exception as error:  # the converter has a dozen kinds, and XML one more
        raise Refused(f"cannot convert the formula {tex}: {error or type(error).__name__}") from None
    if "\\" in "".join(math.itertext()) or not "".join(math.itertext()).strip():
        raise Refused(f"cannot convert all of the formula {tex}")
    for parent in list(math.iter()):
        _pair_bars(parent)
        _set_functions_apart(parent)
    return ET.tostring(math, encoding="unicode")


def _pair_bars(parent):
    """Tell the bars around an absolute value which of them opens, so that they are spaced alike."""
    bars = [child for child in parent if child.text == "|" and "form" not in child.attrib]
    for place, bar in enumerate(bars if len(bars) % 2 == 0 else ()):
        bar.set("form", "postfix" if place % 2 else "prefix")


def _set_functions_apart(parent):
    """Put the thin space around names such as sin that TeX puts there by itself."""
    children = list(parent)
    if parent.tag.rpartition("}")[2] not in ("mrow", "math", "mstyle", "mtd"):
        return
    for child, after in reversed(list(zip(children, children[1:], strict=False))):
        if (_is_function(child) and not _is_fence(after)) or (_is_function(after) and not _is_sign(child)):
            thin = ET.Element(f"{{{MATHML}}}mspace", width="0.167em")
            parent.insert(list(parent).index(child) + 1, thin)


def _is_function(element):
    """Whether it is a name of several letters, or one with an index or a power."""
    core = element[0] if len(element) and element.tag.endswith(("msub", "msup", "msubsup")) else element
    return core.tag.endswith("}mi") and len(core.text or "") > 1


def _is_sign(element):
    """Whether it is an operator, which has its own space, or a space."""
    return element.tag.endswith(("}mo", "}mspace"))


def _is_fence(element):
    """Whether it is an operator, or begins with one, such as a bracket."""
    while len(element) and element.tag.endswith("}mrow"):
        element = element[0]
    return _is_sign(element)


class Renderer(IPythonRenderer):
    """Markdown as Jupyter reads it, with MathML, and links and pictures as the site has them."""

    def __init__(self, link_to):
        super().__init__(escape=False)
        self.link_to = link_to
        self.headings = []

    def inline_math(self, body):
        return to_mathml(body, block=False)

    def block_math(self, body):
        scrolled = ' tabindex="0"' if len(body) > FITS_A_PHONE else ""
        return f'<span class="formula"{scrolled}>{to_mathml(body, block=True)}</span>'

    def paragraph(self, text):
        return super().paragraph(STOP_BEHIND_MATH.sub(r'<span class="together">\1\2</span>', text))

    def latex_environment(self, name, body):
        raise Refused(rf"\begin{{{name}}} stands outside of $$")

    def heading(self, text, level, **attrs):
        words = html.unescape(re.sub(r"<[^>]+>", "", text))
        anchor = _unused(words.replace(" ", "-"), [anchor for _, anchor, _ in self.headings])
        self.headings.append((level, anchor, words))
        return f'<h{level} id="{html.escape(anchor)}">{text}</h{level}>\n'

    def link(self, text, url, title=None):
        address = self.link_to(url)
        return text if address is None else f'<a href="{html.escape(address)}">{text}</a>'

    def image(self, text, url, title=None):
        alt = html.escape(html.unescape(re.sub(r"<[^>]+>", "", text)))
        if not alt:
            raise Refused(f"the picture {url} has no description")
        figure = re.fullmatch(r"\.\./figures/(\w+)\.png", url)
        if figure and figure[1] in CATALOG:  # the gallery has it
            return f'<img class="drawn" src="gallery/{figure[1]}.svg" alt="{alt}" loading="lazy">'
        return f'<img src="{html.escape(self.link_to(url))}" alt="{alt}" loading="lazy">'

    def block_code(self, code, info=None):
        return f'<pre class="code">{_colored(code) if info == "python" else html.escape(code)}</pre>\n'

    def table(self, text):
        kind = "wide pictures" if "<img" in text else "wide"
        scrolled = 'role="group" aria-label="Table" tabindex="0"'
        return f'<div class="{kind}" {scrolled}><table>{text}</table></div>\n'

    def table_cell(self, text, align=None, head=False):
        if head and text.strip():
            return f'<th scope="col">{text}</th>'
        return f"<td>{text}</td>"


def _unused(anchor, used):
    """The anchor, with a number behind it if it is taken."""
    number = 2
    wanted = anchor
    while wanted in used:
        wanted, number = f"{anchor}-{number}", number + 1
    return wanted


def _colored(code):
    """Python with its words marked by kind."""
    return highlight(code, PythonLexer(), HtmlFormatter(nowrap=True)).rstrip("\n")


def explained(text):
    """A docstring's markdown as HTML; its formulas are code, its links none."""
    return Markup(MarkdownWithMath(renderer=Renderer(lambda url: url)).render(text))


class Site:
    """The files of a site as they are made: name on the site -> bytes."""

    def __init__(self, known, *, film=None, base=""):
        self.known = known  # files that may be linked, from the project's folder
        self.film = film  # gives files of a clip and what is said of it; None for a site without clips
        self.base = base  # where the site will stand, if that is known
        self.names = notebooks_in(known)
        self.files = {}
        loader = jinja2.FileSystemLoader(Path(__file__).parent)
        self.templates = jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined,
                                            trim_blocks=True, lstrip_blocks=True)  # fmt: skip
        self.templates.filters["markdown"] = explained
        self.scripts = [tool_file("site_find.js")]

    def link_to(self, url):
        """Where a notebook's link leads on the site; None for a lesson that is not written yet."""
        if url.startswith("#") or ADDRESS.match(url):
            return url
        path, _, anchor = url.partition("#")
        target = os.path.normpath(PurePosixPath("notebooks", unquote(path)))
        anchor = f"#{anchor}" if anchor else ""
        if target.endswith(".ipynb"):
            name = Path(target).stem
            return page_file(name) + anchor if name in self.names else None
        if target == CARD_OF_LESSON:
            return CARD
        if target not in self.known:
            raise Refused(f"the link {url} leads nowhere")
        self.files[target] = (ROOT / target).read_bytes()
        return target + anchor

    def add(self, template, file, *, scripts=(), **values):
        """Fill a template into a file of the site; its policy lets in these scripts and that of all pages."""
        scripts = [*self.scripts, *scripts]
        values = {
            "here": file, "up": "../" * file.count("/"), "base": self.base, "playable": None, "api": API,
            "contents": CONTENTS, "scripts": scripts, "digests": " ".join(map(live_pages.digest, scripts)),
            "within": file,  # whose headings the navigation lists
            "worklet": any("audioWorklet" in script for script in scripts),
            "preview": f"figures/{FIGURE}.png", "preview_alt": PREVIEW_ALT, "sections": [],
            "version": __version__, **values,
        }  # fmt: skip
        text = self.templates.get_template(f"{template}.html.jinja").render(**values)
        if found := harm_in(text, site=True):
            raise Refused(f"{file}: has {', '.join(found)}")
        self.files[file] = text.encode("utf-8")
        if values["preview"] not in self.files:
            self.files[values["preview"]] = small((ROOT / values["preview"]).read_bytes())

    def with_preview(self, page, file, sentence):
        """A page that the library wrote, with what is shown of it when it is shared."""
        title = re.search(r"<title>(.*?)</title>", page)
        values = {
            "here": file, "up": "../" * file.count("/"), "base": self.base, "sentence": sentence,
            "title": html.unescape(title[1]), "preview": f"figures/{FIGURE}.png", "preview_alt": PREVIEW_ALT,
        }  # fmt: skip
        tags = self.templates.get_template("site_preview.html.jinja").render(**values)
        return page.replace(title[0], f"{title[0]}\n{tags}", 1)

    def stored(self, folder, content, ending):
        """Put a picture or a sound on the site once, and give its address."""
        name = f"{folder}/{hashlib.sha256(content).hexdigest()[:16]}.{ending}"
        self.files[name] = content
        return name

    def page(self, name, notebook):
        """A notebook as a page."""
        renderer = Renderer(self.link_to)
        markdown = MarkdownWithMath(renderer=renderer)
        self.shown = set()  # clips that the page has
        exercises = Exercises(notebook, name.lstrip("0123456789_"))
        parts = []
        for number, cell in enumerate(notebook.cells, 1):
            try:
                if cell.cell_type == "markdown":
                    shown = exercises.with_guesses(cell.source, markdown.render(cell.source))
                    parts.append({"kind": "prose", "html": Markup(shown)})
                    parts += [progress_place()] if THE_COURSE in cell.source else []
                elif cell.cell_type == "code":
                    parts += exercises.around(cell, self.cell(cell, markdown))
            except Refused as refusal:
                raise Refused(f"{name}, cell {number}: {refusal}") from None
            except (LookupError, TypeError, AttributeError, ValueError, RecursionError) as error:
                raise Refused(f"{name}, cell {number}: is damaged ({reason(error)})") from None
        titles = [words for level, _, words in renderer.headings if level == 1]
        if len(titles) != 1 or not parts or "<h1" not in parts[0].get("html", ""):
            raise Refused(
                f"{name}: a page has one heading of the first level, not {len(titles)}, at its start"
            )
        head, lead = _first_apart(parts[0]["html"])
        bare = bare_notebook(notebook)
        self.files[f"notebooks/{name}.ipynb"] = bare
        said = IN_INDEX.search(notebook.cells[0].source)
        return Page(
            name=name,
            title=titles[0],
            sentence=sentence(" ".join(said["finds"].split()) + "." if said else first_sentence(lead)),
            figure=OTHER_FIGURE.get(name, said["figure"] if said else FIGURE),
            head=head,
            lead=lead,
            parts=_joined(parts[1:]),
            exercises=exercises,
            sections=[heading for heading in renderer.headings if heading[0] > 1],
            kilobytes=max(1, round(len(bare) / 1000)),
        )

    def cell(self, cell, markdown):
        """A cell's code, what it put out, and the clips it makes."""
        unfolded = bool(UNFOLDED & set(cell.metadata.get("tags", [])))
        code = {"kind": "code", "html": Markup(_colored(cell.source)), "unfolded": unfolded}
        parts = [code, *self.outputs(cell, markdown)]
        played = "<video" in str(cell.outputs)  # by the notebook itself
        for name in clips_in(cell.source) if self.film else ():
            if name not in self.shown and not played:
                parts.append(self.clip(name))
            self.shown.add(name)
        return parts

    def clip(self, name):
        """A clip of the bundled machine, with its poster and what is heard in it."""
        files, words = self.film(name)
        self.files |= files
        return {"kind": "clip", "name": name, **words}

    def outputs(self, cell, markdown):
        """What a cell put out, in order; a sentence behind a picture is its caption."""
        parts = []
        for output in cell.outputs:
            data = output.get("data", {})
            if output.output_type == "stream":
                parts.append(_text("output", output.text))
            elif output.output_type == "error":
                on_purpose = MUST_FAIL in cell.metadata.get("tags", [])
                lines = "\n".join(output.traceback[1:])  # the first is a ruled line
                parts.append(_text("error", lines) | {"on_purpose": on_purpose})
            elif "image/png" in data:
                parts.append(self.picture(data["image/png"], output.metadata.get("image/png", {})))
            elif "text/html" in data:
                shown = self.with_files(data["text/html"])
                if function := panel_in(shown):
                    parts.append({"kind": "panel", "html": Markup(shown), "function": function})
                    continue
                played = PLAY_IT if TAPE_STILL in shown else ""
                parts.append({"kind": "html", "html": Markup(played + NOTHING_YET.sub(IN_NOTEBOOK, shown))})
            elif "text/markdown" in data:
                text = data["text/markdown"]
                if parts and parts[-1]["kind"] == "picture" and not parts[-1]["caption"]:
                    caption, _, _ = text.partition("\n\n<details>")  # the page has these words in its place
                    parts[-1]["caption"] = Markup(markdown.render(caption))
                else:
                    parts.append({"kind": "prose", "html": Markup(markdown.render(text))})
            elif "text/latex" in data:
                formula = to_mathml(data["text/latex"].strip().strip("$"), block=True)
                parts.append({"kind": "prose", "html": Markup(f'<p class="formula">{formula}</p>')})
            elif "text/plain" in data:
                parts.append(_text("output", data["text/plain"]))
            else:
                raise Refused(f"puts out {', '.join(data) or 'nothing'}, which a page cannot show")
        return parts

    def picture(self, encoded, metadata):
        """A stored picture with its description and its size."""
        if not metadata.get("alt"):
            raise Refused("a picture has no description")
        content = base64.b64decode(encoded)
        try:
            content, light = small(content), on_light_ground(content)
        except Exception as error:  # Pillow has many kinds
            raise Refused(f"a picture is damaged ({reason(error)})") from None
        source = self.stored("pictures", content, "png")
        size = {key: metadata.get(key) for key in ("alt", "width", "height")}
        return {"kind": "picture", "source": source, "caption": "", "light": light, **size}

    def with_files(self, text):
        """HTML whose embedded sounds and drawings have become files: the page is light, one can save them."""

        def file_of(found):
            content = base64.b64decode(found[2])
            if found[1] == "audio/mpeg":
                return self.stored("sounds", content, "mp3")
            if found[1] == "video/mp4":
                return self.stored("clips", content, "mp4")
            if harm := harm_in(content.decode("utf-8")):
                raise Refused(f"a drawing has {', '.join(harm)}")
            return self.stored("pictures", lighter(content), "svg")

        return EMBEDDED.sub(file_of, text)


def _with_lighter(found):
    """What is embedded, a drawing in tenths of a point."""
    if found[1] != "image/svg+xml":
        return found[0]
    return f"data:{found[1]};base64,{base64.b64encode(lighter(base64.b64decode(found[2]))).decode('ascii')}"


def _text(kind, text):
    """Printed text; one with columns keeps its lines, and can be scrolled sideways if they are long."""
    plain = strip_ansi(text).rstrip("\n")
    columns = kind != "error" and re.search(r"\S {2,}\S", plain)
    longest = max(map(len, plain.split("\n")))
    return {"kind": kind, "text": plain, "scrolled": bool(columns) and longest > FITS_A_PHONE}


def _first_apart(text):
    """The first cell as title with the line below it, and the rest."""
    title, end, rest = text.partition("</h1>")
    line, lead = "", rest.strip()
    if found := re.match(r"<p>(?=<em>|<a )(.*?)</p>", lead, re.S):
        line, lead = f'\n<p class="meta">{found[1]}</p>', lead[found.end() :].strip()
    return Markup(f"{title}{end}{line}"), Markup(lead)


def _joined(parts):
    """The parts; code that follows code, which put nothing out, stands in one fold with it."""
    joined = []
    for part in parts:
        if part["kind"] == "code" and joined and joined[-1]["kind"] == "code":
            joined[-1] = part | {"html": Markup("{}\n\n{}").format(joined[-1]["html"], part["html"])}
        else:
            joined.append(part)
    return joined


def first_sentence(text):
    """The first sentence of some HTML, in words."""
    return re.split(r"(?<=[.!?]) ", plain(text), maxsplit=1)[0]


def bare_notebook(notebook):
    """A notebook without what it put out, to run: a tenth of its size."""
    bare = copy.deepcopy(notebook)
    for cell in bare.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    return f"{nbformat.writes(bare).rstrip()}\n".encode()


def tool_file(name):
    """The text of a file beside this one."""
    return (Path(__file__).parent / name).read_text("utf-8")


def playable(site):
    """The bundled machine as the first page lets one play it: its script and what belongs to that."""
    machine = example_machine()
    script = live_pages.page_script(playable_facts(machine))
    return {
        "place": live_pages.PLACE,
        "script": script,
        "style": live_pages.style_sheet().removeprefix(
            style.type_css()
        ),  # the site's own style brings the type
        "still": Markup(site.with_files(live_pages.still(machine))),
    }


def try_files(site):
    """The same on a page of its own."""
    page = site.with_preview(
        try_page(make_plan(example_machine())), TRY, "Drag a head along the tape, and hear the echo follow."
    )
    if found := harm_in(page):
        raise Refused(f"{TRY}: has {', '.join(found)}")
    return {TRY: page.encode("utf-8")}


def plan_files(site):
    """The plan of the bundled machine, with the way back to the course."""
    with tempfile.TemporaryDirectory() as folder:
        write_plan(make_plan(example_machine()), folder)
        paths = [path for path in Path(folder).iterdir() if path.is_file() and path.name != MANIFEST]
        content = {f"plan/{path.name}": path.read_bytes() for path in paths}  # its figures stand in its page
    del content[f"plan/{TRY}"]  # the site has it at its front
    del content["plan/preview.wav"]  # its page plays it; a megabyte more
    page = content[PLAN].decode("utf-8").replace(f'href="{TRY}"', f'href="../{TRY}"')
    page = page.replace('<li><a href="preview.wav">The sound as a file</a></li>\n', "")
    page = EMBEDDED.sub(_with_lighter, page)
    before, header, after = page.partition("<header>")
    if not header:
        raise Refused("the plan's page has no header to put the way back into")
    back = '\n<p><a href="../index.html">Back to the map of the course</a></p>'
    page = site.with_preview(
        f"{before}{header}{back}{after}", PLAN, "Which delays the bench deck gives, and what fits them."
    )
    return content | {PLAN: page.encode()}


def places(pages):
    """What the navigation lists: file, number of a lesson and title; `apart` begins another kind."""
    of_course = [
        {"file": page.file, "number": page.number, "title": page.title.partition(":")[0], "apart": False}
        for page in pages
    ]
    if of_course and pages[0].name == FIRST[0]:
        of_course[0]["title"] = "Map of the course"
    beside = {TRY: "The tape, to play", TEACHING: "For teachers", PLAN: "Plan of the bench deck",
              GALLERY: "Pictures to borrow", API: "The library",
              CONTENTS: "All headings", PROMISES: "What is promised"}  # fmt: skip
    rest = [
        {"file": file, "number": 0, "title": title, "apart": file == TRY} for file, title in beside.items()
    ]
    return of_course + rest


def site_files(*, plan=True, packed=False, base=""):
    """All files of the site: name -> bytes; with archives and clips if `packed`.

    What takes long is then made in processes beside this one.
    """
    if not packed:
        return made_files(functools.partial, plan=plan, base=base)
    with ProcessPoolExecutor() as pool:
        try:
            return made_files(lambda *task: pool.submit(*task).result, plan=plan, packed=True, base=base)
        finally:
            pool.shutdown(cancel_futures=True)  # for a site that is refused


def made_files(begin, *, plan, packed=False, base=""):
    """All files of the site; `begin` takes a function with its arguments, and gives what waits for it."""
    known = tracked()
    read = {name: read_notebook(ROOT / "notebooks" / f"{name}.ipynb") for name in notebooks_in(known)}
    drawn, filmed, packs = begin(gallery_figures), {}, []
    if packed:
        sources = [cell.source for each in read.values() for cell in each.cells if cell.cell_type == "code"]
        clips = {name for source in sources for name in clips_in(source)}
        filmed = {name: begin(clip_of, name) for name in sorted(clips)}
        packs = [begin(archives, profiles) for profiles in layouts()]
    site = Site(known, film=(lambda name: filmed[name]()) if packed else None, base=base)
    pages = [site.page(name, notebook) for name, notebook in read.items()]
    common = {"places": places(pages)}
    modules = api_pages()
    shown, figures = drawn()
    used = link_lessons(modules, {page.file: (page.title, uses_in(read[page.name])) for page in pages})
    by_name = {figure["name"]: figure for figure in figures}
    add_lessons(site, pages, used, by_name, common)
    markdown = MarkdownWithMath(renderer=Renderer(site.link_to))
    add_teaching(site, pages, read, by_name, lambda text: Markup(markdown.render(text)), common)
    for module in modules:
        anchors = [(2, entry.anchor, entry.name) for entry in module.entries]
        words = first_sentence(explained(module.summary))
        site.add(
            "site_api",
            module.file,
            page=module,
            title=f"{module.name} - tapecalc",
            sentence=words,
            sections=anchors,
            within=API,
            **common,
        )
    rooms = in_rooms(modules)
    site.add(
        "site_api_index", API, rooms=rooms, title="Library - tapecalc", **common,
        sentence="What the library offers, module by module.", sections=[(2, room, room) for room in rooms],
    )  # fmt: skip
    zips = {address: content for pack in packs for address, content in pack().items()}
    sizes = [(address, Path(address).stem, f"{len(zips[address]) / 1e6:.1f}") for address in sorted(zips)]
    site.add(
        "site_gallery", GALLERY, entries=figures, archives=sizes, credit=style.CREDIT,
        title="Pictures - tapecalc", sentence="Every figure of the course, for videos, articles and lessons.",
        sections=[(2, each["name"], each["title"]) for each in figures], **common,
    )  # fmt: skip
    site.files |= shown | zips | {"LICENSE-PICTURES.txt": (ROOT / "LICENSE-PICTURES").read_bytes()}
    add_rest(site, contents_of(pages, figures, rooms, for_teachers(pages)), common)
    site.files["search_index.css"] = index_sheet(search_index(pages, figures, modules)).encode("utf-8")
    return site.files | try_files(site) | (plan_files(site) if plan else {})


def add_lessons(site, pages, used, figures, common):
    """The map, the workbench and the lessons; the first of them plays."""
    for place, page in enumerate(pages):
        tape = None if place else playable(site)
        scripts = [tape["script"]] if tape else []
        scripts += [panels_script(page.panels)] if page.panels else []
        scripts += [script] if (script := page.exercises.script(() if place else pages)) else []
        scripts += [script] if (script := sounds_script(page.html)) else []
        number = f"{page.number} " if page.number else ""
        site.add(
            "site_page", page.file, page=page, playable=tape, scripts=scripts, used=used[page.file],
            before=pages[place - 1] if place else None, after=next(iter(pages[place + 1 :]), None),
            title=f"{number}{page.title}{'' if 'tapecalc' in page.title else ' - tapecalc'}",
            sentence=page.sentence, sections=page.sections, figure=figures[page.figure],
            preview=f"figures/{page.figure}.png", preview_alt=figures[page.figure]["alt"], **common,
        )  # fmt: skip


def add_rest(site, contents, common):
    """What is promised, the contents, what stands where nothing is, and style and icon."""
    renderer = Renderer(site.link_to)
    promises = Markup(MarkdownWithMath(renderer=renderer).render((ROOT / "SECURITY.md").read_text("utf-8")))
    (_, _, title), *sections = renderer.headings
    site.add(
        "site_text",
        PROMISES,
        html=promises,
        title=f"{title} - tapecalc",
        sentence=first_sentence(promises.partition("</h1>")[2]),
        sections=sections,
        **common,
    )
    words = "Lessons with their headings, pictures, and what the library offers."
    headings = [(2, heading, heading) for heading in contents]
    site.add(
        "site_contents",
        CONTENTS,
        contents_of=contents,
        title="Contents - tapecalc",
        sentence=words,
        sections=headings,
        **common,
    )
    site.add(
        "site_missing",
        MISSING,
        title="No such page - tapecalc",
        sentence="No page has this address.",
        **common,
    )
    look = site.templates.get_template("site_style.css.jinja").render(
        light=style.GROUNDS["light"], dark=style.GROUNDS["dark"]
    )
    sheet = (
        f"{filled('report', 'page_style.css.jinja')}{listening.STYLE}{live_check.STYLE}\n{look}\n"
        f"{EXERCISES_STYLE.read_text('utf-8')}\n"
        f"{TEACHING_STYLE.read_text('utf-8')}\n"
        f"{panels_style().removeprefix(style.type_css())}"
    )
    site.files["style.css"] = sheet.encode()
    site.files[ICON] = tool_file("site_icon.svg").encode("utf-8")


def write_site(files, folder):
    """Replace a site, or make it; a folder that holds anything else is left alone."""
    with replacing_folder(folder, "site") as place:
        for name, content in files.items():
            write_file(place / name, content)
    return Path(folder)


def base_address(text):
    """The address of a site's folder, with a stroke at its end."""
    if not re.fullmatch(r"https?://[^\s\"'<>?#]+", text):
        raise argparse.ArgumentTypeError(f"{text!r} is no address such as https://example.org/echo/")
    return f"{text.rstrip('/')}/"


def main(arguments=None):
    """Do what the command line says; return 1 if something was refused."""
    as_it_is = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=as_it_is)
    parser.add_argument("--out", type=Path, default=ROOT / "site", help="the folder (default: site)")
    parser.add_argument("--light", action="store_true", help="no archives, no clips: quicker")
    parser.add_argument("--base", type=base_address, help="where it will stand, as https://.../")
    options = parser.parse_args(arguments)
    try:
        files = site_files(packed=not options.light, base=options.base or "")
        folder = write_site(files, options.out)
    except (Refused, ValueError, OSError) as refusal:
        print(f"refused, nothing written: {refusal}", file=sys.stderr)
        return 1
    size = sum(map(len, files.values())) / 1e6
    pages = sum(name.endswith(".html") for name in files)
    print(f"{pages} pages, {len(files)} files, {size:.1f} MB: open {os.path.relpath(folder)}/index.html")
    return 0


if __name__ == "__main__":
    sys.exit(main())
