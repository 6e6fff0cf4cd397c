"""What the port gave and nobody has carried on yet: bytes and breaks first, then the messages in them."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np

from recorder.model import Fault, Message, SampleBlock
from recorder.port import Back, Chunk, Lost
from recorder.wire import Decoder

__all__ = ["Heard", "Told"]


class Told(NamedTuple):
    """A message, and the host's time at which it arrived (s): of samples also an array, one item a row."""

    message: Message
    host_s: Any


class Heard:
    """Items in, in order; one at a time out. What is not taken out yet stays, whatever the one before it led to."""

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        self._items: deque[Chunk | Lost | Back] = deque()
        self._told: deque[Told] = deque()

    @property
    def waiting(self) -> bool:
        """Whether there is anything to take out."""
        return bool(self._items or self._told)

    def add(self, items: Iterable[Chunk | Lost | Back]) -> None:
        self._items += items

    def first(self, messages: list[tuple[float, Message]]) -> None:
        """Messages (after their arrival, s) that come before everything that waits."""
        self._told.extendleft(Told(message, host_s) for host_s, message in reversed(messages))

    def next(self, *, joined: bool) -> Chunk | Lost | Back | Told | None:
        """What comes next; None where nothing does. joined: chunks without a break between them are decoded as one, and
        given as the messages in them; else they are given as they are, to be decoded one by one."""
        while not self._told and joined and self._items and isinstance(self._items[0], Chunk):
            run: list[Chunk] = []
            while self._items and isinstance(item := self._items[0], Chunk):
                run.append(item)
                self._items.popleft()
            self.decode(run)
        if self._told:
            return self._told.popleft()
        return self._items.popleft() if self._items else None

    def decode(self, chunks: list[Chunk]) -> None:
        """The messages in them wait from now on. Each row of samples has the arrival of the chunk that ended it."""
        if len(chunks) == 1:
            self._decoder.feed(chunks[0].data)
            self._told += [Told(message, chunks[0].host_s) for message in self._decoder.take()]
            return
        arrived: list[float] = []
        faults: list[float] = []
        for chunk in chunks:
            before, told = self._decoder.samples, self._decoder.faults
            self._decoder.feed(chunk.data)
            arrived += [chunk.host_s] * (self._decoder.samples - before)
            faults += [chunk.host_s] * (self._decoder.faults - told)
        host_s = np.array(arrived)
        at = 0
        for message in self._decoder.take():
            if isinstance(message, SampleBlock):
                self._told.append(Told(message, host_s[at : at + len(message)]))
                at += len(message)
            else:
                self._told.append(Told(message, faults.pop(0) if isinstance(message, Fault) else chunks[-1].host_s))
