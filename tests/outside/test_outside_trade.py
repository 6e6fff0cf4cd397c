"""What the trade knows, as traces written by hand (not by the simulated tester), through text, reader and judge.

Trade facts: common practice, no source. Bands: published vehicle service manuals, as named in limits.NAMED.
"""

from pathlib import Path

import numpy as np
import pytest

from recorder.analysis import judge
from recorder.limits import NAMED, band_kpa, resolve
from recorder.model import Judgement
from recorder.recording import read
from recorder.units import parse_marking

PSI = 6.894757293168361
RATE = 20.0
STEP_KPA = 207 / 0.8 / 4095  # a 12-bit adapter with a 207 kPa sensor


def recorded(tmp_path: Path, test: str, pieces: list[tuple[float, float]], *, marked: str, seed: int = 1) -> Judgement:
    """A recording with two columns from (time s, pressure kPa) corners, straight between them."""
    t = np.arange(0, pieces[-1][0], 1 / RATE)
    p = np.interp(t, [c[0] for c in pieces], [c[1] for c in pieces])
    p = p + np.random.default_rng(seed).normal(0, 0.1, len(t))
    p = np.rint(p / STEP_KPA) * STEP_KPA
    head = f'# recording-format: 1\n# test: "{test}"\n# marked: {{"value": {marked}, "unit": "psi"}}\n'
    path = tmp_path / "trace.csv"
    rows = "".join(f"{a:.6f},{b:.4f}\n" for a, b in zip(t, p, strict=True))
    path.write_text(head + "time_s,pressure_kPa\n" + rows, "utf-8")
    return judge(read(path))


def pumped(to_psi: float, begin_s: float = 5.0, strokes: int = 12) -> list[tuple[float, float]]:
    """Vented, then pumped up in equal strokes, one a second; each takes 0.3 s."""
    out = [(0.0, 0.0)]
    for k in range(strokes):
        out += [(begin_s + k, to_psi * PSI * k / strokes), (begin_s + k + 0.3, to_psi * PSI * (k + 1) / strokes)]
    return out


def codes(j: Judgement) -> list[str]:
    return [r.code for r in j.reasons]


def test_system_that_loses_half_a_pound_then_a_pound_leaks(tmp_path: Path) -> None:
    """17 psi that reads 16.5 after two minutes and 15.5 after four is leaking."""
    up = pumped(17.0)
    t = up[-1][0]
    trace = [*up, (t + 120, 16.5 * PSI), (t + 240, 15.5 * PSI), (t + 241, 0.0), (t + 246, 0.0)]
    got = recorded(tmp_path, "system", trace, marked="16")
    assert got.outcome == "fail" and "fall-too-fast" in codes(got)
    assert got.hold is not None
    u = got.hold.rate.standard_uncertainty
    assert u is not None
    # 1.5 psi over four minutes; the trace speeds up, so part of it may be read as the opposite of settling
    assert got.hold.drop.value == pytest.approx(1.5 * PSI, abs=0.6)
    assert got.hold.rate.value - 2 * u > 0.35


def test_system_unchanged_after_two_minutes_is_tight(tmp_path: Path) -> None:
    up = pumped(17.0)
    t = up[-1][0]
    got = recorded(tmp_path, "system", [*up, (t + 125, 17 * PSI), (t + 126, 0.0), (t + 132, 0.0)], marked="16")
    assert got.outcome == "pass", got.reasons
    assert codes(got) == ["no-detectable-fall"]


def test_two_pounds_in_two_minutes_is_a_leak(tmp_path: Path) -> None:
    """A published vehicle service manual: a drop of over 2 psi in 2 min calls for a search."""
    up = pumped(17.0)
    t = up[-1][0]
    got = recorded(tmp_path, "system", [*up, (t + 125, 14.8 * PSI), (t + 126, 0.0), (t + 132, 0.0)], marked="16")
    assert got.outcome == "fail" and "fall-too-fast" in codes(got)


def test_cap_that_opens_just_above_its_marking_is_good(tmp_path: Path) -> None:
    """A 15 psi cap that opens just above 15: pumped in strokes of 1.25 psi, it passes what is above 15.3
    within a fraction of a second, and then keeps what is just below."""
    up = pumped(15.0)
    t = up[-1][0] + 0.7
    trace = list(up)
    for _ in range(5):  # strokes that only make it relieve
        trace += [(t, 15.05 * PSI), (t + 0.3, 15.6 * PSI), (t + 0.6, 15.1 * PSI), (t + 0.9, 15.05 * PSI)]
        t += 1.0
    trace += [(t, 15.0 * PSI), (t + 50, 14.95 * PSI), (t + 51, 0.0), (t + 57, 0.0)]
    got = recorded(tmp_path, "cap", trace, marked="15")
    assert got.outcome == "pass", got.reasons
    assert "opens-in-band" in codes(got)
    assert got.opening is not None and 14.5 * PSI < got.opening.value < 16.0 * PSI
    assert got.peak is not None and got.peak.value == pytest.approx(15.6 * PSI, abs=1.0)


def test_cap_that_opens_far_below_its_marking_is_bad(tmp_path: Path) -> None:
    up = pumped(11.0)
    t = up[-1][0] + 0.7
    trace = list(up)
    for _ in range(5):
        trace += [(t, 11.05 * PSI), (t + 0.3, 11.6 * PSI), (t + 0.6, 11.1 * PSI), (t + 0.9, 11.05 * PSI)]
        t += 1.0
    trace += [(t, 11.0 * PSI), (t + 50, 10.95 * PSI), (t + 51, 0.0), (t + 57, 0.0)]
    got = recorded(tmp_path, "cap", trace, marked="15")
    assert got.outcome == "fail" and "opens-low" in codes(got)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("new-1.1-kgf", 93, 123), ("in-service-1.1-kgf", 78, None), ("new-0.9-kgf", 74, 103),
        ("in-service-0.9-kgf", 59, None), ("ten-second-hold", 94, 122),
    ],
)
def test_published_bands(name: str, low: float, high: float | None) -> None:
    got = band_kpa(resolve("cap", NAMED[name]), parse_marking("1.1 kgf/cm2"))
    assert got[0] == low and (high is None or got[1] == high)


def test_published_ten_percent_and_two_psi() -> None:
    marked = parse_marking("16 psi")
    assert band_kpa(resolve("cap"), marked) == pytest.approx((0.9 * 16 * PSI, 1.1 * 16 * PSI))
    slow = resolve("system", NAMED["two-psi-in-two-minutes"])
    assert slow.steady_fall_allowed_kpa_per_min * 2 == pytest.approx(2 * PSI)
    assert resolve("cap", NAMED["ten-second-hold"]).hold_s == 10.0
    assert resolve("system", NAMED["one-minute-hold"]).hold_s == 60.0
