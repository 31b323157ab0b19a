"""Runs that are cut off, or refused by the disk, at each single step: nothing is lost, halved or mixed."""

import errno
import shutil
import sys

import numpy as np
import pytest
from crash_points import hidden, refused, temporary, visible, watched
from site_pages import tool as site

from tapecalc import files
from tapecalc.cli import main
from tapecalc.files import replacing_folder, write_file
from tapecalc.machine import example_machine, read_machine, with_changes, write_machine
from tapecalc.plan import make_plan
from tapecalc.plot.film import find_encoder
from tapecalc.report.setup_card import write_setup_card
from tapecalc.sound.files import write_sound


def one_file(parent, text):
    write_file(parent / "a.txt", text)


def folder(parent, text):
    with replacing_folder(parent / "out", "plan") as place:
        write_file(place / "page.html", text)
        write_file(place / "figures" / f"{text}.svg", text)


def folder_that_keeps(parent, text):
    with replacing_folder(parent / "out", "figures", keep=True) as place:
        write_file(place / "captions.md", text)


def pages(parent, text):
    meta = '<meta name="generator" content="tapecalc 0">'
    site.write_site({"index.html": (meta + text).encode(), f"api/{text}.html": b"<p>"}, parent / "site")


WRITERS = (one_file, folder, folder_that_keeps, pages)


def steps_of(write, parent):
    """What a write does to the disk, step by step."""
    steps = []
    with watched(parent, lambda event, paths: steps.append((event, paths))):
        write(parent, "new")
    return steps


@pytest.mark.parametrize("write", WRITERS)
def test_cut_off_at_any_step_there_is_the_old_or_the_new_and_the_next_run_clears_up(write, tmp_path):
    there, copies = tmp_path / "there", []
    there.mkdir()
    write(there, "old")
    old = visible(there)

    def as_if_cut_off(event, paths):
        copies.append(tmp_path / str(len(copies)))
        shutil.copytree(there, copies[-1])

    with watched(there, as_if_cut_off):
        write(there, "new")
    new = visible(there)
    assert old != new and len(copies) > 3 and temporary(there) == []
    gone = 0
    for copy in copies:
        found = visible(copy)
        gone += found == {}
        assert found in (old, new) or found == {} and write is not one_file
        write_file(copy / "else.txt", "any other run")
        assert visible(copy) in (old | {"else.txt": b"any other run"}, new | {"else.txt": b"any other run"})
        assert temporary(copy) == []
        write(copy, "new")
        assert visible(copy) == new | {"else.txt": b"any other run"} and temporary(copy) == []
    assert gone <= 1  # between the two renames


@pytest.mark.parametrize("write", WRITERS)
def test_refused_at_any_step_there_is_the_old_or_the_new_and_one_sentence(write, tmp_path):
    parent = tmp_path / "counted"
    parent.mkdir()
    write(parent, "old")
    for number in range(len(steps_of(write, parent))):
        there = tmp_path / str(number)
        there.mkdir()
        write(there, "old")
        old = visible(there)
        try:
            with refused(there, number) as refusals:
                write(there, "new")
        except OSError as error:
            assert str(error).startswith("cannot write ") and str(error).endswith("No space left on device")
            assert visible(there) == old
        else:  # only clearing up was refused
            assert visible(there) == visible(parent)
        assert refusals
        write(there, "new")
        assert visible(there) == visible(parent) and temporary(there) == []


def test_a_new_folder_that_cannot_take_its_place_leaves_the_old_one_there(tmp_path, monkeypatch):
    folder(tmp_path, "old")
    old, rename = visible(tmp_path), files.os.replace

    def refuse(source, target):
        if str(source).endswith("new/out"):
            raise PermissionError(errno.EACCES, "Access is denied")
        rename(source, target)

    monkeypatch.setattr(files.os, "replace", refuse)
    with pytest.raises(OSError, match="^cannot write to .*out: Access is denied$"):
        folder(tmp_path, "new")
    assert visible(tmp_path) == old and temporary(tmp_path) == []


