"""Streams for the wire tests, and a flat form of what the decoder gives."""

from __future__ import annotations

import random
from collections.abc import Iterable

from recorder.model import Announcement, BareBlock, Fault, Message, SampleBlock
from recorder.wire import encode_announcement, encode_fault, encode_sample

HOSE = Announcement(1, "hose-7", "1.0", 1023, 100.0)


def flat(messages: Iterable[Message]) -> list[object]:
    """One item a sample, announcement, fault or reading; NaN as None, so that equal is equal."""
    out: list[object] = []
    for m in messages:
        if isinstance(m, SampleBlock):
            for row in zip(m.seq.tolist(), m.device_us.tolist(), m.counts.tolist(),
                           m.supply.tolist(), m.temp_c.tolist(), strict=True):
                out.append(tuple(None if x != x else x for x in row))
        elif isinstance(m, BareBlock):
            out.extend(m.value.tolist())
        else:
            out.append(m)
    return out


def stream(n: int, seed: int = 1) -> bytes:
    """``n`` samples with announcements, faults and every kind of bad line among them."""
    rng = random.Random(seed)
    out = []
    for i in range(n):
        if i % 97 == 0:
            out.append(encode_announcement(HOSE))
        if i % 131 == 5:
            out.append(encode_fault(Fault(i * 10_000, "open")))
        supply = rng.choice([None, 1023, 5])
        temp = rng.choice([None, 21.5, -3.0, 0.0])
        line = encode_sample(i, i * 10_000, rng.randrange(1024), supply, temp)
        if rng.random() < 0.1:
            line = line[:-1] + b"\r\n"
        if rng.random() < 0.05:
            at = rng.randrange(len(line))
            line = line[:at] + bytes([rng.randrange(256)]) + line[at + 1 :]
        out.append(line)
        if rng.random() < 0.01:
            out.append(rng.choice([b"\n", b"x" * 130 + b"\n", b"12.5\n", b"S,1,2,3\n", b"\r\n", b"*0000\n"]))
    return b"".join(out)
