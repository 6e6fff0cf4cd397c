"""What was audited before, by the hash of the file and of the program. May be deleted at any time."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
import stat
import sys
from functools import lru_cache
from pathlib import Path
from types import TracebackType

import numpy as np
import scipy

from recorder import __version__
from recorder.audit.row import AuditRow
from recorder.errors import SettingError

__all__ = ["Cache", "default_cache", "key_of", "program"]

_MAGIC = b"SQLite format 3\0"
_ID_AT = 68  # where a database's own header has its application id (sqlite.org/fileformat.html, section 1.3)
_APPLICATION_ID = 0x48475241


def default_cache() -> Path | None:
    """Where the cache stands unless another place is named; None for a user who has no home."""
    with contextlib.suppress(RuntimeError):  # Path.home, where neither HOME nor the system names one
        return _own_place()
    return None


def _own_place() -> Path:
    if os.name == "nt":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "hose-gauge-recorder" / "audit-2.sqlite"


@lru_cache(maxsize=1)
def program() -> str:
    """Version and a hash of the program's own text: another program may judge otherwise."""
    digest = hashlib.sha256(f"{__version__} {np.__version__} {scipy.__version__}".encode())
    root = Path(__file__).parents[1]
    for path in sorted(root.rglob("*.py")):
        if not {"window", "cli", "picture", "sheet"} & set(path.relative_to(root).parts):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def key_of(data: bytes) -> str:
    return f"{program()}-{hashlib.sha256(data).hexdigest()}"


def _check(key: str, text: str) -> str:
    return hashlib.sha256(f"{key} {text}".encode()).hexdigest()


def _words(err: sqlite3.Error | OSError) -> str:
    return (err.strerror if isinstance(err, OSError) else None) or str(err)


def _is_ours(path: Path) -> bool:
    """Whether there is a cache of this program. False: nothing there yet, or a file of no bytes.

    Looked up in the file's own header, since to open a database may already write into it. SettingError for
    anything else: it is somebody's file, and is neither written to nor deleted.
    """
    try:
        info = path.stat()
        if stat.S_ISREG(info.st_mode):
            if not info.st_size:
                return False
            with path.open("rb") as file:
                head = file.read(_ID_AT + 4)
            if head.startswith(_MAGIC) and head[_ID_AT:] == _APPLICATION_ID.to_bytes(4, "big"):
                return True
    except FileNotFoundError:
        return False
    except OSError as err:
        raise SettingError(f"it cannot be opened as the audit's cache ({err.strerror})", where=str(path),
                           do="name another file, or use --no-cache") from None
    raise SettingError("this is no cache of the audit, and is left as it is", where=str(path),
                       do="name another file, or use --no-cache")


class Cache:
    """Rows by key. SettingError where something else stands in its place; whatever else goes wrong with it, the
    audit goes on without it.

    It is as trustworthy as the folder it stands in: the sum of an entry finds damage, not forgery, since whoever can
    write the file can compute the sum too.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self._db: sqlite3.Connection | None = None
        self._why = ""
        ours = _is_ours(self.path)
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._open(ours)
        except (sqlite3.Error, OSError) as err:
            self._why = _words(err)

    def _open(self, ours: bool) -> None:
        try:
            self._db = self._connected(ours)
        except sqlite3.OperationalError as err:
            self._db = None  # locked or not allowed
            self._why = _words(err)
        except sqlite3.DatabaseError as err:
            if not ours:  # somebody put another file there meanwhile, which is left as it is
                self._why = _words(err)
                return
            self.path.unlink(missing_ok=True)  # damaged
            self._db = self._connected(False)

    def _connected(self, ours: bool) -> sqlite3.Connection:
        db = sqlite3.connect(self.path, timeout=10, isolation_level=None)
        try:
            if not ours:  # in one transaction, so that there is never a table without the mark
                db.execute("begin immediate")
                db.execute(f"pragma application_id = {_APPLICATION_ID}")
            db.execute("create table if not exists audit (key text primary key, row text, sum text)")
            if not ours:
                db.execute("commit")
        except sqlite3.Error:
            db.close()
            raise
        return db

    def not_kept(self) -> str:
        """Why nothing can be remembered in it; empty where it can."""
        if self._db is None:
            return self._why
        try:
            self._db.execute("begin immediate")  # of a file that can only be read it is granted, too
            try:
                self._db.execute(f"pragma application_id = {_APPLICATION_ID}")
            finally:
                self._db.execute("rollback")
        except sqlite3.Error as err:
            return _words(err)
        return ""

    def get(self, key: str, file: str) -> AuditRow | None:
        """The row, if it is there and unharmed."""
        if self._db is None:
            return None
        try:
            found = self._db.execute("select row, sum from audit where key = ?", (key,)).fetchone()
            if found is None or found[1] != _check(key, found[0]):
                return None
            return AuditRow.from_json({**json.loads(found[0]), "file": file})
        except (sqlite3.Error, ValueError, TypeError, KeyError):
            return None

    def put(self, rows: list[tuple[str, AuditRow]]) -> None:
        if self._db is None or not rows:
            return
        values = []
        for key, row in rows:
            text = json.dumps(row.to_json())
            values.append((key, text, _check(key, text)))
        with contextlib.suppress(sqlite3.Error):
            self._db.execute("begin immediate")
            try:
                self._db.executemany("insert or replace into audit values (?, ?, ?)", values)
                self._db.execute("commit")
            except sqlite3.Error:
                self._db.execute("rollback")
                raise

    def close(self) -> None:
        if self._db is not None:
            self._db.close()
            self._db = None

    def __enter__(self) -> Cache:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.close()
