"""A leak that shuts or begins within the hold, told from what settles by the laws that its slope breaks.

Against SciPy's own integration of a space with two Kelvin-Voigt hoses (creep compliance, Ferry 1980, from memory) and
of what leaves it, with the leak and without; and against sums of exponentials of one sign, whose slopes are log-convex
(completely monotone functions: Widder 1941; from memory)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from recorder.analysis.hold.bends import breaks_off, speeds_up
from recorder.analysis.hold.bins import bin_hold
from recorder.analysis.hold.cases import Before
from recorder.analysis.hold.fit import fit_hold
from tests.analysis.judging import judged

BEGINS_S, EACH_S, STROKE_S, STROKES, LASTS_S = 3.0, 1.0, 0.35, 12, 125.0
HELD_S = BEGINS_S + (STROKES - 1) * EACH_S + STROKE_S
CREEPS = ((0.022, 10.0), (0.012, 60.0))  # of the give at once; time constant, s


def space(
    kpa_per_min: float, shuts_kpa: float, *, laminar: bool, begins_s: float = HELD_S
) -> tuple[np.ndarray, np.ndarray]:
    """Times (s) and pressures (kPa) of a space that gives one unit a kPa at once: strokes, then, from ``begins_s`` on,
    a leak of so much at 109 kPa that passes nothing below ``shuts_kpa``."""

    def pressure(state: np.ndarray) -> np.ndarray:
        return np.asarray(state[0] - state[1] - state[2])

    def change(t: float, state: np.ndarray) -> list[float]:
        p = float(pressure(state))
        n, part = divmod(t - BEGINS_S, EACH_S)
        come = 0.0
        if 0 <= n < STROKES and part < STROKE_S:
            come = 9.25 * math.pi / (2.0 * STROKE_S) * math.sin(math.pi * part / STROKE_S)
        leaks = kpa_per_min / 60.0 * max(p / 109.0, 0.0) ** (1.0 if laminar else 0.5)
        gone = leaks if t > begins_s and p > shuts_kpa else 0.0
        return [come - gone, *((give * p - x) / tau for (give, tau), x in zip(CREEPS, state[1:], strict=True))]

    t = np.arange(0.0, HELD_S + LASTS_S, 0.02)
    found = solve_ivp(change, (0.0, float(t[-1])), [0.0, 0.0, 0.0], t_eval=t, max_step=0.05, rtol=1e-6, atol=1e-7)
    return t, pressure(found.y)


@pytest.mark.parametrize("laminar", [True, False])
def test_a_system_whose_leak_shuts_is_not_tight(laminar: bool) -> None:
    """Three kPa of its fall are the leak's, the rest are the hoses'."""
    t, p = space(4.0, 104.3, laminar=laminar)
    tight = space(0.0, 104.3, laminar=laminar)[1]
    told = judged("system", t, p + np.random.default_rng(7).normal(0.0, 0.15, len(t)))
    hold = told.hold
    assert told.outcome == "fail" and told.reasons[0].code == "fall-too-fast"
    assert hold is not None and hold.end_s - hold.start_s > LASTS_S - 1.0
    i, j = np.searchsorted(t, [hold.start_s, hold.end_s - 0.01])
    truth = 60.0 * float((tight - p)[j] - (tight - p)[i]) / (hold.end_s - hold.start_s)
    assert truth > 0.35 and abs(hold.rate.value - truth) < 2.0 * hold.rate.standard_uncertainty


@pytest.mark.parametrize("after_s", [20.0, 45.0])
def test_a_leak_that_begins_while_hoses_still_give(after_s: float) -> None:
    """Its rate is the mean over the hold, the tight part as well."""
    t, p = space(4.0, 0.0, laminar=False, begins_s=HELD_S + after_s)
    tight = space(0.0, 0.0, laminar=False)[1]
    hold = judged("system", t, p + np.random.default_rng(7).normal(0.0, 0.15, len(t))).hold
    assert hold is not None
    i, j = np.searchsorted(t, [hold.start_s, hold.end_s - 0.01])
    truth = 60.0 * float((tight - p)[j] - (tight - p)[i]) / (hold.end_s - hold.start_s)
    assert abs(hold.rate.value - truth) < 2.0 * hold.rate.standard_uncertainty < 1.0


def fall(seed: int, *, shuts: bool = False, begins: bool = False) -> tuple[bool, bool]:
    """Whether a fall of up to three exponentials and a leak breaks off, as a leak that shuts makes it; whether it
    speeds up, as one that begins does."""
    made = np.random.default_rng(seed)
    length, sd = float(made.choice([45.0, 120.0])), float(made.uniform(0.05, 0.4))
    t = np.arange(0.0, length, 0.02)
    p = 110.0 - made.uniform(0.0, 30.0) * t / 60.0
    for _ in range(made.integers(4)):
        p += made.uniform(0.0, 6.0) * np.exp(-t / math.exp(made.uniform(math.log(0.5), math.log(100.0))))
    if shuts:
        p -= made.uniform(12.0, 40.0) * np.minimum(t, made.uniform(0.3, 0.7) * length) / 60.0
    if begins:
        p -= made.uniform(12.0, 40.0) * np.maximum(t - made.uniform(0.3, 0.7) * length, 0.0) / 60.0
    bins = bin_hold(t, p + made.normal(0.0, sd, len(t)), sd)
    return breaks_off(bins, length, sd), speeds_up(bins, length, sd)


def test_what_settles_and_leaks_does_neither() -> None:
    assert {fall(seed) for seed in range(300)} == {(False, False)}


def test_what_shuts_breaks_off_and_what_begins_speeds_up() -> None:
    """Where most of the fall is not the steady leak's beside it."""
    assert sum(fall(seed, shuts=True)[0] for seed in range(100)) > 50
    assert sum(fall(seed, begins=True)[1] for seed in range(100)) > 50


@pytest.mark.parametrize(("shut_kpa", "leaks"), [(None, True), (97.0, True), (90.3, False)])
def test_a_cap_that_shuts_late_where_it_shut_before_does_not_leak(shut_kpa: float | None, leaks: bool) -> None:
    """A valve has one pressure at which it shuts: what falls on below it is no valve's. An even fall of 8.5 kPa, as of
    a lift that friction holds, in ten of fifty seconds."""
    t = np.arange(0.0, 50.0, 0.02)
    p = 98.5 - 0.85 * np.minimum(t, 10.0) + np.random.default_rng(3).normal(0.0, 0.1, len(t))
    strokes = np.arange(8.0) + 0.2
    fit = fit_hold(t, p, step_kpa=0.0, noise_kpa=0.1, last_rise_kpa=5.0,
                   before=Before(strokes, np.full(8, 5.0), 8.0, shut_kpa))  # fmt: skip
    rate, u = 60.0 * fit.rate_kpa_per_s, 60.0 * fit.rate_u
    assert abs(rate - 8.5 / 50.0 * 60.0) < 2.0 * u if leaks else rate < 2.0
