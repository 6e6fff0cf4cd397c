"""What is true of a simulated test, and how well a rate could be known from its trace at best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recorder.model import Outcome
from recorder.rig.physics import Run
from recorder.rig.scene import Scene
from recorder.rig.sensor import SPAN

_POINTS = 200  # the hold is averaged to about so many blocks for the bound

CAP_BAND = 0.10
CAP_FALL = 7.0
SYSTEM_FALL = 0.35
SYSTEM_TARGET_KPA = 7.0
SYSTEM_LIMIT_KPA = 14.0
SHORTEST_HOLD_S = {"cap": 10.0, "system": 60.0, "tester": 60.0}


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth of one test. Pressures kPa gauge (zero taken out), times s since the first sample.

    opening_kpa, reseat_kpa: None where the cap never opened. stroke_times_s: start and end of each. settling_kpa: the
    fall over the hold without any leak, all but 1/e of it within settling_s. rate_kpa_per_min: mean over the hold of
    the fall that the leaks cause beyond settling. headspace_ml: V + P C at the start of the hold.
    leak_flow_ml_per_min: mean over the hold, gas at its own pressure. crb: standard deviation of the
    rate that no unbiased estimate can beat. outcome: by the default procedure; ``accept``: outcomes
    that are no mistake; ``settled``: the truth is clear of every limit by the margin of docs/rig.md.
    """

    opening_kpa: float | None
    reseat_kpa: float | None
    peak_kpa: float
    peak_time_s: float
    strokes: int
    stroke_times_s: tuple[tuple[float, float], ...]
    hold_start_s: float
    hold_end_s: float
    hold_start_kpa: float
    hold_end_kpa: float
    rate_kpa_per_min: float
    settling_kpa: float
    settling_s: float
    headspace_ml: float
    leak_flow_ml_per_min: float
    outcome: Outcome
    accept: tuple[Outcome, ...]
    settled: bool
    crb: float


def settling(run: Run) -> tuple[float, float]:
    """Fall without any leak over the hold kPa, and the time s in which all but 1/e of it has happened."""
    fall = run.tight_kpa[0] - run.tight_kpa
    total = float(fall[-1])
    if abs(total) < 1e-6:
        return 0.0, 1.0
    done = np.abs(fall) >= (1 - np.exp(-1)) * abs(total)
    return total, float(max(run.tight_time_s[int(np.argmax(done))] - run.tight_time_s[0], 0.2))


def settling_modes(scene: Scene, run: Run) -> tuple[tuple[float, float], ...]:
    """Amplitude kPa and time constant s of the gas and of every creep element, as the tight hold shows them."""
    taus = [scene.cooling_s, *(tau for share, tau in scene.creep if share > 0.0)]
    t = run.tight_time_s - run.tight_time_s[0]
    design = np.column_stack([np.ones_like(t), np.exp(-t[:, None] / np.array(taus))])
    sizes = np.linalg.lstsq(design, run.tight_kpa, rcond=None)[0][1:]
    return tuple(zip(sizes.tolist(), taus, strict=True))


