"""Plays a test to a pseudo-terminal in real time, and keeps when each line was written."""

from __future__ import annotations

import os
import time
from itertools import pairwise
from statistics import median
from threading import Thread

from tests.session_feeder import RATE_HZ, Feeder, announcement, samples


def seconds(short: float, long: float) -> float:
    """How long to play: ``long`` where BENCHMARK_LONG is set, as for the figures that are promised."""
    return long if os.environ.get("BENCHMARK_LONG") else short


class Player:
    """``written_s[i]``: when sample i was written, on time.monotonic()'s clock; ``late_s`` against it."""

    def __init__(self, feeder: Feeder, seconds: float) -> None:
        self.written_s: list[float] = []
        self._feeder = feeder
        self._lines = [line for line in samples(seconds) if line.startswith(b"S")]
        self._thread = Thread(target=self._run, daemon=True)

    def start(self) -> None:
        os.write(self._feeder.master, announcement())
        self._thread.start()

    def wait(self) -> None:
        self._thread.join()

    @property
    def done(self) -> bool:
        return not self._thread.is_alive()

    def _run(self) -> None:
        start = time.monotonic()
        for i, line in enumerate(self._lines):
            time.sleep(max(start + i / RATE_HZ - time.monotonic(), 0.0))
            self.written_s.append(time.monotonic())
            os.write(self._feeder.master, line)
            if i % 500 == 499:
                os.write(self._feeder.master, announcement())


class Late:
    """When readings became visible: told of every view that was shown, by its time."""

    def __init__(self, player: Player) -> None:
        self._player = player
        self._next = 0
        self.late_s: list[float] = []
        self._shown_s: list[float] = []

    def shown(self, time_s: float) -> None:
        now = time.monotonic()
        self._shown_s.append(now)
        upto = min(round(time_s * RATE_HZ) + 1, len(self._player.written_s))
        self.late_s += [now - t for t in self._player.written_s[self._next : upto]]
        self._next = max(self._next, upto)

    def quantile_ms(self, q: float) -> float:
        late = sorted(self.late_s)
        return 1e3 * late[min(int(q * len(late)), len(late) - 1)]

    @property
    def turn_ms(self) -> float:
        """The median time between two views."""
        return 1e3 * median(b - a for a, b in pairwise(self._shown_s))
