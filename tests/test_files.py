"""A file is there whole or not at all."""

import pytest

from tapecalc import files
from tapecalc.files import replacing, write_file


def test_folders_on_the_way_are_made(tmp_path):
    path = write_file(tmp_path / "a" / "b" / "c.txt", "text")
    assert path.read_text() == "text"


def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path):
    path = write_file(tmp_path / "plan.html", "old")
    with pytest.raises(RuntimeError, match="power cut"), replacing(path) as temporary:
        temporary.write_text("half")
        raise RuntimeError("power cut")
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["plan.html"]


def test_a_folder_that_is_a_file_is_named(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(OSError, match="cannot write to .*out"):
        write_file(tmp_path / "out" / "plan.html", "x")


def test_a_target_that_is_a_folder_leaves_no_temporary_file(tmp_path):
    (tmp_path / "plan.html").mkdir()
    with pytest.raises(OSError, match="cannot write .*plan.html: Is a directory"):
        write_file(tmp_path / "plan.html", "x")
    assert [entry.name for entry in tmp_path.iterdir()] == ["plan.html"]


def test_a_full_disk_is_said_in_one_line(tmp_path):
    with (
        pytest.raises(OSError, match="cannot write .*full: No space left on device"),
        replacing(tmp_path / "full") as temporary,
        files._naming(tmp_path / "full"),
    ):
        temporary.unlink()
        temporary.symlink_to("/dev/full")
        temporary.write_bytes(b"x" * 10_000)
    assert list(tmp_path.iterdir()) == []


def test_a_new_file_has_ordinary_permissions(tmp_path):
    path = write_file(tmp_path / "a.txt", "x")
    assert path.stat().st_mode & 0o444 == 0o444


def test_bytes_and_text_in_any_language_come_back(tmp_path):
    assert write_file(tmp_path / "a.bin", b"\x00\xff").read_bytes() == b"\x00\xff"
    assert write_file(str(tmp_path / "a.txt"), "Küche").read_text(encoding="utf-8") == "Küche"
