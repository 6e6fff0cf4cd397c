"""When strokes and the highest pressure were, and what settled, by the truth that the simulated tester keeps apart: its
pump's own strokes, and the same hold without any leak."""

from __future__ import annotations

import numpy as np
import pytest

from recorder import rig
from recorder.analysis.setup import Setup
from recorder.analysis.study import Study, study
from recorder.model import Header
from recorder.rig.truth import Truth

HALF_A_STROKE_S = 0.2
PARTS = {part.name: part for part in rig.demo()}


@pytest.fixture(scope="module", params=PARTS)
def both(request: pytest.FixtureRequest) -> tuple[Study, Truth]:
    part = PARTS[request.param]
    trace = rig.simulate(part.scene)
    setup = Setup.from_header(Header(part.test, marked=part.marked))
    return study(setup, trace.adapter_time_s, trace.reading_kpa), trace.truth


def test_strokes_are_found_when_they_were_made(both: tuple[Study, Truth]) -> None:
    found, truth = both
    assert found.parts is not None and len(found.parts.strokes) == truth.strokes == len(truth.stroke_times_s) > 8
    told = np.array([(stroke.start_s, stroke.end_s) for stroke in found.parts.strokes])
    np.testing.assert_allclose(told, truth.stroke_times_s, rtol=0.0, atol=HALF_A_STROKE_S)


def test_the_highest_pressure_is_found_when_it_was(both: tuple[Study, Truth]) -> None:
    found, truth = both
    assert found.peak is not None and found.peak.time_s == pytest.approx(truth.peak_time_s, abs=HALF_A_STROKE_S)


def test_what_settled_is_told_within_three_standard_uncertainties(both: tuple[Study, Truth]) -> None:
    found, truth = both
    fit = found.fit
    assert fit is not None and 0.0 < fit.amplitude_u < 0.5
    assert fit.amplitude_kpa == pytest.approx(truth.settling_kpa, abs=3.0 * fit.amplitude_u)
    assert fit.tau_s == pytest.approx(truth.settling_s, abs=3.0 * fit.tau_u)
