"""Killed runs, full disks, locked folders, two runs at once: each file is the old one or the new one."""

import contextlib
import io
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tapecalc import files
from tapecalc.cli import main
from tapecalc.files import replacing_folder, write_file
from tapecalc.machine import example_machine, with_changes, write_machine
from tapecalc.plot.film import find_encoder
from tapecalc.sound.files import write_sound

#: How often each command is killed; set it higher to look longer.
ROUNDS = int(os.environ.get("TAPECALC_KILLS", "2"))

COMMANDS = {
    "plan": "plan {machine} --out {out}",
    "render": "render {machine} {dry} {out}/echo.wav",
    "figures": "figures delay_map tempo_map --machine {machine} --out {out}",
    "frames": "clip head_rhythm --machine {machine} --out {out} --profile page --seconds 1 --fps 4 --frames",
    "clip": "clip head_rhythm --machine {machine} --out {out}/rhythm.gif --profile page --seconds 1 --fps 4",
    "try": "try {machine} --out {out}/try.html",
    "measure": "measure --silence {silence} --machine {machine} --out {out}",
}
if find_encoder() is not None:
    COMMANDS["mp4"] = COMMANDS["clip"].replace(".gif", ".mp4")


class Bench:
    """Two machines, a sound, and what each command makes of them when nothing goes wrong."""

    def __init__(self, folder):
        self.folder, self.finished = folder, {}
        ours = with_changes(example_machine(), {"song.bpm": 90.0})
        hot = with_changes(example_machine(), {"name": "Hot deck", "mixer.return_send_db": 3.0})
        self.machines = {
            "old": write_machine(ours, folder / "old.toml"),
            "new": write_machine(hot, folder / "new.toml"),
        }
        self.sounds = {
            "dry": write_sound(folder / "dry.wav", 0.3 * np.sin(np.arange(96_000) / 9), 48000),
            "silence": write_sound(folder / "silence.flac", 0.01 * np.sin(np.arange(200_000) ** 2), 48000),
        }

    def words(self, command, machine, out):
        return COMMANDS[command].format(machine=self.machines[machine], out=out, **self.sounds).split()

    def run(self, command, machine, out):
        """Run a command here: its exit status and what it said on standard error."""
        said = io.StringIO()
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
            status = main(self.words(command, machine, out))
        return status, said.getvalue()

    def start(self, command, machine, out, **options):
        """Start a command as a process of its own."""
        words = [sys.executable, "-m", "tapecalc", *self.words(command, machine, out)]
        return subprocess.Popen(
            words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, **options
        )

    def files(self, command, machine):
        """What a run that nothing disturbs leaves: a mapping of name to bytes."""
        if (command, machine) not in self.finished:
            out = self.folder / f"{command} {machine}".replace(" ", "_")
            assert self.run(command, machine, out) == (0, "")
            self.finished[command, machine] = seen(out)
        return self.finished[command, machine]

    def used(self, command, out):
        """A folder as an earlier run left it."""
        for name, data in self.files(command, "old").items():
            write_file(out / name, data)
        return out


def seen(out):
    """The files that a person sees in a folder: name and bytes; temporary ones are hidden."""
    paths = [path for path in out.rglob("*") if path.is_file() and not path.name.startswith(".")]
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in paths}


#: Commands that write a folder of which no file is without the others.
WHOLE = ("plan", "figures", "frames", "measure")


def halves(found, *whole):
    """Names of files that no whole run has written."""
    return [name for name, data in found.items() if all(data != files.get(name) for files in whole)]


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return Bench(tmp_path_factory.mktemp("bench"))


def test_half_a_file_and_a_mixture_are_found(tmp_path):
    old, new = {"a": b"1", "b": b"2"}, {"a": b"3", "c": b"4"}
    assert halves({"a": b"3", "b": b"2"}, old, new) == []
    assert halves({"a": b"", "b": b"2", "d": b""}, old, new) == ["a", "d"]
    (tmp_path / ".a-x1.txt").write_text("half")
    (tmp_path / "a.txt").write_text("whole")
    assert seen(tmp_path) == {"a.txt": b"whole"}


# --- killed ---


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_a_killed_run_leaves_each_file_as_it_was_or_as_it_shall_be(command, bench, tmp_path):
    old, new = bench.files(command, "old"), bench.files(command, "new")
    assert old.keys() & new.keys() and halves(old, new) != []
    struck = 0
    for number in range(ROUNDS):
        out = bench.used(command, tmp_path / str(number))
        before = moved(out)
        run = bench.start(command, "new", out)
        while run.poll() is None and moved(out) == before:  # it has not begun to write
            time.sleep(0.002)
        time.sleep(random.Random(f"{command} {number}").uniform(0, 0.5))
        run.kill()
        run.communicate()
        struck += run.returncode == -9
        assert halves(seen(out), old, new) == []
        assert command not in WHOLE or seen(out) in (old, new, {})
    assert bench.run(command, "new", out) == (0, "")  # and the next run is not disturbed
    assert halves(seen(out), new) == []
    assert [*tmp_path.glob(".*"), *out.rglob(".*")] == []  # and clears up where it writes
    assert struck or command != "plan"


