"""What is drawn around a trace is drawn anew where it has changed, and nowhere else."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyqtgraph as pg
import pytest

from recorder.model import Mark
from recorder.window.parts.hold import HoldView
from recorder.window.parts.plot import ClockAxis
from recorder.window.parts.trace import TraceView
from recorder.window.state.colours import LIGHT
from recorder.window.state.hold import HoldStrip
from recorder.window.state.levels import Line, spread
from recorder.window.state.testing import Span
from recorder.window.state.trace import Earlier, TraceStore


def drawn(view: TraceView, group: str) -> list[Any]:
    return list(view._decor.get(group, []))


def test_only_what_has_changed_is_drawn_anew(qtbot: Any) -> None:
    view = TraceView(LIGHT)
    qtbot.addWidget(view)
    view.resize(1000, 300)
    view.show()
    qtbot.waitExposed(view)
    t = np.arange(0.0, 8.0, 0.02)
    view.store.add(t, np.minimum(12.0 * t, 60.0))
    view.lines = (Line(124.3, "LIMIT", "limit"), Line(117.3, "target from", "target"))
    view.spans = (Span("vented", 0.0, 2.0), Span("pump-up", 2.0, 7.0))
    view.redraw()
    levels, phases, words = (drawn(view, group) for group in ("levels", "phases", "words"))
    assert len(levels) == 4 and len(phases) == 2 and words

    view.spans = (Span("vented", 0.0, 2.0), Span("pump-up", 2.0, 9.0))  # the phase goes on
    view.redraw()
    assert drawn(view, "levels") == levels and drawn(view, "phases") == phases
    assert phases[1].getRegion() == (2.0, 9.0)
    assert drawn(view, "words") != words  # its word stays in its middle

    view.spans = (Span("vented", 0.0, 2.0), Span("pump-up", 2.0, 9.0), Span("hold", 9.0, 9.5))
    view.redraw()
    assert drawn(view, "levels") == levels
    assert len(drawn(view, "phases")) == 3 and phases[0].scene() is None

    view.lines = view.lines[:1]
    view.redraw()
    assert len(drawn(view, "levels")) == 2 and levels[0].scene() is None
    assert len(drawn(view, "phases")) == 3


@pytest.mark.parametrize("at_s", [20.0, 60.0, 95.0, 110.0, 119.0, 130.0])
def test_a_finding_covers_no_words_of_a_level(qtbot: Any, at_s: float) -> None:
    """A system marked 110.3 kPa, held for two minutes; where in the hold it was marked."""
    view = TraceView(LIGHT)
    qtbot.addWidget(view)
    view.resize(380, 150)
    view.show()
    qtbot.waitExposed(view)
    view.store.add(np.arange(0.0, 157.0, 0.1), np.full(1570, 118.0))
    view.lines = (Line(124.3, "LIMIT", "limit"), Line(117.3, "target from", "target"))
    view.marks = [Mark(at_s, "hose ends")]
    view.redraw()
    view.grab()  # words are put in their place as they are painted
    boxes = {group: [i.sceneBoundingRect() for i in drawn(view, group) if isinstance(i, pg.TextItem)]
             for group in ("levels", "marks")}
    assert len(boxes["levels"]) == 2
    [finding] = boxes["marks"]
    assert not [box for box in boxes["levels"] if box.intersects(finding)]
    assert view.getViewBox().sceneBoundingRect().contains(finding.center())


@pytest.mark.parametrize(("width", "height"), [(418, 190), (500, 150), (900, 300), (480, 120)])
def test_each_level_s_line_ends_at_its_own_words(qtbot: Any, width: int, height: int) -> None:
    """A cap marked 110.3 kPa that opened at 80.7, below its band: in so little room the words cannot all stand beside
    their lines, and none may stand at the end of another's."""
    view = TraceView(LIGHT)
    qtbot.addWidget(view)
    view.resize(width, height)
    view.show()
    qtbot.waitExposed(view)
    view.store.add(np.arange(0.0, 67.0, 0.1), np.full(670, 78.0))
    view.lines = (Line(99.3, "opens from", "target"), Line(121.3, "opens up to", "target"),
                  Line(124.3, "LIMIT", "limit"), Line(80.7, "opened", "opening"))
    view.redraw()
    view.grab()
    items = drawn(view, "levels")
    words, box = items[1::2], view.getViewBox()
    assert all(isinstance(one, pg.TextItem) for one in words)
    rects = [one.sceneBoundingRect().adjusted(0.0, 4.0, 0.0, -4.0) for one in words]  # without a document's margin
    for line, text, rect in zip(items[::2], words, rects, strict=True):
        x, y = line.getData()
        assert text.toPlainText().split()[-1] == f"{y[0]:g}"  # the words of this line
        end = box.mapViewToScene(pg.Point(x[-1], y[-1]))
        assert abs(end.y() - rect.center().y()) < 1.5 and 0.0 <= rect.left() - end.x() < 25.0
        along = [box.mapViewToScene(pg.Point(a, b)) for a, b in zip(x, y, strict=True)]
        others = [other for other in rects if other is not rect]
        assert not [point for point in along for other in others if other.contains(point)]
    assert not [(a, b) for i, a in enumerate(rects) for b in rects[:i] if a.intersects(b)]
    assert all(box.sceneBoundingRect().contains(rect.center()) for rect in rects)


@pytest.mark.parametrize(("heights", "stand"), [
    ([9.0, 5.0, 1.0], [9.0, 5.0, 1.0]), ([5.0, 5.0], [5.5, 4.5]), ([9.9, 9.8], [9.5, 8.5]),
    ([6.0, 5.5, 5.5], [6.0 + 2 / 3, 5.0 + 2 / 3, 4.0 + 2 / 3]), ([0.3, 0.2, 0.1], [2.5, 1.5, 0.5]), ([], []),
])
def test_words_stand_as_near_to_their_lines_as_they_can(heights: list[float], stand: list[float]) -> None:
    assert spread(heights, 1.0, 0.5, 9.5) == pytest.approx(stand)


@pytest.mark.parametrize("span_s", [30.0, 3_000.0, 90_000.0, 9e8])
def test_a_time_axis_has_few_ticks_whatever_a_file_claims(qtbot: Any, span_s: float) -> None:
    ((step, _),) = ClockAxis("bottom").tickSpacing(0.0, span_s, 800.0)
    assert 1.0 < span_s / step <= 12.0


@pytest.mark.parametrize(("before_kpa", "near"), [(109.0, True), (111.0, True), (80.0, False), (180.0, False)])
def test_an_earlier_hold_at_another_pressure_does_not_press_this_one_flat(qtbot: Any, before_kpa: float, near: bool
                                                                          ) -> None:
    t = np.arange(0.0, 30.0, 0.1)
    stores = []
    for start in (before_kpa, 110.0):
        store = TraceStore()
        store.add(t, start - 1.5 * t / 30.0)
        stores.append(store)
    view = HoldView(LIGHT)
    qtbot.addWidget(view)
    view.resize(500, 300)
    view.show()
    qtbot.waitExposed(view)
    view.earlier = Earlier(stores[0], 0.0, 29.9)
    view.show_hold(HoldStrip(0.0, 29.9, 30.0, "", ""), stores[1], None)
    low, high = view.drawing.getViewBox().viewRange()[1]
    assert view._earlier.isVisible() is near and low < 108.5 < 110.0 < high
    assert high - low < (6.0 if near else 2.5)
    assert low < before_kpa < high or not near
