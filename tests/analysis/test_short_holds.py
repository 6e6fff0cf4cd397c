"""A hold shorter than what says anything (10 s for a cap, 60 s for a system): what it may say all the same."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.hold import fit_hold
from recorder.analysis.setup import Setup
from recorder.analysis.verdict import Findings, decide
from recorder.limits import resolve
from recorder.model import Marking, Quantity
from tests.analysis.judging import judged


def said(hold_s: float, rate: float, u: float) -> tuple[str, str]:
    """Outcome and first reason for a system's hold; 0.35 kPa/min is allowed."""
    found = Findings(
        fault=None, broken=None, strokes=12, peak=Quantity(110.0, 0.3, "kPa"), opening=None, hold_s=hold_s,
        rate=Quantity(rate, u, "kPa/min"), start_kpa=108.0, zero_shift=None,
    )  # fmt: skip
    outcome, reasons, _ = decide(Setup("system", Marking(98.0, "kPa", 98.0), resolve("system", {})), found)
    return outcome, reasons[0].code


@pytest.mark.parametrize(
    ("hold_s", "rate", "u", "outcome", "code"),
    [
        (60.0, 0.0, 0.1, "pass", "no-detectable-fall"),
        (59.5, 0.0, 0.1, "undecided", "hold-too-short"),  # "at least 60 s to say anything"
        (60.0, 1.0, 0.3, "fail", "fall-too-fast"),
        (30.0, 1.0, 0.3, "undecided", "hold-too-short"),  # 2 u clear of what is allowed is not proven so early
        (30.0, 1.0, 0.2, "fail", "fall-too-fast"),  # 3 u clear of it is
    ],
)
def test_what_a_short_hold_may_say(hold_s: float, rate: float, u: float, outcome: str, code: str) -> None:
    """Section 5 of the contracts: at least 60 s to say anything; ended by a proven leak it is a fail."""
    assert said(hold_s, rate, u) == (outcome, code)


@pytest.mark.parametrize("rate_hz", [17, 37, 43])
def test_how_much_longer_to_hold_has_six_decimals_as_every_number(rate_hz: int) -> None:
    """Pumped up in strokes of a second and held for half a minute, of 120 s."""
    t = np.arange(0.0, 46.0, 1.0 / rate_hz)
    noise = np.random.default_rng(3).normal(0.0, 0.03, len(t))
    told = judged("system", t, np.clip(np.floor(t - 5.0) + 1.0, 0.0, 9.0) * 12.0 + noise)
    assert told.outcome == "undecided" and 85.0 < told.extra["hold_more_s"] < 95.0
    assert told.extra["hold_more_s"] == round(told.extra["hold_more_s"], 6)


def test_a_few_readings_with_a_hole_behind_them_and_a_knock_are_fitted() -> None:
    """Most readings stood in the first tenth of a second, and the search for knocks' neighbours broke."""
    t = np.array([0.0, 0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 12.0, 12.01])
    p = np.array([100.0, 100.1, 99.9, 130.0, 100.0, 100.1, 99.9, 99.9, 100.0])
    fit = fit_hold(t, p, step_kpa=0.01, noise_kpa=0.1, last_rise_kpa=5.0)
    assert 99.0 < fit.start_kpa < 131.0 and abs(fit.end_kpa - 100.0) < 1.0
