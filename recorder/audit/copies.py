"""The same bytes under two names are one test, not two."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from recorder.audit.row import AuditRow

__all__ = ["marked_copies"]


def marked_copies(rows: Iterable[AuditRow]) -> Iterator[AuditRow]:
    """The rows in their order; each of a file that has all bytes of an earlier one names that one in ``copy_of``, and
    one that has only its id in ``same_id``: each test has an id of its own, so one of the two was changed or cut."""
    first: dict[bytes, str] = {}
    by_id: dict[str, str] = {}
    for row in rows:
        if row.file_sha256 is None:
            yield row
            continue
        known = first.setdefault(bytes.fromhex(row.file_sha256), row.file)
        if known != row.file:
            yield replace(row, copy_of=known)
            continue
        other = row.file if row.id is None else by_id.setdefault(row.id, row.file)
        yield row if other == row.file else replace(row, same_id=other)
