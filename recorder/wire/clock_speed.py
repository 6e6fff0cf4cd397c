"""How fast an adapter's clock runs against the computer's, and what is likely where it is far off. Pure."""

from __future__ import annotations

from recorder.model import SampleBlock

__all__ = ["GROSS", "ClockSpeed", "said", "units_of"]

GROSS = 2.0  # an oscillator of resistor and capacitor is 10 % off; a factor of two is a wrong unit or a wrong divider
_NEAR = 0.12
_NEAR_OF_FEW = 0.4  # a clock of seconds has gone on by few of them
_CLOCK_SPAN = 1 << 32
_MICROSECONDS = "send microseconds"
_MICROS = "send micros(), or a count of ticks times the microseconds of one"

# (microseconds in what is sent as one, what it is, what to do)
_UNITS = (
    (1e3, "the clock looks like milliseconds, where microseconds are due", _MICROS),
    (1e6, "the clock looks like seconds, where microseconds are due", _MICROS),
    (1e-3, "the clock looks like nanoseconds, where microseconds are due", _MICROSECONDS),
    (10.0, "the clock is ten times too slow", "send microseconds: check the timer's divider"),
    (0.1, "the clock is ten times too fast", "send microseconds: check the timer's divider"),
)


def units_of(factor: float) -> tuple[str, str] | None:
    """What a clock sends that is ``factor`` times too slow, and what to do; None where that is no usual slip."""
    for micros, what, do in _UNITS:
        if abs(factor / micros - 1) < (_NEAR_OF_FEW if micros == 1e6 else _NEAR):
            return what, do
    return None


def said(device_s: float, host_s: float) -> tuple[str, str] | None:
    """What is wrong with a clock by which ``device_s`` went by in ``host_s`` of the computer's; None within a
    factor of two of it."""
    if device_s > 0 and 1 / GROSS < host_s / device_s < GROSS:
        return None
    went = f"its clock went on by {device_s:.3g} s in {host_s:.3g} s"
    if device_s <= 0:
        return f"{went}: it stands still", "send the time of each sample in microseconds"
    unit = units_of(host_s / device_s)
    return (f"{went}: {unit[0]}", unit[1]) if unit else (went, _MICROSECONDS)


class ClockSpeed:
    """Is fed the blocks of samples with the computer's time of their arrival."""

    def __init__(self) -> None:
        self.device_s = 0.0
        self.host_s = 0.0
        self._last: tuple[int, float] | None = None

    def add(self, block: SampleBlock, host_s: float) -> None:
        """The clock is taken at each block's last sample, which arrived last. Steps back and restarts do not count."""
        us = int(block.device_us[-1])
        if self._last is not None:
            forward = (us - self._last[0]) % _CLOCK_SPAN
            if forward < _CLOCK_SPAN // 2:
                self.device_s += forward / 1e6
                self.host_s += host_s - self._last[1]
        self._last = us, host_s
