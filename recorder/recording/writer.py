"""The writer: creates a file that was not there, only ever appends, and never hides a failed write."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import math
import os
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from recorder.errors import RunError, StorageError
from recorder.model import FaultRun, Header, Mark, Rows
from recorder.recording.annotations import annotation_line, header_text
from recorder.recording.aside import Aside
from recorder.recording.ledger_append import append_ledger
from recorder.recording.rows import RAW_COLUMNS, BadRow, columns_line, written
from recorder.recording.whole import sync_folder

__all__ = ["Writer", "check_folder"]

_SYNC_EVERY_S = 1.0
# A busy disk takes seconds. What takes longer than this, as a share whose server is gone, may never come, and whoever
# stands at the pump waits for the judgement. Common practice, no source.
_LONGEST_SYNC_S = 60.0
_WHY = {
    errno.ENOSPC: ("the disk is full", "free some space and test again"),
    errno.EDQUOT: ("your share of the disk is full", "free some space and test again"),
    errno.EIO: ("the disk failed", "use another disk and test again"),
    errno.EROFS: ("the disk is read-only", "choose another folder"),
    errno.EACCES: ("you may not write here", "choose another folder"),
    errno.ENOENT: ("the folder is gone, or cannot be made", "choose another folder"),
    errno.EEXIST: ("this is a file, and no folder", "choose another folder"),
    errno.ENOTDIR: ("a part of this is a file, and no folder", "choose another folder"),
}


def _storage_error(err: OSError, path: Path, saved: str = "") -> StorageError:
    what, do = _WHY.get(err.errno or 0, (f"writing failed ({err.strerror})", "test again"))
    return StorageError(what + saved, where=str(path), do=do)


def _put_down(fd: int) -> bool:
    os.fsync(fd)
    return True


def check_folder(folder: Path) -> None:
    """StorageError where no recording can be written in ``folder``; nothing is left behind, also no folder that was
    not there."""
    made: list[Path] = []
    try:
        made = [path for path in (folder, *folder.parents) if not path.exists()]
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as err:
        raise _storage_error(err, folder) from None
    finally:
        for path in made:
            with contextlib.suppress(OSError):
                path.rmdir()


class Writer:
    """One recording being written. Rows reach the system at once, so that they outlive this program; once a
    second they are sent on to the disk, in a thread, as long as ``add`` or ``flush`` is called that often. Raises
    StorageError; after one, all calls but ``close`` raise it again, and the file is readable up to its last whole
    line.

    when: the host's clock at the start, only used for the name and the ``started`` annotation.
    clock: monotonic seconds; says when to sync.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        header: Header,
        *,
        when: datetime | None = None,
        unit: str = "kPa",
        id4: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        ledger: bool = True,
    ) -> None:
        moment = (when or datetime.now(UTC)).astimezone(UTC)
        self._folder = Path(folder)
        self._unit = unit
        self._clock = clock
        self._ledger = ledger
        self._hash = hashlib.sha256()
        self._size = 0
        self._last_time_s = -math.inf
        self._failure: StorageError | None = None
        self._sealed: str | None = None
        self._fd = -1
        self.rows_written = 0
        self.path, self.header = self._create(header, moment, id4)
        self._aside: Aside[bool] = Aside()
        self._answers = True  # the disk, in time
        self._folder_synced = False
        self._synced = -math.inf
        self._asked_s = 0.0  # when what is under way to the disk was begun
        try:
            self._write(header_text(self.header) + (columns_line(unit, RAW_COLUMNS) + "\n").encode())
        except StorageError:
            self._unmake()
            raise
        self._sync_soon()

    def _unmake(self) -> None:
        """Lets go of a file that could not even be begun, and takes it away where it is empty: it is no recording."""
        fd, self._fd = self._fd, -1
        with contextlib.suppress(OSError):
            os.close(fd)
            if not self.path.stat().st_size:
                self.path.unlink()

    def _create(self, header: Header, moment: datetime, id4: str | None) -> tuple[Path, Header]:
        stamp = moment.strftime("%Y%m%dT%H%M%SZ")
        started = moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0)
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as err:
            raise _storage_error(err, self._folder) from None
        for _ in range(100):
            own = id4 or os.urandom(2).hex()
            path = self._folder / f"{stamp}-{header.test}-{own}.csv"
            try:
                self._fd = os.open(path, flags, 0o644)
            except FileExistsError:
                if id4:
                    break
                continue
            except OSError as err:
                raise _storage_error(err, path) from None
            return path, replace(
                header, id=header.id or f"{stamp}-{own}", started=header.started or started
            )
        raise StorageError("a recording of this name is there already", where=str(path),
                           do="wait a second and start again; nothing is ever overwritten")

    # ------------------------------------------------------------ writing

    @property
    def size(self) -> int:
        """Bytes written."""
        return self._size

    @property
    def sealed(self) -> str | None:
        """The hash that it was sealed with; None where it is not. The ledger's line may be missing all the same."""
        return self._sealed

    @property
    def waits_s(self) -> float:
        """For how long (s) the disk has not answered; 0 where nothing is under way to it, or was refused."""
        return self._clock() - self._asked_s if self._aside.busy and self._failure is None else 0.0

    def _fail(self, error: StorageError) -> StorageError:
        self._failure = error
        return error

    def _ready(self) -> None:
        if self._failure is not None:
            raise self._failure
        if self._fd < 0 or self._sealed:
            raise StorageError("this recording is finished", where=str(self.path))

    def _write(self, data: bytes, *, of_rows: bool = False) -> None:
        """All of ``data`` or StorageError. What a failed write left of it is cut off again, of rows the whole lines
        are kept: nothing can be glued onto a part of one. Where even that fails, the reader drops the part."""
        self._ready()
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[os.write(self._fd, rest):]
        except OSError as err:
            kept = data.rfind(b"\n", 0, len(data) - len(rest)) + 1 if of_rows else 0
            self._took(data[:kept])
            self.rows_written += data.count(b"\n", 0, kept)
            try:
                os.ftruncate(self._fd, self._size)
                os.fsync(self._fd)
            except OSError:
                pass
            saved = f"; {self.rows_written} rows were saved"
            raise self._fail(_storage_error(err, self.path, saved)) from None
        self._took(data)

    def _took(self, data: bytes) -> None:
        self._hash.update(data)
        self._size += len(data)

    def _sync(self) -> None:
        """To the disk, and wait for it, though not for ever."""
        self._synced_aside(wait=True)
        self._asked_s = self._clock()
        self._aside.start(self._to_disk)
        self._synced_aside(wait=True)
        self._synced = self._clock()

    def _sync_soon(self, *, at_once: bool = False) -> None:
        """To the disk where that is due (``at_once``: it is), without waiting: a busy disk can take seconds, and rows
        go on coming. What came of the last time is told first."""
        if at_once:
            self._synced = -math.inf
        self._synced_aside()
        if not self._aside.busy and self._clock() - self._synced >= _SYNC_EVERY_S:
            self._synced = self._asked_s = self._clock()
            self._aside.start(self._to_disk)

    def _synced_aside(self, *, wait: bool = False) -> None:
        saved = f"; up to {self.rows_written} rows were saved"
        try:
            there = self._aside.take(wait_s=_LONGEST_SYNC_S if wait and self._answers else 0.0)
        except OSError as err:
            raise self._fail(_storage_error(err, self.path, saved)) from None
        if wait and self._aside.busy:
            self._answers = False
            raise self._fail(StorageError(f"the disk does not answer{saved}", where=str(self.path),
                                          do="check it, and the network where it is on one, and test again"))
        if there is False:
            raise self._fail(StorageError(
                "the file was removed or moved while it was being written", where=str(self.path),
                do="leave the folder in place and test again",
            ))

    def _to_disk(self) -> bool:
        """Whether the file is still where it was made. Raises OSError. Runs in a thread."""
        os.fsync(self._fd)
        if not self._folder_synced:
            sync_folder(self._folder)
            self._folder_synced = True
        try:
            mine, there = os.fstat(self._fd), self.path.stat()
        except FileNotFoundError:
            return False
        return mine.st_nlink > 0 and (there.st_ino, there.st_dev) == (mine.st_ino, mine.st_dev)

    def add(self, rows: Rows) -> Rows:
        """Write rows; the values as parsed back from what was written. RunError where a row could not
        be read back (time not rising, a value that is not finite): nothing is written then."""
        self._ready()
        if not len(rows):
            return rows
        try:
            text, back = written(rows, self._unit)
        except BadRow as bad:
            raise RunError(f"a sample cannot be recorded: {bad.what}", where=str(self.path)) from None
        if not back.time_s[0] > self._last_time_s:
            raise RunError(
                f"a sample cannot be recorded: its time {back.time_s[0]:.6f} s is not after the "
                f"last one ({self._last_time_s:.6f} s)", where=str(self.path))
        self._write(text, of_rows=True)
        self._last_time_s = float(back.time_s[-1])
        self.rows_written += len(back)
        self._sync_soon()
        return back

    def mark(self, mark: Mark) -> None:
        """A finding, between the rows; on its way to the disk when this returns, or as soon as what is under way there
        is done."""
        self._write(annotation_line("mark", {"time_s": round(mark.time_s, 6), "text": mark.text}))
        self._sync_soon(at_once=True)

    def annotate(self, name: str, value: Any) -> None:
        """Any other annotation, between the rows; on the disk when this returns."""
        self._write(annotation_line(name, value))
        self._sync()

    def fault(self, run: FaultRun) -> None:
        """What the adapter reported, between the rows; it goes to the disk with them."""
        self._write(annotation_line("adapter-fault", run.to_json()))
        self._sync_soon()

    def flush(self, *, now: bool = False) -> None:
        """On its way to the disk, when a second has passed since the last time; ``now``: on it."""
        self._ready()
        if now:
            self._sync()
        else:
            self._sync_soon()

    def seal(self, judgement_json: Mapping[str, Any]) -> str:
        """Judgement and hash, then the ledger's line, then close. The hash of all bytes before its line."""
        self._ready()
        self._sync()
        line = annotation_line("judgement", dict(judgement_json))
        whole = self._hash.copy()
        whole.update(line)
        digest = whole.hexdigest()
        self._write(line + f'# sha256: "{digest}"\n'.encode())
        self._sync()
        self._sealed = digest
        self.close()
        if self._ledger:
            append_ledger(self._folder, self.path.name, digest)
        return digest

    def close(self) -> None:
        """Let go of the file, sealed or not; where the disk does not answer that is left to the system. Twice is
        fine."""
        if self._fd < 0:
            return
        with contextlib.suppress(OSError):  # told by the sync below, if it is still so
            self._aside.take(wait_s=_LONGEST_SYNC_S if self._answers else 0.0)
        self._answers = self._answers and not self._aside.busy
        fd, self._fd = self._fd, -1
        try:
            if not self._failure:
                if not self._aside.busy:
                    self._aside.start(partial(_put_down, fd))
                self._synced_aside(wait=True)
        finally:
            if not self._aside.busy:  # else its thread still has it
                os.close(fd)
