"""What a field of a wire line may be: one definition for the decoder and for the conformance check.

The wire format limits sequence, clock and the length of a line. The other bounds are ours, wide, and stand in
firmware_notes/wire.md: beyond them a recording could not hold the number, or nothing could be divided by it.
"""

from __future__ import annotations

import math
import re

from recorder.model import HIGHEST_COUNTS

__all__ = [
    "DECIMAL", "HIGHEST_COUNTS", "HIGHEST_RATE_HZ", "HIGHEST_SEQ", "HIGHEST_TEMP_C", "HIGHEST_US", "INTEGER",
    "is_name", "rate_hz", "temperature",
]

HIGHEST_SEQ = 0xFFFF
HIGHEST_US = 0xFFFFFFFF
HIGHEST_TEMP_C = 1e6  # either way: what an adapter sends for "no sensor" is a number too
HIGHEST_RATE_HZ = 1e6

INTEGER = "[0-9]+"  # leading zeros are a number
DECIMAL = r"-?[0-9]+(?:\.[0-9]+)?"

_DECIMAL = re.compile(DECIMAL.encode())
_TEXT = re.compile(rb"[ -)+\--~]*")  # printable, without "*" and ","


def temperature(text: bytes) -> float | None:
    """The temperature field in degC; NaN when empty, None when it is no decimal number within bounds."""
    if not text:
        return math.nan
    if _DECIMAL.fullmatch(text) is None:
        return None
    value = float(text)
    return value if abs(value) <= HIGHEST_TEMP_C else None


def rate_hz(text: bytes) -> float | None:
    """The nominal rate of an announcement; None when it is no decimal number above 0."""
    if _DECIMAL.fullmatch(text) is None:
        return None
    value = float(text)
    return value if 0.0 < value <= HIGHEST_RATE_HZ else None


def is_name(text: bytes) -> bool:
    """Whether it can be an adapter's id: not blank. A firmware version may be."""
    return bool(text.strip()) and _TEXT.fullmatch(text) is not None
