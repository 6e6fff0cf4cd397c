"""A gauge without a calibration that stays at its highest reading: a coarse one does so in any quiet hold, and a sensor
at the end of its range does. Noise tells them apart where there is enough of it: a pressure in the middle of a step is
read as that step with erf(step / (2 sqrt(2) sd)), the normal distribution's own, and so for n readings on end with
the n-th power of that (from memory)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking

PSI_TENTH = 0.6894757293  # 0.1 psi, what many a small gauge prints (NIST SP 811: 1 psi = 6.894757 kPa)
STROKES, HELD_S = 14, 128.0


def true_kpa(t: np.ndarray, top_kpa: float, *, release_s: float = 0.3) -> np.ndarray:
    """Vented for 5 s, strokes of one second each up to ``top_kpa``, a hold without any fall, let go."""
    p = np.zeros_like(t)
    for k in range(STROKES):
        p += top_kpa / STROKES * np.clip((t - 5.0 - k) / 0.55, 0.0, 1.0)
    since = t - (5.0 + STROKES + HELD_S)
    return np.where(since > 0.0, p * np.exp(-np.maximum(since, 0.0) / release_s), p)


def told(
    top_kpa: float, sd_kpa: float, *, ends_kpa: float = math.inf, rate_hz: float = 50.0, test: str = "system",
    release_s: float = 0.3, zero_kpa: float = 0.0,
) -> Judgement:
    t = np.arange(0.0, 5.0 + STROKES + HELD_S + 4.0, 1.0 / rate_hz)
    p = true_kpa(t, top_kpa, release_s=release_s) + zero_kpa
    p = np.minimum(p + np.random.default_rng(5).normal(0.0, sd_kpa, len(t)), ends_kpa)
    analyser = Analyser(Setup(test, Marking(16.0, "psi", 110.3), resolve(test, {})))  # type: ignore[arg-type]
    analyser.feed(t.round(6), (np.round(p / PSI_TENTH) * PSI_TENTH).round(4))
    return analyser.judgement()


def notes(found: Judgement) -> list[str]:
    return [note["code"] for note in found.extra.get("notes", [])]


MIDDLE = 172 * PSI_TENTH  # a pressure that the gauge can show, within the target: 118.6 kPa


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
@pytest.mark.parametrize("zero_kpa", [0.0, 0.5 * PSI_TENTH])
def test_a_coarse_gauge_in_a_quiet_hold_passes(rate_hz: float, zero_kpa: float) -> None:
    """Noise of a fourteenth of a step: erf(4.9) is 1 to eleven places, so all of a hold is one reading. At a zero
    between two steps the vented start jumps to and fro all the same."""
    assert math.erf(PSI_TENTH / (2.0 * math.sqrt(2.0) * 0.05)) > 1.0 - 1e-11
    found = told(MIDDLE - zero_kpa, 0.05, rate_hz=rate_hz, zero_kpa=zero_kpa)
    assert found.outcome == "pass"
    assert "on-top" in notes(found)


def test_a_gauge_whose_noise_would_have_moved_it_is_at_its_end() -> None:
    """Noise of half a step: a reading in the middle stays with 0.683, as 68-95-99.7 has it, and 100 with 10^-17."""
    assert 100.0 * math.log10(math.erf(1.0 / math.sqrt(2.0))) < -16.0
    free, ends = told(MIDDLE, 0.5 * PSI_TENTH), told(MIDDLE, 0.5 * PSI_TENTH, ends_kpa=MIDDLE - PSI_TENTH)
    assert free.outcome == "pass" and "on-top" not in notes(free)
    assert ends.outcome == "void" and [r.code for r in ends.reasons] == ["sensor-fault"]


def test_a_stuck_cap_on_a_coarse_gauge_is_stuck() -> None:
    found = told(190 * PSI_TENTH, 0.03, test="cap")
    assert found.outcome == "fail" and found.reasons[0].code == "no-opening"


def test_a_pressure_let_go_between_two_readings_is_no_short_circuit() -> None:
    found = told(MIDDLE, 0.03, rate_hz=10.0, release_s=0.05)
    assert "sensor-fault" not in [r.code for r in found.reasons]
