"""The file of one test while it grows: opened with its first rows, kept within its bounds, sealed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TypeVar

import numpy as np

from recorder.analysis import MOST_SAMPLES
from recorder.errors import RunError, StorageError
from recorder.model import Header, JsonObject, Rows
from recorder.recording import LARGEST_BYTES, Writer
from recorder.session import words
from recorder.session.pressure import halves

__all__ = ["Keeper"]

# A recording that nobody ends is sealed here, for no more is judged; a pressure test lasts minutes.
MOST_ROWS = MOST_SAMPLES
_MOST_BYTES = LARGEST_BYTES - (16 << 20)  # room for what is under way, and for the seal
# A busy disk takes seconds; one that takes longer may never answer. Common practice, no source.
SLOW_S = 10.0

_T = TypeVar("_T")


class Keeper:
    """writer: None before the first rows. error: what the disk refused; nothing is stored after it. began: when the
    test did; None: with its first rows."""

    def __init__(self, folder: Path, began: datetime | None = None) -> None:
        self.folder = folder
        self._began = began
        self.writer: Writer | None = None
        self.error: StorageError | None = None

    @property
    def path(self) -> Path | None:
        return self.writer.path if self.writer is not None else None

    @property
    def slow(self) -> StorageError | None:
        """That the disk does not answer at the moment; it may yet."""
        if self.writer is None or self.error is not None or self.writer.waits_s < SLOW_S:
            return None
        return words.slow_disk(self.writer)

    def open(self, facts: Header) -> None:
        try:
            self.writer = Writer(self.folder, facts, when=self._began)
        except StorageError as err:
            self.error = err

    def store(self, what: Callable[[Writer], _T]) -> _T | None:
        """``what`` done with the writer; None when nothing can be stored (any more)."""
        if self.writer is None or self.error is not None:
            return None
        try:
            return what(self.writer)
        except StorageError as err:
            self.error = err
            return None

    def rows(self, rows: Rows) -> Iterator[Rows]:
        """``rows`` as they stand in the file, each part once it is there. RunError where a row cannot be
        recorded; those before it are kept. Where nothing is stored: what would have been written, for the live view
        goes on."""
        try:
            back = self.store(lambda w: w.add(rows))
        except RunError:
            if len(rows) > 1:
                for part in halves(rows):
                    yield from self.rows(part)
            raise
        yield replace(rows, pressure_kpa=np.round(rows.pressure_kpa, 4)) if back is None else back

    def full(self) -> RunError | None:
        """That no more fits in."""
        writer = self.writer
        if writer is None or (writer.rows_written < MOST_ROWS and writer.size < _MOST_BYTES):
            return None
        return words.full(writer)

    def seal(self, ended: JsonObject, judgement: JsonObject) -> str | None:
        """The last annotations; the file's sha256, None where it is not sealed."""
        self.store(lambda w: w.annotate("ended", ended))
        self.store(lambda w: w.seal(judgement))
        if self.writer is None:
            return None
        try:
            self.writer.close()
        except StorageError as err:
            self.error = self.error or err
        return self.writer.sealed  # also where only the ledger could not be written
