"""Writing files so that nothing is ever half written.

A file is written under a temporary name in its own folder and renamed when it is complete: whoever
looks sees the old file or the new one. Files that belong together are written by one run at a time.
"""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # pragma: no cover, Windows: the last of two runs wins file by file
    fcntl = None  # type: ignore[assignment]


@contextmanager
def alone_in(folder: str | os.PathLike[str]) -> Iterator[Path]:
    """Keep other runs out of a folder, made if need be, until the block ends; wait if one is in it.

    The system lets go of the folder when a run ends, however it ends. Nothing is left in the folder.
    """
    folder = Path(folder)
    with _naming(f"to {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder, os.O_RDONLY) if fcntl else None
    try:
        if handle is not None:
            with suppress(OSError):  # some network drives know no locks
                fcntl.flock(handle, fcntl.LOCK_EX)
        yield folder
    finally:
        if handle is not None:
            os.close(handle)


@contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary path beside `path`, renamed onto it when the block ends well, else removed.

    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with replacing(Path(folder) / "a.txt") as temporary:
    ...         size = temporary.write_text("done")
    ...     (Path(folder) / "a.txt").read_text()
    'done'
    """
    path = Path(path)
    with _naming(f"to {path.parent}"):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem[:40]}-", suffix=path.suffix)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        with _naming(path):
            mask = os.umask(0)  # mkstemp makes private files, ours are to be ordinary ones
            os.umask(mask)
            temporary.chmod(0o666 & ~mask)
            os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_file(path: str | os.PathLike[str], data: bytes | str) -> Path:
    """Write bytes, or text as UTF-8, to `path` in one step; give the path back."""
    with replacing(path) as temporary, _naming(path):
        temporary.write_bytes(data.encode() if isinstance(data, str) else data)
    return Path(path)


@contextmanager
def _naming(what: object) -> Iterator[None]:
    """Say what could not be written if the disk refuses it."""
    try:
        yield
    except OSError as error:
        raise OSError(f"cannot write {what}: {error.strerror or error}") from None