def moved(out):
    """When entries of a folder last came or went."""
    return [path.stat().st_mtime_ns for path in (out.parent, out) if path.is_dir()]


# --- no room, no permission ---


def one_line(status, text):
    """The one line that a run ended with."""
    assert status == 2, text
    (line,) = text.splitlines()
    assert line.startswith("tapecalc: ") and line.isprintable()
    return line


@pytest.mark.parametrize("command", COMMANDS)
def test_a_file_that_may_not_grow_is_told_and_the_old_one_stays(command, bench, tmp_path):
    out = bench.used(command, tmp_path / "out")
    limit = 2 * (300 if command == "measure" else 1500,)
    run = bench.start(
        command, "new", out, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit)
    )
    _, text = run.communicate()
    line = one_line(run.returncode, text)
    assert "cannot write" in line
    assert str(out) in line or command == "mp4" and "sound.wav" in line  # which lies where the system says
    assert seen(out) == bench.files(command, "old")
    assert list(out.rglob(".*")) == []


@contextlib.contextmanager
def mounted(folder, options):
    """A small disk of its own, where the system lets us have one."""
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True, text=True
    )
    if done.returncode:
        pytest.skip(f"no disk of our own can be mounted here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


needs_mount = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("mount") is None, reason="only root may mount a small disk"
)


@needs_mount
@pytest.mark.parametrize("command", COMMANDS)
def test_a_full_disk_is_told_and_leaves_no_half_file(command, bench, tmp_path):
    with mounted(tmp_path / "disk", "size=64k") as disk:
        (disk / "ballast").write_bytes(bytes(60_000))
        line = one_line(*bench.run(command, "new", disk / "out"))
        assert "cannot write" in line and str(disk) in line
        assert halves(seen(disk / "out"), bench.files(command, "new")) == []
        assert list((disk / "out").rglob(".*")) == []


@needs_mount
@pytest.mark.parametrize("command", COMMANDS)
def test_a_disk_that_is_read_only_is_told(command, bench, tmp_path):
    with mounted(tmp_path / "disk", "size=64k,ro") as disk:
        assert "cannot write" in one_line(*bench.run(command, "new", disk / "out"))
        assert "cannot write" in one_line(*bench.run(command, "new", disk))


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_permission_is_told(bench, tmp_path):
    (tmp_path / "locked").mkdir(mode=0o555)
    assert "Permission denied" in one_line(*bench.run("plan", "new", tmp_path / "locked"))


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="there is no /proc here")
@pytest.mark.parametrize("command", COMMANDS)
def test_a_folder_that_cannot_be_made_is_told(command, bench):
    assert "cannot write" in one_line(*bench.run(command, "new", "/proc/nowhere/out"))


# --- two at once ---


@pytest.mark.slow
def test_two_plans_into_one_folder_do_not_mix(bench, tmp_path):
    out = tmp_path / "out"
    runs = [bench.start("plan", machine, out) for machine in ("old", "new")]
    said = [run.communicate()[1] for run in runs]
    assert {run.returncode for run in runs} == {0}
    assert sorted(said) in (["", ""], ["", f"waiting for another run that writes to '{out}'\n"])
    assert seen(out) in (bench.files("plan", "old"), bench.files("plan", "new"))


@pytest.mark.slow
def test_two_runs_that_draw_into_one_folder_both_keep_their_captions(bench, tmp_path):
    words = [sys.executable, "-m", "tapecalc", "figures", "--out", str(tmp_path), "--format", "svg"]
    names = ("delay_map", "tempo_map")
    runs = [subprocess.Popen([*words, name], stdout=subprocess.DEVNULL) for name in names]
    assert [run.wait(120) for run in runs] == [0, 0]
    captions = (tmp_path / "captions.md").read_text()
    assert "## delay_map" in captions and "## tempo_map" in captions


