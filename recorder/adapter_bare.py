"""Is a board that prints one plain number a line fit to use? What can be measured of it, and what cannot be known.

Its readings have no clock, no sequence and no check. They are taken to be evenly spaced between the first and the last
arrival; a line that was lost or damaged on the way leaves nothing that could be counted.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder import calibration
from recorder.adapter import AdapterReport, figures
from recorder.adapter_verdict import Verdict, changed_kpa, enough, graded
from recorder.errors import RunError
from recorder.model import Calibration, JsonObject, WireCounts
from recorder.units import pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["NOT_KNOWN", "BareReport", "check_bare"]

NOT_KNOWN = ("lost and damaged lines, restarts, the board's own clock and a broken wire cannot be seen: "
             "plain numbers have no sequence, no check and no fault word")

_OF_THE_NOISE = ("resolution_kpa", "noise_kpa", "white_noise_kpa", "correlated_noise_kpa", "wander_kpa", "wander_s",
                 "wander_white_kpa", "wander_fall_kpa", "drift_kpa_per_min", "drift_u_kpa_per_min",
                 "rate_u_allan_kpa_per_min", "rate_u_line_kpa_per_min", "smallest_fall_kpa_per_min",
                 "smallest_fall_kpa")


@dataclass(frozen=True, slots=True)
class BareReport:
    """What was measured, as in :class:`recorder.adapter.AdapterReport`; what is not there cannot be known.

    bare: the unit of the numbers; host_jitter_s: spread of the steps between arrivals, s; resolution_kpa: the
    smallest step between two readings; dropped_lines: lines that were no number. Of a number that never changed
    neither noise, drift nor what follows from them is known: None, and no Allan deviations.
    """

    bare: str
    verdict: Verdict
    reasons: tuple[str, ...]
    seconds: float
    samples: int
    rate_hz: float
    host_jitter_s: float
    dropped_lines: int
    zero_kpa: float
    zero_u_kpa: float | None
    resolution_kpa: float | None
    noise_kpa: float | None
    white_noise_kpa: float | None
    correlated_noise_kpa: float | None
    wander_kpa: float | None
    wander_s: float | None
    wander_white_kpa: float | None
    wander_fall_kpa: float | None
    hum_hz: float | None
    hum_kpa: float | None
    hum_text: str | None
    drift_kpa_per_min: float | None
    drift_u_kpa_per_min: float | None
    allan_s: tuple[float, ...]
    allan_kpa: tuple[float, ...]
    rate_u_allan_kpa_per_min: float | None
    rate_u_line_kpa_per_min: float | None
    settling_inflation: float
    drift_seen: bool
    smallest_fall_kpa_per_min: float | None
    smallest_fall_kpa: float | None

    def to_json(self) -> JsonObject:
        """The keys of the other report, null where nothing can be known."""
        known: dict[str, Any] = {**{f.name: None for f in fields(AdapterReport)}, **asdict(self)}
        return {"adapter-report-format": 1, **{name.replace("_", "-"): value for name, value in known.items()}}


def check_bare(
    values: FloatArray, host_s: FloatArray, counts: WireCounts, unit: str, cal: Calibration | None
) -> BareReport:
    """The report on readings in ``unit`` taken with the hose open to the air; host_s: the computer's clock as each
    arrived. Without ``cal`` the numbers are taken as they are. RunError with fewer than 100."""
    seconds = float(host_s[-1] - host_s[0]) if len(host_s) else 0.0
    enough(len(values), seconds)
    if seconds <= 0:
        raise RunError("all numbers arrived at once", do="let it run longer")
    kpa = np.asarray(values, float) * pressure_factor_kpa(unit)
    steps = np.diff(np.unique(kpa))
    resolution = float(steps.min()) if len(steps) else 0.0
    if cal is not None:
        resolution *= abs(float(cal.coefficients_kpa[1]))
        kpa = calibration.apply(cal, kpa)
    n = len(kpa)
    step_s = seconds / (n - 1)
    found: dict[str, Any] = {
        **figures(np.linspace(0.0, seconds, n), kpa, np.ones(n - 1, bool), step_s, 1.0 / step_s, resolution),
        "samples": n,
        "host_jitter_s": float(np.std(np.diff(host_s) - step_s)),
        "dropped_lines": counts.dropped,
        "zero_u_kpa": cal.standard_uncertainty_kpa if cal is not None else None,
    }
    whole = bool(np.all(values == np.round(values))) and len(steps) > 0
    hint = "the numbers are whole ones: where they are counts and no pressure, --bare cannot take them" if whole else ""
    verdict, reasons = graded({
        **found, "zero_hint": hint, "changed_kpa": changed_kpa(kpa, found["white_noise_kpa"]),
    }, 0.0)
    if counts.dropped > 0.01 * (counts.dropped + n):  # as for lost samples
        reasons += (f"{counts.dropped} lines were no number",)
    if not len(steps):
        reasons += ("the number never changed: neither its noise nor its smallest step is known",)
        found |= {**dict.fromkeys(_OF_THE_NOISE), "allan_s": (), "allan_kpa": ()}
    if reasons and verdict == "fit":
        verdict = "marginal"
    return BareReport(bare=unit, verdict=verdict, reasons=reasons, **found)
