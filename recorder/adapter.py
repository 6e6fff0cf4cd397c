"""Is this adapter fit to use? Everything measured on samples taken with the hose open, for three minutes usually.

How the smallest fall is found: over T = 120 s a slope is known to no better than sqrt(2) ADEV(T/2) / (T/2), the
Allan deviation (NIST SP 1065) of the noise that is there at half the hold, and to no better than a white-noise
line fit allows (Kay 1993, example 3.7: variance 12 s^2 / (N (N^2 - 1) dt^2)). The larger of the two is taken,
multiplied by what a line fit loses when a settling of 30 s is fitted with it, and by 3.29 (Currie, IUPAC 1995:
5 % chance of a false alarm, and 5 % of a miss). A record shorter than twice T/2 cannot have a deviation at T/2:
its longest averaging time then stands for it. Three minutes give few stretches of T/2, and one that holds whole swings
of the reading sees none of them: what wanders within seconds to half a minute is looked for by itself (wander.py), and
the smallest fall is never less than that allows.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder import calibration
from recorder.adapter_verdict import (
    FEWEST,
    HOLD_S,
    Verdict,
    changed_kpa,
    enough,
    graded,
    lost_hint,
    scale_hint,
    supply_hint,
)
from recorder.allan import overlapping_adev, overlapping_curve
from recorder.digits import significant
from recorder.errors import RunError
from recorder.model import Announcement, Calibration, JsonObject, WireCounts
from recorder.wander import CURRIE, wander
from recorder.wire.ratio import ratio_of
from recorder.wire.steps import Steps, steps_of

if TYPE_CHECKING:
    from recorder.model import BoolArray, FloatArray, IntArray

__all__ = [
    "AdapterReport", "Samples", "Verdict", "check_adapter", "clock_error", "figures", "settling_inflation", "usable",
]

SETTLING_S = 30.0  # rubber stretches for tens of seconds; common practice, no source
NEIGHBOURS = 101  # of a spectrum: enough for a median, few enough for the noise to be alike
MAINS_HZ = (50.0, 60.0, 100.0, 120.0)


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Decoded samples in order of arrival, all of one length. supply NaN where not sent;
    host_s: the host's clock when the block that held the sample arrived."""

    seq: IntArray
    device_us: IntArray
    counts: IntArray
    supply: FloatArray
    host_s: FloatArray

    def __len__(self) -> int:
        return len(self.seq)


@dataclass(frozen=True, slots=True)
class AdapterReport:
    """What was measured. Pressures kPa, rates kPa/min, times s; None where it could not be measured."""

    adapter_id: str
    verdict: Verdict
    reasons: tuple[str, ...]
    seconds: float
    samples: int
    rate_hz: float
    nominal_rate_hz: float
    device_jitter_s: float
    host_jitter_s: float
    lost: int
    lost_fraction: float
    restarts: int
    failed_checks: int
    dropped_lines: int
    faults: int
    pinned: int
    zero_kpa: float
    zero_u_kpa: float | None
    resolution_kpa: float
    noise_kpa: float
    white_noise_kpa: float
    correlated_noise_kpa: float
    wander_kpa: float  # the slow part, as an Allan deviation over wander_s; 0 where none stands out
    wander_s: float
    wander_white_kpa: float  # what white noise alone would have there
    wander_fall_kpa: float  # the smallest fall over a hold that can be told from it
    hum_hz: float | None
    hum_kpa: float | None
    hum_text: str | None
    drift_kpa_per_min: float
    drift_u_kpa_per_min: float
    clock_error_ppm: float | None
    clock_error_u_ppm: float | None
    allan_s: tuple[float, ...]
    allan_kpa: tuple[float, ...]
    rate_u_allan_kpa_per_min: float
    rate_u_line_kpa_per_min: float
    settling_inflation: float
    drift_seen: bool  # the record is long enough for the Allan deviation at half the hold
    smallest_fall_kpa_per_min: float
    smallest_fall_kpa: float  # the same over the two minutes
    notes: tuple[str, ...] = ()  # to be looked at, and no reason to say that it is not fit

    def to_json(self) -> JsonObject:
        out = {name.replace("_", "-"): value for name, value in asdict(self).items()}
        return {"adapter-report-format": 1, **out}