def rate_bound(scene: Scene, hold_s: float, modes: tuple[tuple[float, float], ...]) -> float:
    """Cramer-Rao bound of the slope, kPa/min, for a line plus settling ``modes`` (amplitude kPa, time constant s).

    Noise: white with the converter's q^2/12 added, plus AR(1) of known parameters, by its covariance
    over block means. Unknown: level, slope, amplitudes and, where they can be seen, time constants.
    """
    s = scene.sensor
    n = max(int(hold_s * s.rate_hz), 4)
    block = max(n // _POINTS, 1)
    m = n // block
    t = (np.arange(m) + 0.5) * block / s.rate_hz
    step = s.full_scale_kpa / SPAN / s.full_counts
    white = (s.white_kpa**2 + step**2 / 12) / block
    lag = np.abs(t[:, None] - t[None, :]) / s.correlated_s
    x = block / s.rate_hz / s.correlated_s
    shrink = 2.0 * (x - 1.0 + np.exp(-x)) / x**2 if x > 1e-3 else 1.0
    cov = np.eye(m) * (white + 1e-12) + s.correlated_kpa**2 * shrink * np.exp(-lag)
    columns = [np.ones(m), t / 60.0]
    for size, tau in modes:
        decay = np.exp(-t / tau)
        columns.append(decay)
        if abs(size) > 0.1 * np.sqrt(white * block):
            columns.append(size * t / tau**2 * decay)
    design = np.stack(columns, axis=1)
    fisher = design.T @ np.linalg.solve(cov, design)
    scale = 1.0 / np.sqrt(np.diag(fisher).clip(1e-30))
    inverse = np.linalg.pinv(fisher * scale[:, None] * scale[None, :], rcond=1e-12)
    return float(np.sqrt(inverse[1, 1]) * scale[1])


def _expected(scene: Scene, opening: float | None, peak: float, start_kpa: float, rate: float,
              hold_s: float, crb: float) -> tuple[Outcome, tuple[Outcome, ...], bool]:
    """Outcome by the default procedure, outcomes that are no mistake, and whether it is settled."""
    if scene.fault == "pinned":
        return "void", ("void", "undecided"), True
    if scene.fault in ("never-pumped", "wire"):
        return "void", ("void",), True
    short = hold_s < SHORTEST_HOLD_S[scene.test]
    moving = scene.drift_kpa_per_min != 0.0 or scene.pulse_kpa != 0.0
    allowed = CAP_FALL if scene.test == "cap" else SYSTEM_FALL
    margin = 5.0 * crb + 0.15 * allowed
    clear = abs(rate - allowed) > margin
    leaks = rate > allowed
    if scene.fault == "hose-off":
        return "undecided", ("undecided", "void") if not leaks else ("undecided", "void", "fail"), True
    if moving and scene.drift_kpa_per_min < 0.0:  # without a thermometer it cannot be told from a leak
        return "undecided", ("undecided", "fail"), False
    if moving:
        return "undecided", ("undecided", "fail") if leaks and clear else ("undecided",), True
    if scene.test == "cap":
        if opening is None:
            never_built = peak < 0.3 * scene.marked_kpa
            return "fail", ("fail", "void") if never_built else ("fail",), True
        low, high = scene.marked_kpa * (1 - CAP_BAND), scene.marked_kpa * (1 + CAP_BAND)
        edge = max(3.0, 0.025 * scene.marked_kpa)
        outside = not low <= opening <= high
        clear_band = min(abs(opening - low), abs(opening - high)) > edge
        if outside and clear_band:
            return "fail", ("fail",), True
        if leaks and clear:
            return "fail", ("fail",), True
        if short:
            return "undecided", ("undecided",), clear_band
        return ("fail" if outside or leaks else "pass"), ("fail" if outside or leaks else "pass",), (
            clear_band and clear)
    if peak > scene.marked_kpa + SYSTEM_LIMIT_KPA:
        return ("fail" if leaks else "pass"), ("pass", "fail", "undecided"), False
    target = SYSTEM_TARGET_KPA if scene.test == "system" else 0.0
    if start_kpa < scene.marked_kpa + target:
        accept: tuple[Outcome, ...] = ("undecided", "fail") if leaks else ("undecided", "void")
        return "undecided", accept, abs(scene.marked_kpa + target - start_kpa) > 1.5 and clear
    if leaks:
        return "fail", ("fail",), clear
    if short:
        return "undecided", ("undecided",), clear
    return "pass", ("pass",), clear and start_kpa > scene.marked_kpa + target + 1.0


def truth_of(scene: Scene, run: Run, peak: tuple[float, float]) -> Truth:
    """The truth of a run. peak: highest true pressure and when."""
    hold_s = run.hold_end_s - run.hold_start_s
    at = np.interp([run.hold_start_s, run.hold_end_s], run.time_s, run.pressure_kpa)
    if scene.fault == "hose-off":
        at[1] = float(np.interp(run.hold_end_s - 1e-3, run.time_s, run.pressure_kpa))
    rate = float((run.tight_kpa[-1] - at[1]) / hold_s * 60.0)
    amplitude, tau = settling(run)
    crb = rate_bound(scene, hold_s, settling_modes(scene, run))
    opened = run.opened_s is not None and scene.cap is not None
    opening = scene.cap.cracking_kpa if opened and scene.cap else None
    outcome, accept, settled = _expected(
        scene, opening, peak[0], float(at[0]), rate, hold_s, crb)
    return Truth(
        opening, scene.cap.reseat_kpa if opened and scene.cap else None, peak[0], peak[1],
        len(run.strokes), run.strokes, run.hold_start_s, run.hold_end_s, float(at[0]), float(at[1]),
        rate, amplitude, tau, run.hold_volume_ml, run.leak_ml / hold_s * 60.0,
        outcome, accept, settled, crb,
    )
