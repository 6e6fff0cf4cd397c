"""What the analyser has to know before the first sample."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from recorder.errors import SettingError
from recorder.limits import Procedure, band_kpa, resolve
from recorder.model import Calibration, Header, Marking, Quantity, TestKind
from recorder.units import parse_quantity

__all__ = ["Setup", "Side", "side"]

Side: TypeAlias = Literal["below", "above", "unclear"]


def side(value: float, u: float, limit: float) -> Side:
    """Which side of the limit the value is on, clear of it by two standard uncertainties."""
    if value + 2.0 * u <= limit:
        return "below"
    return "above" if value - 2.0 * u > limit else "unclear"


@dataclass(frozen=True, slots=True)
class Setup:
    """One test's facts. ``tester``: the recording's annotation of that name, the leak of the blanked hose
    (``{"rate": quantity in kPa/min, "file": ..., "sha256": ...}``); None where it was never measured. nominal: the
    calibration is only what the sensor's full scale makes of it."""

    test: TestKind
    marked: Marking | None
    procedure: Procedure
    calibration: Calibration | None = None
    tester: Mapping[str, Any] | None = None
    nominal: bool = False

    @property
    def target_kpa(self) -> tuple[float | None, float | None]:
        """What has to be reached, from and to (kPa gauge): a cap has to open between the two. None where nothing tells.
        SettingError as of ``band_kpa``."""
        proc = self.procedure
        if self.test == "cap":
            return band_kpa(proc, self.marked) or (None, None)
        if self.marked is None:
            return (proc.tester_target_kpa if self.test == "tester" else None), None
        return self.marked.kpa + proc.target_low_kpa, self.marked.kpa + proc.target_high_kpa

    @property
    def gauge_u_kpa(self) -> float:
        """Standard uncertainty of the calibration, 0 where it is not known."""
        return float((self.calibration.standard_uncertainty_kpa if self.calibration else None) or 0.0)

    @property
    def tester_rate(self) -> Quantity | None:
        """The blanked hose's own fall (kPa/min), where a tester recording is known."""
        given = (self.tester or {}).get("rate")
        if not isinstance(given, dict):
            return None
        try:
            value = parse_quantity(given, "kPa/minute")
            u = parse_quantity({**given, "value": given.get("standard_uncertainty") or 0.0}, "kPa/minute")
        except SettingError:
            return None
        return Quantity(value, u, "kPa/min") if u >= 0.0 else None

    def net_of_tester(self, rate: float, u: float) -> tuple[float, float]:
        """A rate and its standard uncertainty (kPa/min) without what the tester itself loses, which a cap is not
        condemned for; as they are in other tests, and where that is not known."""
        base = self.tester_rate if self.test == "cap" else None
        if base is None:
            return rate, u
        return rate - base.value, math.hypot(u, base.standard_uncertainty or 0.0)

    @property
    def tester_unused(self) -> bool:
        """Whether the recording names the tester's own fall in a way that it cannot be taken out."""
        return (self.tester or {}).get("rate") is not None and self.tester_rate is None

    @classmethod
    def from_header(cls, header: Header) -> Setup:
        """The setup a recording names; limits that it does not name take their defaults. SettingError."""
        tester = header.other.get("tester")
        return cls(
            header.test,
            header.marked,
            resolve(header.test, header.procedure),
            header.calibration,
            tester if isinstance(tester, Mapping) else None,
            header.nominal,
        )