def test_a_folder_is_one_runs_own_until_it_ends_however_it_ends(tmp_path, monkeypatch, caplog):
    pytest.importorskip("fcntl", reason="this system has no locks")
    monkeypatch.setattr(files, "PATIENCE", 0.2)
    out = tmp_path / "out"
    with (
        replacing_folder(out, "plan"),
        pytest.raises(OSError, match="^cannot write to .*out: another run has been writing there for 0 s$"),
        replacing_folder(out, "plan"),
    ):
        pass
    assert [record.getMessage() for record in caplog.records] == [
        f"waiting for another run that writes to '{out}'"
    ]
    code = (
        "import os, sys; from tapecalc.files import replacing_folder, write_file\n"
        "with replacing_folder(sys.argv[1], 'plan') as place:\n"
        "    write_file(place / 'half.txt', 'half'); print('in', flush=True); os.kill(os.getpid(), 9)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(out)], capture_output=True, text=True)
    assert (done.stdout, done.returncode) == ("in\n", -9)
    assert len(list(tmp_path.glob(".out-tapecalc-*"))) == 1
    with replacing_folder(out, "plan") as place:
        write_file(place / "whole.txt", "whole")
    assert {path.name for path in out.iterdir()} == {"whole.txt", files.MANIFEST}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_what_a_living_run_uses_is_not_cleared_away(tmp_path):
    pytest.importorskip("fcntl", reason="this system has no locks")
    with files.replacing(tmp_path / "slow.wav") as slow, replacing_folder(tmp_path / "out", "plan") as place:
        write_file(tmp_path / "quick.txt", "another run")
        assert slow.exists() and place.exists()
        slow.write_text("done")
    assert {path.name for path in tmp_path.iterdir()} == {"slow.wav", "out", "quick.txt"}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT"])
@pytest.mark.parametrize("command", ["render", "frames"])
def test_a_run_that_is_asked_to_end_takes_away_what_is_half_done(command, name, bench, tmp_path):
    if not hasattr(signal, name):
        pytest.skip("this system has no such signal")
    out = bench.used(command, tmp_path / "out")
    run = bench.start(command, "new", out)
    while run.poll() is None and not list(tmp_path.rglob(".*-tapecalc-*")):
        time.sleep(0.002)
    run.send_signal(getattr(signal, name))
    _, said = run.communicate()
    ended = {"SIGINT": 130, "SIGTERM": 143, "SIGHUP": 129}[name]
    assert run.returncode in (0, ended)  # 0 if it was quicker
    assert list(tmp_path.rglob(".*-tapecalc-*")) == []
    assert said.splitlines() in ([], ["tapecalc: stopped"])
    assert seen(out) in (bench.files(command, "old"), bench.files(command, "new"))


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_a_run_that_is_asked_to_end_again_clears_up_all_the_same(name):
    if not hasattr(signal, name):
        pytest.skip("this system has no such signal")
    code = (
        "import os, signal, sys; from tapecalc import cli\n"
        "names = ('SIGTERM', 'SIGHUP', 'SIGINT'); ask = signal.raise_signal\n"
        "for name in names: signal.signal(getattr(signal, name, signal.SIGINT), signal.SIG_DFL)\n"
        "def parse(_):\n"
        "    try: ask(getattr(signal, sys.argv[1]))\n"
        "    finally:\n"
        "        for name in names: ask(getattr(signal, name, signal.SIGINT))\n"
        "        print('cleared up')\n"
        "cli._parser = lambda: type('Parser', (), {'parse_args': parse})\n"
        "cli.run()"
    )
    done = subprocess.run([sys.executable, "-c", code, name], capture_output=True, text=True)
    assert (done.stdout, done.returncode) == ("cleared up\n", 128 + getattr(signal, name))
    assert done.stderr == ("tapecalc: stopped\n" if name == "SIGINT" else "")


@pytest.mark.slow
@pytest.mark.skipif("mp4" not in COMMANDS, reason="there is no ffmpeg here")
@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="there is no /proc here")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGKILL"])
def test_an_encoder_does_not_outlive_us(name, bench, tmp_path):
    fake = tmp_path / "bin" / "ffmpeg"
    write_file(fake, f"#!/bin/sh\nhead -c 1 > {tmp_path}/fed\nexec sleep 600\n").chmod(0o755)
    path = os.environ["PATH"] if name == "SIGKILL" else f"{fake.parent}:{os.environ['PATH']}"
    run = bench.start("mp4", "new", tmp_path, env=os.environ | {"PATH": path})
    while run.poll() is None and not (children(run.pid) and (name == "SIGKILL" or fed(tmp_path))):
        time.sleep(0.002)
    started = children(run.pid)
    run.send_signal(getattr(signal, name))
    run.communicate()
    assert started or run.returncode == 0
    for _ in range(3000 if name == "SIGKILL" else 1):  # then it ends by itself, where its pictures end
        if not any(map(runs, started)):
            break
        time.sleep(0.01)
    assert not any(map(runs, started))


def fed(folder):
    """Whether the encoder that hangs has been given something."""
    return (folder / "fed").exists() and (folder / "fed").stat().st_size > 0


def children(number):
    """The numbers of the processes that a process has started."""
    with contextlib.suppress(OSError):
        tasks = Path(f"/proc/{number}/task").iterdir()  # any of its threads may have started one
        return [child for task in tasks for child in (task / "children").read_text().split()]
    return []


def runs(number):
    """Whether a process is there and has not ended."""
    with contextlib.suppress(OSError):
        return Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def test_a_folder_that_is_a_file_is_no_folder_to_be_alone_in(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(OSError, match="cannot write to .*out"), replacing_folder(tmp_path / "out", "plan"):
        pass
