"""The first page of the Adapter place: what is known of the link, and whether the adapter is fit to use."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from recorder.window.link.link import Link
from recorder.window.parts.numbers import Rows
from recorder.window.parts.plot import Drawing
from recorder.window.parts.sign import Sign
from recorder.window.parts.widgets import beside, fits, words
from recorder.window.state.adapter import AdapterVerdict, sensor_rows
from recorder.window.state.colours import Palette
from recorder.window.state.testing import factor

if TYPE_CHECKING:
    from recorder.adapter import AdapterReport

__all__ = ["LinkPage"]

_SHOWN_S = 15.0  # of the raw reading


class LinkPage(QWidget):
    """Shows, and decides nothing."""

    def __init__(self, palette: Palette) -> None:
        super().__init__()
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 4, 10, 4)
        column.setSpacing(6)
        self.sign, self.word = Sign(palette), words("sentence", name="fit to use?")
        self.reasons, self.due = words("reasons", name="reasons"), words("caution", name="calibration due")
        column.addLayout(beside(self.sign, self.word, self.reasons))
        column.addWidget(self.due)
        body = QHBoxLayout()
        body.setSpacing(20)
        left, right = QVBoxLayout(), QVBoxLayout()
        self.link, self.sensor = Rows(), Rows()
        self.raw = Drawing(palette, "raw reading of the last seconds, part of full scale", clock=False)
        self.allan = Drawing(palette, "Allan deviation against averaging time", clock=False, log=True)
        self._raw_line = self.raw.plot([], [])
        self._allan_line = self.allan.plot([], [], symbol="o")
        self.allan.getPlotItem().setLogMode(x=True, y=True)
        for drawing in (self.raw, self.allan):
            drawing.setMouseEnabled(x=False, y=False)
        left.addWidget(self.link)
        left.addWidget(self.raw, 1)
        right.addWidget(self.sensor)
        right.addWidget(self.allan, 1)
        body.addLayout(left, 1)
        body.addLayout(right, 1)
        column.addLayout(body, 1)
        self.set_colours(palette)

    def show_link(
        self, verdict: AdapterVerdict, due: str, rows: tuple[tuple[str, str], ...], link: Link | None,
        report: AdapterReport | None, unit: str,
    ) -> None:
        """due: what is said of the gauge. rows: what is known of ``link``; None: nothing is listened to. report: None
        where there is none of it."""
        self.sign.show_sign(verdict.sign, verdict.role, verdict.word)
        self.word.setText(verdict.word)
        self.reasons.setText("\n".join(verdict.reasons))
        self.due.setText(due)
        self.link.show_rows(rows)
        self.sensor.show_rows(sensor_rows(report, unit) if report is not None else ())
        self.raw.setVisible(link is not None)
        self.allan.setVisible(report is not None)
        self._make_room(verdict.reasons)
        self._draw(link, report, unit)

    def _make_room(self, reasons: Sequence[str]) -> None:
        """With large letters in a small window the drawings go before the numbers; of the reasons the worst stay."""
        if not fits(self):
            self.raw.hide()
            self.allan.hide()
        for rows in (self.link, self.sensor):
            rows.set_tight(False)
        if not fits(self):
            for rows in (self.link, self.sensor):
                rows.set_tight(True)
        for n in range(len(reasons) - 1, 0, -1):
            if fits(self):
                break
            more = f"and {len(reasons) - n} more, which recorder adapter names"
            self.reasons.setText("\n".join((*reasons[:n], more)))

    def _draw(self, link: Link | None, report: AdapterReport | None, unit: str) -> None:
        if link is not None and link.announced is not None:
            rate = max(link.announced.nominal_rate_hz, 1.0)
            s = link.samples(int(_SHOWN_S * rate))
            counts = s.counts[-int(_SHOWN_S * rate):]
            if len(counts):
                step = max(len(counts) // 600, 1)
                x = (np.arange(len(counts)) - len(counts) + 1) / rate
                self._raw_line.setData(x[::step], counts[::step])
                low, high = float(np.min(counts)), float(np.max(counts))
                self.raw.setXRange(-_SHOWN_S, 0.0, padding=0)
                self.raw.setYRange(min(low, high - 8), max(high, low + 8), padding=0.1)
            self.raw.name_axis("left", "counts")
            self.raw.name_axis("bottom", "seconds")
        elif link is not None and link.bare_unit is not None:
            values = link.readings()
            self._raw_line.setData(np.arange(len(values)) - len(values) + 1, values)
            self.raw.enableAutoRange()
            self.raw.name_axis("left", link.bare_unit)
            self.raw.name_axis("bottom", "readings")
        if report is not None and report.allan_s:
            k = factor(unit)
            self._allan_line.setData(np.array(report.allan_s),
                                     np.maximum(np.array(report.allan_kpa), 1e-9) * k)
            self.allan.name_axis("left", unit)
            self.allan.name_axis("bottom", "Allan deviation, averaged over s")
            self.allan.enableAutoRange()

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.sign.colours = palette
        self.sign.update()
        for drawing in (self.raw, self.allan):
            drawing.set_colours(palette)
        self._raw_line.setPen(self.raw.pen(palette.trace, 1.5))
        self._allan_line.setPen(self.allan.pen(palette.fit, 2))
        self._allan_line.setSymbolBrush(palette.trace)
        self._allan_line.setSymbolPen(palette.text)

    def use_font(self, px: int) -> None:
        """The size of what is drawn rather than styled."""
        for drawing in (self.raw, self.allan):
            drawing.use_font(px)
            drawing.getAxis("bottom").setHeight(int(px * 3.0))
            drawing.getAxis("left").setWidth(int(px * 6.0))
        self.sign.setFixedSize(px * 5, px * 5)
