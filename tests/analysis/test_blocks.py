"""Blocks of any size give the identical judgement."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.analysis import Analyser, Setup
from recorder.analysis.phases.transitions import TRANSITIONS
from recorder.limits import resolve
from recorder.units import parse_marking

RATE_HZ = 25


def trace() -> tuple[np.ndarray, np.ndarray]:
    """A system pumped to 120 kPa in 30 strokes, settling, losing 2 kPa/min, let go. Made by hand, seeded."""
    rng = np.random.default_rng(4)
    parts = [np.zeros(5 * RATE_HZ)]
    for k in range(30):
        parts += [4.0 * (k + np.linspace(0, 1, 8)), np.full(17, 4.0 * (k + 1))]
    t = np.arange(0, 125, 1 / RATE_HZ)
    parts.append(120 - 2 / 60 * t - 0.5 * (1 - np.exp(-t / 8)))
    parts.append(parts[-1][-1] * np.exp(-np.arange(0, 6, 1 / RATE_HZ) / 0.4))
    p = np.concatenate(parts)
    return np.arange(len(p)) / RATE_HZ, np.round(
        (p + 0.1 * rng.standard_normal(len(p))) / 0.1
    ) * 0.1


T, P = trace()
SETUP = Setup("system", parse_marking("16 psi"), resolve("system", {"stroke_volume": "24 mL"}))


def judged(cuts: list[int], view: bool = False) -> str:
    analyser = Analyser(SETUP)
    edges = [0, *sorted(set(cuts)), len(T)]
    for a, b in pairwise(edges):
        analyser.feed(T[a:b], P[a:b])
        if view:
            analyser.view()
    return json.dumps(analyser.judgement().to_json())


WHOLE = judged([])


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, len(T) - 1), max_size=12))
def test_any_blocks_give_the_same_judgement(cuts: list[int]) -> None:
    assert judged(cuts) == WHOLE


def test_one_by_one_and_looked_at_in_between() -> None:
    assert judged(list(range(1, len(T)))) == WHOLE
    assert judged(list(range(300, len(T), 300)), view=True) == WHOLE


def test_the_numbers_of_the_hand_made_trace() -> None:
    # Boyle: 24 mL of outside air raising 4 kPa a stroke mean 101.325 * 24 / 4 = 608 mL of gas space
    found = json.loads(WHOLE)
    assert found["outcome"] == "fail"
    assert found["strokes"] == 30
    assert abs(found["headspace"]["value"] - 608) < 0.05 * 608
    rate = found["hold"]["rate"]
    assert abs(rate["value"] - 2.0) < 2 * rate["standard_uncertainty"] + 0.02


def test_phases_cover_the_trace_and_follow_the_table() -> None:
    phases = json.loads(WHOLE)["phases"]
    assert [p["name"] for p in phases] == ["vented", "pump-up", "hold", "release", "vented"]
    allowed = {(before, after) for (before, _), after in TRANSITIONS.items()}
    for a, b in pairwise(phases):
        assert (a["name"], b["name"]) in allowed
        assert a["end_s"] == b["start_s"]
    assert phases[0]["start_s"] == T[0]
    assert phases[-1]["end_s"] == T[-1]
