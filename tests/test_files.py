"""A file is there whole or not at all, a folder is ours or left alone, and reading has a bound."""

import gc
import hashlib
import itertools
import os
import stat
import sys
import threading

import pytest

from tapecalc import files
from tapecalc.files import MANIFEST, read_bounded, replacing, replacing_folder, write_file


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


def test_permissions_of_an_old_file_are_kept_and_those_of_the_process_never_touched(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "umask", lambda mask: pytest.fail("another thread would see this"))
    path = write_file(tmp_path / "a.txt", "x")
    path.chmod(0o600)
    with replacing(path) as temporary:
        assert stat.S_IMODE(temporary.stat().st_mode) == 0o600  # private while it is made, too
        temporary.write_text("y")
    assert (stat.S_IMODE(path.stat().st_mode), path.read_text()) == (0o600, "y")
    path.chmod(0o664)
    assert stat.S_IMODE(write_file(path, "z").stat().st_mode) == 0o664


def test_a_link_is_followed_and_stays(tmp_path):
    real = write_file(tmp_path / "there" / "real.txt", "old")
    link, loose = tmp_path / "link.txt", tmp_path / "loose.txt"
    link.symlink_to(real)
    loose.symlink_to(tmp_path / "there" / "new.txt")
    write_file(link, "new")
    write_file(loose, "made")
    assert link.is_symlink() and real.read_text() == "new"
    assert loose.is_symlink() and (tmp_path / "there" / "new.txt").read_text() == "made"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipes_devices_and_folders_are_neither_read_nor_replaced(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", "/dev/null"):
        with pytest.raises(OSError, match="is a pipe or a device"):
            read_bounded(path, 10)
        with pytest.raises(OSError, match="cannot write .*: is a pipe or a device"):
            write_file(path, "x")
    with pytest.raises(OSError, match="Is a directory"):
        read_bounded(tmp_path, 10)
    assert [path.name for path in tmp_path.iterdir()] == ["pipe"]


def test_reading_ends_at_its_bound(tmp_path):
    path = write_file(tmp_path / "a.bin", bytes(2000))
    assert read_bounded(path, 2000) == bytes(2000)
    with pytest.raises(OSError, match="over 1 kB"):
        read_bounded(path, 1999)


def test_file_and_folder_are_on_the_disk_before_and_after_the_rename(tmp_path, monkeypatch):
    steps = []
    sync, rename = os.fsync, os.replace

    def name(handle):
        return os.path.basename(os.readlink(f"/proc/self/fd/{handle}"))

    if not os.path.isdir("/proc/self/fd"):
        pytest.skip("there is no /proc here")
    monkeypatch.setattr(os, "fsync", lambda handle: (steps.append(("sync", name(handle))), sync(handle)))
    monkeypatch.setattr(os, "replace", lambda a, b: (steps.append(("rename", b.name)), rename(a, b)))
    write_file(tmp_path / "a.txt", "x")
    (first, temporary), *rest = steps
    assert first == "sync" and temporary.startswith(".a-tapecalc-")
    assert rest == [("rename", "a.txt"), ("sync", tmp_path.name)]
    steps.clear()
    with replacing_folder(tmp_path / "out", "plan") as place:
        (place / "b.txt").write_text("y")
    moved = steps.index(("rename", "out"))
    assert {("sync", "b.txt"), ("sync", MANIFEST), ("sync", "out")} <= set(steps[:moved])
    assert steps[-1] == ("sync", tmp_path.name)


def test_a_folder_lists_what_is_ours_as_every_checksum_program_reads_it(tmp_path):
    with replacing_folder(tmp_path / "out", "plan") as place:
        write_file(place / "figures" / "b.svg", "<svg/>")
    title, row = (tmp_path / "out" / MANIFEST).read_text().splitlines()
    assert title.startswith("# written by tapecalc plan")
    assert row == f"{hashlib.sha256(b'<svg/>').hexdigest()}  figures/b.svg"


@pytest.mark.parametrize("change", ["foreign", "edited", "link", "another kind", "torn list"])
def test_a_folder_that_is_not_as_we_left_it_is_refused_and_stays(change, tmp_path):
    out = tmp_path / "out"
    with replacing_folder(out, "plan") as place:
        write_file(place / "a.txt", "ours")
        write_file(place / ".DS_Store", "of a file manager")
    kind = "clip" if change == "another kind" else "plan"
    if change == "foreign":
        write_file(out / "figures" / "b.svg", "mine")
    elif change == "edited":
        (out / "a.txt").write_text("edited")
    elif change == "link":
        (out / "figures").symlink_to(tmp_path)
    elif change == "torn list":
        (out / MANIFEST).write_text("")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    said = f"out holds .*, which is not, or no longer, as 'tapecalc {kind}'"
    with pytest.raises(ValueError, match=said), replacing_folder(out, kind):
        pytest.fail("it was to be refused at once")
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


def test_what_a_file_manager_leaves_and_what_was_deleted_is_no_trouble(tmp_path):
    for text in ("one", "two"):
        with replacing_folder(tmp_path / "out", "plan") as place:
            write_file(place / "a.txt", text)
            write_file(place / "b.txt", text)
        (tmp_path / "out" / "Thumbs.db").write_text("x")
        (tmp_path / "out" / "b.txt").unlink()
    assert (tmp_path / "out" / "a.txt").read_text() == "two"


def test_a_large_folder_of_somebody_elses_is_not_read_to_its_end(tmp_path, monkeypatch):
    for name in ("a.txt", "deep/b.txt", "deep/er/c.txt"):
        write_file(tmp_path / "out" / name, "x")
    looked, scan = [], os.scandir
    monkeypatch.setattr(os, "scandir", lambda path: (looked.append(str(path)), scan(path))[1])
    with pytest.raises(ValueError, match="out holds a.txt"):
        files.refuse_foreign(tmp_path / "out", "plan")
    assert looked == [str(tmp_path / "out")]


def test_a_refusal_names_the_folder_as_it_was_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    said = "^cannot write out/a: Is a directory$"
    with pytest.raises(OSError, match=said), replacing_folder("out", "plan") as place:
        (place / "a").mkdir()
        write_file(place / "a", "x")
    assert list(tmp_path.iterdir()) == []


def test_the_folder_one_is_in_is_refused_by_another_name(tmp_path, monkeypatch):
    """As where capital and small letters are one: two names, no link between them, the same folder."""
    (tmp_path / "out").mkdir()
    (tmp_path / "OUT").symlink_to("out")
    monkeypatch.chdir(tmp_path / "out")
    monkeypatch.setattr(os.path, "realpath", os.path.abspath)
    said = "OUT is the folder that you are in"
    with pytest.raises(ValueError, match=said), replacing_folder(tmp_path / "OUT", "plan"):
        pytest.fail("it was to be refused at once")


def test_a_folder_keeps_its_permissions_and_a_link_to_it(tmp_path):
    (tmp_path / "real").mkdir(mode=0o750)
    (tmp_path / "out").symlink_to("real")
    with replacing_folder(tmp_path / "out", "plan") as place:
        write_file(place / "a.txt", "x")
    assert (tmp_path / "out").is_symlink() and (tmp_path / "real" / "a.txt").read_text() == "x"
    assert stat.S_IMODE((tmp_path / "real").stat().st_mode) == 0o750


def test_without_locks_files_and_folders_are_written_all_the_same(tmp_path, monkeypatch):
    """As on Windows, where a file that is open can be neither renamed nor removed."""
    monkeypatch.setattr(files, "fcntl", None)
    opened, rename = [], os.replace

    def strict(source, target):
        handles = [os.readlink(f"/proc/self/fd/{n}") for n in opened if os.path.exists(f"/proc/self/fd/{n}")]
        assert str(source) not in handles
        rename(source, target)

    if os.path.isdir("/proc/self/fd"):
        opening = os.open
        monkeypatch.setattr(os, "open", lambda *a, **k: (opened.append(opening(*a, **k)), opened[-1])[1])
        monkeypatch.setattr(os, "replace", strict)
    write_file(tmp_path / "a.txt", "x")
    write_file(tmp_path / ".b-tapecalc-0123abcd.txt", "left")
    with replacing_folder(tmp_path / "out", "plan") as place:
        write_file(place / "c.txt", "y")
    assert {path.name for path in tmp_path.iterdir()} == {"a.txt", "out"}


@pytest.mark.skipif(os.name == "nt", reason="this system has no numbers of users")
def test_what_looks_like_a_leftover_of_another_user_is_left_alone(tmp_path, monkeypatch):
    theirs = tmp_path / ".x-tapecalc-0123abcd"
    theirs.mkdir()
    write_file(tmp_path / "secret" / "keys.txt", "mine")
    (theirs / "old").symlink_to(tmp_path / "secret")
    user = os.geteuid()
    monkeypatch.setattr(os, "geteuid", lambda: user + 1)
    write_file(tmp_path / "a.txt", "x")
    assert (theirs / "old").is_symlink() and (tmp_path / "secret" / "keys.txt").read_text() == "mine"
    assert {path.name for path in tmp_path.iterdir()} == {theirs.name, "secret", "a.txt"}


def test_threads_that_write_one_file_leave_one_of_theirs(tmp_path):
    threads = [
        threading.Thread(target=lambda n=n: [write_file(tmp_path / "a.txt", f"{n}" * 9999) for _ in range(5)])
        for n in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (tmp_path / "a.txt").read_text() in {f"{n}" * 9999 for n in range(4)}
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


def test_a_file_that_another_run_took_for_left_behind_is_made_again(tmp_path, monkeypatch):
    lock, locked = files._lock, []

    def late(handle):
        locked.append(handle)
        if len(locked) == 1:
            return False  # another run holds it, and will remove it
        if len(locked) == 2:
            for path in tmp_path.iterdir():
                path.unlink()  # and here it has
        return lock(handle)

    monkeypatch.setattr(files, "_lock", late)
    write_file(tmp_path / "a.txt", "whole")
    assert len(locked) == 3
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("a.txt", "whole")]


def test_a_folder_that_another_run_took_for_left_behind_is_made_again(tmp_path, monkeypatch):
    pytest.importorskip("fcntl", reason="this system has no locks")
    lock, taken = files._lock, []

    def late(handle):
        for path in tmp_path.glob(".out-tapecalc-*") if not taken else ():
            taken.append(path)
            path.rmdir()
        return lock(handle)

    monkeypatch.setattr(files, "_lock", late)
    with replacing_folder(tmp_path / "out", "plan") as place:
        write_file(place / "whole.txt", "whole")
    assert len(taken) == 1
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"whole.txt", MANIFEST}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


class Asked(BaseException):
    """What a signal raises wherever a run stands."""


def asked_at(number):
    """A trace that ends a run at the line of that number, of those before the block that is given a path."""
    lines = iter(range(number + 1))

    def trace(frame, event, _):
        if frame.f_code.co_filename != files.__file__:
            return None
        if event == "line" and next(lines, None) == number:
            sys.settrace(None)
            raise Asked
        return trace

    return trace


@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_signal_at_any_line_before_the_writing_leaves_nothing_behind(what, tmp_path):
    before = sys.gettrace()  # that of coverage, which goes on behind us
    for number in itertools.count():
        ended = True
        try:
            sys.settrace(asked_at(number))
            path = tmp_path / "a"
            with replacing(path) if what == "file" else replacing_folder(path, "plan"):
                sys.settrace(None)
                ended = False
                raise Asked
        except Asked:
            pass
        finally:
            sys.settrace(before)
        gc.collect()  # a signal just before the block leaves what makes the path to be put away
        assert list(tmp_path.iterdir()) == [], f"ended at line {number}"
        if not ended:
            break
    assert number > 20
