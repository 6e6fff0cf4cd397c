"""Every recording below a folder, on all cores."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path

from recorder.audit.cache import Cache, key_of
from recorder.audit.copies import marked_copies
from recorder.audit.row import AuditRow, audit_bytes, broken_row
from recorder.errors import FileError, RunError, as_text, printable
from recorder.recording import ended, listed_in, read_bytes, seal_of
from recorder.recording.folders import find_ledgers, find_recordings
from recorder.workers import WORTH_WORKERS, cores, spread

__all__ = ["audit_files", "audit_folder", "find_ledgers", "find_recordings"]

_LOAD = (__name__, "recorder.analysis.which_opening", "scipy.optimize")  # what a worker needs
_JUDGEMENT = b"\n# judgement: "
_Keyed = tuple[str | None, AuditRow]  # the key where the row is new and can be kept


_worker_cache: Cache | None = None


def _start_worker(cache: str | None) -> None:
    global _worker_cache
    _worker_cache = Cache(cache) if cache else None


def _stated(data: bytes) -> tuple[bool | None, str | None, str | None]:
    """intact, hash and stored outcome, from the file's own bytes: so much is never taken from the cache."""
    stored = None
    data = ended(data)
    start = data.rfind(_JUDGEMENT) + len(_JUDGEMENT)
    end = data.find(b"\n", start)
    if start >= len(_JUDGEMENT) and end > 0:
        with contextlib.suppress(ValueError, AttributeError):
            stored = as_text(json.loads(data[start:end]).get("outcome"))
    return (*seal_of(data), stored)


def _one(path: str, cache: Cache | None) -> _Keyed:
    try:
        return _audited(path, cache)
    except Exception as err:  # as too little memory for its bytes: no reason to stop
        return None, broken_row(path, err)


def _audited(path: str, cache: Cache | None) -> _Keyed:
    try:
        data = read_bytes(path)
    except FileError as err:
        return None, AuditRow(path, error=str(err))
    key = None
    if cache is not None:
        key = key_of(data)
        found = cache.get(key, path)
        if found is not None and (found.intact, found.sha256, found.stored) == _stated(data):
            return None, replace(found, file_sha256=key.rpartition("-")[2])
    row = audit_bytes(data, path)
    return (key if row.error is None else None), row


def _held_against(row: AuditRow, listed: dict[str, frozenset[str]]) -> AuditRow:
    """A file that was read, is no recording that can be judged and has no seal, though the ledger of its folder lists
    it: it was sealed, so that it counts as altered. listed: what each ledger lists, kept for the folder's next file."""
    if row.error is None or row.intact is not None or row.file_sha256 is None or row.cut or row.seal_missing:
        return row
    place = Path(row.file)
    folder = str(place.parent)
    if folder not in listed:
        listed[folder] = listed_in(folder)
    if place.name not in listed[folder]:
        return row
    return replace(row, intact=False, where=("its folder's ledger lists it, and has the seal that it had",))


def _chunk(paths: Sequence[str]) -> list[_Keyed]:
    return [_one(path, _worker_cache) for path in paths]


def audit_files(
    paths: Iterator[Path], *, jobs: int | None = None, cache: str | os.PathLike[str] | None = None
) -> Iterator[AuditRow]:
    """One row a file, in the order given. jobs: worker processes, None for one a core."""
    return marked_copies(_rows(paths, jobs, cache))


def _rows(paths: Iterator[Path], jobs: int | None, cache: str | os.PathLike[str] | None) -> Iterator[AuditRow]:
    names = (str(p) for p in paths)
    count = jobs or cores()
    keeper = Cache(cache) if cache is not None else None
    new: list[tuple[str, AuditRow]] = []
    listed: dict[str, frozenset[str]] = {}
    try:
        first = list(islice(names, WORTH_WORKERS + 1))
        chain = (n for part in (first, names) for n in part)
        found: Iterator[_Keyed]
        if count == 1 or len(first) <= WORTH_WORKERS:
            found = (_one(n, keeper) for n in chain)
        else:
            place = str(keeper.path) if keeper is not None else None
            found = spread(_chunk, chain, jobs=count, load=_LOAD, begin=_start_worker, given=(place,))
        for key, row in found:
            if key is not None:
                new.append((key, row))
            yield _held_against(row, listed)
            if keeper is not None and len(new) >= 256:
                keeper.put(new)
                new = []
    finally:
        if keeper is not None:
            keeper.put(new)  # also of an audit that was stopped
            keeper.close()


def audit_folder(
    folder: str | os.PathLike[str],
    *,
    jobs: int | None = None,
    cache: str | os.PathLike[str] | None = None,
) -> Iterator[AuditRow]:
    """Every recording below the folder, audited. FileError where there is no such folder."""
    if jobs is not None and jobs < 1:
        raise RunError(f"{jobs} workers cannot work", where=printable(str(folder)), do="give 1 or more")
    return audit_files(find_recordings(folder), jobs=jobs, cache=cache)