# --- every command ---


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Two machines, a sound and a take."""
    place = tmp_path_factory.mktemp("bench")
    deck = example_machine()
    write_machine(with_changes(deck, {"song.bpm": 90.0}), place / "old.toml")
    write_machine(with_changes(deck, {"name": "Hot", "mixer.return_send_db": 3.0}), place / "new.toml")
    write_sound(place / "dry.wav", 0.3 * np.sin(np.arange(48_000) / 9), 48000)
    noise = 0.01 * np.random.default_rng(1).standard_normal((4 * 48_000, 2))
    write_sound(place / "old.wav", noise, 48000)
    write_sound(place / "new.wav", noise[::-1].copy(), 48000)
    return place


CLIP = "clip head_rhythm --machine {b}/{m}.toml --profile page --seconds 1 --fps 4 --out"
COMMANDS = {
    "plan": "plan {b}/{m}.toml --out {out}",
    "figures": "figures delay_map --machine {b}/{m}.toml --out {out} --format svg",
    "measure": "measure --silence {b}/{m}.wav --machine {b}/{m}.toml --out {out}",
    "frames": f"{CLIP} {{out}} --frames",
    "gif": f"{CLIP} {{out}}/a.gif",
    "mp4": f"{CLIP} {{out}}/a.mp4",
    "render": "render {b}/{m}.toml {b}/dry.wav {out}/echo.wav --seconds 1",
    "try": "try {b}/{m}.toml --out {out}/try.html",
    "signal": "measure --make-test-signal {out}/signal.wav --sample-rate {rate}",
}


def run(command, machine, bench, out):
    """Run a command, or write the card that has none of its own; give the exit status."""
    if command == "mp4" and find_encoder() is None:
        pytest.skip("there is no ffmpeg here")
    if command == "card":
        plan = make_plan(read_machine(bench / f"{machine}.toml"))
        try:
            write_setup_card(plan, out / "card.html")
        except OSError as error:  # as the command line says it
            print(f"tapecalc: {error}", file=sys.stderr)
            return 2
        return 0
    rate = {"old": 44100, "new": 48000}[machine]
    return main(COMMANDS[command].format(b=bench, m=machine, out=out, rate=rate).split())


def old_or_new(command, found, old, new):
    """Whether what is there is the old or the new; a film and what stands beside it are so one by one."""
    if command == "mp4":
        return all(data in (old.get(name), new.get(name)) for name, data in found.items())
    return found in (old, new)


@pytest.mark.slow
@pytest.mark.parametrize("command", [*COMMANDS, "card"])
def test_at_every_step_of_every_command_a_reader_sees_the_old_the_new_or_nothing(command, bench, tmp_path):
    out, looks = tmp_path / "out", []
    assert run(command, "old", bench, out) == 0
    old = visible(tmp_path)

    def look(event, paths):
        if not all(hidden(path, tmp_path) for path in paths):  # what happens out of sight changes nothing
            looks.append(visible(tmp_path))

    with watched(tmp_path, look):
        assert run(command, "new", bench, out) == 0
    new = visible(tmp_path)
    assert old != new and temporary(tmp_path) == []
    assert looks and all(found == {} or old_or_new(command, found, old, new) for found in looks)
    assert sum(found == {} for found in looks) <= 1


#: Of each command how many steps there are from one that is refused to the next: a plan draws much.
EACH = [(command, {"plan": 39, "frames": 5}.get(command, 1)) for command in (*COMMANDS, "card")]
WEEKLY = [pytest.param(command, 1, marks=pytest.mark.weekly) for command, each in EACH if each > 1]


@pytest.mark.slow
@pytest.mark.parametrize(("command", "each"), [*EACH, *WEEKLY])
def test_refused_at_any_step_of_a_command_there_is_one_line_and_nothing_is_lost(
    command, each, bench, tmp_path, capsys
):
    out, steps = tmp_path / "out", []
    assert run(command, "old", bench, out) == 0
    old = visible(tmp_path)
    with watched(tmp_path, lambda event, paths: steps.append(event)):
        assert run(command, "new", bench, out) == 0
    new, told = visible(tmp_path), 0
    assert len(steps) > 3
    for number in range(0, len(steps), each):
        assert visible(tmp_path) == old or run(command, "old", bench, out) == 0
        capsys.readouterr()
        with refused(tmp_path, number) as refusals:
            status = run(command, "new", bench, out)
        assert refusals and old_or_new(command, visible(tmp_path), old, new)
        if status == 0:  # only clearing up was refused
            assert visible(tmp_path) == new
            continue
        told += 1
        (line,) = capsys.readouterr().err.splitlines()
        assert line.startswith("tapecalc: cannot write ") and line.endswith(": No space left on device")
        assert line.isprintable() and visible(tmp_path) == old or command == "mp4"
    assert told >= len(steps) // (3 * each)
    assert run(command, "new", bench, out) == 0
    assert visible(tmp_path) == new and temporary(tmp_path) == []
