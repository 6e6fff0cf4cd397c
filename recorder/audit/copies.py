"""The same bytes under two names are one test, not two; nor are two files with one id."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from recorder.audit.row import AuditRow

__all__ = ["OfOneId", "marked_copies"]


@dataclass
class OfOneId:
    """Rows of files that are no copies in, each out with what those before it with its id say of it: each test has an
    id of its own, so one of the two was changed or cut. Such are one test, and ``counts_as`` names the one that counts
    so far: one that is whole by its seal before one that is not, else the first, which ``same_id`` names."""

    _known: dict[str, tuple[str, str, bool]] = field(default_factory=dict)  # first, which counts, whether that is whole

    def first(self, id_: str) -> str | None:
        """The first file with this id; None before one came."""
        return self._known[id_][0] if id_ in self._known else None

    def of(self, row: AuditRow) -> AuditRow:
        """The row, as it is among those that came."""
        if row.id is None:
            return row
        whole = row.intact is True
        first, counts, is_whole = self._known.setdefault(row.id, (row.file, row.file, whole))
        if first == row.file:
            return replace(row, same_id=None, counts_as=None)
        if whole and not is_whole:
            counts = row.file
            self._known[row.id] = first, counts, True
        return replace(row, same_id=first, counts_as=counts)


def marked_copies(rows: Iterable[AuditRow]) -> Iterator[AuditRow]:
    """The rows in their order; each of a file that has all bytes of an earlier one names that one in ``copy_of``, and
    one that has only its id says so as of ``OfOneId``."""
    first: dict[bytes, str] = {}
    ids = OfOneId()
    for row in rows:
        if row.file_sha256 is None:
            yield row
            continue
        known = first.setdefault(bytes.fromhex(row.file_sha256), row.file)
        yield ids.of(row) if known == row.file else replace(row, copy_of=known)
