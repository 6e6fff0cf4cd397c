"""One wire line to one message: the plain path, and the one that defines what is right.

A line that cannot be used gives the name of the count it belongs to (a field of WireCounts).
"""

from __future__ import annotations

import binascii
import math
import re
from typing import Literal

from recorder.model import Announcement, Fault

WIRE_VERSION = 1
HIGHEST_SEQ = 0xFFFF
HIGHEST_US = 0xFFFFFFFF
HIGHEST_BARE = 1e7  # any unit; no pressure reading of a hose gauge comes near

Dropped = Literal["bad_check", "too_long", "unknown_kind", "bad_fields"]
Sample = tuple[int, int, int, float, float]  # seq, device_us, counts, supply, temp_c
Bare = float

# Patterns over bytes: \d is 0 to 9 only. Counts have at most 9 digits: they fit any converter.
_SAMPLE = re.compile(rb"S,(\d{1,5}),(\d{1,10}),(\d{1,9}),(\d{0,9}),((?:-?\d{1,4}(?:\.\d{1,6})?)?)")
_FAULT = re.compile(rb"F,(\d{1,10}),(open|short|supply|adc)")
_ANNOUNCEMENT = re.compile(
    rb"A,(\d{1,3}),([ -+\--~]{1,40}),([ -+\--~]{1,20}),(\d{1,9}),(\d{1,6}(?:\.\d{1,6})?)"
)
_VERSION = re.compile(rb"A,(\d{1,9})(?:,.*)?")
_TEMP = re.compile(rb"-?\d{1,4}(?:\.\d{1,6})?")
_BARE = re.compile(rb"[ \t]*([-+]?(?:\d{1,12}(?:\.\d{0,12})?|\.\d{1,12}))[ \t]*")
_CHECK = re.compile(rb"[0-9A-F]{4}")


class OtherVersion:
    """An announcement of a wire version that this program does not know."""

    def __init__(self, version: int) -> None:
        self.version = version


def temperature(text: bytes) -> float | None:
    """The temperature field in degC; NaN when empty, None when it is not a decimal number."""
    if not text:
        return math.nan
    return float(text) if _TEMP.fullmatch(text) else None


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
    seq, device_us = int(found[1]), int(found[2])
    supply = float(found[4]) if found[4] else math.nan
    temp = temperature(found[5])
    # A supply of nothing cannot be divided by.
    if seq > HIGHEST_SEQ or device_us > HIGHEST_US or supply == 0.0 or temp is None:
        return "bad_fields"
    return seq, device_us, int(found[3]), supply, temp


def _announcement(body: bytes) -> Announcement | OtherVersion | Dropped:
    version = _VERSION.fullmatch(body)
    if version is not None and int(version[1]) != WIRE_VERSION:
        return OtherVersion(int(version[1]))
    found = _ANNOUNCEMENT.fullmatch(body)
    if found is None or b"*" in body:
        return "bad_fields"
    counts, rate = int(found[4]), float(found[5])
    if counts < 1 or not rate > 0.0:
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
