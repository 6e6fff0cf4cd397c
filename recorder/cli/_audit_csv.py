"""The audit as a table for a spreadsheet: one line a recording, with what the ledger of its folder says of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recorder.cli._audit_words import standings
from recorder.errors import printable
from recorder.recording.spreadsheet import sheet_line

if TYPE_CHECKING:
    from recorder.audit import AuditRow
    from recorder.cli._audit_ledgers import Ledgers, Seals

__all__ = ["HEAD", "Sheet"]

_OF_ROW = ("file", "id", "started", "job", "test", "marked", "adapter", "zero_kpa", "opening_kpa",
           "rate_kpa_per_min", "stored", "recomputed", "same", "differing", "intact", "where", "raw", "clock", "holes",
           "restarts", "calibration", "calibration_date", "cut", "seal_missing", "short", "error", "simulated",
           "copy_of")
# behind the ledger's, so that no other has moved
_MORE = ("difference", "program", "other_program", "same_id", "counts_as", "over")
HEAD = sheet_line((*_OF_ROW, "ledger", *_MORE))
_NO_LEDGER = "no ledger in its folder"
_NOT_SEALED = "not sealed, and not in the ledger"
_AS_LISTED = "as the ledger says"
_SEALED_SINCE = "sealed since it was read, as the ledger says"


class Sheet:
    """Lines as they are ready. Those of a folder are held back until all its recordings were seen: only then is known
    which of them its ledger lists otherwise. Fed one row at a time, folder by folder."""

    def __init__(self, seals: Seals) -> None:
        self._seals = seals
        self._folder: str | None = None
        self._held: list[AuditRow] = []

    def add(self, row: AuditRow) -> Iterator[str]:
        """A row, after the seals have it; the lines of the folder before, where this one begins another."""
        place = str(Path(row.file).parent)
        if place != self._folder:
            yield from self._lines()
            self._folder = place
        self._held.append(row)

    def rest(self, ledgers: Ledgers) -> Iterator[str]:
        """The lines of the last folder, and one of each recording that a ledger lists and no folder has."""
        yield from self._lines()
        for check in ledgers.checks:
            said = standings(check, ledgers.form)
            for name in check.missing:
                gone = str(Path(check.path).parent / name)
                yield sheet_line([printable(gone), *("" for _ in _OF_ROW[1:]), printable(said[name]),
                                  *("" for _ in _MORE)])

    def _lines(self) -> Iterator[str]:
        if not self._held or self._folder is None:
            return
        check = self._seals.check_of(self._folder)
        said = {} if check is None else standings(check, self._seals.form)
        for row in self._held:
            rest = _AS_LISTED if row.intact is True else _NOT_SEALED
            if check is None:
                rest = _NO_LEDGER
            elif check.unreadable is not None:
                rest = f"its folder's ledger cannot be used: {check.unreadable}"
            elif Path(row.file).name in check.sealed_since:
                rest = _SEALED_SINCE
            words = said.get(Path(row.file).name, rest)
            yield sheet_line([*(_cell(getattr(row, name)) for name in _OF_ROW), printable(words),
                              *(_cell(getattr(row, name)) for name in _MORE)])
        self._held = []


def _cell(value: Any) -> Any:
    if isinstance(value, tuple):
        return "; ".join(value)
    return printable(value) if isinstance(value, str) else value
