"""A test whose hold is over, and that nobody lets down: it ends two minutes after a hold that passes, ten after any
other (common practice, no source)."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from recorder.session.after_hold import AfterHold


def ended_s(phases: list[tuple[float, str, float | None]], outcome: str, until_s: float = 1500.0) -> float | None:
    """When the test is over. phases: from when on (s), its name, when its hold is over."""
    after = AfterHold()

    def judge() -> Any:
        return SimpleNamespace(outcome=outcome)

    for now in np.arange(0.0, until_s, 1.0).tolist():
        _, phase, over_s = [p for p in phases if p[0] <= now][-1]
        left = None if over_s is None else max(over_s - now, 0.0)
        view: Any = SimpleNamespace(finished=False, time_s=now, phase=phase, hold_left_s=left)
        if after.over(view, silent=False, judge=judge):
            return float(now)
    return None


@pytest.mark.parametrize(("outcome", "after_s"), [("pass", 120.0), ("fail", 600.0), ("undecided", 600.0)])
def test_nobody_lets_it_down(outcome: str, after_s: float) -> None:
    got = ended_s([(0.0, "pump-up", None), (20.0, "hold", 140.0)], outcome)
    assert got == pytest.approx(140.0 + after_s, abs=1.5)


def test_one_that_is_pumped_up_again_has_its_whole_second_hold() -> None:
    """It ended 120 s after the first one, 5 s before the second was over."""
    again = [(0.0, "pump-up", None), (20.0, "hold", 140.0), (145.0, "pump-up", None), (150.0, "hold", 270.0)]
    assert ended_s(again, "pass") == pytest.approx(390.0, abs=1.5)
