"""Comma-separated rows to arrays, fast: whole columns of fixed-point numbers are read at once."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.model import IntArray

__all__ = ["LARGEST_NUMBER", "BadRow", "Grid"]

LARGEST_NUMBER = 2**62
_LONGEST_ROW = 4096  # bytes; a row of ours has about 60
_NUMBER_BYTES = b"0123456789.+-eE"
_COMMA, _LF, _POINT, _MINUS, _QUOTE = 44, 10, 46, 45, 34
_MOST_DIGITS = 15  # such a whole number, divided by 10**decimals, is the float nearest to the text
_MOST_DECIMALS = 8  # so many fill a word of eight bytes
_BEFORE = 16  # bytes before the rows, so that the first cell, too, has two words of eight before its end
_ZEROS, _OVER_NINE, _HIGH_BITS = (np.uint64(int(8 * b, 16)) for b in ("30", "76", "80"))
_LAST = np.array([(1 << 64) - (1 << 8 * (8 - n)) for n in range(9)], np.uint64)  # masks of the last n bytes
_PAIRS = [
    (np.uint64(10**n), np.uint64(8 * n), np.uint64(keep))
    for n, keep in ((1, 0x00FF00FF00FF00FF), (2, 0x0000FFFF0000FFFF), (4, 0x00000000FFFFFFFF))
]


class BadRow(Exception):
    """A row that cannot be used: its index among the data rows from 0, what was found, what to do (empty: what is
    right for the kind of file, which a row does not know)."""

    def __init__(self, index: int, what: str, do: str = "") -> None:
        super().__init__(index, what, do)
        self.index = index
        self.what = what
        self.do = do


def _regular(chunk: bytes, k: int, first: int) -> bytes:
    """The chunk without quotes and blank lines; BadRow where a row has not k cells."""
    out: list[bytes] = []
    for raw in chunk.split(b"\n")[:-1]:
        if not raw.strip():
            continue
        index = first + len(out)
        if len(raw) > _LONGEST_ROW:
            raise BadRow(index, f"a row of {len(raw)} bytes, and {_LONGEST_ROW} is the longest")
        try:
            cells = next(csv.reader([raw.decode("utf-8")], strict=True), [])
        except (csv.Error, UnicodeDecodeError) as err:
            raise BadRow(index, f"a row that is not CSV ({err})") from None
        if len(cells) != k:
            raise BadRow(index, f"{len(cells)} cells, and the header row has {k}")
        comma = next((c for c in cells[:2] if "," in c), None)
        if comma is not None:
            raise BadRow(index, f"the number '{comma[:40]}' has a comma in it", "write decimal points, like 0.000")
        # What needed quotes can only be in columns that are not read.
        plain = (c.replace(",", " ").replace('"', " ").replace("\n", " ") for c in cells)
        out.append(",".join(plain).encode() + b"\n")
    return b"".join(out)


def _whole(words: NDArray[np.uint64], digits: IntArray) -> NDArray[np.uint64] | None:
    """The number that the last ``digits`` (0 to 8) characters of each word of eight spell; None where one is no digit.

    Eight at a time, within a word: pairs of digits to numbers below 100, pairs of those to numbers below 10,000, and
    once more. The first character is in the lowest byte.
    """
    value = (words ^ _ZEROS) & _LAST[digits]
    if ((value | (value + _OVER_NINE)) & _HIGH_BITS).any():
        return None
    for times, shift, keep in _PAIRS:
        value = (value * times + (value >> shift)) & keep
    return value


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The cells of n rows of k columns. ``text``: bytes in which the rows begin at ``start``, 16 or more; ``ends``
    (n, k): where each cell ends in them. ``first``: index of the first row."""

    text: bytes
    data: NDArray[np.uint8]
    start: int
    ends: IntArray
    first: int

    def __len__(self) -> int:
        return len(self.ends)

    @classmethod
    def of(cls, text: bytes, start: int, end: int, k: int, first: int) -> Grid:
        """The rows between two places of ``text``: whole lines with LF. Raises BadRow where one has not k cells."""
        if start >= _BEFORE:
            found = cls._cut(text, start, end, k, first)
            if found is not None:
                return found
        text = b"0" * _BEFORE + text[start:end]
        found = cls._cut(text, _BEFORE, len(text), k, first)
        if found is None:
            text = b"0" * _BEFORE + _regular(text[_BEFORE:], k, first)
            found = cls._cut(text, _BEFORE, len(text), k, first)
        if found is None:
            raise BadRow(first, "rows that cannot be cut into cells")
        return found

    @classmethod
    def _cut(cls, text: bytes, start: int, end: int, k: int, first: int) -> Grid | None:
        data = np.frombuffer(text, np.uint8, end)
        at = np.flatnonzero(data[start:] <= _COMMA)  # digits, points and minus signs are above it
        at += start
        mark = data[at]
        ends_row = mark == _LF
        lines = int(np.count_nonzero(ends_row))
        if lines * k != len(at) or int(np.count_nonzero(mark == _COMMA)) != lines * (k - 1):
            if (mark == _QUOTE).any():
                return None
            at = at[ends_row | (mark == _COMMA)]
            ends_row = data[at] == _LF
        if lines * k != len(at) or not ends_row[k - 1 :: k].all():
            return None
        ends = at.reshape(-1, k)
        if int(np.diff(ends[:, -1], prepend=start - 1).max(initial=0)) > _LONGEST_ROW + 1:
            return None
        return cls(text, data, start, ends, first)

    def _column(self, column: int) -> tuple[IntArray, IntArray]:
        """Where the cells of a column begin and end."""
        end = np.ascontiguousarray(self.ends[:, column])
        if column:
            return self.ends[:, column - 1] + 1, end
        start = np.empty_like(end)
        start[:1], start[1:] = self.start, self.ends[:-1, -1] + 1
        return start, end

    def words(self, column: int) -> list[str] | None:
        """A column of text; None where all of it is empty."""
        start, end = self._column(column)
        full = np.flatnonzero(end > start)
        if not len(full):
            return None
        out = [""] * len(self)
        for i in full.tolist():
            out[i] = self.text[start[i] : end[i]].decode("utf-8", "replace").strip(" ")
        return out

    def numbers(
        self, column: int, name: str, whole: bool, *, required: bool
    ) -> Any:
        """A column as int64 or float64; empty cells, where allowed, become -1 or NaN. Blanks around a number are no
        part of it. BadRow."""
        dtype: Any = np.int64 if whole else np.float64
        start, end = self._column(column)
        full = end > start
        if required or full.all():
            return self._full(np.arange(len(self)), start, end, name, whole, required)
        out = np.full(len(self), -1 if whole else math.nan, dtype)
        rows = np.flatnonzero(full)
        if len(rows):
            out[rows] = self._full(rows, start[rows], end[rows], name, whole, required)
        return out

    def _full(
        self, rows: IntArray, start: IntArray, end: IntArray, name: str, whole: bool, required: bool
    ) -> Any:
        if not len(rows):
            return np.empty(0, np.int64 if whole else np.float64)
        found = self._fixed_point(start, end, whole)
        if found is None and not whole:
            found = self._mixed_point(start, end)
        if found is not None:
            return found
        places = zip(start.tolist(), end.tolist(), strict=True)
        return self._one_by_one([self.text[a:b].strip(b" ") for a, b in places], rows, name, whole, required)

    def _fixed_point(self, start: IntArray, end: IntArray, whole: bool) -> Any:
        """Numbers of cells that are all ``-?digits`` with as many decimals (none where whole); None where not."""
        minus = self.data[start] == _MINUS
        digits = end - start - minus
        shortest, longest = int(digits.min()), int(digits.max())
        begins = int(start[0] + minus[0])
        point = self.text.find(b".", begins, int(end[0]))
        decimals = int(end[0]) - 1 - point if point >= 0 else 0
        if point >= 0:
            if whole or not 1 <= decimals <= _MOST_DECIMALS or shortest < decimals + 2:
                return None
            if not (self.data[end - (decimals + 1)] == _POINT).all():
                return None
        behind = decimals or 8  # characters in the right word
        if shortest < 1 or longest > min(_MOST_DIGITS + (point >= 0), behind + (point >= 0) + 8):
            return None
        # each place in the bytes as the word of eight that begins there
        words = np.ndarray((len(self.data) - 7,), "<u8", self.text, 0, (1,))
        right = _whole(words[end - 8], np.minimum(digits, behind))
        if right is None:
            return None
        total = right.astype(np.int64)
        if longest > behind:
            gap = behind + (point >= 0)
            left = _whole(words[end - (gap + 8)], np.maximum(digits - gap, 0))
            if left is None:
                return None
            total += left.astype(np.int64) * 10**behind
        value = total if whole else total / 10.0**decimals
        return np.where(minus, -value, value) if minus.any() else value

    def _mixed_point(self, start: IntArray, end: IntArray) -> Any:
        """Numbers with up to eight decimals, some with more than others, as temperatures in steps of 1/16 degC have
        them; None where one of the cells is anything else."""
        decimals = np.zeros(len(end), np.int64)
        for n in range(1, _MOST_DECIMALS + 1):
            at = end - (n + 1)
            decimals[(at > start) & (self.data[at] == _POINT)] = n
        out = np.empty(len(end))
        for each in np.flatnonzero(np.bincount(decimals)):
            alike = decimals == each
            found = self._fixed_point(start[alike], end[alike], whole=False)
            if found is None:
                return None
            out[alike] = found
        return out

    def _one_by_one(
        self, cells: Sequence[bytes], rows: IntArray, name: str, whole: bool, required: bool
    ) -> Any:
        kind: Callable[[bytes], float] = int if whole else float
        out: list[float] = []
        for i, cell in zip(rows.tolist(), cells, strict=True):
            if not (cell or required):
                out.append(-1 if whole else math.nan)
                continue
            try:
                good = not cell.translate(None, _NUMBER_BYTES)
                value = kind(cell) if good else 0.0
                good = good and abs(value) < LARGEST_NUMBER
            except (ValueError, OverflowError):
                good = False
            if not good:
                shown = cell[:40].decode("utf-8", "replace")
                what = "a whole number" if whole else "a number that can be used"
                raise BadRow(self.first + i, f"{name} is '{shown}', which is not {what}" if cell
                             else f"{name} is empty, and every row needs one")
            out.append(value)
        return np.array(out, np.int64 if whole else np.float64)
