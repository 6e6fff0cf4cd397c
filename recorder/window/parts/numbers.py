"""Numbers in two columns: of a judgement, each with its source where there is room for it, and of an adapter."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QLabel, QWidget

from recorder.window.parts.widgets import restyle, words
from recorder.window.state.result import Number

__all__ = ["NumberGrid", "Rows"]


class NumberGrid(QWidget):
    """``sources``: whether a second line says where each number comes from."""

    def __init__(self, *, sources: bool) -> None:
        super().__init__()
        self._sources = sources
        self._rows: list[tuple[QLabel, QLabel, QLabel]] = []
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setVerticalSpacing(0)
        self._grid.setColumnStretch(1, 1)

    def show_numbers(self, numbers: Sequence[Number]) -> None:
        """These and no others."""
        per = 2 if self._sources else 1
        self._grid.setHorizontalSpacing(self.fontMetrics().height())
        self._grid.setRowStretch(len(self._rows) * per + 1, 0)  # more rows may be put below it
        while len(self._rows) < len(numbers):
            at = len(self._rows) * per
            label, text, source = words("muted"), words("value"), words("source")
            for one in (label, text):
                one.setWordWrap(False)
                one.setAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop)
            self._grid.addWidget(label, at, 0)
            self._grid.addWidget(text, at, 1)
            if self._sources:
                self._grid.addWidget(source, at + 1, 0, 1, 2)
            self._rows.append((label, text, source))
        for i, (label, text, source) in enumerate(self._rows):
            here = i < len(numbers)
            for one in (label, text) + ((source,) if self._sources else ()):
                one.setVisible(here)
            if here:
                n = numbers[i]
                label.setText(n.label)
                text.setText(n.text)
                text.setAccessibleName(f"{n.label}: {n.text}, from {n.source}")
                source.setText(f"from: {n.source}")
        self._grid.setRowStretch(len(self._rows) * per + 1, 1)

    def wanted_px(self) -> int:
        """The width that no number is cut in; the layout knows it a turn after they were given only."""
        widths = [[one.fontMetrics().horizontalAdvance(one.text()) for one in row[:2] if not row[0].isHidden()]
                  for row in self._rows]
        shown = [row for row in widths if row]
        if not shown:
            return 0
        return max(row[0] for row in shown) + self._grid.horizontalSpacing() + max(row[1] for row in shown)


class Rows(QWidget):
    """Label and text, row by row."""

    def __init__(self) -> None:
        super().__init__()
        self._labels: list[tuple[QLabel, QLabel]] = []
        self._tight = False
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setVerticalSpacing(1)
        self._grid.setColumnStretch(1, 1)

    def show_rows(self, rows: tuple[tuple[str, str], ...]) -> None:
        """These and no others."""
        self._grid.setHorizontalSpacing(self.fontMetrics().height())
        while len(self._labels) < len(rows):
            at = len(self._labels)
            pair = (words("muted"), words("value"))
            pair[0].setWordWrap(False)
            self._grid.addWidget(pair[0], at, 0, Qt.AlignmentFlag.AlignTop)
            self._grid.addWidget(pair[1], at, 1)
            self._labels.append(pair)
        for at, (label, text) in enumerate(self._labels):
            here = at < len(rows)
            label.setVisible(here)
            text.setVisible(here)
            if here and (label.text(), text.text()) != rows[at]:
                label.setText(rows[at][0])
                text.setText(rows[at][1])
                text.setAccessibleName(f"{rows[at][0]}: {rows[at][1]}")

    def set_tight(self, tight: bool) -> None:
        """Smaller, where there is too little room."""
        if tight != self._tight:
            self._tight = tight
            for _label, text in self._labels:
                restyle(text, "tight", tight)
