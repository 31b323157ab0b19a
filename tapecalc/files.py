"""Files and folders: nothing is half written, nothing of anybody else's is lost, and reading has a bound.

A file is written under a temporary name in its own folder and renamed when it is complete: whoever looks
sees the old file or the new one. A folder is made beside the old one and takes its place; it is ours to
replace only while its list of files, `MANIFEST`, names all that is in it. Both are handed to the disk
before the rename and after it. What a killed run left is removed by the next one that writes there.
"""

import errno
import hashlib
import logging
import os
import re
import secrets
import shutil
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # pragma: no cover, Windows: the last of two runs wins
    fcntl = None  # type: ignore[assignment]

StrPath = str | os.PathLike[str]

#: The files of a folder that we wrote, as ``sha256sum -c`` reads it, behind a line that says of what kind.
MANIFEST = "SHA256SUMS"
PATIENCE = 120.0  # s, how long a folder that another run holds is waited for
_OF_THE_SYSTEM = {".DS_Store", "Thumbs.db", "desktop.ini"}  # what file managers leave in any folder
_TEMPORARY = re.compile(r"\..*-tapecalc-[0-9a-f]{8}(\.\w+)?", re.DOTALL)


# ---- reading ----


def refuse_no_file(path: StrPath) -> None:
    """Raise an `OSError` where a path names nothing, or no ordinary file: a pipe would be waited for."""
    mode = os.stat(path).st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "is a pipe or a device, and no ordinary file")


