"""The notebook tool stores what ran, cleanly and the same each time, or refuses and says why."""

import json
import sys

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from programs import program

tool = program("notebook", "notebook_tool")

TEXT = """\
# %% [markdown]
# # A title
#
# $T = d/v$

# %%
from IPython.display import display

print("one")
view = {"application/vnd.jupyter.widget-view+json": {"model_id": "7"}}
display({"text/plain": "two", **view}, raw=True)
print("three")

# %% tags=["raises-exception"]
from tapecalc.calc.units import to_si

to_si(1, "furlong")

# %%
1 + 1
"""


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """One notebook built from text, and its path."""
    folder = tmp_path_factory.mktemp("built")
    source, path = folder / "source.py", folder / "01_title.ipynb"
    source.write_text(TEXT, encoding="utf-8")
    assert tool.main(["build", str(source), str(path)]) == 0
    return path


def one_cell(*outputs, tags=()):
    cell = new_code_cell("1", outputs=list(outputs), metadata={"tags": list(tags)} if tags else {})
    return new_notebook(cells=[new_markdown_cell("words"), cell])


def stream(name, text):
    return new_output("stream", name=name, text=text)


def test_stored_notebook_is_valid_and_counts_from_one(built):
    notebook = nbformat.read(built, as_version=4)
    nbformat.validate(notebook)
    assert [cell.execution_count for _, cell in tool.code_cells(notebook)] == [1, 2, 3]
    assert notebook.cells[3].outputs[0].data["text/plain"] == "2"
    assert notebook.cells[3].outputs[0].execution_count == 3


def test_stored_notebook_tells_nothing_about_the_machine_it_ran_on(built):
    notebook = nbformat.read(built, as_version=4)
    assert notebook.metadata == tool.METADATA
    assert all(set(cell.metadata) <= {"tags", "jupyter"} for cell in notebook.cells)
    assert str(tool.ROOT) not in built.read_text(encoding="utf-8")


def test_widget_views_are_dropped_and_their_text_stays(built):
    outputs = nbformat.read(built, as_version=4).cells[1].outputs
    assert [output.get("text") or output.data for output in outputs] == [
        "one\n",
        {"text/plain": "two"},
        "three\n",
    ]


def test_wanted_error_is_stored_without_the_inside_of_the_library(built):
    (error,) = nbformat.read(built, as_version=4).cells[2].outputs
    trace = tool.ANSI.sub("", "\n".join(error.traceback))
    assert error.ename == "ValueError"
    assert 'to_si(1, "furlong")' in trace and "furlong' is not known" in trace
    assert "units.py" not in trace


def test_second_run_gives_the_same_bytes(built):
    before = built.read_bytes()
    assert tool.main(["run", str(built)]) == 0
    assert built.read_bytes() == before


def test_text_of_a_notebook_builds_the_same_notebook(built, capsys):
    assert tool.main(["text", str(built)]) == 0
    assert capsys.readouterr().out == TEXT


def test_failing_cell_leaves_the_old_file_and_says_which(tmp_path, capsys):
    path = tmp_path / "old.ipynb"
    bad = new_notebook(cells=[new_code_cell("value = 1\nvalue / 0")])
    nbformat.write(bad, path)
    before = path.read_bytes()
    assert tool.main(["run", str(path)]) == 1
    assert path.read_bytes() == before
    told = capsys.readouterr().err
    assert "refused, nothing written" in told and "value / 0" in told and "ZeroDivisionError" in told


def test_long_cell_is_refused_before_anything_runs(tmp_path, capsys):
    source = tmp_path / "source.py"
    lines = "\n".join(f"x{n} = {n}" for n in range(13))
    source.write_text(f"# %% [markdown]\n# words\n\n# %%\n{lines}\n", encoding="utf-8")
    assert tool.main(["build", str(source), str(tmp_path / "new.ipynb")]) == 1
    assert "cell 2 has 13 lines, allowed are 12" in capsys.readouterr().err
    assert not (tmp_path / "new.ipynb").exists()