def settling_inflation(hold_s: float = HOLD_S, tau_s: float = SETTLING_S) -> float:
    """By what factor a slope is less well known when exp(-t/tau) is fitted beside the line (white noise)."""
    t = np.linspace(0.0, 1.0, 2001)
    line = np.column_stack([np.ones_like(t), t])
    both = np.column_stack([line, np.exp(-t * hold_s / tau_s)])
    variances = [np.linalg.inv(d.T @ d)[1, 1] for d in (line, both)]
    return float(math.sqrt(variances[1] / variances[0]))


def clock_error(device_s: FloatArray, host_s: FloatArray) -> tuple[float, float] | None:
    """(ppm, standard uncertainty): positive where the adapter's clock runs slow against the host's.

    A sample can only arrive late, so the line is laid through the earliest arrival of each of some twenty
    stretches; stretches in which everything came late are left out. None with too few samples.
    """
    k = min(20, len(device_s) // 10)
    if k < 6 or float(np.ptp(device_s)) <= 0:
        return None
    late = (host_s - host_s[0]) - (device_s - device_s[0])
    late = late - np.polyval(np.polyfit(device_s, late, 1), device_s)
    picks = np.array([b[np.argmin(late[b])] for b in np.array_split(np.arange(len(late)), k)])
    x, y = device_s[picks], (host_s - host_s[0])[picks] - (device_s - device_s[0])[picks]
    keep = np.ones(k, bool)
    for _ in range(5):
        slope, offset = np.polyfit(x[keep], y[keep], 1)
        r = y - slope * x - offset
        spread = 1.4826 * float(np.median(np.abs(r[keep] - np.median(r[keep])))) + 1e-7
        new = r - np.median(r[keep]) < 4.0 * spread
        if new.sum() < 6 or np.array_equal(new, keep):
            break
        keep = new
    x, y = x[keep], y[keep]
    slope, offset = np.polyfit(x, y, 1)
    s2 = float(np.sum((y - slope * x - offset) ** 2)) / (len(x) - 2)
    return float(slope) * 1e6, math.sqrt(s2 / float(np.sum((x - x.mean()) ** 2))) * 1e6


def _hum(p: FloatArray, rate_hz: float) -> tuple[float, float, str] | None:
    """Frequency, amplitude (kPa) and a sentence about the strongest tone; None where none stands out."""
    from scipy.ndimage import median_filter
    from scipy.signal import periodogram

    if not np.ptp(p) > 0:
        return None
    f, power = periodogram(p, fs=rate_hz, window="hann", detrend="linear", scaling="spectrum")  # type: ignore[call-overload]
    high = f > max(0.5, 6.0 / len(p) * rate_hz)
    f, power = f[high], power[high]
    if len(f) < 20:
        return None
    # Noise powers are exponentially distributed: median = mean * ln 2. Slow noise has larger ones at low frequencies,
    # so the noise is that of the neighbourhood. 1 in 100 000 for the highest of all is 1 in 1000 with what a median of
    # so few is off by (tried out).
    level = np.maximum(median_filter(power, size=min(NEIGHBOURS, len(f)), mode="reflect"), 1e-300)
    best = int(np.argmax(power / level))
    if power[best] < float(level[best]) / math.log(2.0) * math.log(len(f) / 1e-5):
        return None
    near = rate_hz / len(p) * 3 + rate_hz * 2e-3
    seen = [(m, abs(m - rate_hz * round(m / rate_hz))) for m in MAINS_HZ]
    as_mains = [f"{m:g} Hz" for m, alias in seen if abs(alias - f[best]) < near]
    amplitude = math.sqrt(2.0 * float(power[best]))
    text = f"a tone of {significant(amplitude, 3)} kPa at {f[best]:.2f} Hz"
    if as_mains:
        folded = "" if max(MAINS_HZ) < rate_hz / 2 else " (folded down by the sample rate)"
        text += f": mains of {' or '.join(as_mains)} would be seen there{folded}; keep the wires short and screened"
    return float(f[best]), amplitude, text


def usable(s: Samples) -> tuple[Samples, Steps]:
    """The longest stretch without a break, and the steps of the whole. RunError where sequence or clock are such that
    nothing can be measured by them, and with fewer than 100 samples in a row."""
    steps = steps_of(s.seq, s.device_us, s.host_s)
    run = _longest_run(s, steps.broken)
    told = steps.told if len(run) < FEWEST else steps.wrong
    if told is not None:
        raise RunError(f"the adapter cannot be judged: {told[0]}", do=told[1])
    seconds = float(s.host_s[-1] - s.host_s[0]) if len(s) else 0.0
    enough(len(run), seconds, steps.restarts)
    return run, steps


def _longest_run(s: Samples, bad: BoolArray) -> Samples:
    edges = np.concatenate(([0], np.flatnonzero(bad) + 1, [len(s)]))
    which = int(np.argmax(np.diff(edges)))
    part = slice(int(edges[which]), int(edges[which + 1]))
    return Samples(s.seq[part], s.device_us[part], s.counts[part], s.supply[part], s.host_s[part])


def figures(
    time_s: FloatArray, p: FloatArray, next_: BoolArray, step_s: float, rate_hz: float, resolution: float
) -> dict[str, Any]:
    """What the pressures ``p`` (kPa) at ``time_s`` say by themselves, as fields of a report. next_: of each step,
    whether it leads to the very next sample; step_s: its length; resolution: one count, kPa."""
    # White noise as the first differences see it; a step that hides the noise leaves its own share.
    slope, offset = np.polyfit(time_s, p, 1)
    rest = p - slope * time_s - offset
    noise = float(np.std(rest, ddof=2))
    white = min(float(np.std(np.diff(p)[next_], ddof=1)) / math.sqrt(2.0), noise) if next_.sum() > 2 else noise
    least = resolution / math.sqrt(12.0)

    grid_s = np.arange(0.0, time_s[-1], step_s)
    even = np.interp(grid_s, time_s, p)
    taus, adev = overlapping_curve(even, step_s)
    half = round(HOLD_S / 2 / step_s)
    drift_seen = 2 * half <= len(even) + 1
    at_half = overlapping_adev(even, min(half, len(even) // 2)) if drift_seen else float(adev[-1])
    u_allan = math.sqrt(2.0) * at_half / (HOLD_S / 2) * 60.0
    n = HOLD_S * rate_hz
    u_line = math.sqrt(12.0 / (n * (n * n - 1))) * rate_hz * max(white, least) * 60.0
    hidden = noise < resolution / 3
    u_hidden = math.sqrt(2.0) * least / HOLD_S * 60.0 if hidden else 0.0
    grow = settling_inflation()
    hum = _hum(p[np.isfinite(p)], rate_hz)
    slow = wander(even, step_s, white_kpa=white, count_kpa=resolution, hum=hum[:2] if hum else None)
    smallest = max(CURRIE * grow * max(u_allan, u_line, u_hidden), slow.fall_kpa * 60.0 / HOLD_S)
    seconds = float(time_s[-1])
    # Of what is beside the line: a drift that counts as its own doubt would never be clear of it. The longest times
    # have few stretches, and one may be low by chance: shorter ones, as of white noise, speak as well.
    beside = overlapping_curve(np.interp(grid_s, time_s, rest), step_s)[1]
    about = float(np.max(beside[-4:] * np.sqrt(taus[-4:] / taus[-1])))
    u_drift = math.sqrt(2.0) * about / (seconds / 2) * 60.0 + (u_hidden * HOLD_S / seconds)
    return {
        "seconds": seconds,
        "rate_hz": rate_hz,
        "zero_kpa": float(np.mean(p)),
        "resolution_kpa": resolution,
        "noise_kpa": noise,
        "white_noise_kpa": white,
        "correlated_noise_kpa": math.sqrt(max(noise**2 - white**2, 0.0)),
        "wander_kpa": slow.kpa,
        "wander_s": slow.over_s,
        "wander_white_kpa": slow.white_kpa,
        "wander_fall_kpa": slow.fall_kpa,
        "hum_hz": hum[0] if hum else None,
        "hum_kpa": hum[1] if hum else None,
        "hum_text": hum[2] if hum else None,
        "drift_kpa_per_min": float(slope) * 60.0,
        "drift_u_kpa_per_min": u_drift,
        "allan_s": tuple(float(v) for v in taus),
        "allan_kpa": tuple(float(v) for v in adev),
        "rate_u_allan_kpa_per_min": u_allan,
        "rate_u_line_kpa_per_min": u_line,
        "settling_inflation": grow,
        "drift_seen": drift_seen,
        "smallest_fall_kpa_per_min": smallest,
        "smallest_fall_kpa": smallest * HOLD_S / 60.0,
    }


def check_adapter(
    samples: Samples, counts: WireCounts, announcement: Announcement, cal: Calibration, *, nameless: bool = False
) -> AdapterReport:
    """The report on samples taken with the hose open to the air. RunError as of ``usable``. nameless: the adapter never
    announced itself, and ``announcement`` holds what was given in its place, with a rate of 0 for one not known."""
    run, steps = usable(samples)
    lost = int(np.sum(steps.seq[~steps.broken] - 1))
    dseq = np.diff(run.seq) % 65536
    dus = np.diff(run.device_us) % 2**32
    time_s = np.concatenate(([0.0], np.cumsum(dus))) / 1e6
    next_ = dseq == 1
    step_s = float(np.median(dus[next_])) / 1e6 if next_.any() else float(np.median(dus / dseq)) / 1e6
    rate_hz = float(np.sum(dseq)) / float(time_s[-1])

    scale = announcement.full_scale_counts
    ratio = ratio_of(run.counts, run.supply, scale)
    p = calibration.apply(cal, ratio)
    one_more = calibration.apply(cal, ratio_of(run.counts + 1, run.supply, scale))
    resolution = float(np.median(one_more - p))
    clock = clock_error(time_s, run.host_s)
    host = np.diff(run.host_s)
    found: dict[str, Any] = {
        **figures(time_s, p, next_, step_s, rate_hz, resolution),
        "samples": len(samples),
        "device_jitter_s": float(np.std(dus[next_] / 1e6)) if next_.any() else 0.0,
        "host_jitter_s": float(np.std(host[next_] - dus[next_] / 1e6)) if next_.any() else 0.0,
        "lost": lost,
        "lost_fraction": lost / (lost + len(samples)),
        "restarts": steps.restarts,
        "failed_checks": counts.bad_check,
        "dropped_lines": counts.dropped,
        "faults": counts.faults,
        "pinned": int(np.sum((samples.counts <= 0) | (samples.counts >= scale))),
        "zero_u_kpa": cal.standard_uncertainty_kpa,
        "clock_error_ppm": clock[0] if clock else None,
        "clock_error_u_ppm": clock[1] if clock else None,
    }
    without_supply = bool(np.all(np.isnan(run.supply)))
    told = steps.told
    hint = supply_hint(float(np.mean(ratio))) if calibration.is_nominal(cal) else ""
    changed = changed_kpa(p, found["white_noise_kpa"])
    verdict, reasons = graded({
        **found, "turned_over": steps.seq_back + steps.clock_back, "told": told[0] if told is not None else "",
        "lost_hint": lost_hint(steps.seq), "changed_kpa": changed, "zero_hint": hint,
        "over": int(np.sum(samples.counts > scale)), "supply_over": int(np.sum(samples.supply > scale)),
        "highest": int(samples.counts.max()), "scale": scale, "frozen": float(np.ptp(run.counts) == 0),
        "nameless": float(nameless),
        "scale_hint": scale_hint(float(np.mean(run.counts)), scale) if without_supply else "",
    }, announcement.nominal_rate_hz)
    return AdapterReport(
        adapter_id=announcement.adapter_id, verdict=verdict, reasons=reasons,
        nominal_rate_hz=announcement.nominal_rate_hz, **found,
        notes=(hint,) if hint and not changed and not any(hint in reason for reason in reasons) else (),
    )
