"""A little adapter of its own making, for the session's tests: it knows the wire from the contract's text alone.

It writes one test to a pseudo-terminal: vented, pumped in strokes, held, released. Nothing here comes from the
package, so that a mistake in the package cannot hide in it.
"""

from __future__ import annotations

import math
import os
import pty
import select
import threading
import tty
from pathlib import Path

RATE_HZ = 100


def check(body: bytes) -> int:
    """CRC-16/XMODEM bit by bit, as its definition says: polynomial 1021, start 0."""
    crc = 0
    for byte in body:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def line(text: str) -> bytes:
    body = text.encode("ascii")
    return body + b"*%04X\n" % check(body)


def announcement(name: str = "feeder-1", counts: int = 4095) -> bytes:
    return line(f"A,1,{name},0.1,{counts},{RATE_HZ}")


def pressure_kpa(t: float) -> float:
    """4 s vented, 8 strokes to 120 kPa, held without a leak, released at 70 s."""
    if t < 4.0 or t > 70.0:
        return 0.0
    return 15.0 * min(8, math.floor((t - 4.0) / 1.0) + 1)


def samples(seconds: float = 80.0, *, start: int = 0) -> list[bytes]:
    """Nominal 207 kPa sensor, 10 to 90 % of 4095 counts, one count of dither."""
    out = []
    for i in range(start, int(seconds * RATE_HZ)):
        ratio = 0.1 + 0.8 * pressure_kpa(i / RATE_HZ) / 207.0
        counts = math.floor(ratio * 4095 + (i * 7919 % 13) / 13)
        out.append(line(f"S,{i % 65536},{(4_294_000_000 + i * 10_000) % 2**32},{counts},,"))
        if i % 500 == 499:
            out.append(announcement())
    return out


class Feeder:
    """A pseudo-terminal under a link, and what was written to it by the host."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = self.slave = -1
        self.plug()

    def plug(self) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.link.symlink_to(os.ttyname(self.slave))

    def pull(self) -> None:
        self.link.unlink(missing_ok=True)
        for fd in (self.slave, self.master):
            if fd >= 0:
                os.close(fd)
        self.master = self.slave = -1

    def asked(self) -> bytes:
        ready, _, _ = select.select([self.master], [], [], 0)
        return os.read(self.master, 100) if ready else b""

    def play(self, data: bytes) -> threading.Thread:
        """Writes as fast as it is read, in a thread."""

        def run() -> None:
            at = 0
            while at < len(data):
                at += os.write(self.master, data[at : at + 4000])

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return thread
