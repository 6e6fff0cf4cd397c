"""A few sample lines at once, as a serial port gives them. It only ever accepts what the plain path would accept,
with the same values; where one line is anything else, all of them are left to the plain path."""

from __future__ import annotations

import binascii
import math
import re

from recorder.wire.encode import LONGEST_LINE
from recorder.wire.fields import (
    DECIMAL,
    HIGHEST_COUNTS,
    HIGHEST_SEQ,
    HIGHEST_TEMP_C,
    HIGHEST_US,
    INTEGER,
)
from recorder.wire.lines import Sample

# The sample of lines.py with its check behind it, a line each; over text, because int() reads that faster than bytes.
_LINES = re.compile(
    rf"^S,({INTEGER}),({INTEGER}),({INTEGER}),((?:{INTEGER})?),((?:{DECIMAL})?)\*([0-9A-F]{{4}})\n",
    re.MULTILINE,
)
_BEHIND = -5  # "*" and four digits


def parse_few(data: bytes) -> list[Sample] | None:
    """``data``: whole lines, the last byte is LF. None where not every line is a good sample."""
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    lines = data.split(b"\n")
    if max(map(len, lines)) > LONGEST_LINE - 2:  # with the LF, and a CR that was there
        return None
    found = _LINES.findall(data.decode("latin-1"))
    if len(found) != len(lines) - 1:
        return None
    out = []
    crc = binascii.crc_hqx
    for line, (seq, us, counts, supply, temp, check) in zip(lines, found, strict=False):
        if crc(line[:_BEHIND], 0) != int(check, 16):
            return None
        one = (
            int(seq), int(us), int(counts),
            float(supply) if supply else math.nan, float(temp) if temp else math.nan,
        )
        # A supply of nothing cannot be divided by. What was not sent is NaN, and not beyond any bound.
        if one[0] > HIGHEST_SEQ or one[1] > HIGHEST_US or one[2] > HIGHEST_COUNTS or one[3] == 0.0:
            return None
        if one[3] > HIGHEST_COUNTS or abs(one[4]) > HIGHEST_TEMP_C:
            return None
        out.append(one)
    return out
