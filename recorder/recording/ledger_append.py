"""A recording's line added to the ledger of its folder: whole or not at all, among processes and threads, also where an
editor puts another file in the ledger's place meanwhile. What a full disk refused is added with the next line."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import os
import stat
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from recorder.errors import StorageError
from recorder.recording.ledger import FIRST, HEAD, LEDGER
from recorder.recording.whole import sync_folder

__all__ = ["append_ledger"]

_LOCKED_BYTE = 1 << 30
_WAIT_S, _AGAIN_S = 10.0, 0.01  # for the lock, as Windows waits; a recorder holds it for milliseconds
_NO_LOCKS = {errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS}  # of a shared folder whose server keeps none
_LOCK_FILE = "ledger.lock"
_TRIES = 5  # where it is put in the place of another; an editor does so once


class _Sealed(NamedTuple):
    """What a line says of a recording, but for the line before it. time: of its seal, as it is written."""

    time: str
    file: str
    sha256: str


_refused: dict[Path, tuple[_Sealed, ...]] = {}  # by ledger: what has no line yet, since this program began
_refused_lock = threading.Lock()


def _wait_for(take: Callable[[], None], held: str) -> None:
    """``take``, as soon as no other has it. OSError with the word ``held`` where another program does not let go of it:
    whoever ended a test is not to wait for that."""
    end = time.monotonic() + _WAIT_S
    while True:
        try:
            return take()
        except (BlockingIOError, FileExistsError):
            if time.monotonic() >= end:
                raise OSError(errno.EAGAIN, held) from None
            time.sleep(_AGAIN_S)


@contextmanager
def _alone(lock: Path) -> Iterator[None]:
    """The only one that made the file ``lock``, which O_EXCL grants to one alone, over a network too. OSError."""
    _wait_for(lambda: os.close(os.open(lock, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)),
              f"{lock.name} beside it says that another program writes it; where none does, remove that file")
    try:
        yield
    finally:
        with suppress(OSError):
            lock.unlink()


@contextmanager
def _locked(fd: int, path: Path) -> Iterator[None]:
    """The only one at the ledger ``path``, open as ``fd``, also among processes. OSError."""
    if os.name == "nt":
        import msvcrt  # type: ignore[import-not-found,unused-ignore]

        # Locks are binding there, so a byte that no reader asks for is taken.
        os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(fd, msvcrt.LK_LOCK, 1)  # type: ignore[attr-defined,unused-ignore]
        try:
            yield
        finally:
            os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(fd, msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        return
    import fcntl

    try:
        _wait_for(lambda: fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB), "another program holds it")
    except OSError as err:
        if err.errno not in _NO_LOCKS:
            raise
        with _alone(path.with_name(_LOCK_FILE)):
            yield
        return
    try:
        yield
    finally:
        fcntl.flock(fd, fcntl.LOCK_UN)


def _csv_line(cells: Sequence[str]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue().encode()


def _put(fd: int, data: bytes) -> None:
    """All of it, on the disk, or nothing: a part of a line would be a broken one for ever. OSError."""
    size = os.fstat(fd).st_size
    rest = memoryview(data)
    try:
        while rest:
            rest = rest[os.write(fd, rest):]
        os.fsync(fd)
    except OSError:
        with suppress(OSError):
            os.ftruncate(fd, size)
        raise


def _taken_away(fd: int, path: Path) -> bool:
    """Whether another file is at its place by now, or none. What is open on Windows stays where it is."""
    if os.name == "nt":
        return False
    try:
        mine, there = os.fstat(fd), path.stat()
    except FileNotFoundError:
        return True
    return (mine.st_ino, mine.st_dev) != (there.st_ino, there.st_dev)


def _lines_after(lines: bytes, sealed: Sequence[_Sealed]) -> tuple[bytes, str]:
    """What follows ``lines``, the ledger so far, and the hash of the last of them. What is listed already, as an editor
    saw it, is not listed again."""
    new = b"" if lines else HEAD
    if lines and not lines.endswith(b"\n"):
        new = b"\n"  # a line that a crash cut short stays visible as a line of its own
    before = lines.removesuffix(b"\n").split(b"\n")[1:]  # as it is checked: LF alone ends a line
    last = hashlib.sha256(before[-1]).hexdigest() if before else FIRST
    for one in sealed:
        begin = _csv_line(one)[:-1] + b","
        own = [line for line in before if line.startswith(begin)]
        line = own[-1] if own else begin + last.encode()
        new += b"" if own else line + b"\n"
        last = hashlib.sha256(line).hexdigest()
    return new, last


def _append(path: Path, sealed: Sequence[_Sealed]) -> str:
    """The hash of the last line. OSError."""
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
    last = FIRST
    for tries_left in reversed(range(_TRIES)):
        fd = os.open(path, flags, 0o644)
        try:
            if not stat.S_ISREG(os.fstat(fd).st_mode):
                raise OSError(errno.EINVAL, "it is a device or pipe, not a file")  # reading it may never end
            with _locked(fd, path):
                if tries_left and _taken_away(fd, path):  # while the lock was waited for
                    continue
                with open(fd, "rb", closefd=False) as file:
                    file.seek(0)
                    before = file.read()
                new, last = _lines_after(before, sealed)
                _put(fd, new)
                if not before:  # it is new
                    sync_folder(path.parent)
                if not _taken_away(fd, path):
                    break
        finally:
            os.close(fd)
    return last


def append_ledger(folder: str | os.PathLike[str], file: str, sha256: str) -> str:
    """Add a line for a sealed recording; the hash of that line. Safe among processes. StorageError; then this program
    adds it before its next line for that folder, if the recording is still there."""
    path = Path(folder) / LEDGER
    moment = datetime.now(UTC).isoformat(timespec="milliseconds")
    own = _Sealed(moment.replace("+00:00", "Z"), file, sha256)
    place = path.absolute()
    with _refused_lock:
        waiting = _refused.get(place, ())
    sealed = (*(one for one in waiting if os.path.lexists(place.with_name(one.file))), own)
    try:
        last = _append(path, sealed)
    except OSError as err:
        with _refused_lock:
            _refused[place] = (*_refused.get(place, ()), own)
        raise StorageError(f"the ledger cannot be written ({err.strerror})", where=str(path),
                           do="the recording itself is saved and sealed") from None
    with _refused_lock:
        _refused[place] = tuple(one for one in _refused.get(place, ()) if one not in waiting)
    return last