def test_twelve_lines_of_96_characters_are_allowed_and_no_longer_ones():
    assert not tool.too_long(new_notebook(cells=[new_code_cell("\n".join(["1" * 96] * 12))]))
    (complaint,) = tool.too_long(new_notebook(cells=[new_code_cell("1" * 97)]))
    assert complaint == "cell 1 has a line of 97 characters, allowed are 96"


@pytest.mark.parametrize(
    ("notebook", "words"),
    [
        (one_cell(stream("stderr", "UserWarning: old\n")), "cell 2 writes to stderr: UserWarning: old"),
        (one_cell(tags=["raises-exception"]), "cell 2 is tagged raises-exception but ran without an error"),
        (one_cell(stream("stdout", "<Line at 0x7f00aa11bb22>")), "shows an address (at 0x7f00aa11bb22)"),
        (one_cell(stream("stdout", f"{tool.ROOT}/figures")), f"cell 2 shows an absolute path: {tool.ROOT}/"),
        (one_cell(new_output("error", ename="E", evalue=f"no {tool.ROOT}/a", traceback=[])), "absolute path"),
    ],
)
def test_what_does_not_belong_into_a_stored_notebook_is_named(notebook, words):
    (complaint,) = tool.complaints(notebook)
    assert words in complaint


def test_embedded_files_are_not_searched_for_paths():
    data = {"text/html": f"<img src='data:image/png;base64,AB{tool.tempfile.gettempdir()}/CD='>"}
    assert not tool.complaints(one_cell(new_output("display_data", data=data)))


def test_pieces_of_one_stream_are_joined():
    notebook = tool.clean(one_cell(stream("stdout", "a"), stream("stdout", "b\n"), stream("stderr", "c")))
    assert [output.text for output in notebook.cells[1].outputs] == ["ab\n", "c"]


def test_cell_ids_depend_on_the_text_alone_and_differ():
    cells = [new_code_cell("1"), new_code_cell("1"), new_code_cell("2"), new_code_cell(" ")]
    first = tool.tidy(new_notebook(cells=[new_markdown_cell("new"), *cells]))
    again = tool.tidy(new_notebook(cells=[new_code_cell("1"), new_code_cell("1"), new_code_cell("2")]))
    assert [cell.id for cell in first.cells][1:] == [cell.id for cell in again.cells]
    assert len({cell.id for cell in first.cells}) == 4


