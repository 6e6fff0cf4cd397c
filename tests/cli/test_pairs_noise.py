"""The noise of one reading in kPa: what the curve makes of readings that scatter, against such readings themselves."""

from __future__ import annotations

import numpy as np
import pytest

from recorder import calibration
from recorder.calibration import Pair
from recorder.cli._pairs import Taken
from recorder.model import Calibration

SCATTER = 0.002
AT = (0.1, 0.3, 0.5, 0.7, 0.9)


@pytest.mark.parametrize("coefficients", [(-26.0, 260.0), (-20.0, 160.0, 100.0), (-30.0, 400.0, -140.0)])
def test_is_that_of_readings_on_the_curve(coefficients: tuple[float, ...]) -> None:
    """A bent curve was taken for as steep everywhere as it is at a ratio of zero."""
    cal = Calibration(coefficients)
    rng = np.random.default_rng(5)
    off = [calibration.apply(cal, x + SCATTER * rng.standard_normal(20_000)) for x in AT]
    seen = float(np.sqrt(np.mean([np.var(kpa) for kpa in off])))
    taken = Taken([Pair(0.0, x) for x in AT], scatters=[SCATTER] * len(AT))
    assert taken.noise_kpa(coefficients) == pytest.approx(seen, rel=0.02)


def test_of_nothing_is_not_known() -> None:
    assert Taken().noise_kpa((0.0, 1.0)) is None
