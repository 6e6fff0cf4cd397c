"""Zero of the transducer: from the vented start; from the release where a recording was begun under pressure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.phases import find_zero

if TYPE_CHECKING:
    from recorder.model import Calibration, FloatArray

__all__ = ["Start", "find_start", "full_scale_kpa"]

# A calibrated transducer, vented, reads nearer to nought than this: 3 % of its scale, zero error and drift with
# temperature together; common practice, no source. Without a scale: what 3 % of 345 kPa (50 psi) comes to.
OFFSET_SHARE, OFFSET_KPA = 0.03, 10.0
SAME_KPA = 2.0  # two vented readings of one transducer differ by less
TAIL_S = 0.5


@dataclass(frozen=True, slots=True)
class Start:
    """Zero (kPa), its standard uncertainty, when the vented start ends (s). late: the recording was begun under
    pressure, so that zero is the reading after the release. wrong: why there is no zero at all, else None; then zero is
    the calibration's."""

    zero_kpa: float
    zero_u: float
    vented_end_s: float
    late: bool = False
    wrong: str | None = None


def full_scale_kpa(calibration: Calibration | None) -> float | None:
    """What the transducer's scale is: 80 % of the supply's ratio; None where it is not known."""
    if calibration is None or calibration.bare:
        return None
    ends = [sum(c * ratio**i for i, c in enumerate(calibration.coefficients_kpa)) for ratio in (0.1, 0.9)]
    return float(ends[1] - ends[0])


def find_start(t: FloatArray, p: FloatArray, calibration: Calibration | None) -> Start:
    """The start of a trace, not zero-corrected (s, kPa; three readings or more)."""
    zero, u, vented_end = find_zero(t, p)
    scale = full_scale_kpa(calibration)
    most = max(OFFSET_KPA, OFFSET_SHARE * scale) if scale is not None else OFFSET_KPA
    if zero <= most:
        return Start(zero, u, vented_end)
    tail = p[t > t[-1] - TAIL_S]
    tail = tail if len(tail) >= 3 else p[-3:]
    last = float(np.median(tail))
    if abs(last - zero) < SAME_KPA and float(np.max(p)) > zero + 3.0 * SAME_KPA:
        return Start(zero, u, vented_end)  # vented before and after: a reading that is off by so much, or absolute
    first = float(t[0])
    if last > most or last > zero - 3.0 * SAME_KPA:
        text = (
            f"it begins at {zero:.0f} kPa, under pressure, so zero is not known; begin with the tester open to the "
            "air, or let the pressure go at the end"
        )
        return Start(0.0, u, first, True, text)
    spread = 1.4826 * float(np.median(np.abs(tail - last)))
    return Start(last, max(u, spread / 2.0), first, True)
