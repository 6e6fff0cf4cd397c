"""Messages to wire lines: what an adapter sends. Used by the simulated tester and by tests."""

from __future__ import annotations

import binascii

from recorder.errors import LineError
from recorder.model import Announcement, Fault

LONGEST_LINE = 120  # bytes, with the LF


def encode_line(body: str) -> bytes:
    """``body``, its check and LF. Raises LineError for a body that the wire cannot carry."""
    if not all(" " <= c <= "~" and c != "*" for c in body):
        raise LineError(f"{body!r} has characters that a wire line cannot carry")
    raw = body.encode("ascii")
    line = raw + b"*%04X\n" % binascii.crc_hqx(raw, 0)
    if len(line) > LONGEST_LINE:
        raise LineError(f"the line has {len(line)} bytes; {LONGEST_LINE} are allowed")
    return line


def encode_announcement(a: Announcement) -> bytes:
    return encode_line(
        f"A,{a.wire_version},{a.adapter_id},{a.firmware},{a.full_scale_counts},{a.nominal_rate_hz:g}"
    )


def encode_sample(
    seq: int,
    device_us: int,
    counts: int,
    supply: int | None = None,
    temp_c: float | None = None,
) -> bytes:
    """One sample; the sequence and the clock (µs) wrap here."""
    supply_text = "" if supply is None else str(int(supply))
    temp_text = "" if temp_c is None else f"{temp_c:.1f}"
    return encode_line(f"S,{seq & 0xFFFF},{device_us & 0xFFFFFFFF},{counts},{supply_text},{temp_text}")


def encode_fault(fault: Fault) -> bytes:
    return encode_line(f"F,{fault.device_us & 0xFFFFFFFF},{fault.word}")
