"""Valves that let out more slowly than strokes bring: pumping goes on beyond the opening, and the hold begins with a
fall that is no leak. The traces are those of ``other_physics``, which the analysis does not know."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.analysis.opening.leak_begins import leaked_before
from recorder.analysis.opening.slow_valve import _levels, _posterior
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.signal import prepare
from recorder.limits import resolve
from recorder.model import Judgement, Marking
from tests.analysis.judging import judged as judged_trace
from tests.analysis.other_physics import Made, Valve, make


def judged(made: Made) -> Judgement:
    analyser = Analyser(Setup("cap", Marking(98.0, "kPa", 98.0), resolve("cap", {})))
    analyser.feed(made.time_s.round(6), made.pressure_kpa.round(4))
    return analyser.judgement()


SLOW = [
    (301, 100.0, Valve(97.0, 90.0, 0.3, pops=False)),
    (302, 50.0, Valve(101.0, 95.0, 0.15, pops=False)),
    (303, 10.0, Valve(95.0, 88.0, 0.3, pops=False)),
    (304, 200.0, Valve(99.0, 93.0, 0.5, pops=False)),
    (305, 25.0, Valve(97.0, 94.0, 0.25, pops=True)),
]


@pytest.mark.parametrize(("seed", "rate_hz", "valve"), SLOW)
def test_a_slow_valve_is_read_where_it_opens(seed: int, rate_hz: float, valve: Valve) -> None:
    """Not where the strokes end, several kPa higher: within less than a stroke, and what is said of it."""
    made = make(seed, rate_hz=rate_hz, stroke_kpa=3.0, valve=valve, extra=6, hold_s=50.0)
    assert made.peak_kpa > valve.open_kpa + 4.0
    found = judged(made).opening
    assert found is not None and found.standard_uncertainty is not None
    assert abs(found.value - valve.open_kpa) < min(2.5 * found.standard_uncertainty, 3.0)


@pytest.mark.parametrize(("seed", "rate_hz", "valve"), SLOW)
def test_what_a_slow_valve_lets_out_after_the_strokes_is_no_leak(seed: int, rate_hz: float, valve: Valve) -> None:
    made = make(seed, rate_hz=rate_hz, stroke_kpa=3.0, valve=valve, extra=6, hold_s=50.0)
    got = judged(made)
    assert got.outcome == "pass", got.reasons
    hold, shut = got.hold, got.reseat
    assert hold is not None and shut is not None and shut.time_s is not None
    assert hold.rate.standard_uncertainty is not None
    assert abs(hold.rate.value) < max(3.0 * hold.rate.standard_uncertainty, 0.3)
    assert abs(shut.value - valve.close_kpa) < 3.0
    assert hold.start_s >= made.hold_start_s - 0.5


@pytest.mark.parametrize("seed", range(310, 316))
def test_air_that_cools_is_no_slow_valve(seed: int) -> None:
    """A stuck cap: many strokes, whose heat leaves the air for seconds after the last."""
    made = make(seed, rate_hz=50.0, stroke_kpa=3.0, target_kpa=140.0, hold_s=50.0)
    assert judged(made).opening is None


@pytest.mark.parametrize("leaks", [True, False])
def test_whether_a_cap_leaked_before_it_opened(leaks: bool) -> None:
    """Strokes of 4 kPa, of which 0.6 kPa cools away within 0.4 s, and a leak of 0.5 kPa/s at 100 kPa, or none."""
    dt, rng = 0.01, np.random.default_rng(5)
    t = np.arange(0.0, 26.0, dt)
    p, heat, out, strokes = 0.0, 0.0, [], []
    for at in t:
        on = at > 1.0 and (at - 1.0) % 1.0 < 0.3
        p += (4.0 / 0.3 if on else 0.0) * dt - (0.005 * p * dt if leaks else 0.0)
        heat += (0.6 / 0.3 if on else 0.0) * dt - heat / 0.4 * dt
        out.append(p + heat)
    made = np.array(out)
    for k in range(1, 26):
        base, top = (float(np.interp(k + d, t, made)) for d in (0.0, 0.3))
        strokes.append(Stroke(float(k), k + 0.3, base, top))
    x = prepare(t, made + 0.05 * rng.standard_normal(len(t)), 0.0)
    share = leaked_before(x, strokes, 0.5, 100.0, 1.0)
    assert share > 0.95 if leaks else share < 0.05


@pytest.mark.parametrize("tau_s", [2.2, 3.2, 4.2, 9.0])
def test_air_that_takes_some_seconds_to_cool_is_no_valve(tau_s: float) -> None:
    """A stuck cap pumped quickly: 0.26 of each stroke is warmth (up to 1 - 1/gamma = 0.29) that goes with one time
    constant, a twentieth is taken up by the hose. An opening was invented in what no mix of three others explained."""
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 62.0, 0.01)
    p = rng.normal(0.0, 0.05, len(t))
    for k in range(11):
        since = t - 1.0 - 0.78 * k - 0.06 * rng.normal()
        p += 13.0 * rng.uniform(0.9, 1.0) * np.clip(since / 0.3, 0.0, 1.0) * (
            0.69 + 0.26 * np.exp(-np.maximum(since - 0.3, 0.0) / tau_s)
            + 0.05 * np.exp(-np.maximum(since - 0.3, 0.0) / 25.0))
    p *= np.where(t > 58.0, np.exp(-(t - 58.0) / 0.3), 1.0)
    told = judged_trace("cap", t, p)
    assert told.opening is None and told.strokes == 11
    assert told.hold is not None and told.hold.start_s == pytest.approx(1.0 + 0.78 * 10 + 0.3, abs=0.5)


@pytest.mark.parametrize(("seed", "rate_hz", "each_kpa", "extra"), [
    (2, 100.0, 6.0, 4), (4, 50.0, 6.0, 7), (6, 20.0, 6.0, 2), (7, 50.0, 9.0, 2),
])
def test_a_fall_that_only_slows_down_is_no_shutting(seed: int, rate_hz: float, each_kpa: float, extra: int) -> None:
    """A valve that takes two thirds of a second for most of what is above closing: where its fall bends it was said to
    be shut, up to 2.4 kPa too high, within 0.3."""
    made = make(seed, rate_hz=rate_hz, stroke_kpa=each_kpa, valve=Valve(101.0, 95.0, 1.5, pops=False), extra=extra,
                hold_s=30.0)
    shut = judged(made).reseat
    assert shut is not None and shut.standard_uncertainty is not None
    assert abs(shut.value - 95.0) < 2.0 * shut.standard_uncertainty < 2.0


def let_out(
    opens_kpa: float, shuts_kpa: float, *, each_kpa: float, times: int, per_s: float, most_kpa_per_s: float, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """Time (s) and pressure (kPa) of ``times`` strokes a second apart, after which the pressure falls by ``per_s`` of
    what it is above closing, ``most_kpa_per_s`` at most, from the moment on at which it reached ``opens_kpa``."""
    dt, rng = 0.005, np.random.default_rng(seed)
    t = np.arange(0.0, 4.0 + times + 55.0, dt)
    starts = 4.0 + np.arange(times) + rng.normal(0.0, 0.05, times)
    done = np.clip((t[:, None] - starts) / 0.35, 0.0, 1.0)
    brought = np.diff((done - np.sin(2.0 * np.pi * done) / (2.0 * np.pi)).sum(axis=1), prepend=0.0) * each_kpa
    p, now, is_open = np.empty(len(t)), 0.0, False
    for i, more in enumerate(brought):
        now += more
        is_open = now > opens_kpa or (is_open and now > shuts_kpa + 0.01)
        now -= min(per_s * (now - shuts_kpa), most_kpa_per_s) * dt if is_open else 0.0
        p[i] = now
    each = 4  # 50 readings a second
    return t[::each], (p + rng.normal(0.0, 0.1, len(t)))[::each]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("opens_kpa", "shuts_kpa", "most_kpa_per_s"), [(95.0, 91.0, 2.5), (80.0, 74.0, 3.0)])
def test_a_valve_too_small_for_the_pump(opens_kpa: float, shuts_kpa: float, most_kpa_per_s: float, seed: int) -> None:
    """All open at once, it lets out half of what strokes of 5.6 kPa bring: they go on 15 to 20 kPa beyond."""
    many = int(opens_kpa / 5.6) + 8
    t, p = let_out(opens_kpa, shuts_kpa, each_kpa=5.6, times=many, per_s=50.0, most_kpa_per_s=most_kpa_per_s, seed=seed)
    found = judged_trace("cap", t, p).opening
    assert found is not None and found.standard_uncertainty is not None
    assert p.max() > opens_kpa + 10.0
    assert abs(found.value - opens_kpa) < min(2.5 * found.standard_uncertainty, 5.0)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("per_s", [0.9, 1.4])
def test_a_valve_without_friction_opens_where_it_shuts(per_s: float, seed: int) -> None:
    """A spring alone, which takes a second: half a second after a stroke does not show where it ends."""
    t, p = let_out(97.0, 97.0, each_kpa=6.0, times=21, per_s=per_s, most_kpa_per_s=1e3, seed=seed)
    found = judged_trace("cap", t, p).opening
    assert found is not None and found.standard_uncertainty is not None
    assert abs(found.value - 97.0) < min(2.0 * found.standard_uncertainty, 3.5)


@pytest.mark.parametrize(("seed", "pops"), [(3, False), (3, True), (6, False), (7, True)])
def test_a_cap_that_never_lets_pressure_build_opens_far_too_low(seed: int, pops: bool) -> None:
    """It opens at 16 kPa of 98, the pump outruns it for a row of strokes, and for seconds after the last one it sinks
    as fast as a leak does; but then it shuts, and what is left stands."""
    made = make(seed, rate_hz=50.0, stroke_kpa=6.5, valve=Valve(16.0, 13.0, 1.0, pops=pops), extra=8, hold_s=50.0)
    got = judged(made)
    assert got.outcome == "fail"
    assert [r.code for r in got.reasons] == ["opens-low", "no-detectable-fall"]
    assert got.opening is not None and got.opening.standard_uncertainty is not None
    assert abs(got.opening.value - 16.0) < 3.2 * got.opening.standard_uncertainty < 12.0


@pytest.mark.parametrize("seed", range(4))
def test_what_leaks_as_fast_as_it_is_pumped_up_opens_nowhere(seed: int) -> None:
    """No valve that shuts: it falls to nought, slower as less is left."""
    made = make(seed, rate_hz=50.0, stroke_kpa=6.5, target_kpa=40.0, most=14, leak_per_s=0.15, hold_s=50.0)
    got = judged(made)
    assert got.outcome == "fail" and got.opening is None
    assert "fall-too-fast" in [r.code for r in got.reasons]


def test_where_no_pressure_is_higher_than_the_first_there_is_no_room_for_an_opening_and_no_error() -> None:
    """As where it was let down and pumped up again, lower: the grid of openings is a single place."""
    made = make(301, rate_hz=100.0, stroke_kpa=3.0, valve=SLOW[0][2], extra=6, hold_s=50.0)
    x = prepare(made.time_s, made.pressure_kpa, 0.0)
    strokes = [Stroke(6.0 + k, 6.3 + k, 3.0 * k, 3.0 * k + 3.0) for k in range(14)]
    levels = _levels(x, strokes, float(x.t[-1]))
    assert levels is not None
    *_, volume = _posterior(levels, "rubs", levels.paths[0], 90.0, 90.0, 1.0)
    assert np.isfinite(volume)


FADE = [(1, 3.0, 0.36, (0.64, 0.86)), (3, 4.0, 0.3, (0.7, 0.5, 0.4)), (5, 5.0, 0.3, (0.8, 0.6)), (6, 2.5, 0.4, (0.4,)),
        (7, 6.0, 0.3, (1.0,))]  # fmt: skip


@pytest.mark.parametrize(("seed", "tau_s", "warms", "shares"), FADE)
def test_strokes_that_fade_on_a_closed_space_open_nothing(
    seed: int, tau_s: float, warms: float, shares: tuple[float, ...]
) -> None:
    """A stuck cap, by formula: each stroke's air stays (Boyle) and is warm at first (first law: up to gamma - 1 of it);
    hoses creep by the logarithm of time. Its last strokes bring the ``shares`` of a usual one."""
    rng = np.random.default_rng(seed)
    begins = 5.0 + 1.1 * np.arange(40) + rng.normal(0.0, 0.04, 40)
    amounts = 3.2 * rng.normal(1.0, 0.01, 40)
    amounts[-len(shares) :] *= shares
    t = np.arange(0.0, begins[-1] + 45.0, 0.01)
    p = np.zeros_like(t)
    for at, amount in zip(begins, amounts, strict=True):
        way = np.clip((t - at) / 0.35, 0.0, 1.0)
        since = np.maximum(t - at - 0.35, 0.0)
        p += amount * way**2 * (3.0 - 2.0 * way) * (1.0 + warms * np.exp(-since / tau_s) - 0.01 * np.log1p(since))
    p *= np.exp(-np.maximum(t - t[-1] + 4.0, 0.0) / 0.25)
    got = judged_trace("cap", t, p + rng.normal(0.0, 0.1, len(t)))
    assert got.opening is None
    assert got.strokes == 40
    assert got.outcome == "fail", got.reasons
