"""The gallery of the site: every figure with what is said about it, and all of them in each size to keep."""

import ast
import base64
import io
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from matplotlib.colors import to_hex, to_rgba
from matplotlib.lines import Line2D
from matplotlib.text import Annotation, Text
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from site_panels import small

from tapecalc.machine import example_machine
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.plot.clips import CLIPS, write_clip
from tapecalc.report.figure_folder import caption_entry, captions_head
from tapecalc.report.plan_page import PROFILE

PAGE = "gallery.html"
#: The size in which pages have them: that of the plan, whose type can be read on a phone.
SHOWN = replace(PROFILE, name="site")
#: Clips as pages show them: small, since a page has room for no more.
FILMED = replace(style.PROFILES["page"], name="film", dpi=90)
SECONDS, FPS = 4, 20
FINENESS = 10  # steps in a point of the ways in pictures
LICENSE = Path(__file__).parents[1] / "LICENSE-PICTURES"
#: What an artist may call a color of its own.
COLORS = ("color", "facecolor", "edgecolor", "markerfacecolor", "markeredgecolor", "hatchcolor")
QUICK = 3  # of 9: how hard PNG is packed; 6 takes twice as long for a tenth less
EPOCH = (2026, 1, 1, 0, 0, 0)  # of files in archives, which then come out the same


def gallery_figures():
    """Files of the figures as the page shows them, and what it says of each."""
    files, entries = {}, []
    for name, entry in CATALOG.items():
        drawn = draw(name, profile=SHOWN)
        title = drawn.title or entry.shows
        drawing = style.figure_bytes(drawn.figure, "svg", title=drawn.title, alt=drawn.alt)
        files[f"gallery/{name}.svg"] = lighter(drawing)
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


def layouts():
    """The profiles by their layout: those of a group differ in ground and fineness only."""
    groups = {}
    for profile in style.PROFILES.values():
        layout = replace(profile, name="", dpi=0, ground=style.GROUNDS["light"])
        groups.setdefault(layout, []).append(profile)
    # What takes longest begins first.
    return sorted(groups.values(), key=lambda group: sum(map(_points, group)), reverse=True)


def _points(profile):
    across, down = profile.pixels
    return across * down


def archives(profiles):
    """All figures in some profiles of one layout: address -> ZIP file.

    Each has SVG and PNG, what is said of each, and the license. PNG is packed as it is.
    """
    machine, buffers = example_machine(), {profile.name: io.BytesIO() for profile in profiles}
    packs = {name: zipfile.ZipFile(buffer, "w") for name, buffer in buffers.items()}
    said = {name: [captions_head(machine)] for name in buffers}

    def pack(profile, name, content, how=zipfile.ZIP_DEFLATED):
        packs[profile].writestr(zipfile.ZipInfo(f"{profile}/{name}", EPOCH), content, how)

    for name in CATALOG:
        drawn = draw(name, machine, profile=profiles[0].on("light"))
        for profile, svg, png in looks(drawn, profiles):
            pack(profile.name, f"{name}.svg", svg)
            pack(profile.name, f"{name}.png", png, zipfile.ZIP_STORED)
            said[profile.name].append(caption_entry(name, drawn, profile.name))
    for profile in buffers:
        head, *entries = said[profile]
        pack(profile, "captions.md", head + "\n".join(entries))
        pack(profile, "LICENSE-PICTURES", LICENSE.read_bytes())
        packs[profile].close()
    return {f"gallery/{name}.zip": buffer.getvalue() for name, buffer in buffers.items()}


def looks(drawn, profiles):
    """A figure on the light ground as each profile has it, (profile, SVG, PNG): only its colors change."""
    figure, about = drawn.figure, {"title": drawn.title, "alt": drawn.alt}
    own = _colors_in(figure)
    drawings = {"light": style.figure_bytes(figure, "svg", **about)}  # which are as fine in all
    for profile in profiles:
        ground = profile.ground.name
        for artist, colors in own:
            artist.set(**{name: _twin(color, ground) for name, color in colors.items()})
        figure.set_dpi(profile.dpi)
        if ground == "transparent" and ground not in drawings:  # each artist lets through in its own way
            drawings[ground] = style.figure_bytes(figure, "svg", **about)
        elif ground not in drawings:
            drawings[ground] = style.on_ground(drawings["light"], ground)
        yield profile, drawings[ground], _png(figure, **about)


def _png(figure, title, alt):
    """A figure as `style.figure_bytes` gives it, the same points packed in half the time."""
    words = {"Title": title, "Description": alt, "Author": style.CREATOR, "Copyright": style.LICENSE}
    said, buffer = PngInfo(), io.BytesIO()
    for key, text in words.items():
        if text:
            said.add_text(key, text)
    with style.context("notebook"):
        figure.canvas.draw()
    picture = Image.fromarray(np.asarray(figure.canvas.buffer_rgba()))
    if to_rgba(figure.get_facecolor())[3] == 1:
        picture = picture.convert("RGB")
    picture.save(buffer, "png", dpi=(figure.dpi, figure.dpi), pnginfo=said, compress_level=QUICK)
    return buffer.getvalue()


def _colors_in(figure):
    """Each artist of a figure with its colors by name."""
    artists = figure.findobj()
    artists += [text.get_bbox_patch() for text in figure.findobj(Text) if text.get_bbox_patch()]
    artists += [note.arrow_patch for note in figure.findobj(Annotation) if note.arrow_patch]
    own = []
    for artist in artists:
        colors = {name: getattr(artist, f"get_{name}")() for name in COLORS if hasattr(artist, f"set_{name}")
                  and hasattr(artist, f"get_{name}")}  # fmt: skip
        if isinstance(artist, Line2D) and colors["markeredgecolor"] == colors["color"]:
            colors["markeredgecolor"] = "auto"  # which lets as much through as the marker
        own.append((artist, colors))
    return own


def _twin(color, ground):
    """What stands on another ground for one color of the light one, or for several, as clear as it was."""
    if color is None or isinstance(color, str) and color in ("none", "auto"):
        return color
    if np.ndim(color) == 2:
        return [_twin(each, ground) for each in color]
    twin = to_rgba(style.on_ground(to_hex(color).encode(), ground).decode())
    return (*twin[:3], twin[3] * to_rgba(color)[3])
