"""``python -m tapecalc try``: one page, and what is refused."""

import pytest

from tapecalc.cli import main
from tapecalc.machine import example_machine, write_machine
from tapecalc.plan import make_plan
from tapecalc.report.try_page import try_page


@pytest.mark.parametrize("words", [[], ["example"]])
def test_the_example_is_written_as_one_page(words, tmp_path, capsys):
    out = tmp_path / "new" / "try.html"
    assert main(["try", *words, "--out", str(out)]) == 0
    assert capsys.readouterr().out == f"Written: {out}\n"
    assert out.read_text(encoding="utf-8") == try_page(make_plan(example_machine()))
    assert [path.name for path in out.parent.iterdir()] == ["try.html"]


def test_a_file_is_played_and_stays(tmp_path, capsys):
    path = write_machine(example_machine(), tmp_path / "club.toml")
    before = path.read_bytes()
    assert main(["try", str(path), "--out", str(tmp_path / "club.HTM")]) == 0
    assert "Bench deck" in (tmp_path / "club.HTM").read_text(encoding="utf-8")
    assert path.read_bytes() == before


CLOSE = "transport.speeds_ips = [30]\nplayback_heads = [{spacing_mm = 7}]"
BAD = [
    (["example"], "the following arguments are required: --out"),
    (["example", "--out", "page"], "--out must end in .html, or no browser opens it; got page"),
    (["none.toml", "--out", "a.html"], "none.toml: cannot be read"),
    (["example", "--out", "there"], "--out must end in .html"),
    (["example", "--out", "folder.html"], "folder.html: Is a directory"),
    (["close.toml", "--out", "a.html"], "playback_heads must stand"),
    (["mine.html", "--out", "mine.html"], "mine.html would be written over mine.html, which is read"),
    (["example", "--out", "close.toml/a.html"], "cannot write"),
    (["example", "--bpm", "90", "--out", "a.html"], "unrecognized arguments: --bpm"),
]


@pytest.mark.parametrize(("words", "said"), BAD)
def test_a_mistake_ends_with_one_line_and_leaves_what_was_there(words, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "close.toml").write_text(CLOSE)
    (tmp_path / "folder.html").mkdir()
    write_machine(example_machine(), tmp_path / "mine.html")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    assert main(["try", *words]) == 2
    streams = capsys.readouterr()
    (line,) = streams.err.splitlines()
    assert said in line and streams.out == ""
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == before
