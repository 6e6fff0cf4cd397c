"""The wire format, version 1, as the simulated adapter writes it; written apart from recorder.wire."""

from __future__ import annotations

import binascii
import math
from collections.abc import Iterator

from recorder.rig.trace import Trace

ADAPTER_ID = "rig-1"
FIRMWARE = "1.0"


def line(body: str) -> bytes:
    """body, star, CRC-16/XMODEM in four upper-case hex digits, line feed."""
    raw = body.encode("ascii")
    return raw + b"*%04X\n" % binascii.crc_hqx(raw, 0)


def announcement(trace: Trace) -> bytes:
    s = trace.scene.sensor
    return line(f"A,1,{ADAPTER_ID},{FIRMWARE},{s.full_counts},{s.rate_hz:g}")


def timed_lines(trace: Trace) -> Iterator[tuple[float, bytes]]:
    """(seconds since the first sample, bytes) in order: announcement at the start and every 5 s, samples, faults."""
    due = 0.0
    faults = dict(trace.faults)
    for i, at in enumerate(trace.time_s.tolist()):
        if at >= due:
            yield at, announcement(trace)
            due += 5.0
        clock = int(trace.device_us[i])
        if clock in faults:
            yield at, line(f"F,{clock},{faults[clock]}")
        if trace.lost[i]:
            continue
        supply, temp = float(trace.supply[i]), float(trace.temp_c[i])
        yield at, line(
            f"S,{trace.seq[i]},{clock},{trace.counts[i]},"
            f"{'' if math.isnan(supply) else f'{supply:.0f}'},{'' if math.isnan(temp) else f'{temp:.1f}'}"
        )


def wire_bytes(trace: Trace) -> bytes:
    """Everything the adapter sends during the trace."""
    return b"".join(data for _, data in timed_lines(trace))
