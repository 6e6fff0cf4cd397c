"""The decoder, with its checks, against loops without any. One process, the same bytes, processor time.

``readline_loop`` is what one writes for such lines: readline, strip, the check cut off and not looked at, split, int.
``text_loop`` is the same by way of str, as most scripts do it. ``split_only`` reads no number at all: it does not
decode, and is here to say how far away even that is.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from typing import Any

import pytest

from recorder.model import Announcement
from recorder.wire import Decoder, encode_announcement, encode_sample

N = 100_000
HOSE = Announcement(1, "hose-7", "1.0", 1023, 100.0)


def _bytes() -> bytes:
    out = []
    for i in range(N):
        if i % 500 == 0:
            out.append(encode_announcement(HOSE))
        temp = 21.5 if i % 10 == 0 else None
        out.append(encode_sample(i, i * 10_000, 100 + i % 900, 1023 if i % 2 else None, temp))
    return b"".join(out)


DATA = _bytes()


def decode() -> int:
    decoder = Decoder()
    decoder.feed(DATA)
    decoder.take()
    return decoder.counts.samples


def small(size: int, a_take: int) -> int:
    """As a serial port gives them, ``size`` bytes at a time; taken after every ``a_take`` of them."""
    decoder = Decoder()
    for n, at in enumerate(range(0, len(DATA), size)):
        decoder.feed(DATA[at : at + size])
        if n % a_take == 0:
            decoder.take()
    decoder.take()
    return decoder.counts.samples


def readline_loop() -> int:
    rows = []
    stream = io.BytesIO(DATA)
    while line := stream.readline():
        body, _ = line.strip().rsplit(b"*", 1)
        parts = body.split(b",")
        if parts[0] == b"S":
            rows.append((int(parts[1]), int(parts[2]), int(parts[3])))
    return len(rows)


def text_loop() -> int:
    rows = []
    stream = io.BytesIO(DATA)
    while line := stream.readline():
        body, _ = line.decode("ascii").strip().rsplit("*", 1)
        parts = body.split(",")
        if parts[0] == "S":
            rows.append((int(parts[1]), int(parts[2]), int(parts[3])))
    return len(rows)


def split_only() -> int:
    n = 0
    stream = io.BytesIO(DATA)
    while line := stream.readline():
        n += line.split(b",")[0] == b"S"
    return n


WORK: dict[str, Callable[[], int]] = {
    "decode": decode,
    "readline_loop": readline_loop,
    "text_loop": text_loop,
    "split_only": split_only,
    "64_bytes_at_a_time": lambda: small(64, 6),  # the session takes 33 times a second: 350 bytes at 115200 baud
    "64_bytes_each_taken": lambda: small(64, 1),
}


@pytest.mark.benchmark
def test_wire_speed(benchmark: Any) -> None:
    decode()
    best = dict.fromkeys(WORK, float("inf"))
    for _ in range(5):  # in turn, so that what else the computer does falls on all of them
        for name, work in WORK.items():
            before = time.process_time()
            assert work() == N
            best[name] = min(best[name], time.process_time() - before)
    figures: dict[str, float] = {f"{name}_lines_per_s": round(N / spent) for name, spent in best.items()}
    for name in ("readline_loop", "text_loop", "split_only"):
        figures[f"times_{name}"] = round(best[name] / best["decode"], 2)
    benchmark.extra_info.update(figures)
    print(figures)
    assert benchmark.pedantic(decode, rounds=3) == N
    assert best["readline_loop"] / best["decode"] >= 2.0
    assert best["readline_loop"] / best["64_bytes_at_a_time"] >= 0.2  # each line checked, in pieces as they come
