"""An adapter that is unplugged while a reference pressure is averaged: no part of a reading becomes a pair."""

from __future__ import annotations

import time

import pytest

from recorder.cli._gather import Gatherer
from recorder.cli._pairs import _check_same, _step
from recorder.errors import PortLost, RecorderError, SilentAdapter
from recorder.port import Back, Chunk, Lost
from recorder.wire import Decoder, encode_line, encode_sample

SECONDS = 0.3


class Unplugged:
    """100 samples a second; in the middle of the first reading the plug is out. back_s: when it is in again."""

    failure: RecorderError | None = None

    def __init__(self, out_s: float, back_s: float) -> None:
        self.out_s, self.back_s = out_s, back_s
        self.begin = time.monotonic()
        self.n, self.was_out, self.is_back = 0, False, False

    def write(self, data: bytes) -> None:
        """Nobody answers."""

    def take(self) -> list[Chunk | Lost | Back]:
        now = time.monotonic()
        at = now - self.begin
        out: list[Chunk | Lost | Back] = []
        if at >= self.out_s and not self.was_out:
            self.was_out = True
            out.append(Lost(now))
        if at >= self.back_s and not self.is_back:
            self.is_back = True
            out.append(Back(now))
        due = int(at * 100)
        if not self.was_out or self.is_back:
            out.append(Chunk(now, b"\n" + b"".join(encode_sample(i, i * 10_000, 614) for i in range(self.n, due))))
        self.n = due
        return out


def gatherer(port: Unplugged) -> Gatherer:
    out = Gatherer("given:")
    out._port, out._decoder = port, Decoder()  # type: ignore[assignment]
    return out


@pytest.mark.parametrize("back_s", [0.2, 60.0])
def test_the_step_is_taken_again(back_s: float) -> None:
    port = gatherer(Unplugged(0.1, back_s))
    with pytest.raises(PortLost, match="went away meanwhile"):
        _step(port, SECONDS, None, 1023.0)
    assert port.blocks  # of the part that came


class Silent(Unplugged):
    """Plugged in all the time, and nothing comes from ``out_s`` to ``back_s``. each_s: between two arrivals."""

    each_s = 0.01

    def take(self) -> list[Chunk | Lost | Back]:
        now = time.monotonic()
        at = now - self.begin
        due = int(at / self.each_s)
        first, self.n = self.n, max(due, self.n)
        if self.out_s <= at < self.back_s or due <= first:
            return []
        per = round(self.each_s * 100)
        return [Chunk(now, b"".join(encode_sample(i, i * 10_000, 614) for i in range(first * per, due * per)))]


@pytest.mark.parametrize("back_s", [0.6, 60.0])
def test_of_a_silent_adapter_no_part_is_averaged(back_s: float) -> None:
    with pytest.raises(SilentAdapter, match="no reading came"):
        _step(gatherer(Silent(0.2, back_s)), 0.8, None, 1023.0)


def test_what_comes_in_bursts_is_not_silent() -> None:
    port = Silent(60.0, 60.0)
    port.each_s = 0.2  # as over some wireless bridges
    mean, _, said = _step(gatherer(port), 0.7, None, 1023.0)
    assert mean == pytest.approx(614 / 1023) and int(said.split()[-2]) >= 60


@pytest.mark.parametrize(("says", "refused"), [
    ("A,1,hose-8,1.0,1023,100", "this is 'hose-8' of 1023 counts"), ("A,1,hose-7,1.0,4095,100", "of 4095 counts"),
    (None, "has not said yet who it is"), ("A,1,hose-7,1.0,1023,100", None),
])
def test_what_may_be_of_another_adapter_becomes_no_pair(says: str | None, refused: str | None) -> None:
    port = gatherer(Unplugged(0.5, 0.55))
    port._decoder.feed(encode_line("A,1,hose-7,1.0,1023,100"))
    port._drain()
    assert port.announcement is not None and port.losses == 0
    time.sleep(0.6)
    if says is not None:
        port._decoder.feed(encode_line(says))
    _step(port, SECONDS, None, 1023.0)
    if refused is None:
        return _check_same(port, "hose-7", 1023.0)
    with pytest.raises(RecorderError, match=refused):
        _check_same(port, "hose-7", 1023.0)


def test_what_was_unplugged_between_two_readings_costs_nothing() -> None:
    port = gatherer(Unplugged(0.05, 0.1))
    time.sleep(0.15)
    mean, scatter, _ = _step(port, SECONDS, None, 1023.0)
    assert mean == pytest.approx(614 / 1023) and scatter < 1e-12
