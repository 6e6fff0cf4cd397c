"""How the gauge is read: what the adapter sends, full scale, calibration file. Written once, and remembered."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import partial

from PySide6.QtCore import Signal
from PySide6.QtGui import QResizeEvent, QShowEvent
from PySide6.QtWidgets import QGridLayout, QLabel, QLineEdit, QVBoxLayout, QWidget

from recorder.errors import RecorderError
from recorder.units import format_pressure
from recorder.window.parts.widgets import SMALLEST_TARGET_PX, Key, fits, words
from recorder.window.state.gauge import Gauge, gauge_words, parse_gauge

__all__ = ["GaugePage"]

_SENDS = ("checked lines", "plain numbers")


class GaugePage(QWidget):
    """``changed`` is emitted with the gauge as soon as what is written can be one."""

    changed = Signal(object)

    def __init__(self, gauge: Gauge, unit: str) -> None:
        super().__init__()
        self.gauge, self.unit = gauge, unit
        self.plain = gauge.bare_unit is not None
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 4, 10, 4)
        self.heading = words("step", name="what to do")
        self.heading.setText("Say once how your gauge is read; it is remembered")
        column.addWidget(self.heading)
        self.said = words("state", name="what the readings rest on")
        column.addWidget(self.said)
        grid = QGridLayout()
        grid.setVerticalSpacing(8)
        grid.addWidget(QLabel("The adapter sends"), 0, 0)
        self.sends_keys = [Key(name, partial(self._choose, n == 1), says=f"the adapter sends {name}")
                           for n, name in enumerate(_SENDS)]
        for n, key in enumerate(self.sends_keys):
            key.setCheckable(True)
            grid.addWidget(key, 0, 1 + n)
        self.unit_edit = self._field(gauge.bare_unit or "", "psi, kPa, bar, mbar …")
        full = "" if gauge.full_scale_kpa is None else format_pressure(gauge.full_scale_kpa, unit)
        self.full_edit = self._field(full, "as printed on it, like 30 psi")
        self._rounded = full, gauge.full_scale_kpa  # as long as that stands there, this is meant
        self.counts_edit = self._field("" if gauge.full_scale_counts is None else str(gauge.full_scale_counts),
                                       "the adapter says it by itself")
        self.file_edit = self._field(gauge.calibration or "", "the file of the calibration; empty: not calibrated")
        rows = (
            ("Unit of the numbers", self.unit_edit, "only for plain numbers"),
            ("Gauge's full scale", self.full_edit, "only where it is not calibrated"),
            ("Counts at full scale", self.counts_edit, "only for an adapter that never says who it is"),
            ("Calibration", self.file_edit, ""),
        )
        for row, (name, edit, hint) in enumerate(rows, start=1):
            label = QLabel(name)
            label.setBuddy(edit)
            edit.setAccessibleName(name)
            grid.addWidget(label, row, 0)
            grid.addWidget(edit, row, 1, 1, 1 if hint else 2)
            if hint:
                note = words("muted", name=f"{name}, note")
                note.setText(hint)
                edit.setAccessibleDescription(hint)
                grid.addWidget(note, row, 2)
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(2, 1)
        column.addLayout(grid)
        self.note = words("caution", name="what plain numbers lack")
        column.addWidget(self.note)
        column.addStretch(1)
        for edit in (self.unit_edit, self.full_edit, self.counts_edit, self.file_edit):
            edit.textChanged.connect(self._written)
        self._show()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._make_room()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self._make_room()

    def _make_room(self) -> None:
        """Below a banner of several lines the heading goes before a field is cut."""
        self.heading.show()
        self.heading.setVisible(fits(self))

    @staticmethod
    def _field(text: str, hint: str) -> QLineEdit:
        edit = QLineEdit(text)
        edit.setPlaceholderText(hint)
        edit.setMinimumHeight(SMALLEST_TARGET_PX)
        return edit

    def _choose(self, plain: bool) -> None:
        self.plain = plain
        if plain and not self.unit_edit.text():
            self.unit_edit.setText(self.unit)
        self._written()

    def _written(self) -> None:
        try:
            gauge = parse_gauge(plain=self.plain, unit=self.unit_edit.text(), full_scale=self.full_edit.text(),
                                counts=self.counts_edit.text(), calibration=self.file_edit.text(),
                                shown_unit=self.unit)
        except RecorderError as err:
            self._show(f"▲ {err}")
            return
        if self.full_edit.text() == self._rounded[0]:
            gauge = replace(gauge, full_scale_kpa=self._rounded[1])
        self.gauge = gauge
        self._show()
        self.changed.emit(gauge)

    def _show(self, problem: str = "") -> None:
        for n, key in enumerate(self.sends_keys):
            chosen = (n == 1) == self.plain
            key.setChecked(chosen)
            key.setText(f"{'●' if chosen else '○'} {_SENDS[n]}")
        self.unit_edit.setEnabled(self.plain)
        for edit in (self.full_edit, self.counts_edit):
            edit.setEnabled(not self.plain)
        said = problem or gauge_words(self.gauge, self.unit, date.today())
        self.said.setText(said)
        self.note.setText("Plain numbers, one a line, carry no check and no count: a wrong or a lost one is not "
                          "noticed, and the recording says so." if self.plain else
                          "Checked lines are those of this project's firmware: each has a check, a count and a time.")

    def calibrated(self, path: str) -> None:
        """A calibration was saved: it is used from now on."""
        self.file_edit.setText(path)

    def set_unit(self, unit: str) -> None:
        """Another unit, at once."""
        self.unit = unit
        self._show()
