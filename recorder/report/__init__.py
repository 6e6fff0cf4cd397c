"""Words for people: what to do next, what to beware of, what a judgement says. Strings only.

Pressures are kPa gauge inside; every text can show them in another unit.
"""

from recorder.report.brief import NO_ZERO_KPA, STILL_ON_KPA, brief, rises, still_on
from recorder.report.guidance import WAIT, Stage, blind, caution, next_step, too_small
from recorder.report.names import (
    BENCH_PLACES,
    NONE_VISIBLE,
    PLACES,
    SIMULATED,
    outcome_word,
    places,
    test_name,
)
from recorder.report.numbers import clock, lasted, quantity, rise_of
from recorder.report.remedies import advice, found, is_safety, put_away
from recorder.report.results import (
    codes,
    hold_answered,
    in_unit,
    notes,
    over_limit,
    reasons,
    summary,
    warning,
)

__all__ = [
    "BENCH_PLACES",
    "NONE_VISIBLE",
    "NO_ZERO_KPA",
    "PLACES",
    "SIMULATED",
    "STILL_ON_KPA",
    "WAIT",
    "Stage",
    "advice",
    "blind",
    "brief",
    "caution",
    "clock",
    "codes",
    "found",
    "hold_answered",
    "in_unit",
    "is_safety",
    "lasted",
    "next_step",
    "notes",
    "outcome_word",
    "over_limit",
    "places",
    "put_away",
    "quantity",
    "reasons",
    "rise_of",
    "rises",
    "still_on",
    "summary",
    "test_name",
    "too_small",
    "warning",
]
