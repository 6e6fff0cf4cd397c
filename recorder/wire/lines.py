"""One wire line to one message: the plain path, and the one that defines what is right.

A line that cannot be used gives the name of the count it belongs to (a field of WireCounts).
"""

from __future__ import annotations

import binascii
import math
import re
from typing import Literal

from recorder.model import Announcement, Fault, OtherVersion
from recorder.wire.fields import (
    DECIMAL,
    HIGHEST_COUNTS,
    HIGHEST_SEQ,
    HIGHEST_US,
    INTEGER,
    is_name,
    rate_hz,
    temperature,
)

WIRE_VERSION = 1
HIGHEST_BARE = 1e7  # any unit; no pressure reading of a hose gauge comes near

Dropped = Literal["bad_check", "too_long", "unknown_kind", "bad_fields"]
Sample = tuple[int, int, int, float, float]  # seq, device_us, counts, supply, temp_c
Bare = float

_N = INTEGER.encode()
_SAMPLE = re.compile(b"S,(%b),(%b),(%b),((?:%b)?),((?:%b)?)" % (_N, _N, _N, _N, DECIMAL.encode()))
_FAULT = re.compile(b"F,(%b),(open|short|supply|adc)" % _N)
_ANNOUNCEMENT = re.compile(b"A,(%b),([^,]*),([ -)+\\--~]*),(%b),([^,]*)" % (_N, _N))
_VERSION = re.compile(b"A,(%b)(?:,.*)?" % _N)
_BARE = re.compile(rb"[ \t]*([-+]?(?:\d+(?:\.\d*)?|\.\d+))[ \t]*")
_CHECK = re.compile(rb"[0-9A-F]{4}")


def parse_line(
    line: bytes, bare: bool
) -> Sample | Announcement | Fault | OtherVersion | Bare | Dropped:
    """``line`` without its LF and without the CR before it."""
    if line[-5:-4] != b"*" or not _CHECK.fullmatch(line, len(line) - 4):
        if bare:
            return _bare(line)
        return "bad_check"
    body = line[:-5]
    if binascii.crc_hqx(body, 0) != int(line[-4:], 16):
        return "bad_check"
    sample = _SAMPLE.fullmatch(body)
    if sample:
        return _sample(sample)
    kind = body.split(b",", 1)[0]
    if kind == b"A":
        return _announcement(body)
    if kind == b"F":
        fault = _FAULT.fullmatch(body)
        if fault is None or int(fault[1]) > HIGHEST_US:
            return "bad_fields"
        return Fault(int(fault[1]), fault[2].decode("ascii"))
    return "bad_fields" if kind == b"S" else "unknown_kind"


def _sample(found: re.Match[bytes]) -> Sample | Dropped:
    seq, device_us, counts = int(found[1]), int(found[2]), int(found[3])
    supply = float(found[4]) if found[4] else math.nan
    temp = temperature(found[5])
    if seq > HIGHEST_SEQ or device_us > HIGHEST_US or counts > HIGHEST_COUNTS or temp is None:
        return "bad_fields"
    # A supply of nothing cannot be divided by.
    if supply == 0.0 or supply > HIGHEST_COUNTS:
        return "bad_fields"
    return seq, device_us, counts, supply, temp


def _announcement(body: bytes) -> Announcement | OtherVersion | Dropped:
    version = _VERSION.fullmatch(body)
    if version is not None and int(version[1]) != WIRE_VERSION:
        return OtherVersion(int(version[1]))
    found = _ANNOUNCEMENT.fullmatch(body)
    if found is None or not is_name(found[2]):
        return "bad_fields"
    counts, rate = int(found[4]), rate_hz(found[5])
    if not 1 <= counts <= HIGHEST_COUNTS or rate is None:
        return "bad_fields"
    return Announcement(
        int(found[1]), found[2].decode("ascii"), found[3].decode("ascii"), counts, rate
    )


def _bare(line: bytes) -> Bare | Dropped:
    found = _BARE.fullmatch(line)
    if found is None:
        return "bad_fields"
    value = float(found[1])
    return value if abs(value) <= HIGHEST_BARE else "bad_fields"
