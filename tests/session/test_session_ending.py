"""A test ended by hand: in a hold that has told nothing yet by the second press only."""

from __future__ import annotations

from dataclasses import replace

import pytest

from recorder.model import LiveView
from recorder.session import AskTwice
from recorder.session.ending import ASKS_S, too_early_s
from tests.test_report import VIEW

HOLD = replace(VIEW, phase="hold", next_step="hold", hold_left_s=40.0, early=None)


@pytest.mark.parametrize(("view", "left_s"), [
    (HOLD, 40.0), (replace(HOLD, early="tight"), 40.0), (replace(HOLD, early="leak"), None),
    (replace(HOLD, hold_left_s=0.0), None), (replace(HOLD, hold_left_s=None), None), (None, None),
    (replace(HOLD, hold_elapsed_s=50.0, rate_kpa_per_min=-2.0, rate_u_kpa_per_min=0.1), None),  # its end tells nothing
])  # fmt: skip
def test_it_costs_something_while_the_hold_is_needed(view: LiveView | None, left_s: float | None) -> None:
    assert too_early_s(view) == left_s
    assert AskTwice().press(view) == left_s


def test_the_second_press_ends_it_and_a_late_one_asks_again() -> None:
    now = [100.0]
    twice = AskTwice(lambda: now[0])
    assert twice.press(HOLD) == 40.0
    now[0] += ASKS_S + 0.01
    assert twice.press(HOLD) == 40.0, "it was a glove"
    now[0] += ASKS_S - 0.01
    assert twice.press(HOLD) is None
    assert twice.press(HOLD) == 40.0, "of the next test"
    twice.forget()
    assert twice.press(HOLD) == 40.0
