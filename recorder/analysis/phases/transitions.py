"""Which phase follows which, and upon what: the one table that the phases of a test come from."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from recorder.model import Phase

if TYPE_CHECKING:
    from recorder.model import PhaseName

__all__ = ["TRANSITIONS", "diagram", "follow"]

# (phase, event) -> phase. An event that has no line here changes nothing.
TRANSITIONS: dict[tuple[PhaseName, str], PhaseName] = {
    ("vented", "stroke"): "pump-up",
    ("pump-up", "opens"): "relief",
    ("pump-up", "quiet"): "hold",
    ("relief", "closes"): "hold",
    ("hold", "stroke"): "pump-up",
    ("pump-up", "steep-fall"): "release",
    ("relief", "steep-fall"): "release",
    ("hold", "steep-fall"): "release",
    ("release", "at-zero"): "vented",
    ("release", "quiet"): "hold",
    ("release", "stroke"): "pump-up",
}


def follow(
    events: Iterable[tuple[float, str]], first_s: float, last_s: float, *, begins: PhaseName = "vented"
) -> tuple[Phase, ...]:
    """The phases between two times (s): ``events`` (time, name) run through the table. begins: the
    first one, which is another only where a recording was begun too late.

    Events are taken in order of time; those at or after ``last_s`` no longer count.
    """
    out: list[Phase] = []
    phase: PhaseName = begins
    since = first_s
    for at, event in sorted(events, key=lambda e: e[0]):
        then = TRANSITIONS.get((phase, event))
        if then is None or at >= last_s:
            continue
        at = max(at, since)
        if at > since:
            out.append(Phase(phase, since, at))
        phase, since = then, at
    return (*out, Phase(phase, since, last_s))


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", "    [*] --> vented"]
    for (before, event), after in TRANSITIONS.items():
        lines.append(f"    {before.replace('-', '_')} --> {after.replace('-', '_')}: {event}")
    return "\n".join(lines)
