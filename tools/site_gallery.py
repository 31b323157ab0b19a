"""The gallery of the site: every figure with what is said about it, and all of them in each size to keep."""

import ast
import base64
import io
import re
import zipfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from site_panels import small

from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.plot.clips import CLIPS, write_clip
from tapecalc.report.figure_folder import write_gallery
from tapecalc.report.plan_page import PROFILE

PAGE = "gallery.html"
#: The size in which pages have them: that of the plan, whose type can be read on a phone.
SHOWN = replace(PROFILE, name="site")
#: Clips as pages show them: small, since a page has room for no more.
FILMED = replace(style.PROFILES["page"], name="film", dpi=90)
SECONDS, FPS = 4, 20
FINENESS = 10  # steps in a point of the ways in pictures
EPOCH = (2026, 1, 1, 0, 0, 0)  # of files in archives, which then come out the same


def gallery_figures():
    """Files of the figures as the page shows them, and what it says of each."""
    files, entries = {}, []
    for name, entry in CATALOG.items():
        drawn = draw(name, profile=SHOWN)
        title = drawn.title or entry.shows
        light = lighter(style.figure_bytes(drawn.figure, "svg", title=drawn.title, alt=drawn.alt))
        files |= {
            f"gallery/{name}_light.svg": light,
            f"gallery/{name}_dark.svg": style.on_ground(light, "dark"),
        }
        width, height = (round(96 * inches) for inches in drawn.figure.get_size_inches().tolist())
        words = {"title": title, "alt": drawn.alt, "caption": drawn.caption, "sources": drawn.sources}
        entries.append({"name": name, "width": width, "height": height, **words})
    return files, entries


def lighter(svg):
    """An SVG without spaces for people and names that nothing uses, its ways told in tenths of a point.

    Each place of a way is told from the one before.
    """
    text = re.sub(r"<g id=\"[^\"]*\"", "<g", re.sub(r">\n\s*<", "><", svg.decode()))
    text = re.sub(r'(?<= style=")[^"]+(?=")', lambda look: re.sub(r"(?<=[:;]) ", "", look[0]), text)
    return re.sub(r'(?<= d=")[MLCQz\d\s.-]+(?=")', lambda way: _steps(way[0]), text).encode()


def _steps(way):
    told, here, before = [], (0, 0), ""
    for command, numbers in re.findall(r"([MLCQz])([^MLCQz]*)", way):
        place = [round(FINENESS * float(number)) for number in numbers.split()]
        if command == "z":
            told.append("z")  # a way goes on with M, whose place needs no other
        elif command == "M":
            told.append("M" + " ".join(f"{number / FINENESS:g}" for number in place))
        else:
            steps = [f"{(number - here[k % 2]) / FINENESS:g}" for k, number in enumerate(place)]
            told.append((" " if command == before else command.lower()) + " ".join(steps))
        here, before = place[-2:] or here, command
    return re.sub(r"(?<![\d.])0\.", ".", "".join(told)).replace(" -", "-")


def clips_in(source):
    """Names of the clips that a cell's code makes, without running it."""
    calls = [
        node
        for node in ast.walk(ast.parse(re.sub(r"^[%!].*$", "", source, flags=re.M)))
        if isinstance(node, ast.Call)
    ]
    made = [
        call.args[0]
        for call in calls
        if getattr(call.func, "id", "") in ("make_scene", "write_clip") and call.args
    ]
    return [name.value for name in made if isinstance(name, ast.Constant) and name.value in CLIPS]


def clip_of(name):
    """Files of a clip of the bundled machine, and what the page says of it."""
    with TemporaryDirectory() as folder:
        made = write_clip(name, Path(folder) / f"{name}.mp4", profile=FILMED, seconds=SECONDS, fps=FPS)
        content = {path.suffix: path.read_bytes() for path in Path(folder).iterdir()}
    files = {f"clips/{name}.mp4": content[".mp4"], f"clips/{name}.png": small(content[".png"])}
    captions = "data:text/vtt;base64," + base64.b64encode(content[".vtt"]).decode(
        "ascii"
    )  # from disk only so
    width, height = FILMED.pixels
    return files, {
        "source": f"clips/{name}.mp4", "poster": f"clips/{name}.png", "captions": captions,
        "width": width, "height": height, "alt": made.alt, "caption": made.caption,
    }  # fmt: skip


def archive(profile):
    """All figures in one size as a ZIP file: SVG and PNG, what is said about each, and the license."""
    buffer = io.BytesIO()
    with TemporaryDirectory() as folder, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
        paths = write_gallery(folder, profile=profile)
        paths.append(Path(__file__).parents[1] / "LICENSE-PICTURES")
        for path in sorted(paths):
            packed.writestr(zipfile.ZipInfo(f"{profile}/{path.name}", EPOCH), path.read_bytes())
    return buffer.getvalue()


def archives(profiles=tuple(style.PROFILES)):
    """One archive for each size and ground: address -> bytes."""
    with ProcessPoolExecutor() as pool:
        made = pool.map(archive, profiles)
        return {f"gallery/{name}.zip": content for name, content in zip(profiles, made, strict=True)}
