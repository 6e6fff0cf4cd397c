"""The levels that a trace is held against: the band in which a cap may open, or the target; and the limit. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from recorder.limits import Procedure, band_kpa, limit_kpa
from recorder.model import Marking, TestKind

__all__ = ["NO_LEVELS", "Levels", "Line", "levels_of", "lines_of", "spread"]


@dataclass(frozen=True, slots=True)
class Levels:
    """kPa gauge; None where the test has none. Between ``low_kpa`` and ``high_kpa`` a cap has to open, or a
    system is held. A cap's limit is the upper end of its band, or the procedure's over-limit above the
    marking where that is higher."""

    marked_kpa: float | None = None
    low_kpa: float | None = None
    high_kpa: float | None = None
    limit_kpa: float | None = None
    word: str = ""


NO_LEVELS = Levels()


@dataclass(frozen=True, slots=True)
class Line:
    """A level across the trace: kPa, label and colour role. most: it is not to be gone beyond, so its number is
    rounded down."""

    kpa: float
    label: str
    role: str
    most: bool = False


def levels_of(test: TestKind, marked: Marking | None, procedure: Procedure) -> Levels:
    """The levels of one test."""
    if test == "tester" and marked is None:
        return Levels(low_kpa=procedure.tester_target_kpa, word="target")
    limit, marked_kpa = limit_kpa(procedure, marked), marked.kpa if marked is not None else None
    if test == "cap":
        low, high = band_kpa(procedure, marked) or (None, None)
        return Levels(marked_kpa, low, high, limit, "opens")
    if marked_kpa is None:
        return NO_LEVELS
    return Levels(marked_kpa, marked_kpa + procedure.target_low_kpa, marked_kpa + procedure.target_high_kpa,
                  limit, "target")


def lines_of(levels: Levels, opening_kpa: float | None = None) -> tuple[Line, ...]:
    """What is drawn across the trace, with its words."""
    out = []
    if levels.low_kpa is not None:
        out.append(Line(levels.low_kpa, f"{levels.word} from", "target"))
    if levels.high_kpa is not None and levels.high_kpa != levels.limit_kpa:
        out.append(Line(levels.high_kpa, f"{levels.word} up to", "target", most=True))
    if levels.limit_kpa is not None:
        out.append(Line(levels.limit_kpa, "LIMIT", "limit", most=True))
    if opening_kpa is not None:
        out.append(Line(opening_kpa, "opened", "opening"))
    return tuple(out)


def spread(heights: Sequence[float], gap: float, lowest: float, highest: float) -> list[float]:
    """Where the words of lines at these heights (the highest first) stand, ``gap`` apart or more and between ``lowest``
    and ``highest`` where that has room for all: as near to their lines as that can be, by least squares (neighbours
    too close are pooled; Barlow et al., Statistical Inference under Order Restrictions, 1972, from memory)."""
    pools: list[tuple[float, int]] = []  # mean and number, each height moved up by the gaps above it
    for i, height in enumerate(heights):
        mean, n = height + i * gap, 1
        while pools and pools[-1][0] < mean:
            before, m = pools.pop()
            mean, n = (mean * n + before * m) / (n + m), n + m
        pools.append((mean, n))
    moved = [mean for mean, n in pools for _ in range(n)]
    least = lowest + (len(moved) - 1) * gap
    return [min(max(at, least), highest) - i * gap for i, at in enumerate(moved)]
