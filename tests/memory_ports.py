"""Ports in memory, for what would take minutes on a real one: the test gives them their bytes and their time."""

from __future__ import annotations

from collections.abc import Iterable

from recorder.errors import RecorderError
from recorder.port import Back, Chunk, Lost


class FedPort:
    """Gives what was put into ``items``, all at once. ``now``: its clock (s); ``written``: what the host sent."""

    url = "fed"

    def __init__(self) -> None:
        self.items: list[Chunk | Lost | Back] = []
        self.failure: RecorderError | None = None
        self.now = 1000.0
        self.written = b""

    def take(self) -> list[Chunk | Lost | Back]:
        out, self.items = self.items, []
        return out

    def write(self, data: bytes) -> None:
        self.written += data

    def send(self, data: bytes) -> None:
        self.items.append(Chunk(self.now, data))


class PlayedPort:
    """Gives one of ``pieces`` a take, and its clock goes on by ``step_s`` each time. ``over``: there are no more."""

    failure: RecorderError | None = None

    def __init__(self, pieces: Iterable[bytes], step_s: float) -> None:
        self.url = "played"
        self._pieces = iter(pieces)
        self._step_s = step_s
        self.now = 0.0
        self.over = False

    def clock(self) -> float:
        return self.now

    def write(self, data: bytes) -> None:
        pass

    def take(self) -> list[Chunk | Lost | Back]:
        self.now += self._step_s
        piece = next(self._pieces, None)
        self.over = self.over or piece is None
        return [] if piece is None else [Chunk(self.now, piece)]
