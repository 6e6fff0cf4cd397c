"""The same bytes under two names are one test, not two."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from recorder.audit.row import AuditRow

__all__ = ["marked_copies"]


def marked_copies(rows: Iterable[AuditRow]) -> Iterator[AuditRow]:
    """The rows in their order; each of a file that has all bytes of an earlier one names that one in ``copy_of``, and
    one that has only its id in ``same_id``: each test has an id of its own, so one of the two was changed or cut. Such
    are one test, and ``counts_as`` names the one that counts so far: one that is whole by its seal before one that is
    not, else the first."""
    first: dict[bytes, str] = {}
    by_id: dict[str, tuple[str, str, bool]] = {}  # the first one, the one that counts, and whether that is whole
    for row in rows:
        if row.file_sha256 is None:
            yield row
            continue
        known = first.setdefault(bytes.fromhex(row.file_sha256), row.file)
        if known != row.file:
            yield replace(row, copy_of=known)
            continue
        whole = row.intact is True
        if row.id is None:
            yield row
            continue
        other, counts, is_whole = by_id.setdefault(row.id, (row.file, row.file, whole))
        if other == row.file:
            yield row
            continue
        if whole and not is_whole:
            counts = row.file
            by_id[row.id] = (other, counts, True)
        yield replace(row, same_id=other, counts_as=counts)
