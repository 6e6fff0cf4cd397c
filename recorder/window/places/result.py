"""The result of a test on the page on which it ran."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from recorder.window.state.hold import hold_of
from recorder.window.state.levels import lines_of
from recorder.window.state.result import result_screen, unread
from recorder.window.state.testing import Span, spans_of

if TYPE_CHECKING:
    from recorder.window.places.live import LivePage
    from recorder.window.running import Running

__all__ = ["show_result"]


def show_result(
    page: LivePage, running: Running, judgement: Mapping[str, Any], unit: str, seen: tuple[Span, ...]
) -> None:
    """seen: the phases as they went by, for a judgement that has none."""
    strip = hold_of(judgement, unit, allowed_kpa_per_min=running.procedure.steady_fall_allowed_kpa_per_min)
    opening = judgement.get("opening")
    page.trace.levels = running.levels
    page.trace.lines = lines_of(running.levels, opening["value"] if opening else None)
    screen = result_screen(judgement, unit, [m.text for m in running.marks])
    if running.problem and not running.begun:
        screen = unread(screen)
    page.show_result(screen, strip, spans_of(judgement) or seen, tuple(running.marks), running.fit, unit)
