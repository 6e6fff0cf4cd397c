"""A sluggish relief valve against SciPy's integrator (scipy.integrate.solve_ivp, LSODA; Petzold 1983, SIAM J. Sci.
Stat. Comput. 4, 136)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from recorder.analysis import Analyser, Setup
from recorder.analysis.opening.closed import Response
from recorder.analysis.opening.valve_steps import Lanes, run_valves
from recorder.limits import resolve
from recorder.model import Marking

AIR_KPA = 101.325  # ISO 2533 standard atmosphere


@pytest.mark.parametrize("lag_s", [0.015, 0.05, 0.3])
@pytest.mark.parametrize("k", [1.5, 12.0, 40.0])
def test_a_late_lift_is_stepped_as_an_integrator_does(k: float, lag_s: float) -> None:
    """Air comes in for 0.4 s and no more; the lift wants to be p - 100 kPa, and is late."""
    steps, length = 400, 2.0
    t = np.linspace(0.0, length, steps + 1)
    came = 15.0 * np.clip(t / 0.4, 0.0, 1.0)
    still = Response(0.0, 0.0, 0.0, 0.0, 1.0, 15.0, 0.1, 0.4, 0.1, 0.0, 0.0, 0.0, 0.0, AIR_KPA)
    one = np.ones(1)
    lanes = Lanes(came[:, None], one * length / steps, 96.0 * one, 0.0 * one, 100.0 * one, k * one, 0.0 * one,
                  np.zeros(1, bool), 0.0 * one)
    got = run_valves(lanes, still, pop=0.0, lag_s=lag_s)[0][:, 0]

    def slope(at: float, y: np.ndarray) -> list[float]:
        return [(15.0 / 0.4 if at < 0.4 else 0.0) - k * max(y[1], 0.0), (max(y[0] - 100.0, 0.0) - y[1]) / lag_s]

    true = solve_ivp(slope, (0.0, length), [96.0, 0.0], "LSODA", t, rtol=1e-8, atol=1e-8, max_step=2e-3).y[0]
    assert float(np.abs(got - true).max()) < 0.02 * float(true.max() - 96.0)


@pytest.mark.parametrize("lag_s", [None, 0.05])
def test_a_stroke_finds_the_valve_as_the_one_before_has_left_it(lag_s: float | None) -> None:
    """The stroke before went 4 kPa above the opening, 100 kPa; friction has held that lift down to 98 kPa (it shuts at
    92 kPa), where the next one begins: air for 0.4 s, too little for a greater lift."""
    steps, length, k, left, gap = 400, 2.0, 3.0, 4.0, 8.0
    t = np.linspace(0.0, length, steps + 1)
    one = np.ones(1)
    still = Response(0.0, 0.0, 0.0, 0.0, 1.0, 6.0, 0.1, 0.4, 0.1, 0.0, 0.0, 0.0, 0.0, AIR_KPA)
    lanes = Lanes(6.0 * np.clip(t / 0.4, 0.0, 1.0)[:, None], one * length / steps, 98.0 * one, 0.0 * one, 100.0 * one,
                  k * one, gap * one, np.zeros(1, bool), left * one)
    got = run_valves(lanes, still, pop=0.0, lag_s=lag_s)[0][:, 0]

    def slope(at: float, y: np.ndarray) -> list[float]:
        wants = min(left, max(y[0] - 92.0, 0.0))
        lift = wants if lag_s is None else y[1]
        return [(6.0 / 0.4 if at < 0.4 else 0.0) - k * lift, 0.0 if lag_s is None else (wants - y[1]) / lag_s]

    true = solve_ivp(slope, (0.0, length), [98.0, left], "LSODA", t, rtol=1e-8, atol=1e-8, max_step=2e-3).y[0]
    assert float(np.abs(got - true).max()) < 0.02 * float(true.max() - true.min())


@pytest.mark.parametrize("full", [True, False])
def test_a_lift_that_pops_is_stepped_as_an_integrator_does(full: bool) -> None:
    """Air comes in for 0.4 s; above 100 kPa the lift wants to be 5 kPa (full) or p - 95 kPa, below 95 kPa nothing, and
    is 0.015 s late."""
    steps, length, k, lag_s = 400, 2.0, 12.0, 0.015
    t = np.linspace(0.0, length, steps + 1)
    one = np.ones(1)
    lanes = Lanes(15.0 * np.clip(t / 0.4, 0.0, 1.0)[:, None], one * length / steps, 96.0 * one, 0.0 * one, 100.0 * one,
                  k * one, 5.0 * one, np.zeros(1, bool), 0.0 * one)
    still = Response(0.0, 0.0, 0.0, 0.0, 1.0, 15.0, 0.1, 0.4, 0.1, 0.0, 0.0, 0.0, 0.0, AIR_KPA)
    got = run_valves(lanes, still, pop=1.0, full=full, lag_s=lag_s)[0][:, 0]

    is_open, now, y, true = False, 0.0, [96.0, 0.0], np.full(len(t), np.nan)
    while now < length:

        def slope(at: float, y: np.ndarray, is_open: bool = is_open) -> list[float]:
            wants = (5.0 if full else max(y[0] - 95.0, 0.0)) if is_open else 0.0
            return [(15.0 / 0.4 if at < 0.4 else 0.0) - k * max(y[1], 0.0), (wants - y[1]) / lag_s]

        def line(at: float, y: np.ndarray, is_open: bool = is_open) -> float:
            return float(y[0] - (95.0 if is_open else 100.0))

        line.terminal, line.direction = True, -1.0 if is_open else 1.0  # type: ignore[attr-defined]
        run = solve_ivp(slope, (now, length), y, "LSODA", dense_output=True, events=line, rtol=1e-8, atol=1e-8,
                        max_step=2e-3)
        here = (t >= now) & (t <= run.t[-1])
        true[here] = run.sol(t[here])[0]
        is_open, now, y = not is_open, float(run.t[-1]), [float(q) for q in run.y[:, -1]]
    assert float(np.abs(got - true).max()) < 0.02 * float(true.max() - true.min())


@pytest.mark.parametrize("lag_s", [0.015, 0.06])
def test_a_lift_that_half_pops_is_stepped_as_an_integrator_does(lag_s: float) -> None:
    """Air comes in for 0.4 s. At 100 kPa the lift wants to be 3 kPa at once and follows p - 97 kPa from there; as the
    pressure falls friction holds it until it meets p - 94 kPa, which it follows until it shuts."""
    steps, length, k = 400, 2.0, 4.0
    t = np.linspace(0.0, length, steps + 1)
    one = np.ones(1)
    lanes = Lanes(15.0 * np.clip(t / 0.4, 0.0, 1.0)[:, None], one * length / steps, 96.0 * one, 0.0 * one, 100.0 * one,
                  k * one, 6.0 * one, np.zeros(1, bool), 0.0 * one)
    still = Response(0.0, 0.0, 0.0, 0.0, 1.0, 15.0, 0.1, 0.4, 0.1, 0.0, 0.0, 0.0, 0.0, AIR_KPA)
    got = run_valves(lanes, still, pop=0.5, lag_s=lag_s)[0][:, 0]

    def slope(at: float, y: np.ndarray) -> list[float]:
        pressure, lift, wants = y
        # play between the two lines, as a stiff pull back to them
        up, down = max(pressure - 97.0 - wants, 0.0), max(wants - max(pressure - 94.0, 0.0), 0.0)
        pull = 2e4 * (up - down) if wants > 1e-3 or pressure > 100.0 else 0.0
        return [(15.0 / 0.4 if at < 0.4 else 0.0) - k * max(lift, 0.0), (wants - lift) / lag_s, pull]

    true = solve_ivp(slope, (0.0, length), [96.0, 0.0, 0.0], "LSODA", t, rtol=1e-7, atol=1e-7, max_step=5e-4).y[0]
    assert float(true.max()) > 102.0 and float(np.abs(got - true).max()) < 0.02 * float(true.max() - 96.0)


def trace(seed: int, lag_s: float, k: float = 6.0, size: float = 9.0) -> tuple[np.ndarray, np.ndarray]:
    """A cap that begins to open at 100 kPa, its lift late by ``lag_s``: strokes of ``size`` kPa within 0.3 s, one in
    1.1 s."""
    rng = np.random.default_rng(seed)
    starts = 4.0 + np.cumsum(1.1 * np.exp(rng.normal(0.0, 0.05, round(126.0 / size))))

    def slope(at: float, y: np.ndarray) -> list[float]:
        x = (at - starts) / 0.3
        air = float(np.sum(np.where((x > 0.0) & (x < 1.0), 1.0 - np.cos(2.0 * math.pi * x), 0.0))) * size / 0.3
        return [air - k * max(y[1], 0.0), (max(y[0] - 100.0, 0.0) - y[1]) / lag_s]

    t = np.arange(0.0, float(starts[-1]) + 55.0, 0.02)
    p = solve_ivp(slope, (0.0, float(t[-1])), [0.0, 0.0], "LSODA", t, rtol=1e-6, atol=1e-6, max_step=0.01).y[0]
    p[t > t[-1] - 4.0] *= np.exp(-(t[t > t[-1] - 4.0] - t[-1] + 4.0) / 0.3)
    return t, p + rng.normal(0.0, 0.12, len(t))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("lag_s", [0.1, 0.25])
def test_a_sluggish_valve_opens_before_the_pressure_shows_it(seed: int, lag_s: float) -> None:
    """It lets out much as a quick one does that opens higher and pops some way: either may be."""
    t, p = trace(seed, lag_s)
    analyser = Analyser(Setup("cap", Marking(100.0, "kPa", 100.0), resolve("cap", {})))
    analyser.feed(t.round(6), p.round(4))
    told = analyser.judgement()
    assert told.strokes == 14
    assert told.opening is not None and told.opening.standard_uncertainty is not None
    assert abs(told.opening.value - 100.0) < min(3.0, 2.0 * told.opening.standard_uncertainty)


@pytest.mark.parametrize("seed", range(3))
def test_a_valve_that_is_late_by_milliseconds_is_not_read_high(seed: int) -> None:
    t, p = trace(seed, 0.02, 20.0, 12.0)
    analyser = Analyser(Setup("cap", Marking(100.0, "kPa", 100.0), resolve("cap", {})))
    analyser.feed(t.round(6), p.round(4))
    told = analyser.judgement()
    assert told.opening is not None and told.opening.standard_uncertainty is not None
    assert abs(told.opening.value - 100.0) < min(1.0, 2.0 * told.opening.standard_uncertainty)


@pytest.mark.parametrize(("seed", "pop_kpa"), [(0, 3.0), (1, 3.0), (2, 5.0), (3, 5.0)])
def test_a_valve_that_pops_some_way_is_not_read_low(seed: int, pop_kpa: float) -> None:
    """It opens at 100 kPa, its lift being ``pop_kpa`` at once, and is shut again by twice that below: how it lets out
    is much as of one that opens lower, without a pop."""
    rng = np.random.default_rng(seed)
    step, p, lift, wants = 5e-4, 0.0, 0.0, 0.0
    starts = 4.0 + np.cumsum(1.1 * np.exp(rng.normal(0.0, 0.05, 11)))
    t = np.arange(0.0, float(starts[-1]) + 55.0, step)
    out = np.empty(len(t))
    for i, now in enumerate(t):
        x = (now - starts) / 0.3
        air = float(np.sum(np.where((x > 0.0) & (x < 1.0), 1.0 - np.cos(2.0 * math.pi * x), 0.0))) * 12.0 / 0.3
        up, down = p - 100.0 + pop_kpa, max(p - 100.0 + 2.0 * pop_kpa, 0.0)
        wants = min(max(wants, up), down) if wants > 0.0 or p > 100.0 else 0.0
        lift += (wants - lift) * step / 0.02
        p += (air - 8.0 * max(lift, 0.0)) * step
        if now > t[-1] - 4.0:
            p *= 1.0 - step / 0.3
        out[i] = p
    t, p_read = t[::40], out[::40] + rng.normal(0.0, 0.12, len(t[::40]))
    analyser = Analyser(Setup("cap", Marking(100.0, "kPa", 100.0), resolve("cap", {})))
    analyser.feed(t.round(6), p_read.round(4))
    told = analyser.judgement()
    assert told.opening is not None and told.opening.standard_uncertainty is not None
    assert abs(told.opening.value - 100.0) < min(3.0, 2.0 * told.opening.standard_uncertainty)
