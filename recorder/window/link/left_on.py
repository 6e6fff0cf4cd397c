"""The pressure that a test left on: the adapter is read on after the end, until it stands at zero. No Qt."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder import calibration as calibrations
from recorder.model import Announcement
from recorder.port import Back
from recorder.report import NO_ZERO_KPA, STILL_ON_KPA
from recorder.units import pressure_factor_kpa
from recorder.window.link.link import Link
from recorder.wire import ratio_of

if TYPE_CHECKING:
    from recorder.session import SessionConfig

__all__ = ["LeftOn", "ReadOn", "read_on", "reader_of"]

_TURN_S = 0.05
_OFF_KPA = 1.0  # so little is zero, with what a zero moves. Common practice, no source
_STANDS_S = 2.0  # it has to stay there
_QUIET_S = 2.0
_AVERAGED = 5  # readings


@dataclass(frozen=True, slots=True)
class LeftOn:
    """pressure_kpa: gauge, less the zero. was: it is the latest that was read, not of this moment. off: it stands at
    zero, and the adapter is read no longer. fault: of a gauge that was not to be believed."""

    pressure_kpa: float
    was: bool = False
    off: bool = False
    fault: bool = False

    @property
    def alarm(self) -> bool:
        """Whether somebody has to relieve: by the pump's own gauge, where a wire came off this one."""
        return not -NO_ZERO_KPA <= self.pressure_kpa <= STILL_ON_KPA


def reader_of(
    config: SessionConfig, link: Link, zero_kpa: float, adapter: Announcement | None
) -> Callable[[], float | None]:
    """Asked, it gives the latest pressure (kPa, less the zero) that ``link`` has heard; None where there is none, or
    where it may be of another adapter, and so of another hose. adapter: the test's; None where it never said who it is.
    """
    cal = config.calibration
    if cal is None and config.bare_unit is None and config.full_scale_kpa is not None:
        cal = calibrations.nominal(config.full_scale_kpa)

    def latest_kpa() -> float | None:
        if config.bare_unit is not None:
            plain = link.readings()[-1:] * pressure_factor_kpa(config.bare_unit)
            read = calibrations.apply(cal, plain) if cal is not None else plain
        else:
            if adapter is not None and not link.is_still(adapter):
                return None
            s = link.samples(_AVERAGED)
            counts = link.announced.full_scale_counts if link.announced is not None else config.full_scale_counts
            if cal is None or counts is None or len(s) == 0:
                return None
            read = calibrations.apply(cal, ratio_of(s.counts, s.supply, counts)[-_AVERAGED:])
        return float(np.mean(read)) - zero_kpa if len(read) else None

    return latest_kpa


class ReadOn:
    """Fed with what the port gives, it knows what is left on."""

    def __init__(self, first: LeftOn, latest_kpa: Callable[[], float | None], now_s: float) -> None:
        self.left = first
        self._latest_kpa = latest_kpa
        self._heard_s = now_s
        self._low_since_s: float | None = None
        self._fault = first.fault

    def turn(self, *, heard: bool, away: bool, now_s: float, fault: bool = False) -> LeftOn:
        """heard: a reading came since the last turn. fault: the adapter reports one beside it; of such a gauge only
        zero is believed."""
        if heard:
            self._fault = self._fault or fault
            self._heard_s = now_s
            kpa = self._latest_kpa()
            if kpa is None:
                self._low_since_s = None
                self.left = LeftOn(self.left.pressure_kpa, was=True)
            else:
                low = -NO_ZERO_KPA <= kpa <= _OFF_KPA
                self._low_since_s = (self._low_since_s or now_s) if low else None
                off = self._low_since_s is not None and now_s - self._low_since_s >= _STANDS_S
                self.left = LeftOn(kpa, off=off, fault=self._fault)
        elif away or now_s - self._heard_s > _QUIET_S:
            self._low_since_s = None
            self.left = LeftOn(self.left.pressure_kpa, was=True, fault=self._fault)
        return self.left


def read_on(port: Any, link: Link, watch: ReadOn, tell: Callable[[LeftOn], None], let_go: threading.Event) -> None:
    """Reads until it stands at zero, the port is given up, or it is told to let go."""
    while not let_go.wait(_TURN_S):
        before_s = link.heard_s
        items = port.take()
        link.take(items)
        if link.bare_unit is None and any(isinstance(item, Back) for item in items):
            port.write(b"?\n")
        heard = link.heard_s != before_s
        now_s = time.monotonic()
        left = watch.turn(heard=heard, away=link.away or port.failure is not None, now_s=now_s,
                          fault=link.fault(now_s) is not None)
        tell(left)
        if left.off or port.failure is not None:
            return
