"""What tests, outcomes and places are called."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

__all__ = ["BENCH_PLACES", "FAULTS", "NONE_VISIBLE", "PLACES", "SIMULATED", "TOLD_FAULT", "outcome_word", "places",
           "test_name"]

# Where a leak is found, in the order in which one walks round the engine bay; the last one says that it was looked
# for in vain. Findings are free text besides.
PLACES: tuple[str, ...] = (
    "hose ends", "radiator", "coolant pump", "heater", "sensors", "bottle", "under the car", "none visible",
)
NONE_VISIBLE = PLACES[-1]
# The same on the bench, where a cap is alone with the pump, or the hose is blanked.
BENCH_PLACES: tuple[str, ...] = (
    "cap's seal", "cap's valve", "cap's rim", "adapter's seal", "tester's hose", "relief", "pump", NONE_VISIBLE,
)

# Stands wherever the result of a simulated test is shown, so that none is taken for that of a vehicle.
SIMULATED = "SIMULATED: invented demo data – no real vehicle was tested"

# The adapter's one word for a fault, in words; and as the trace has it, before since when.
FAULTS = {"open": "open wire", "short": "short circuit", "supply": "its supply is off", "adc": "its converter fails"}
TOLD_FAULT = re.compile(r"the adapter reports 'fault-(\w+)'")

_TEST_NAMES: dict[str, str] = {
    "cap": "cap test",
    "system": "system test",
    "tester": "tester check (blanked hose)",
}
_OUTCOMES = {"pass": "PASS", "fail": "FAIL", "undecided": "CANNOT TELL YET", "void": "NOT A TEST"}


def places(test: str) -> tuple[str, ...]:
    """Where a leak may be in such a test: eight places."""
    return PLACES if test == "system" else BENCH_PLACES


def test_name(test: str) -> str:
    """The test in words, ``"cap test"``."""
    return _TEST_NAMES.get(test, f"{test} test")


test_name.__test__ = False  # type: ignore[attr-defined]  # not a test, whatever pytest thinks of its name


def outcome_word(judgement: Mapping[str, Any]) -> str:
    """PASS, FAIL, CANNOT TELL YET or NOT A TEST."""
    outcome = str(judgement.get("outcome", ""))
    return _OUTCOMES.get(outcome, outcome.upper() or "NO JUDGEMENT")
