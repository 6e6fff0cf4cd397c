"""The same audit on more than one machine: Dask maps the per-file function, fsspec reads any store.

Needs the extra ``cluster``. The rows are the same as on one machine, because the function is pure.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any

from recorder.audit.copies import marked_copies
from recorder.audit.row import AuditRow, audit_bytes
from recorder.errors import FileError, SettingError
from recorder.recording.folders import is_companion
from recorder.recording.ledger import HEAD_BYTES, LEDGER, begins_ledger
from recorder.recording.reader import LARGEST_BYTES

__all__ = ["audit_store"]

_CHUNK = 64
_IN_FLIGHT = 64  # chunks: bounds what waits on the scheduler


def _filesystem(url: str) -> tuple[Any, str]:
    try:
        import fsspec
    except ImportError:
        raise SettingError("a store needs the package fsspec, which is not installed",
                           do="install this program with its extra 'cluster'") from None
    try:
        found: tuple[Any, str] = fsspec.core.url_to_fs(url)
    except (ValueError, ImportError) as err:
        raise SettingError(f"'{url}' is not a store that can be opened ({err})") from None
    return found


def _audit_chunk(url: str, paths: Sequence[str]) -> list[AuditRow]:
    """Runs on a worker. url: the store, opened there anew."""
    fs, _ = _filesystem(url)
    out = []
    for path in paths:
        try:
            size = fs.size(path)
            if size is not None and size > LARGEST_BYTES:
                raise FileError(f"the file has {size} bytes, and a recording at most {LARGEST_BYTES}", path=path)
            data = fs.cat_file(path)
        except FileError as err:
            out.append(AuditRow(path, error=str(err)))
        except OSError as err:
            out.append(AuditRow(path, error=f"{path}: it cannot be read ({err})"))
        else:
            out.append(audit_bytes(data, path))
    return out


def _is_no_recording(fs: Any, path: str) -> bool:
    """Whether it is a ledger, or what macOS puts beside a file; by its name and how it begins."""
    name = path.rsplit("/", 1)[-1]
    if name != LEDGER and not name.startswith("._"):
        return False
    try:
        head: bytes = fs.cat_file(path, start=0, end=HEAD_BYTES)
    except OSError:  # then it is a file that cannot be read, as on one machine
        return False
    return is_companion(name, head) or (name == LEDGER and begins_ledger(head))


def audit_store(url: str, client: Any) -> Iterator[AuditRow]:
    """Every recording below a folder of a store, in order of name.

    url: a path that all workers see, or any URL of fsspec such as ``s3://shop/recordings``.
    client: a ``dask.distributed.Client``. FileError where there is no such folder.
    """
    return marked_copies(_rows(url, client))


def _rows(url: str, client: Any) -> Iterator[AuditRow]:
    fs, root = _filesystem(url)
    if not fs.exists(root):  # what is looked for in it is nothing, without a word
        raise FileError("there is no such folder", path=url, do="check the address")
    found = (p for p in fs.find(root) if p.lower().endswith(".csv") and not _is_no_recording(fs, p))
    names = iter(sorted(found, key=lambda p: (p.split("/")[:-1], p)))  # the order of find_recordings
    waiting: deque[Any] = deque()
    while True:
        while len(waiting) < _IN_FLIGHT and (chunk := list(islice(names, _CHUNK))):
            waiting.append(client.submit(_audit_chunk, url, chunk, pure=False))
        if not waiting:
            return
        yield from waiting.popleft().result()
