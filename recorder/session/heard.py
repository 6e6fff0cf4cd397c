"""What several chunks say, each message with its arrival."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from recorder.model import Fault, Message, SampleBlock
from recorder.port import Chunk
from recorder.wire import Decoder

__all__ = ["heard"]


def heard(decoder: Decoder, chunks: list[Chunk], check: Callable[[], None]) -> Iterator[tuple[Message, Any]]:
    """Messages with the host's time at which they arrived (s): of samples an array, for each row keeps the arrival of
    the chunk that ended it. check: is called once all is decoded, before anything is given out."""
    arrived: list[float] = []
    faults: list[float] = []
    for chunk in chunks:
        before, told = decoder.samples, decoder.faults
        decoder.feed(chunk.data)
        arrived += [chunk.host_s] * (decoder.samples - before)
        faults += [chunk.host_s] * (decoder.faults - told)
    check()
    host_s = np.array(arrived)
    at = 0
    for message in decoder.take():
        if isinstance(message, SampleBlock):
            yield message, host_s[at : at + len(message)]
            at += len(message)
        else:
            yield message, faults.pop(0) if isinstance(message, Fault) else chunks[-1].host_s
