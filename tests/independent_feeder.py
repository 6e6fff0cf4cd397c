"""Plays one cap test on a pseudo-terminal in real time: a program of its own, which imports nothing of the package.

    python tests/independent_feeder.py > where it can be opened; it begins when the host asks with "?".

A cap that opens at 110 kPa: vented, pumped in strokes, the last of which only make it relieve, held for 10.5 s,
released.
The wire format is written from its description alone: the CRC is computed bit by bit.
"""

from __future__ import annotations

import math
import os
import random
import select
import sys
import time
import tty

RATE_HZ, FULL, SENSOR_KPA = 100, 4095, 207.0
OPENS_KPA, CLOSES_KPA = 110.0, 107.0
VENTED_S, STROKE_S, STROKES, HOLD_S, AFTER_S = 2.0, 0.6, 13, 10.5, 4.0


def line(body: str) -> bytes:
    crc = 0
    for byte in body.encode("ascii"):
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return f"{body}*{crc:04X}\n".encode("ascii")


def trace() -> list[float]:
    """Pressure, kPa gauge, at each sample: air is pumped in, and let out above the opening."""
    out, p, dt, end_of_pumping = [], 0.0, 1 / RATE_HZ, VENTED_S + STROKES * STROKE_S
    open_ = False
    end = end_of_pumping + HOLD_S
    for i in range(int((end + AFTER_S) * RATE_HZ)):
        t = i * dt
        if VENTED_S <= t < end_of_pumping and (t - VENTED_S) % STROKE_S < 0.3:
            x = ((t - VENTED_S) % STROKE_S) / 0.3
            p += 10.0 * math.pi / 2 * math.sin(math.pi * x) * dt / 0.3  # 10 kPa a stroke, eased
        open_ = p > OPENS_KPA or (open_ and p > CLOSES_KPA)
        if open_:
            p -= (p - CLOSES_KPA) * 6.0 * dt
        if t > end:
            p -= p * dt / 0.3
        out.append(p)
    return out


def main() -> None:
    rng = random.Random(5)
    host, mine = os.openpty()
    tty.setraw(mine)
    print(os.ttyname(mine), flush=True)
    while b"?" not in os.read(host, 100):
        pass
    begin = time.monotonic()
    for i, p in enumerate(trace()):
        if i % 500 == 0:
            os.write(host, line(f"A,1,other-3,0.9,{FULL},{RATE_HZ}"))
        counts = round(FULL * (0.1 + 0.8 * (p + rng.gauss(0.0, 0.1)) / SENSOR_KPA))
        os.write(host, line(f"S,{(65000 + i) % 65536},{(4290000000 + i * 10000) % 2**32},{counts},,"))
        while (left := begin + (i + 1) / RATE_HZ - time.monotonic()) > 0:
            if select.select([host], [], [], left)[0] and b"?" in os.read(host, 100):
                os.write(host, line(f"A,1,other-3,0.9,{FULL},{RATE_HZ}"))
    select.select([sys.stdin], [], [])


if __name__ == "__main__":
    main()
