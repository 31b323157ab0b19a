"""The gallery of the site: every figure with what is said about it, and all of them in each size to keep."""

import io
import zipfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory

from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.report.figure_folder import write_gallery

PAGE = "gallery.html"
SHOWN = "page"  # the size in which the page has them
EPOCH = (2026, 1, 1, 0, 0, 0)  # of files in archives, which then come out the same


def gallery_figures():
    """Files of the figures as the page shows them, and what it says of each."""
    files, entries = {}, []
    for name, entry in CATALOG.items():
        drawn = draw(name, profile=SHOWN)
        for ground in ("light", "dark"):
            on = drawn if ground == "light" else draw(name, profile=f"{SHOWN}_dark")
            files[f"gallery/{name}_{ground}.svg"] = style.figure_bytes(
                on.figure, "svg", title=drawn.title, alt=drawn.alt
            )
        words = {"title": drawn.title or entry.shows, "alt": drawn.alt, "caption": drawn.caption}
        entries.append({"name": name, "sources": drawn.sources, **words})
    return files, entries


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
