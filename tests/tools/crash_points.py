"""Each moment at which a run could be cut off or a disk could refuse: before every change to a folder."""

import contextlib
import errno
import os
import sys
from pathlib import Path

#: What Python tells of before it changes files or folders, and how many of its arguments are paths.
CHANGES = {"open": 1, "os.rename": 2, "os.remove": 1, "os.rmdir": 1, "os.mkdir": 1, "os.chmod": 1}
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
_watchers = []


def _heard(event, arguments):
    """Tell the watcher of a change, of which there is one at most; it does not watch itself."""
    if not _watchers or event not in CHANGES:
        return
    if event == "open" and not (isinstance(arguments[2], int) and arguments[2] & WRITING):
        return
    paths = [os.fsdecode(path) for path in arguments[: CHANGES[event]] if isinstance(path, str | bytes)]
    folder, change = _watchers[0]
    inside = [Path(path) for path in paths if path.startswith(folder)]
    if inside:
        watcher = _watchers.pop()
        try:
            change(event, inside)
        finally:
            _watchers.append(watcher)


sys.addaudithook(_heard)  # for as long as the process lives: it cannot be taken out


@contextlib.contextmanager
def watched(folder, change):
    """Call `change(event, paths)` before each change below a folder that Python makes in the block."""
    _watchers.append((str(folder), change))
    try:
        yield
    finally:
        _watchers.clear()


@contextlib.contextmanager
def refused(folder, number):
    """Refuse the change of that number below a folder, as a full disk does; give what was refused."""
    refusals = []
    count = iter(range(number + 1))

    def refuse(event, paths):
        if next(count, None) == number:
            refusals.append(event)
            raise OSError(errno.ENOSPC, "No space left on device")

    with watched(folder, refuse):
        yield refusals


def hidden(path, folder):
    """Whether a path, or a folder on its way below `folder`, is a temporary one."""
    return any(part.startswith(".") for part in path.relative_to(folder).parts)


def visible(folder):
    """What a person sees below a folder: name -> bytes."""
    paths = [path for path in folder.rglob("*") if path.is_file() and not hidden(path, folder)]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def temporary(folder):
    """What a run left below a folder."""
    return sorted(str(path) for path in folder.rglob(".*"))
