"""``python -m tapecalc figures``: files out, mistakes named."""

import pytest

from tapecalc.cli import main


def test_one_figure_in_three_formats(tmp_path, capsys):
    arguments = ["figures", "delay_map", "--out", str(tmp_path), "--profile", "article_single"]
    assert main([*arguments, "--format", "svg", "--format", "pdf", "--format", "png"]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "SHA256SUMS",
        "captions.md",
        "delay_map.pdf",
        "delay_map.png",
        "delay_map.svg",
    ]
    assert "4 files" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["figures", "--out", "OUT", "dely_map"], "did you mean 'delay_map'"),
        (["figures", "--out", "OUT", "--profile", "x"], "profile 'x' is not known"),
        (["figures", "--out", "/dev/null/x", "delay_map"], "--out must be a folder, /dev/null is a file"),
        (["figures", "--out", "OUT", "--machine", "none.toml"], "none.toml: cannot be read"),
        (["figures"], "required: --out"),
    ],
)
def test_a_mistake_ends_with_one_line_and_status_2(arguments, said, tmp_path, capsys):
    folder = tmp_path / "new"
    assert main([str(folder) if word == "OUT" else word for word in arguments]) == 2
    streams = capsys.readouterr()
    assert said in streams.err.splitlines()[-1]
    assert not folder.exists()
