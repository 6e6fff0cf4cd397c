"""A stroke that makes up for what cooled or leaked since the last one brings no more pressure than was there some
seconds before. It is a stroke all the same, and the hold begins after it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.judging import judged


def topped_up(seed: int, pause_s: float, share: float, leak_per_s: float, rate_hz: float) -> tuple[np.ndarray, ...]:
    """A system by formula: each stroke's air stays (Boyle) and is warm at first (first law: up to gamma - 1 of it); a
    leak in proportion to what was brought takes it away again. After ``pause_s`` comes one more stroke of a ``share``.
    """
    rng = np.random.default_rng(seed)
    begins = 5.0 + 0.9 * np.arange(18) + rng.normal(0.0, 0.04, 18)
    begins = np.append(begins, begins[-1] + 0.3 + pause_s)
    amounts = 6.5 * rng.normal(1.0, 0.01, 19)
    amounts[-1] *= share
    t = np.arange(0.0, begins[-1] + 80.0, 1.0 / rate_hz)
    p = np.zeros_like(t)
    for at, amount in zip(begins, amounts, strict=True):
        way, since = np.clip((t - at) / 0.3, 0.0, 1.0), np.maximum(t - at - 0.3, 0.0)
        p += amount * way**2 * (3.0 - 2.0 * way) * (1.0 + 0.3 * np.exp(-since / 2.0)) * np.exp(-leak_per_s * since)
    p *= np.exp(-np.maximum(t - t[-1] + 4.0, 0.0) / 0.25)
    return t, p + rng.normal(0.0, 0.08, len(t)), begins


@pytest.mark.parametrize(("seed", "pause_s", "share", "leak_per_s", "rate_hz"), [
    (1, 3.4, 0.35, 0.0, 50.0), (2, 3.6, 0.3, 0.0, 25.0), (3, 4.0, 0.3, 0.002, 100.0), (4, 9.5, 0.8, 0.015, 100.0),
])
def test_what_makes_up_for_the_fall_is_a_stroke(
    seed: int, pause_s: float, share: float, leak_per_s: float, rate_hz: float
) -> None:
    t, p, begins = topped_up(seed, pause_s, share, leak_per_s, rate_hz)
    got = judged("system", t, p)
    assert got.strokes == 19
    assert got.hold is not None
    assert abs(got.hold.start_s - begins[-1] - 0.3) < 0.5


@pytest.mark.parametrize("seed", [1, 2])
def test_a_hose_that_is_squeezed_while_it_cools_is_none(seed: int) -> None:
    """The same but for that stroke: a bump of its height and length is gone half a second later."""
    t, p, begins = topped_up(seed, 3.8, 0.0, 0.0, 50.0)
    p += 3.0 * np.exp(-(((t - begins[-1] - 0.3) / 0.2) ** 2))
    assert judged("system", t, p).strokes == 18
