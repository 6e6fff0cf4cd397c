"""Adapter clock against host clock, by what arrived earliest."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.audit.row import _clock
from recorder.model import Header, Recording, Rows


def recording(ppm: float, *, seconds: float = 25.0, turn_s: float = 0.037, seed: int = 0) -> Recording:
    """Readings of a clock that is fast by ``ppm``, taken only every ``turn_s``, sometimes half a second late."""
    host_s = np.arange(0.0, seconds, 0.01)
    time_s = host_s * (1 + ppm * 1e-6)
    turns = np.arange(0.0, seconds + 2, turn_s)
    rng = np.random.default_rng(seed)
    turns = np.sort(turns + np.where(rng.random(len(turns)) < 0.1, 0.5, 0.0))
    taken_s = turns[np.searchsorted(turns, host_s)]
    return Recording("played", Header("cap"), Rows(time_s, np.zeros(len(time_s)), host_s=taken_s))


@pytest.mark.parametrize("seed", range(5))
def test_late_arrivals_are_no_wrong_clock(seed: int) -> None:
    assert _clock(recording(50.0, seed=seed)) is None


@pytest.mark.parametrize("ppm", [2000.0, -2000.0])
def test_a_wrong_clock_is_told(ppm: float) -> None:
    said = _clock(recording(ppm))
    assert said is not None and "ppm apart" in said
    assert abs(float(said.split()[-3]) - ppm) < 500