def read_bounded(path: StrPath, most: int) -> bytes:
    """Read an ordinary file of at most `most` bytes; another raises an `OSError`."""
    refuse_no_file(path)
    with open(path, "rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"over {most // 1000} kB")
    return data


def lies_in(path: StrPath, folder: StrPath) -> bool:
    """Whether a path is, or lies in, what another names: by link, or in other letters where case is one."""
    place = Path(os.path.realpath(path))
    return os.path.exists(folder) and any(os.path.samefile(one, folder) for one in (place, *place.parents))


# ---- one file ----


@contextmanager
def replacing(path: StrPath) -> Iterator[Path]:
    """Give a temporary path beside `path`, renamed onto it when the block ends well, else removed.

    A link stays, and the file that it names is replaced; an old file's permissions are kept.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with replacing(Path(folder) / "a.txt") as temporary:
    ...         size = temporary.write_text("done")
    ...     (Path(folder) / "a.txt").read_text()
    'done'
    """
    path = Path(path)
    target = Path(os.path.realpath(path))
    with _naming(f"to {path.parent}"):
        target.parent.mkdir(parents=True, exist_ok=True)
        _clear(target.parent)
    with _naming(path):
        mode = None
        with suppress(FileNotFoundError):
            refuse_no_file(target)
            mode = stat.S_IMODE(target.stat().st_mode)
    # The system takes the umask off; nobody reads in the meantime what was private.
    flags, allowed = os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666 if mode is None else mode
    making = _temporary(target, target.suffix, lambda one: os.open(one, flags, allowed), path.parent)
    with making as (temporary, handle, held):
        yield temporary
        with _naming(path):
            os.fsync(handle)
            if mode is not None:
                temporary.chmod(mode)
            if fcntl is None:
                held.close()  # Windows renames no open file; elsewhere the lock is kept till then
            os.replace(temporary, target)
            _sync(target.parent)


def write_file(path: StrPath, data: bytes | str) -> Path:
    """Write bytes, or text as UTF-8, to `path` in one step; give the path back."""
    with replacing(path) as temporary, _naming(path):
        temporary.write_bytes(data.encode() if isinstance(data, str) else data)
    return Path(path)


# ---- a folder of files that belong together ----


@contextmanager
def replacing_folder(folder: StrPath, kind: str, *, keep: bool = False) -> Iterator[Path]:
    """Give a temporary folder, put in the place of `folder` when the block ends well, else removed.

    It is empty, or holds what the old one holds if `keep`. The old one must be ours, see `refuse_foreign`;
    `kind` names the command that writes it. Another run that writes there is waited for. A reader may find
    no folder for a moment, and never old and new files together.
    """
    shown, folder = folder, Path(os.path.realpath(folder))
    with _naming(f"to {shown}"):
        if lies_in(os.curdir, folder):
            raise ValueError(f"{shown} is the folder that you are in: name a new one, in it or beside it")
        folder.parent.mkdir(parents=True, exist_ok=True)
        _clear(folder.parent)
    with _alone_in(folder, shown):
        refuse_foreign(folder, kind, shown)
        with _temporary(folder, "", _made_folder, shown) as (holder, _, _):
            new, old = (holder / name / folder.name for name in ("new", "old"))
            with _naming(f"to {shown}"):
                old.parent.mkdir()
                new.parent.mkdir()
                new.mkdir()
                for path in _files(folder) if keep else ():
                    (new / path.relative_to(folder)).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copy2(path, new / path.relative_to(folder))
            try:
                yield new
            except OSError as error:  # of all paths the one that was named is said
                if error.errno is not None and str(error.filename or new).startswith(str(new)):
                    raise OSError(f"cannot write to {shown}: {error.strerror}") from None
                if str(new) in str(error):
                    raise OSError(str(error).replace(str(new), str(shown))) from None
                raise
            with _naming(f"to {shown}"):
                _write_manifest(new, kind)
                new.chmod(stat.S_IMODE(folder.stat().st_mode))
                for path in (*new.rglob("*"), new):
                    _sync(path)
                os.replace(folder, old)
                try:
                    os.replace(new, folder)
                except BaseException:
                    os.replace(old, folder)
                    raise
                _sync(folder.parent)


def refuse_foreign(folder: StrPath, kind: str, shown: StrPath | None = None) -> None:
    """Raise a `ValueError` if a folder holds a file that we did not write, or not as it is now."""
    ours = _manifest(Path(folder), kind)
    for path in _files(Path(folder)):
        name = path.relative_to(folder).as_posix()
        if path.name not in _OF_THE_SYSTEM and (name not in ours or ours[name] not in ("", _digest(path))):
            raise ValueError(
                f"{shown or folder} holds {name}, which is not, or no longer, as 'tapecalc {kind}' wrote it: "
                "name a new folder"
            )


def _files(folder: Path) -> Iterator[Path]:
    """All that a folder holds and that is no folder, one by one: a large one need not be read to its end."""
    entries = list(os.scandir(folder)) if folder.is_dir() else []
    for entry in sorted(entries, key=lambda entry: (entry.is_dir(follow_symlinks=False), entry.name)):
        if entry.is_dir(follow_symlinks=False):
            yield from _files(Path(entry.path))
        else:
            yield Path(entry.path)


def _manifest(folder: Path, kind: str) -> dict[str, str]:
    """The files of a folder by its list, each with its digest; none if it is of another kind."""
    lines = []
    with suppress(OSError, ValueError):
        lines = (folder / MANIFEST).read_text("utf-8").splitlines()
    if lines[:1] != [_title(kind)]:
        return {}
    return {MANIFEST: ""} | {name: digest for digest, _, name in (line.partition("  ") for line in lines[1:])}


def _title(kind: str) -> str:
    return f"# written by tapecalc {kind}, which replaces these files while they are unchanged and alone here"


def _write_manifest(folder: Path, kind: str) -> None:
    """Write the list of the files that are in a folder."""
    (folder / MANIFEST).unlink(missing_ok=True)
    rows = [f"{_digest(path)}  {path.relative_to(folder).as_posix()}" for path in _files(folder)]
    (folder / MANIFEST).write_text("\n".join([_title(kind), *rows, ""]), encoding="utf-8", newline="\n")


def _digest(path: Path) -> str:
    """SHA-256 of a file; of what is no file, none."""
    try:
        refuse_no_file(path)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return "unreadable"


@contextmanager
def _alone_in(folder: Path, shown: StrPath) -> Iterator[None]:
    """Keep other runs out of a folder, made if need be, until the block ends; one that stayed empty goes.

    The system lets go of it when a run ends, however it ends. Nothing is left in the folder.
    """
    made = False
    with ExitStack() as held:
        try:
            for attempt in range(round(10 * PATIENCE)):
                with _naming(f"to {shown}"):
                    made = made or not folder.exists()
                    folder.mkdir(exist_ok=True)
                    if fcntl is None:
                        break
                    handle = os.open(folder, os.O_RDONLY)
                    held.callback(os.close, handle)
                with suppress(FileNotFoundError):
                    # While we waited the other run may have put a new folder in the place of the one we hold.
                    if _lock(handle) is not False and os.path.samestat(os.fstat(handle), folder.stat()):
                        break
                held.close()
                if attempt == 0:
                    said = "waiting for another run that writes to %r"
                    logging.getLogger("tapecalc").warning(said, str(shown))
                threading.Event().wait(0.1)
            else:
                seconds = f"{PATIENCE:.0f} s"
                raise OSError(f"cannot write to {shown}: another run has been writing there for {seconds}")
            yield
        except BaseException:
            if made:
                with suppress(OSError):
                    folder.rmdir()
            raise


def _made_folder(holder: Path) -> int:
    """Make a private folder and open it, where the system can."""
    holder.mkdir(mode=0o700)
    return os.open(holder, os.O_RDONLY) if fcntl else -1


# ---- what both need ----


def _beside(target: Path, suffix: str = "") -> Path:
    """A temporary name beside a target."""
    return target.with_name(f".{target.stem[:40]}-tapecalc-{secrets.token_hex(4)}{suffix}")


@contextmanager
def _temporary(
    target: Path, suffix: str, make: Callable[[Path], int], shown: StrPath
) -> Iterator[tuple[Path, int, ExitStack]]:
    """Make and lock what is temporary beside a target; what is still there at the end is taken away.

    Given are its path, its handle, and what closes that. Its name is known before it is made, so that it goes
    wherever a signal ends the run.
    """
    names: list[Path] = []
    with ExitStack() as held:
        try:
            with _naming(f"to {shown}"):
                while True:
                    names.append(_beside(target, suffix))
                    handle = make(names[-1])
                    if handle >= 0:
                        held.callback(os.close, handle)
                    if _lock(handle) is not False and (handle < 0 or os.fstat(handle).st_nlink):
                        break
                    held.close()  # another run took it for left behind before it was locked
            yield names[-1], handle, held
        finally:
            if fcntl is None:
                held.close()  # Windows removes no open file
            for name in names:
                _discard(name)


def _discard(temporary: Path) -> None:
    if temporary.is_dir():
        shutil.rmtree(temporary, ignore_errors=True)
    elif temporary.exists():
        temporary.unlink()


def _lock(handle: int) -> bool | None:
    """Lock an open file or folder and give whether it could be had; None where the system knows no locks."""
    if fcntl is None:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # some network drives
        return None
    return True


def _clear(folder: Path) -> None:
    """Remove what killed runs left in a folder, and put back an old folder whose new one did not arrive.

    What a living run uses is locked; what another user made is left to them. Where there are no locks it is
    open, and then Windows keeps the file.
    """
    with suppress(OSError):
        with os.scandir(folder) as entries:
            left = [Path(entry.path) for entry in entries if _TEMPORARY.fullmatch(entry.name)]
        for path in left:
            with suppress(OSError):
                if fcntl is None:
                    path.unlink()
                    continue
                handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
                try:
                    if os.fstat(handle).st_uid == os.geteuid() and _lock(handle):
                        _remove(path)
                finally:
                    os.close(handle)


def _remove(path: Path) -> None:
    """Remove a temporary file, or a temporary folder once what stood in its place before is back there."""
    if not path.is_dir():
        path.unlink()
        return
    for old in (path / "old").glob("*"):
        if not (path.parent / old.name).exists():
            os.replace(old, path.parent / old.name)
    shutil.rmtree(path)


def _sync(path: Path) -> None:
    """Hand a file or a folder to the disk; some systems cannot do that with a folder."""
    if path.is_dir():
        with suppress(OSError):
            handle = os.open(path, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
    else:
        with path.open("r+b") as file:
            os.fsync(file.fileno())


@contextmanager
def _naming(what: object) -> Iterator[None]:
    """Say what could not be written if the disk refuses it."""
    try:
        yield
    except OSError as error:
        if error.errno is None:  # it has been said
            raise
        raise OSError(f"cannot write {what}: {error.strerror or error}") from None
