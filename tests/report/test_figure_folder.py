"""The folder of figures: what is in it, and that it comes out the same."""

from pathlib import Path

import matplotlib
import numpy as np
import pytest
from PIL import Image

from tapecalc.machine import example_machine, with_changes
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG
from tapecalc.report.figure_folder import SHEET, THUMB, write_gallery

COMMITTED = Path(__file__).parents[2] / "figures"


@pytest.fixture(scope="module")
def gallery(tmp_path_factory):
    folder = tmp_path_factory.mktemp("figures")
    return folder, write_gallery(folder, formats=("svg",))


def test_every_figure_of_the_catalog_is_there(gallery):
    folder, paths = gallery
    assert {path.stem for path in paths} == {*CATALOG, "captions"}
    assert len(CATALOG) >= 14


def pinned(name):
    constraints = (Path(__file__).parents[2] / "constraints.txt").read_text()
    return next(line.split("==")[1] for line in constraints.splitlines() if line.startswith(f"{name}=="))


@pytest.mark.skipif(
    matplotlib.__version__ != pinned("matplotlib"),
    reason="text is drawn a little differently by each matplotlib; bytes are compared with the pinned one",
)
def test_committed_figures_come_out_byte_for_byte(gallery):
    folder, _ = gallery
    stale = [
        name
        for name in CATALOG
        if (folder / f"{name}.svg").read_bytes() != (COMMITTED / f"{name}.svg").read_bytes()
    ]
    assert stale == [], "run make figures, look at them, commit"


def test_committed_captions_are_those_of_the_figures(gallery, tmp_path):
    write_gallery(tmp_path, formats=("svg", "png"), names=list(CATALOG)[:1])
    first = (tmp_path / "captions.md").read_text().split("\n## ")[1]
    assert first.strip() in (COMMITTED / "captions.md").read_text()


def test_each_caption_names_call_description_and_sources(gallery):
    text = (gallery[0] / "captions.md").read_text()
    for entry in text.split("\n## ")[1:]:
        name = entry.split()[0]
        assert f'draw("{name}")' in entry
        for line in ("- Description: ", "- Sources: ", "- Shows: ", f"- Files: [{name}.svg]({name}.svg)"):
            assert line in entry


def test_drawing_one_figure_again_keeps_the_captions_of_the_others(tmp_path):
    write_gallery(tmp_path, names=["delay_map", "tape_path", "tempo_map"], formats=["svg"])
    before = (tmp_path / "captions.md").read_text()
    write_gallery(tmp_path, names=["tape_path"], formats=["svg"])
    assert (tmp_path / "captions.md").read_text() == before
    other = with_changes(example_machine(), {"name": "Other"})
    write_gallery(tmp_path, machine=other, names=["tape_path"], formats=["svg"])
    assert "delay_map" not in (tmp_path / "captions.md").read_text()


def test_options_stand_in_the_call(tmp_path):
    options = {"profile": "slide_dark", "units": "inches", "symbols_only": True}
    write_gallery(tmp_path, names=["delay_map", "nyquist_picture"], formats=["svg"], **options)
    text = (tmp_path / "captions.md").read_text()
    assert 'draw("delay_map", profile="slide_dark", units="inches", symbols_only=True)' in text
    assert 'draw("nyquist_picture", profile="slide_dark", symbols_only=True)' in text


def test_a_hostile_name_stays_text(tmp_path):
    machine = with_changes(example_machine(), {"name": "[x](javascript:1) <script>"})
    write_gallery(tmp_path, machine=machine, names=["delay_map"], formats=["svg"])
    title = (tmp_path / "captions.md").read_text().splitlines()[0]
    assert title == "# Figures for \\[x\\](javascript:1) \\<script\\>"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"names": ["dely_map"]}, "figure 'dely_map' is not known; did you mean 'delay_map'"),
        ({"profile": "vidoe_1080"}, "profile 'vidoe_1080' is not known; did you mean 'video_1080'"),
        ({"units": "inch"}, "units 'inch' is not known; did you mean 'inches'"),
        ({"formats": ["jpg"]}, "format 'jpg' is not known"),
    ],
)
def test_a_wrong_name_writes_nothing(options, said, tmp_path):
    with pytest.raises(ValueError, match=said):
        write_gallery(tmp_path / "new", **options)
    assert not (tmp_path / "new").exists()


def test_a_sheet_holds_every_picture_above_its_name(tmp_path):
    names = ["delay_map", "four_losses", "head_rhythm"]
    paths = write_gallery(tmp_path, names=names, formats=["svg"], profile="vertical", sheet=True)
    assert tmp_path / SHEET in paths
    with Image.open(tmp_path / SHEET) as sheet:
        gray = np.all(np.asarray(sheet) == 128, axis=2)
        width, height = sheet.size
    thumb = THUMB[1] * 1080 // 1920  # three upright pictures stand side by side
    assert 3 * thumb < width < 4 * thumb and THUMB[1] < height < 1.3 * THUMB[1]
    assert gray[:4].all() and gray.mean() < 0.4


def test_each_picture_says_whose_it_is_and_prints_it_if_asked(tmp_path):
    plain, credited = tmp_path / "plain", tmp_path / "credited"
    for folder, credit in ((plain, False), (credited, True)):
        write_gallery(folder, names=["delay_map"], formats=["svg"], credit=credit)
        text = (folder / "delay_map.svg").read_text()
        assert style.CREATOR in text and style.LICENSE in text
        assert (f">{style.CREDIT}</text>" in text) == credit
    assert (plain / "captions.md").read_text().count(style.CREDIT) == 1
