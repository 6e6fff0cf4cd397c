"""The whole trace: phases, levels, findings, the hold's fit, and an earlier trace behind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QBrush, QColor, QFontMetrics, QResizeEvent

from recorder.units import format_pressure
from recorder.window.parts.plot import Drawing, fading
from recorder.window.state.colours import Palette
from recorder.window.state.levels import NO_LEVELS, Levels, Line, spread
from recorder.window.state.testing import Span, factor
from recorder.window.state.trace import Earlier, TraceStore, thinned

if TYPE_CHECKING:
    from recorder.analysis import HoldCurve
    from recorder.model import FloatArray, Mark

__all__ = ["TraceView"]

_DASHES = {
    "target": Qt.PenStyle.DashLine, "limit": Qt.PenStyle.SolidLine, "opening": Qt.PenStyle.DotLine,
}
_LEAD_PX = 16  # in which a level's line goes up or down to its words
_LONG = 20  # letters of a finding on the drawing; the whole of it stands above
_PHASE_WORDS = {"vented": "vented", "pump-up": "pump", "relief": "relief", "hold": "HOLD", "release": "release"}


class TraceView(Drawing):
    """One trace, drawn from a TraceStore; call ``redraw`` after anything has changed."""

    _made = False  # the widget is resized while it is being made

    def __init__(self, palette: Palette) -> None:
        super().__init__(palette, "trace of pressure against time")
        self.store = TraceStore()
        self.earlier: Earlier | None = None
        self.spans: tuple[Span, ...] = ()
        self.lines: tuple[Line, ...] = ()
        self.levels: Levels = NO_LEVELS
        self.marks: Sequence[Mark] = ()
        self.fit: HoldCurve | None = None
        self.setMouseEnabled(x=True, y=False)
        self._earlier_item = self.plot([], [])
        self._earlier_key: object = None
        self._item = self.plot([], [], skipFiniteCheck=True)
        self._fit_item = self.plot([], [])
        self._item.setZValue(5)
        self._fit_item.setZValue(6)
        self._running: pg.LinearRegionItem | None = None  # of the phase that goes on
        self._follow = True
        self._top = 0.0
        self._drawn_fit: HoldCurve | None = None
        self._drawn_k = 0.0
        self._resized = QTimer(self)
        self._resized.setSingleShot(True)
        self._resized.timeout.connect(self.redraw)
        self.getViewBox().sigRangeChangedManually.connect(self._let_go)
        self.set_colours(palette)
        self._made = True

    def _let_go(self, *_: object) -> None:
        self._follow = False

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        super().set_colours(palette)
        c = palette
        self._item.setPen(self.pen(c.trace, 2))
        self._earlier_item.setPen(self.pen(c.earlier, 2, Qt.PenStyle.DashLine))
        self._fit_item.setPen(self.pen(c.fit, 2, Qt.PenStyle.DashDotLine))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if self._made and (self.lines or len(self.store)):
            self._resized.start(0)  # the words are laid out by the size, which is known then

    def clear_trace(self) -> None:
        """An empty trace; what was there stays in the hands of whoever holds its store."""
        self.store = TraceStore()
        self.spans, self.lines, self.marks, self.fit, self.levels = (), (), (), None, NO_LEVELS
        self._follow = True

    def redraw(self) -> None:
        """Draws what has changed."""
        k = factor(self.unit)
        store, end = self.store, 0.0
        if len(store):
            end = float(store.time_s[-1])
        whole = max(end, 20.0)
        if self.earlier is not None and len(self.earlier.store):
            whole = max(whole, float(self.earlier.store.time_s[-1]))
        if self._follow:
            # Room on the right for the labels of the levels; in steps, so that the axis does not creep.
            whole = 10.0 * np.ceil(whole / 10.0)
            words = QFontMetrics(self._font).horizontalAdvance("opens up to 888.8 ") + _LEAD_PX if self.lines else 0
            share = min(words / max(self.getViewBox().width(), 100.0), 0.45)
            x_range = (-0.01 * whole, whole * 1.01 / (1.0 - share))
        else:
            x_range = (self.getViewBox().viewRange()[0][0], self.getViewBox().viewRange()[0][1])
        low, high = x_range
        columns = max(self.width() // 4, 100)
        x, y = store.points(low, high, columns)
        self._item.setData(x, y * k)
        tops = [line.kpa for line in self.lines] + [20.0]
        if len(y):
            tops.append(float(np.nanmax(y)))
        if self.earlier is not None and len(self.earlier.store):
            tops.append(float(np.nanmax(self.earlier.store.points(low, high, 50)[1], initial=0.0)))
        self._draw_earlier(k)
        # Room above the highest level for half its own words and for those of the phases.
        words = 1.9 * QFontMetrics(self._font).height() / max(self.getViewBox().height(), 80.0)
        top = max(tops) * max(1.1, 1.0 / (1.0 - min(words, 0.5)))
        self._top = float(np.ceil(top / 5.0) * 5.15) * k  # no number of the axis at the very top
        self.show_range(x_range, (-0.03 * self._top, self._top))
        self._draw_fit(k)
        looks = (self.unit, round(self._top, 3), round(low), round(high), self.colours.name, self._font_px,
                 self.width(), round(self.getViewBox().height()))
        self._decorate(k, looks, round(12.0 * self.spans[-1].end_s / whole) if self.spans else 0)

    def _draw_earlier(self, k: float) -> None:
        key = (self.earlier, k)
        if key == self._earlier_key:
            return
        self._earlier_key = key
        if self.earlier is None:
            self._earlier_item.setData([], [])
            return
        store = self.earlier.store
        x, y = thinned(store.time_s, store.pressure_kpa - store.zero_kpa, 600)
        self._earlier_item.setData(x, y * k)

    def _draw_fit(self, k: float) -> None:
        f = self.fit
        if f is self._drawn_fit and k == self._drawn_k:
            return
        self._drawn_fit, self._drawn_k = f, k
        if f is None or len(f.time_s) == 0:
            self._fit_item.setData([], [])
            return
        every = slice(None, None, max(len(f.time_s) // 60, 1))
        x: FloatArray = f.time_s[every]
        self._fit_item.setData(x, f.pressure_kpa[every] * k)

    def _decorate(self, k: float, looks: tuple[object, ...], step: int) -> None:
        """Phases, levels, findings, each where it has changed. step: by it moves the word of the phase that goes on."""
        low, high = self.getViewBox().viewRange()[0]
        goes_on = [(s.name, s.start_s) for s in self.spans[-1:]]
        if self.anew("phases", (self.spans[:-1], goes_on, *looks)):
            self.name_axis("left", self.unit)
            self._running = None
            for i, span in enumerate(self.spans):
                fill = QColor(self.colours.panel if i % 2 == 0 else self.colours.ground)
                self._running = pg.LinearRegionItem((span.start_s, span.end_s), movable=False, brush=fill,
                                                    pen=self.pen(self.colours.edge, 1))
                self.add(self._running, -10)
        elif self._running is not None and self.spans:
            self._running.setRegion((self.spans[-1].start_s, self.spans[-1].end_s))  # far cheaper than anew
        if self.anew("words", (self.spans[:-1], goes_on, step, *looks)):
            self._draw_words(low, high)
        if self.anew("levels", (self.lines, self.levels, *looks)):
            self._draw_levels(k, low, high)
        if self.anew("marks", (tuple(self.marks), self.earlier, self.lines, *looks)):
            self._draw_marks(k, low, high)

    def _draw_words(self, low: float, high: float) -> None:
        """What each phase is called, where there is room for it."""
        metrics = QFontMetrics(self._font)
        per_px = max(high - low, 1e-9) / max(self.getViewBox().width(), 1.0)
        words_end = low
        for span in self.spans:
            start, end = max(span.start_s, low), min(span.end_s, high)
            word = _PHASE_WORDS.get(span.name, span.name)
            half = (metrics.horizontalAdvance(word) / 2 + 4) * per_px
            middle = (start + end) / 2
            if end - start > 2 * half and middle - half > words_end:
                self.label(word, middle, self._top, self.colours.muted, (0.5, 0), 7)
                words_end = middle + half

    def _level_words(self, line: Line) -> str:
        return f"{line.label} {format_pressure(line.kpa, self.unit, down=line.most).split(' ')[0]}"

    def _words_s(self, words: str, low: float, high: float) -> float:
        """How many seconds of the time axis a label takes."""
        per_px: float = (high - low) / max(self.getViewBox().width(), 1.0)
        return (QFontMetrics(self._font).horizontalAdvance(words) + 14) * per_px

    def _draw_marks(self, k: float, low: float, high: float) -> None:
        c = self.colours
        levels_s = high - max((self._words_s(self._level_words(line), low, high) for line in self.lines), default=0.0)
        levels_s -= _LEAD_PX * (high - low) / max(self.getViewBox().width(), 1.0)
        for n, mark in enumerate(self.marks, start=1):
            self.add(pg.InfiniteLine(mark.time_s, angle=90, pen=self.pen(c.text, 1.5)), 3)
            text = mark.text if len(mark.text) <= _LONG else f"{mark.text[:_LONG - 1]}…"
            wide = self._words_s(f"{n}: {text}", low, high)
            # to the left of its line where on the right it would lie on the words of the levels, if there is room
            left = (mark.time_s - low > wide and mark.time_s + wide > levels_s) or mark.time_s > (low + high) / 2
            self.label(f"{n}: {text}", mark.time_s, self._top * (0.55 - 0.14 * ((n - 1) % 4)), c.text,
                       (1 if left else 0, 0.5), 9, fill=c.panel)
        if self.earlier is not None and len(self.earlier.store):
            store = self.earlier.store
            end = float(store.time_s[-1])
            pressure = float(np.interp(0.55 * end, store.time_s, store.pressure_kpa)) - store.zero_kpa
            self.label(self.earlier.word, 0.55 * end, pressure * k, c.text, (0.5, -0.15), 9, fill=c.ground)

    def _draw_levels(self, k: float, low: float, high: float) -> None:
        c = self.colours
        if self.levels.low_kpa is not None and self.levels.high_kpa is not None:
            # Hatched, so that the band is told from the phases by shape too.
            band = pg.LinearRegionItem((self.levels.low_kpa * k, self.levels.high_kpa * k), orientation="horizontal",
                                       movable=False, brush=QBrush(fading(c.target, 130), Qt.BrushStyle.BDiagPattern),
                                       pen=pg.mkPen(None))
            self.add(band, -5)
        # Words of levels that lie close together are moved apart, and each line goes to its own.
        lines = sorted(self.lines, key=lambda one: -one.kpa)
        words = [self._level_words(line) for line in lines]
        wide = [self._words_s(text, low, high) for text in words]
        lead = _LEAD_PX * (high - low) / max(self.getViewBox().width(), 1.0)
        bend = high - max(wide, default=0.0) - lead
        line_px = QFontMetrics(self._font).height()
        line_high = 1.03 * self._top * line_px / max(self.getViewBox().height(), line_px * 4.0)
        heights = spread([line.kpa * k for line in lines], 1.35 * line_high, line_high / 2 - 0.03 * self._top,
                         self._top - line_high / 2)
        for line, text, room, height in zip(lines, words, wide, heights, strict=True):
            pen = self.pen(getattr(c, line.role), 3 if line.role == "limit" else 2, _DASHES.get(line.role))
            level = line.kpa * k
            self.add(pg.PlotDataItem([low, bend, bend + lead, high - room], [level, level, height, height], pen=pen), 2)
            self.label(text, high, height, c.text, (1, 0.5), 8, fill=c.ground)
