"""What every drawing of a trace shares: colours, fonts, a time axis in minutes and seconds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QColor, QFont, QPen

from recorder.window.state.colours import Palette
from recorder.window.state.words import minus

__all__ = ["ClockAxis", "Drawing", "fading", "mixed"]


def fading(colour: str, alpha: int) -> QColor:
    """The colour, partly see-through (alpha 0 to 255)."""
    out = QColor(colour)
    out.setAlpha(alpha)
    return out


def mixed(colour: str, other: str, share: float) -> QColor:
    """So much of ``colour``, the rest of ``other``: pale, and as pale where lines cross."""
    one, two = QColor(colour), QColor(other)
    parts = zip((one.red(), one.green(), one.blue()), (two.red(), two.green(), two.blue()), strict=True)
    return QColor(*(round(share * a + (1 - share) * b) for a, b in parts))


class PlainAxis(pg.AxisItem):  # type: ignore[misc]
    """Numbers that are never turned into thousandths behind their unit's back."""

    def updateAutoSIPrefix(self) -> None:
        # Called when the range has changed: the numbers have to be drawn anew.
        self.autoSIPrefixScale = 1.0
        self.picture = None
        self.update()

    def tickSpacing(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, float]]:
        """One, two or five of a decade, as many as there is room for numbers of the font's size."""
        room = max(size / (self._font_px() * (1.8 if self.orientation == "left" else 6.0)), 1.0)
        span = max(abs(maxVal - minVal), 1e-12)
        decade = 10.0 ** np.floor(np.log10(span / room))
        step = next(decade * k for k in (1, 2, 5, 10) if span / (decade * k) <= room * 1.0001)
        return [(float(step), 0.0)]

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        """None so close to an end of an upright axis that half of its number would be cut off."""
        ticks: list[tuple[float, list[float]]] = super().tickValues(minVal, maxVal, size)
        if self.orientation != "left" or maxVal <= minVal:
            return ticks
        half = 0.62 * self._font_px() * (maxVal - minVal) / max(size, 1.0)
        return [(step, [v for v in values if v <= maxVal - half]) for step, values in ticks]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        return [minus(text) for text in super().tickStrings(values, scale, spacing)]

    def _font_px(self) -> int:
        font = self.style["tickFont"]
        return int(font.pixelSize()) if font is not None else 14


class ClockAxis(PlainAxis):
    """Seconds, written as minutes and seconds."""

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        tenths = spacing < 1
        return [
            "" if v < 0 else f"{int(v // 60)}:{v % 60:04.1f}" if tenths else f"{int(v // 60)}:{int(v % 60):02d}"
            for v in values
        ]

    def tickSpacing(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, float]]:
        room = max(size / (self.style["tickFont"].pixelSize() * 5 if self.style["tickFont"] else 70), 1.0)
        span = maxVal - minVal
        for step in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600):
            if span / step <= room:
                return [(float(step), 0.0)]
        hours = 10.0 ** np.ceil(np.log10(span / room / 3600.0))  # no test, but a file may claim years
        return [(3600.0 * float(hours), 0.0)]


class DecadeAxis(PlainAxis):
    """Logarithms, written as the numbers that they stand for: at 1 and 3 of each decade where there is room."""

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        room = max(size / (self._font_px() * (1.8 if self.orientation == "left" else 4.0)), 1.0)
        every = max(int(np.ceil((maxVal - minVal) / room)), 1)
        steps = (0.0, float(np.log10(3.0))) if 2 * (maxVal - minVal) <= room else (0.0,)
        decades = range(int(np.floor(minVal)), int(np.ceil(maxVal)) + 1, every)
        values = [d + step for d in decades for step in steps]
        return [(1.0, [v for v in values if minVal <= v <= maxVal])]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        return [np.format_float_positional(float(f"{10.0**v:.1g}"), trim="-") for v in values]


class Drawing(pg.PlotWidget):  # type: ignore[misc]
    """A plot in our colours. A group of ``_decor`` is drawn anew when what it shows has changed (``anew``)."""

    def __init__(self, palette: Palette, says: str, *, clock: bool = True, log: bool = False) -> None:
        kind = DecadeAxis if log else PlainAxis
        super().__init__(axisItems={"left": kind("left"), "bottom": ClockAxis("bottom") if clock else kind("bottom")})
        self.setAccessibleName(says)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setMenuEnabled(False)
        self.hideButtons()
        self.colours = palette
        self.unit = "kPa"
        self._font, self._font_px = QFont(self.font()), 14
        self._decor: dict[str, list[Any]] = {}
        self._decor_keys: dict[str, object] = {}
        self._group = ""
        self._ranges: tuple[tuple[float, float], tuple[float, float]] | None = None

    def sizeHint(self) -> QSize:
        return QSize(240, 90)

    def minimumSizeHint(self) -> QSize:
        return QSize(160, 60)

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.colours = c = palette
        self.setBackground(c.ground)
        for side in ("left", "bottom"):
            axis = self.getAxis(side)
            axis.setPen(self.pen(c.edge, 1))
            axis.setTextPen(c.text)
        self._decor_keys.clear()

    def use_font(self, px: int) -> None:
        """The size of every text on the drawing."""
        font = QFont(self.font())
        font.setPixelSize(px)
        self._font, self._font_px = font, px
        for side in ("left", "bottom"):
            axis = self.getAxis(side)
            axis.setTickFont(font)
            axis.label.setFont(font)
        self.getAxis("left").setWidth(int(px * 4.6))
        self.getAxis("bottom").setHeight(int(px * 1.7))
        self.set_colours(self.colours)

    def pen(self, colour: str | QColor, width: float, style: Qt.PenStyle | None = None) -> QPen:
        """A pen that is thicker where the font is very large, as on the largest screens."""
        pen: QPen = pg.mkPen(colour, width=width * max(self._font_px / 27.0, 1.0), style=style)
        return pen

    def show_range(self, x: tuple[float, float], y: tuple[float, float]) -> None:
        """Both axes; nothing is done where they stand already, since axes are slow to draw."""
        if self._ranges != (x, y):
            self._ranges = (x, y)
            self.setRange(xRange=x, yRange=y, padding=0)

    def name_axis(self, side: str, words: str) -> None:
        """Words along an axis."""
        axis = self.getAxis(side)
        if axis.labelText != words or axis.labelStyle.get("color") != self.colours.text:
            self.setLabel(side, words, color=self.colours.text)
            axis.resizeEvent()  # puts the words where the middle of the axis is

    def clear_decor(self, group: str = "") -> None:
        """Takes away what was added to a group with ``add``; what is added next belongs to it."""
        for item in self._decor.pop(group, []):
            self.removeItem(item)
        self._group = group

    def anew(self, group: str, key: object) -> bool:
        """Whether a group shows something else than it did by its ``key``: then it is empty now, to be added to."""
        if group in self._decor_keys and self._decor_keys[group] == key:
            return False
        self._decor_keys[group] = key
        self.clear_decor(group)
        return True

    def add(self, item: Any, z: float = 0.0) -> None:
        """An item that stays until its group is cleared."""
        item.setZValue(z)
        self.addItem(item, ignoreBounds=True)
        self._decor.setdefault(self._group, []).append(item)

    def label(self, text: str, x: float, y: float, colour: str, anchor: tuple[float, float], z: float, *,
              fill: str | None = None) -> Any:
        """Words at a point of the drawing."""
        item = pg.TextItem(minus(text), color=colour, anchor=anchor, fill=QColor(fill) if fill else None)
        item.setFont(self._font)
        item.setPos(x, y)
        self.add(item, z)
        return item
