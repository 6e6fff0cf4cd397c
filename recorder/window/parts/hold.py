"""The hold alone, from the fall of a tenth of a kPa upwards: trace, fit, band, and the fall as a bracket."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QVBoxLayout, QWidget

from recorder.window.parts.plot import Drawing, fading, mixed
from recorder.window.parts.widgets import restyle, words
from recorder.window.state.colours import Palette
from recorder.window.state.hold import HoldStrip, strip_range
from recorder.window.state.testing import factor
from recorder.window.state.trace import Earlier, TraceStore, thinned

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.analysis import HoldCurve
    from recorder.model import FloatArray, Mark

__all__ = ["HoldView"]

_NONE = np.empty(0)
_LONG = 30  # letters; a longer line is written smaller


class HoldView(QWidget):
    """The strip with its two lines of words. ``show_hold(None, ...)`` empties it."""

    def __init__(self, palette: Palette) -> None:
        super().__init__()
        self.colours = palette
        self.unit = "kPa"
        self.earlier: Earlier | None = None
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        self.fall, self.leak = words("fall", name="fall since the hold began"), words("reasons", name="leak rate")
        self.drawing = Drawing(palette, "the hold alone, enlarged")
        self.drawing.setMouseEnabled(x=False, y=False)
        column.addWidget(self.fall)
        column.addWidget(self.leak)
        column.addWidget(self.drawing, 1)
        d = self.drawing
        self._earlier = d.plot([], [])
        self._trace = d.plot([], [], skipFiniteCheck=True)
        self._mean = d.plot([], [])
        self._fit = d.plot([], [])
        self._low, self._high = d.plot([], [], pen=None), d.plot([], [], pen=None)
        self._band = pg.FillBetweenItem(self._low, self._high)
        d.addItem(self._band)
        self._bracket = d.plot([], [])
        self._shape: tuple[object, ...] | None = None  # what the fit, its band and the earlier hold were drawn from
        self._shown_before = _NONE
        back_to_front = (self._band, self._earlier, self._trace, self._mean, self._fit, self._bracket)
        for z, item in enumerate(back_to_front, start=1):
            item.setZValue(z)
        self.set_colours(palette)

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.colours = c = palette
        d = self.drawing
        d.set_colours(c)
        self._trace.setPen(d.pen(mixed(c.trace, c.ground, 0.5), 1))
        self._mean.setPen(d.pen(c.trace, 2))
        self._earlier.setPen(d.pen(c.earlier, 2, Qt.PenStyle.DashLine))
        self._fit.setPen(d.pen(c.fit, 3, Qt.PenStyle.DashDotLine))
        self._bracket.setPen(d.pen(c.text, 3))
        self._band.setBrush(fading(c.fit, 60))

    def use_font(self, px: int) -> None:
        """The size of every text on it."""
        self.drawing.use_font(px)
        self.set_colours(self.colours)

    def show_hold(self, strip: HoldStrip | None, store: TraceStore, fit: HoldCurve | None,
                  marks: Sequence[Mark] = ()) -> None:
        """Draws the hold's stretch of ``store``; times on the axis count from the hold's start."""
        self.setVisible(strip is not None)
        if strip is None:
            return
        if self.fall.text() != strip.fall:
            self.fall.setText(strip.fall)
            restyle(self.fall, "long", len(strip.fall) > _LONG)
        if self.leak.text() != strip.leak:
            self.leak.setText(strip.leak)
        self.leak.setVisible(bool(strip.leak))
        k, d = factor(self.unit), self.drawing
        x, y = store.points(strip.start_s, strip.now_s, max(d.width() // 4, 100))
        inside = (x >= strip.start_s) & (x <= strip.now_s)
        x, y = x[inside] - strip.start_s, y[inside]
        self._trace.setData(x, y * k)
        mean_t, mean_p = store.means(strip.start_s, strip.now_s, 120)
        self._mean.setData(mean_t - strip.start_s, mean_p * k)
        t, p, b = self._curve(fit, strip)
        shape = (fit, self.earlier, k, strip.start_s, strip.end_s)
        if self._shape is None or any(a is not b for a, b in zip(shape, self._shape, strict=True)):
            self._shape = shape
            self._fit.setData(t, p * k)
            self._low.setData(t, (p - b) * k)
            self._high.setData(t, (p + b) * k)
            self._band.setVisible(len(t) > 1)
            self._draw_bracket(t, p * k, strip)
            self._shown_before = self._before(strip, k)
        before = self._shown_before
        low, high = strip_range(y, p, b)
        if len(before):
            lowest, highest = strip_range(before, _NONE, _NONE)
            # one that was held elsewhere (another cap, a marking that was wrong) would press this one flat
            near = max(lowest - high, low - highest) < (high - low) + (highest - lowest)
            self._earlier.setVisible(near)
            if near:
                low, high = strip_range(np.concatenate([y, before]), p, b)
        length = max(strip.end_s - strip.start_s, 5.0)
        d.show_range((0.0, length * 1.06), (low * k, high * k))
        d.setAccessibleName(f"the hold alone, enlarged: {strip.fall}; {strip.leak}")
        key = (self.unit, self.colours.name, tuple(marks), round(high * k, 2), self._earlier.isVisible(), d.width(),
               d._font_px)
        if d.anew("", key):
            self._decorate(strip, marks, high * k)

    def _draw_bracket(self, t: FloatArray, p: FloatArray, strip: HoldStrip) -> None:
        if not len(p):
            self._bracket.setData([], [])
            return
        length = max(strip.end_s - strip.start_s, 5.0)
        end, cap = float(t[-1]) + 0.025 * length, 0.012 * length
        self._bracket.setData([end - cap, end + cap, end, end, end - cap, end + cap],
                              np.array([p[0], p[0], p[0], p[-1], p[-1], p[-1]]))

    @staticmethod
    def _curve(fit: HoldCurve | None, strip: HoldStrip) -> tuple[FloatArray, FloatArray, FloatArray]:
        if fit is None or len(fit.time_s) == 0 or abs(float(fit.time_s[0]) - strip.start_s) > 5.0:
            return _NONE, _NONE, _NONE
        every = np.unique(np.linspace(0, len(fit.time_s) - 1, 80).astype(int))
        return fit.time_s[every] - strip.start_s, fit.pressure_kpa[every], fit.band_kpa[every]

    def _before(self, strip: HoldStrip, k: float) -> FloatArray:
        """The earlier hold, from its own start on; kPa of what is drawn."""
        e = self.earlier
        if e is None or e.hold_start_s is None or e.hold_end_s is None:
            self._earlier.setData([], [])
            return _NONE
        inside = (e.store.time_s >= e.hold_start_s) & (e.store.time_s <= e.hold_end_s)
        t, p = thinned(e.store.time_s[inside] - e.hold_start_s, e.store.pressure_kpa[inside] - e.store.zero_kpa, 200)
        keep = t <= (strip.end_s - strip.start_s) * 1.02
        self._earlier.setData(t[keep], p[keep] * k)
        return p[keep]

    def _decorate(self, strip: HoldStrip, marks: Sequence[Mark], top: float) -> None:
        d, c = self.drawing, self.colours
        d.name_axis("left", self.unit)
        for n, mark in enumerate(marks, start=1):
            at = mark.time_s - strip.start_s
            if 0.0 <= at <= strip.end_s - strip.start_s:
                d.add(pg.InfiniteLine(at, angle=90, pen=d.pen(c.text, 1.5)), 4)
                d.label(str(n), at, top, c.text, (0, 0), 7, fill=c.panel)
        t, p = self._earlier.getData()
        if self.earlier is not None and self._earlier.isVisible() and t is not None and len(t) > 4:
            at = int(0.6 * len(t))
            d.label(self.earlier.word, float(t[at]), float(p[at]), c.text, (0.5, -0.1), 7, fill=c.ground)
