"""One stroke of the pump."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["PAUSE_S", "QUIET_S", "Stroke"]

PAUSE_S = 3.0  # between two strokes; longer is a hold; common practice, no source
QUIET_S = 4.0  # longer than any such pause: the shortest stretch that is looked at as a hold; the same


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """One stroke of the pump: start, end (s), pressure before and at its top (kPa)."""

    start_s: float
    end_s: float
    base_kpa: float
    top_kpa: float

    @property
    def rise_kpa(self) -> float:
        return self.top_kpa - self.base_kpa
