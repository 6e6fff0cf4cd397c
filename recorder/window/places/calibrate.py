"""The calibration: one reference after the other, residuals as they come, a file with a date due."""

from __future__ import annotations

import time
from datetime import date
from pathlib import Path

import pyqtgraph as pg
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QVBoxLayout,
    QWidget,
)

from recorder.calibration import (
    CalibrationFit,
    Pair,
    details,
    due_after,
    due_day,
    to_file_text,
    with_direction,
)
from recorder.digits import decimals
from recorder.errors import SettingError
from recorder.model import Calibration
from recorder.recording.whole import write_whole
from recorder.settings import Settings
from recorder.units import convert, format_pressure
from recorder.window.link.link import Link
from recorder.window.parts.plot import Drawing
from recorder.window.parts.widgets import SMALLEST_TARGET_PX, Key, tighten, words
from recorder.window.state.calibrate import (
    examples,
    fit_words,
    next_level,
    parse_pair,
    reference_u,
    residual_words,
)
from recorder.window.state.colours import Palette
from recorder.window.state.testing import factor
from recorder.window.state.words import minus

__all__ = ["CalibratePage"]

_AVERAGED_S = 2.0


class CalibratePage(QWidget):
    """``saved`` is emitted with the path of the file."""

    problem = Signal(str)
    note = Signal(str)
    saved = Signal(str)

    def __init__(self, settings: Settings, folder: Path, palette: Palette, unit: str) -> None:
        super().__init__()
        self.settings, self.folder, self.colours, self.unit = settings, folder, palette, unit
        self.link: Link | None = None
        self.pairs: list[Pair] = []
        self._pairs_of: str | None = None  # the adapter that was heard when they were taken
        self.found: CalibrationFit | None = None
        self.bare_unit: str | None = None
        self.simulated = False
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 4, 10, 4)
        column.setSpacing(4)
        self.step = words("step", name="what to do")
        self.caution = words("caution", name="caution")
        self.caution.setText("Pressure is stored in the hose: stay below the limits of hose, pump and reference; let "
                             "it off before you open it.")
        column.addWidget(self.step)
        column.addWidget(self.caution)
        fields = QGridLayout()
        self.reference_edit, self.ratio_edit = self._field("like 40"), self._field("by itself")
        self.name_edit, self.u_edit = self._field("its name"), self._field("like 0.5 kPa")
        self.due_edit = self._field(due_after(date.today()).isoformat())
        for at, (name, edit) in enumerate((
            ("Reference pressure", self.reference_edit), ("Reading, 0 to 1", self.ratio_edit),
            ("Reference gauge", self.name_edit), ("Its ± (95 of 100)", self.u_edit), ("Due again", self.due_edit),
        )):
            label = QLabel(name)
            label.setObjectName("muted")
            label.setBuddy(edit)
            edit.setAccessibleName(name)
            if edit is self.ratio_edit:
                self.reading_label = label
            fields.addWidget(label, 0, at)
            fields.addWidget(edit, 1, at)
            fields.setColumnStretch(at, 3 if at == 2 else 2)
        column.addLayout(fields)
        body = QHBoxLayout()
        body.setSpacing(12)
        self.list = QPlainTextEdit()
        self.list.setReadOnly(True)
        self.list.setAccessibleName("pairs and their residuals")
        self.list.setObjectName("pairs")
        self.list.setTabChangesFocus(True)
        self.plot = Drawing(palette, "residuals of the calibration, reference minus curve", clock=False)
        self.plot.setMouseEnabled(x=False, y=False)
        body.addWidget(self.list, 2)
        body.addWidget(self.plot, 3)
        column.addLayout(body, 1)
        self.verdict = words("reasons", name="what the pairs give")
        column.addWidget(self.verdict)
        self.add_key = Key("Enter  Add pair", self.add_pair, says="add this pair")
        self.undo_key = Key("Take back", self.take_back, says="take the last pair back")
        self.save_key = Key("Save", self.save, says="save the calibration file")
        self.reference_edit.returnPressed.connect(self.add_pair)
        self.ratio_edit.returnPressed.connect(self.add_pair)
        self.u_edit.editingFinished.connect(self.show_fit)
        self.set_colours(palette)

    @staticmethod
    def _field(hint: str) -> QLineEdit:
        edit = QLineEdit()
        edit.setPlaceholderText(hint)
        edit.setMinimumHeight(SMALLEST_TARGET_PX)
        return edit

    def show_reading(self) -> None:
        """What the link reads at the moment, as a hint in the field of the reading."""
        now = self._averaged()
        listening = self.link is not None and (self.link.announced is not None or self.bare_unit is not None)
        hint = f"now {self._reading(now)}" if now is not None else "listening …" if listening else "write it here"
        self.ratio_edit.setPlaceholderText(hint)
        self.ratio_edit.setAccessibleDescription(hint)

    def use_gauge(self, bare_unit: str | None, *, simulated: bool) -> None:
        """The unit of the plain numbers that the adapter prints; None where it sends checked lines."""
        if (bare_unit, simulated) != (self.bare_unit, self.simulated):
            self.bare_unit, self.simulated = bare_unit, simulated
            self.pairs.clear()  # they were of another kind, or of no gauge at all
            self.show_fit()

    def _averaged(self) -> float | None:
        return self.link.averaged(_AVERAGED_S, time.monotonic()) if self.link is not None else None

    def _reading(self, x: float) -> str:
        return f"{x:.5f}" if self.bare_unit is None else f"{convert(x, 'kPa', self.bare_unit):.4g}"

    def _of_another(self) -> str:
        """What is said where the pairs are of another adapter than the one that is heard; empty where not."""
        announced = self.link.announced if self.link is not None else None
        if announced is None or not self.pairs or self._pairs_of in (None, announced.adapter_id):
            return ""
        return (f"the pairs are of the adapter '{self._pairs_of}', and this is '{announced.adapter_id}': take them "
                "back first")

    def add_pair(self) -> None:
        """One more pair; the reading is taken from the link where none was written."""
        other = self._of_another()
        if other:
            self.problem.emit(other)
            return
        reference = self.reference_edit.text().strip() or ("0" if not self.pairs else "")
        ratio = self.ratio_edit.text().strip()
        if not ratio:
            now = self._averaged()
            if now is None:
                self.problem.emit("there is no reading, it is the mean of two seconds without a fault: listen to the "
                                  "adapter (H), or write it")
                return
            ratio = f"{now:.6f}" if self.bare_unit is None else f"{convert(now, 'kPa', self.bare_unit):.6f}"
        try:
            pair = with_direction(parse_pair(reference, ratio, self.unit, self.bare_unit), self.pairs)
        except SettingError as err:
            self.problem.emit(str(err))
            return
        self.problem.emit("")
        announced = self.link.announced if self.link is not None else None
        if announced is not None or not self.pairs:
            self._pairs_of = announced.adapter_id if announced is not None else None
        self.pairs.append(pair)
        self.reference_edit.clear()
        self.ratio_edit.clear()
        self.reference_edit.setFocus()
        self.show_fit()

    def take_back(self) -> None:
        """The last pair goes."""
        if self.pairs:
            self.pairs.pop()
            self.show_fit()

    def show_fit(self) -> None:
        """The next step, the pairs, the residuals and what they give."""
        try:
            u = reference_u(self.u_edit.text(), self.unit)
        except SettingError as err:
            self.problem.emit(str(err))
            u = 0.0
        announced = self.link.announced if self.link is not None else None
        bare = self.bare_unit is not None
        self.reading_label.setText("Reading, 0 to 1" if not bare else f"Reading, {self.bare_unit}")
        self.ratio_edit.setAccessibleName(self.reading_label.text())
        self.found, text = fit_words(self.pairs, self.unit, u, 1.0 / announced.full_scale_counts if announced else 0.0,
                                     bare=bare)
        self.step.setText(next_level(self.pairs, self.unit))
        for edit, hint in zip((self.reference_edit, self.u_edit), examples(self.unit), strict=True):
            edit.setPlaceholderText(hint)
        self.verdict.setText(text)
        tighten(self, self.verdict)
        self.save_key.setEnabled(self.found is not None)
        self.undo_key.setEnabled(bool(self.pairs))
        residuals = residual_words(self.found, self.unit) if self.found is not None else [""] * len(self.pairs)
        lines = []
        for n, (pair, residual) in enumerate(zip(self.pairs, residuals, strict=True), start=1):
            off = f"  residual {residual}" if residual else ""
            way = {"up": "▲", "down": "▼"}.get(pair.direction or "", " ")
            at = f"{format_pressure(pair.reference_kpa, self.unit)} at {self._reading(pair.ratio)}"
            lines.append(f"{n} {way} {at}{off}")
        self.list.setPlainText("\n".join(map(minus, lines)) or "no pairs yet")
        self.list.moveCursor(self.list.textCursor().MoveOperation.End)
        self._draw()

    def _draw(self) -> None:
        plot, c, k = self.plot, self.colours, factor(self.unit)
        plot.clear_decor()
        plot.name_axis("left", f"residual, {self.unit}")
        plot.name_axis("bottom", f"reference, {self.unit}")
        plot.add(pg.InfiniteLine(0.0, angle=0, pen=plot.pen(c.edge, 2)))
        if self.found is None:
            plot.setXRange(0.0, 200.0 * k)
            plot.setYRange(-1.0 * k, 1.0 * k)
            plot.label("residuals come with the third pair", 100.0 * k, 0.5 * k, c.muted, (0.5, 0.5), 3)
            return
        pairs, residuals = self.found.pairs, self.found.residuals_kpa
        for direction, symbol in (("up", "t1"), ("down", "t"), (None, "o")):
            at = [i for i, p in enumerate(pairs) if p.direction == direction]
            plot.add(pg.PlotDataItem(
                [pairs[i].reference_kpa * k for i in at], [residuals[i] * k for i in at], pen=None, symbol=symbol,
                symbolSize=plot._font_px, symbolBrush=c.trace, symbolPen=c.text), 5)
        band = 2 * self.found.standard_uncertainty_kpa * k
        pen = plot.pen(c.fit, 2, Qt.PenStyle.DashLine)
        for level in (band, -band):
            plot.add(pg.InfiniteLine(level, angle=0, pen=pen), 2)
        low, high = (v * k for v in self.found.range_kpa)
        room = 0.06 * (high - low)
        span = max(band, *(abs(r) * k for r in residuals)) * 1.35
        plot.setXRange(low - room, high + room, padding=0)
        plot.setYRange(-span, span, padding=0)
        plot.label(f"± {band:.{decimals(band)}f} {self.unit}", high + room, band, c.text, (1, 1), 6)

    def save(self) -> None:
        """The calibration file; an existing one is never overwritten."""
        self.show_fit()  # by the ± that stands there now
        if self.found is None:
            return
        today = date.today()
        other = self._of_another()
        if other:
            self.problem.emit(other)
            return
        try:
            reference_u(self.u_edit.text(), self.unit, needed=True)
            due = due_day(self.due_edit.text(), today)
        except SettingError as err:
            self.problem.emit(str(err))
            return
        announced = self.link.announced if self.link is not None else None
        bare = self.bare_unit is not None
        cal = Calibration(
            self.found.coefficients_kpa, self.found.standard_uncertainty_kpa, today.isoformat(),
            self.name_edit.text().strip() or "reference gauge not named", due.isoformat(),
            announced.adapter_id if announced is not None else None, bare,
        )
        place = Path(self.settings.calibration).parent if self.settings.calibration else self.folder
        stem = f"gauge-{announced.adapter_id}" if announced is not None else "gauge"
        stem = "".join(ch if ch.isalnum() or ch in "-_" else "-" for ch in stem)
        try:
            place.mkdir(parents=True, exist_ok=True)
            path, n = place / f"{stem}-{today.isoformat()}.json", 1
            while path.exists():
                n += 1
                path = place / f"{stem}-{today.isoformat()}-{n}.json"
            write_whole(path, to_file_text(cal, details(self.found, bare=bare)).encode())
        except OSError as err:
            self.problem.emit(f"{place}: the calibration cannot be written ({err.strerror}); make room or choose "
                              "another folder")
            return
        if self.simulated:
            self.note.emit(f"saved: {path}. It is the simulated tester's, so your own gauge does not use it")
            return
        self.saved.emit(str(path))
        self.note.emit(f"saved, due again {due}: tests use it from now on ({path})")

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        tighten(self, self.verdict)

    def set_unit(self, unit: str) -> None:
        """Another unit, at once."""
        self.unit = unit
        self.show_fit()

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.colours = palette
        self.plot.set_colours(palette)
        self.show_fit()

    def use_font(self, px: int) -> None:
        """The size of what is drawn rather than styled."""
        self.plot.use_font(px)
        self.plot.getAxis("bottom").setHeight(int(px * 3.0))
        self._draw()
