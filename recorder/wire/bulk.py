"""Many sample lines at once with arrays. It only ever accepts what the plain path would accept, with the
same values; every other line is left to the plain path.

With a start value of 0 the check is linear: the XOR over all bytes of what each byte alone, followed by
the bytes after it as zeros, would give. So one table (distance from the end, byte) and one XOR a line do.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.wire.encode import LONGEST_LINE
from recorder.wire.fields import HIGHEST_COUNTS, HIGHEST_SEQ, HIGHEST_US, temperature

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.model import FloatArray, IntArray

_LF, _CR, _STAR, _COMMA, _S = 10, 13, 42, 44, 83
_AFTER = 7  # bytes behind the body: "*", four digits, CR, LF
_PAD = 16
SLICE = 1 << 18  # bytes to take at once, so that the arrays stay in the cache
_MOST = 16  # digits; a longer number is left to the plain path
_SHORTEST = len(b"S,0,0,0,,*0000")


def _check_table() -> NDArray[np.uint16]:
    table = np.zeros((_AFTER + LONGEST_LINE, 256), np.uint16)
    for distance in range(LONGEST_LINE):
        for byte in range(256):
            table[_AFTER + distance, byte] = binascii.crc_hqx(bytes([byte]) + bytes(distance), 0)
    return table.ravel()


def _hex_table() -> NDArray[np.int32]:
    """Value of two hex digits, read as one little-endian word; -1 where they are none."""
    table = np.full(1 << 16, -1, np.int32)
    digits = b"0123456789ABCDEF"
    for i, high in enumerate(digits):
        for j, low in enumerate(digits):
            table[high | low << 8] = 16 * i + j
    return table


@lru_cache(maxsize=1)
def _tables() -> tuple[NDArray[np.uint16], NDArray[np.int32]]:
    return _check_table(), _hex_table()  # made on first use: 30 ms


@dataclass(frozen=True, slots=True, eq=False)
class Bulk:
    """``ok``: one bool a line. The other arrays have one item for each line that is ok.
    ``start``, ``end``: where each line lies, without CR and LF."""

    ok: NDArray[np.bool_]
    start: IntArray
    end: IntArray
    seq: IntArray
    device_us: IntArray
    counts: IntArray
    supply: FloatArray
    temp_c: FloatArray


def _words(padded: bytes, kind: str) -> NDArray[Any]:
    """Every place of ``padded`` as the start of a little-endian word (a view, nothing is copied)."""
    size = np.dtype(kind).itemsize
    return np.ndarray((len(padded) - size + 1,), kind, padded, 0, (1,))


def _eight_digits(
    words: NDArray[np.uint64], end: IntArray, width: IntArray
) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
    """Decimal integers of ``width`` 0 to 8 digits that end before ``end``, and which of them are digits only.

    Eight characters are one word: pairs, then fours, then all eight are joined by a multiply and a shift.
    """
    v = words[end - 8]
    v ^= np.uint64(0x3030303030303030)
    v &= _FIELD[width]
    high = v + np.uint64(0x0606060606060606)
    high |= v
    high &= np.uint64(0xF0F0F0F0F0F0F0F0)
    for joins, shift, keep in _JOINS:
        v *= joins
        v >>= shift
        v &= keep
    return v, high == 0


# 10, 100 and 10000 times the left one plus the right one, in every half at once; where the sum ends up; what is kept.
_JOINS = tuple(
    (np.uint64((10**digits << bits) + 1), np.uint64(bits), np.uint64(keep))
    for digits, bits, keep in (
        (1, 8, 0x00FF00FF00FF00FF), (2, 16, 0x0000FFFF0000FFFF), (4, 32, 0xFFFFFFFF)
    )
)
# Which bytes of a word belong to a field of 0 to 8 characters: the last ones, which are the high ones.
_FIELD = np.array([(2**64 - 1) ^ (2 ** (64 - 8 * w) - 1) for w in range(9)], np.uint64)


def _numbers(
    words: NDArray[np.uint64], comma: IntArray, end: IntArray, most: int
) -> tuple[IntArray, NDArray[np.bool_]]:
    """The integers between ``comma`` and ``end``, and which are digits only and at most ``most`` long."""
    width = end - comma - 1
    good = width <= most
    value, digits = _eight_digits(words, end, np.minimum(width, 8))
    good &= digits
    if len(width) and int(width.max()) > 8:
        high, digits = _eight_digits(words, end - 8, np.clip(width - 8, 0, 8))
        good &= digits
        value += high * np.uint64(10**8)
    return value.astype(np.int64), good


def parse_bulk(data: bytes) -> Bulk:
    """``data``: whole lines, the last byte is LF."""
    check_table, hex_table = _tables()
    padded = bytes(_PAD) + data  # so that a word that ends anywhere in the data begins inside
    words = _words(padded, "<u8")
    a = np.frombuffer(padded, np.uint8)
    lf = np.flatnonzero(a == _LF)
    start = np.empty_like(lf)
    start[0] = _PAD
    start[1:] = lf[:-1] + 1
    end = lf - ((a[lf - 1] == _CR) & (lf > start))
    star = np.maximum(end - 5, 0)
    ok = (lf - start < LONGEST_LINE) & (end - start >= _SHORTEST) & (a[star] == _STAR) & (a[start] == _S)
    pairs = _words(padded, "<u2")
    high, low = hex_table[pairs[end - 4]], hex_table[pairs[end - 2]]
    ok &= (high >= 0) & (low >= 0) & (_checks(a, check_table, start, lf, star) == high * 256 + low)

    comma_at = np.flatnonzero(a == _COMMA)
    c, lines = _five(comma_at, start, lf, ok)
    ok, own_start, own_star = (ok, start, star) if lines is None else (ok[lines], start[lines], star[lines])
    good = ok & (c[0] == own_start + 1) & (c[1] - c[0] > 1) & (c[2] - c[1] > 1) & (c[3] - c[2] > 1)
    seq, fine = _numbers(words, c[0], c[1], 8)
    good &= fine & (seq <= HIGHEST_SEQ)
    device_us, fine = _numbers(words, c[1], c[2], _MOST)
    good &= fine & (device_us <= HIGHEST_US)
    counts, fine = _numbers(words, c[2], c[3], _MOST)
    good &= fine & (counts <= HIGHEST_COUNTS)
    number, fine = _numbers(words, c[3], c[4], _MOST)
    empty = c[4] - c[3] == 1
    good &= fine & (empty | (number > 0)) & (number <= HIGHEST_COUNTS)
    supply = number.astype(np.float64)
    supply[empty] = np.nan
    temp_c = _temperatures(padded, c[4] + 1, own_star, good)
    start -= _PAD
    end -= _PAD
    if lines is None:
        accepted = good
    else:
        accepted = np.zeros(len(lf), np.bool_)
        accepted[lines] = good
    if not good.all():
        seq, device_us, counts = seq[good], device_us[good], counts[good]
        supply, temp_c = supply[good], temp_c[good]
    return Bulk(accepted, start, end, seq, device_us, counts, supply, temp_c)


def _five(
    comma_at: IntArray, start: IntArray, lf: IntArray, ok: NDArray[np.bool_]
) -> tuple[IntArray, IntArray | None]:
    """The commas of every line that has five, shape (5, lines), and which lines; None where all have."""
    if len(comma_at) == 5 * len(lf):
        c = np.ascontiguousarray(comma_at.reshape(-1, 5).T)
        if ((c[0] >= start) & (c[4] < lf)).all():
            return c, None
    commas = np.diff(np.searchsorted(comma_at, lf), prepend=0)
    use = ok & (commas == 5)
    return np.ascontiguousarray(comma_at[np.repeat(use, commas)].reshape(-1, 5).T), np.flatnonzero(use)


@lru_cache(maxsize=1)
def _usual_places() -> IntArray:
    return np.arange(0, (SLICE + _PAD) * 256, 256)


def _places(n: int) -> IntArray:
    """Where each of n bytes stands, times the width of the table."""
    usual = _usual_places()
    return usual[:n] if n <= len(usual) else np.arange(0, n * 256, 256)


def _checks(
    a: NDArray[np.uint8], table: NDArray[np.uint16], start: IntArray, lf: IntArray, star: IntArray
) -> NDArray[np.uint16]:
    """The check of every line's body. Lines too long give nonsense; they are refused for their length."""
    place = np.repeat((star - 1 + _AFTER) * 256, np.diff(lf, prepend=_PAD - 1))
    place -= _places(len(a))[_PAD:]
    place += a[_PAD:]
    sums: NDArray[np.uint16] = np.bitwise_xor.reduceat(table.take(place, mode="clip"), start - _PAD)
    return sums


def _temperatures(
    data: bytes, first: IntArray, end: IntArray, good: NDArray[np.bool_]
) -> FloatArray:
    """The temperatures between ``first`` and ``end``; a line whose temperature is no number loses its ``good``."""
    temp_c = np.full(len(first), np.nan)
    given = np.flatnonzero(good & (end > first))
    known: dict[bytes, float | None] = {}  # temperatures repeat
    for i, a, b in zip(given.tolist(), first[given].tolist(), end[given].tolist(), strict=True):
        text = data[a:b]
        if text not in known:
            known[text] = temperature(text)
        value = known[text]
        if value is None:
            good[i] = False
        else:
            temp_c[i] = value
    return temp_c
