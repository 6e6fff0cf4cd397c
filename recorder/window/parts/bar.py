"""The row of keys along the foot: places on the left, what can be done here in the middle, looks on the right."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtGui import QResizeEvent, QShowEvent
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QWidget

from recorder.window.parts.widgets import Key

__all__ = ["Bar"]


class Bar(QWidget):
    """Where one row is too short, what can be done here gets a row of its own above the others."""

    def __init__(self, places: Sequence[Key], looks: Sequence[Key]) -> None:
        super().__init__()
        self._sides = [*places, *looks]
        self._actions: list[Key] = []
        self._known: set[Key] = set()
        self._rows = 1
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._left, self._middle, self._right = QWidget(), QWidget(), QWidget()
        for group, keys in ((self._left, places), (self._middle, ()), (self._right, looks)):
            row = QHBoxLayout(group)
            row.setContentsMargins(0, 0, 0, 0)
            for key in keys:
                row.addWidget(key)
        self._place(1)

    def _place(self, rows: int) -> None:
        self._rows = rows
        for group in (self._left, self._middle, self._right):
            self._grid.removeWidget(group)
        foot = rows - 1
        self._grid.addWidget(self._left, foot, 0)
        self._grid.addWidget(self._right, foot, 2)
        if rows == 1:
            self._grid.addWidget(self._middle, 0, 1)
        else:
            self._grid.addWidget(self._middle, 0, 0, 1, 3)
        self._grid.setColumnStretch(1, 1)

    def show_actions(self, keys: Sequence[Key]) -> None:
        """Exactly these keys in the middle, in this order."""
        row = self._middle.layout()
        assert row is not None  # it was set when the group was made
        for key in keys:
            if key not in self._known:
                self._known.add(key)
                row.addWidget(key)
        for key in self._known:
            key.setVisible(key in keys)
        self._actions = list(keys)
        self.arrange()

    def arrange(self) -> None:
        """One row where it is wide enough, else two."""
        gap = max(self._grid.horizontalSpacing(), 6)
        visible = [*self._sides, *self._actions]
        needed = sum(key.sizeHint().width() + gap for key in visible)
        rows = 2 if needed > self.width() and self._actions and self.isVisible() else 1
        if rows != self._rows:
            self._place(rows)

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self.arrange()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.arrange()
