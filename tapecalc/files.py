"""Writing files so that nothing is ever half written.

A file is written under a temporary name in its own folder and renamed when it
is complete: whoever looks sees the old file or the new one. Files that belong
together are written by one run at a time.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path

__all__ = [
    "alone_in",
    "replacing",
    "write_file",
]


try:
    import fcntl
except ImportError:  # pragma: no cover, Windows: the last of two runs wins file by file
    fcntl = None


@contextmanager
def alone_in(folder):
    """Keep other runs out of a folder until the block ends; wait if one is in it.

    The system lets go of the folder when a run ends, however it ends. Nothing is
    left in the folder.

    Parameters
    ----------
    folder : str or os.PathLike
        The folder; made if it is not there yet.

    Yields
    ------
    pathlib.Path
        The folder.

    Raises
    ------
    OSError
        If the folder cannot be made or opened; the message names it.

    Notes
    -----
    Source: flock of 4.4BSD, as Linux and macOS have it. Notebook: none.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name, alone_in(Path(name) / "out") as folder:
    ...     folder.is_dir()
    True
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder, os.O_RDONLY) if fcntl else None
    except OSError as error:
        raise OSError(f"cannot write to {folder}: {error.strerror or error}") from None
    try:
        if fcntl:
            with suppress(OSError):  # some network drives know no locks
                fcntl.flock(handle, fcntl.LOCK_EX)
        yield folder
    finally:
        if handle is not None:
            os.close(handle)


@contextmanager
def replacing(path):
    """Give a temporary path beside `path`, renamed onto it when the block ends well.

    Parameters
    ----------
    path : str or os.PathLike
        Where the finished file shall stand. Its folder is made if need be.

    Yields
    ------
    pathlib.Path
        The temporary path to write to; removed again if the block raises.

    Raises
    ------
    OSError
        If the folder cannot be made or written; the message names the folder.

    Notes
    -----
    Source: POSIX rename replaces in one step. Notebook: none.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with replacing(Path(folder) / "a.txt") as temporary:
    ...         size = temporary.write_text("done")
    ...     (Path(folder) / "a.txt").read_text()
    'done'
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem[:40]}-", suffix=path.suffix)
    except OSError as error:
        raise OSError(f"cannot write to {path.parent}: {error.strerror or error}") from None
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        _move(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_file(path, data):
    """Write bytes or text to `path` in one step.

    Parameters
    ----------
    path : str or os.PathLike
        Where the file shall stand. Its folder is made if need be.
    data : bytes or str
        The whole content; text is encoded as UTF-8.

    Returns
    -------
    pathlib.Path
        The path that was written.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left behind, an old file stays.

    Notes
    -----
    Source: as `replacing`. Notebook: none.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_file(Path(folder) / "a.txt", "done").read_bytes()
    b'done'
    """
    with replacing(path) as temporary:
        _fill(temporary, data.encode() if isinstance(data, str) else data, path)
    return Path(path)


def _move(temporary, path):
    """Put the finished file in its place, with ordinary permissions."""
    try:
        temporary.chmod(0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as error:
        raise OSError(f"cannot write {path}: {error.strerror or error}") from None


def _fill(temporary, data, path):
    """Write the bytes, naming the file that was meant if the disk refuses them."""
    try:
        temporary.write_bytes(data)
    except OSError as error:
        raise OSError(f"cannot write {path}: {error.strerror or error}") from None


def _umask():
    """Read the process's umask: mkstemp makes private files, ours shall be ordinary ones."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