def test_a_file_too_large_is_refused(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(tool, "execute", lambda notebook, folder: notebook)
    source = tmp_path / "source.py"
    source.write_text("# %% [markdown]\n# " + "x" * tool.LARGEST_FILE + "\n", encoding="utf-8")
    assert tool.main(["build", str(source), str(tmp_path / "new.ipynb")]) == 1
    assert "allowed are 1500" in capsys.readouterr().err


def test_a_cell_that_takes_too_long_is_refused(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(tool, "CELL_SECONDS", 1)
    source = tmp_path / "source.py"
    source.write_text("# %%\nimport time\n\ntime.sleep(20)\n", encoding="utf-8")
    assert tool.main(["build", str(source), str(tmp_path / "new.ipynb")]) == 1
    assert "a cell took more than 1 s" in capsys.readouterr().err


def lesson(title, *more):
    return new_notebook(
        cells=[
            new_markdown_cell(f"# {title}\n\n*Lesson, 40 minutes*{''.join(more)}"),
            new_markdown_cell("## Next\n\nOn."),
        ]
    )


def test_a_new_lesson_finds_its_place_in_the_ways_and_in_the_index(tmp_path):
    index = new_notebook(
        cells=[new_markdown_cell("# All\n\n| | title |\n| --- | --- |\n| 7 | gone |\n\nEnd.")]
    )
    told = "\n\nWords.\n\n<!-- in the index: why\n![A chart](a.png) -->"
    for name, notebook in (
        ("00_index", index),
        ("01_early", lesson("Early")),
        ("02_late", lesson("Late on", told)),
    ):
        nbformat.write(notebook, tmp_path / f"{name}.ipynb")
    for _ in range(2):  # the second time it changes nothing
        tool.navigate(tmp_path)
        first, second = (
            tool.read_notebook(tmp_path / f"{name}.ipynb").cells for name in ("01_early", "02_late")
        )
        assert first[0].source == (
            "# Early\n\n*Lesson 1 of 2, 40 minutes · [map](00_index.ipynb) · next: [late on](02_late.ipynb)*"
        )
        assert (
            second[1].source
            == "## Next\n\nOn.\n\n*previous: [early](01_early.ipynb) · [map](00_index.ipynb)*"
        )
        assert tool.read_notebook(tmp_path / "00_index.ipynb").cells[0].source == (
            "# All\n\n| | title |\n| --- | --- |\n| 1 | [Early](01_early.ipynb) | 40 |  |  |\n"
            "| 2 | [Late on](02_late.ipynb) | 40 | why | ![A chart](a.png) |\n\nEnd."
        )


def test_a_lesson_that_does_not_say_how_long_it_takes_is_refused(tmp_path):
    nbformat.write(new_notebook(cells=[new_markdown_cell("# Early")]), tmp_path / "01_early.ipynb")
    with pytest.raises(tool.Refused, match="01_early.ipynb: its first cell must begin"):
        tool.navigate(tmp_path)


def test_a_missing_file_is_named(capsys):
    with pytest.raises(SystemExit):
        tool.main(["run", "notebooks/no_such.ipynb"])
    assert "there is no file notebooks/no_such.ipynb" in capsys.readouterr().err


def test_file_ends_with_a_newline_and_keeps_letters_readable(built):
    content = built.read_text(encoding="utf-8")
    assert content.endswith("}\n")
    assert json.loads(content)["nbformat_minor"] == 5


@pytest.mark.parametrize("damage", [b"", b"{", b"[" * 100_000, b"null", b"\xff", b'{"cells": 3}'])
def test_a_damaged_notebook_is_refused_in_one_line_and_stays(damage, tmp_path, capsys):
    path = tmp_path / "01_a.ipynb"
    path.write_bytes(damage)
    for command in ("text", "run"):
        assert tool.main([command, str(path)]) == 1
        streams = capsys.readouterr()
        assert streams.out == ""
        (line,) = streams.err.splitlines()
        assert "01_a.ipynb: is no notebook, or a damaged one" in line
        assert line.isprintable() and len(line) < 300
    assert path.read_bytes() == damage


def test_a_pipe_and_a_huge_file_are_no_notebooks(tmp_path, monkeypatch):
    notebook_file = sys.modules["notebook_file"]
    monkeypatch.setattr(notebook_file, "LARGEST_READ", 1000)
    (tmp_path / "a.ipynb").write_bytes(b" " * 1001)
    with pytest.raises(ValueError, match="over 1 kB"):
        notebook_file.read_notebook(tmp_path / "a.ipynb")
    with pytest.raises(ValueError, match="is a pipe or a device"):
        notebook_file.read_notebook("/dev/null")


def test_code_is_folded_unless_the_reader_writes_or_reads_it():
    notebook = tool.tidy(
        nbformat.v4.new_notebook(
            cells=[
                nbformat.v4.new_code_cell("1 + 1"),
                nbformat.v4.new_code_cell("guess_ms = None  # yours"),
                nbformat.v4.new_code_cell("2 + 2", metadata={"tags": ["shown"]}),
                nbformat.v4.new_code_cell("def mine(): ...", metadata={"tags": ["yours"]}),
                nbformat.v4.new_markdown_cell("prose"),
            ]
        )
    )
    folded = [cell.metadata.get("jupyter", {}).get("source_hidden", False) for cell in notebook.cells]
    assert folded == [True, False, False, False, False]
