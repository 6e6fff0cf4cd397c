"""Phases come from the table; the diagram in the docs is the table's."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from recorder.analysis.phases.transitions import TRANSITIONS, diagram, follow

EVENTS = sorted({event for _, event in TRANSITIONS})


@given(st.lists(st.tuples(st.floats(0, 100), st.sampled_from(EVENTS)), max_size=30))
def test_any_events_follow_the_table_and_cover_the_trace(events: list[tuple[float, str]]) -> None:
    phases = follow(events, 0.0, 100.0)
    assert phases[0].start_s == 0.0
    assert phases[-1].end_s == 100.0
    for a, b in pairwise(phases):
        assert a.end_s == b.start_s
        # phases of no length are left out, so that two may follow each other over a third
        reach = {after for (before, _), after in TRANSITIONS.items() if before == a.name}
        for _ in range(4):
            reach |= {after for (before, _), after in TRANSITIONS.items() if before in reach}
        assert b.name in reach


def test_a_cap_test() -> None:
    events = [(5.0, "stroke"), (6.0, "stroke"), (6.3, "opens"), (7.0, "stroke"), (7.4, "quiet"),
              (7.6, "closes"), (50.0, "steep-fall"), (50.6, "at-zero")]  # fmt: skip
    got = [(p.name, p.start_s) for p in follow(events, 0.0, 54.0)]
    assert got == [("vented", 0.0), ("pump-up", 5.0), ("relief", 6.3), ("hold", 7.6), ("release", 50.0),
                   ("vented", 50.6)]  # fmt: skip


def test_events_without_a_line_change_nothing() -> None:
    assert [p.name for p in follow([(1.0, "opens"), (2.0, "at-zero")], 0.0, 9.0)] == ["vented"]


def test_phases_of_no_length_and_events_outside_the_trace() -> None:
    def told(events: list[tuple[float, str]], first_s: float, last_s: float) -> list[tuple[str, float, float]]:
        return [(p.name, p.start_s, p.end_s) for p in follow(events, first_s, last_s)]

    assert told([(5.0, "stroke"), (5.0, "opens")], 0.0, 9.0) == [("vented", 0.0, 5.0), ("relief", 5.0, 9.0)]
    assert told([(9.0, "stroke")], 0.0, 9.0) == [("vented", 0.0, 9.0)]
    assert told([(1.0, "stroke")], 2.0, 9.0) == [("pump-up", 2.0, 9.0)]
    assert told([], 2.0, 2.0) == [("vented", 2.0, 2.0)]


def test_the_diagram_in_the_docs_is_this_table() -> None:
    docs = Path(__file__).parents[2] / "docs" / "physics.md"
    assert f"```mermaid\n{diagram()}\n```" in docs.read_text(encoding="utf-8")
