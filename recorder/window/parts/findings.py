"""A keypad to answer with: 1 to 8, and 9 for one's own words. For findings and for repairs."""

from __future__ import annotations

import time
from collections.abc import Mapping
from functools import partial

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from recorder.window.parts.widgets import SMALLEST_TARGET_PX, Key

__all__ = ["Findings"]


class Findings(QStackedWidget):
    """places: what stands on each key, and what ``chosen`` is emitted with for it; for 9 with the words. what: what is
    asked for; ask: the question."""

    chosen = Signal(str)

    def __init__(self, places: Mapping[str, str], *, what: str, ask: str) -> None:
        super().__init__()
        self._places, self._what = tuple(places.values()), what
        keypad = QWidget()
        grid = QGridLayout(keypad)
        grid.setContentsMargins(0, 0, 0, 0)
        self.keys: list[Key] = []
        for n, (name, place) in enumerate(places.items()):
            key = Key(f"{n + 1}\n{name}", partial(self._choose, n), says=f"{what}: {place}")
            grid.addWidget(key, n // 3, n % 3)
            self.keys.append(key)
        words_key = Key("9\nown words", self.write, says=f"{what} in own words")
        grid.addWidget(words_key, len(self._places) // 3, len(self._places) % 3)
        self.keys.append(words_key)
        for key in self.keys:
            key.setObjectName("place")
            key.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.addWidget(keypad)
        writing = QWidget()
        column = QVBoxLayout(writing)
        column.setContentsMargins(0, 0, 0, 0)
        label = QLabel(ask)
        self.own_words = QLineEdit()
        self.own_words.setAccessibleName(f"{what} in own words")
        self.own_words.setMinimumHeight(SMALLEST_TARGET_PX)
        self.own_words.setMaxLength(200)
        self.own_words.returnPressed.connect(self._written)
        self.own_words.textEdited.connect(self._touch)
        self._touched_s = float("-inf")
        label.setBuddy(self.own_words)
        row = QHBoxLayout()
        row.addWidget(Key("Write   [Enter]", self._written, says=f"write this {what}"))
        row.addWidget(Key("Back to the places", self.show_places))
        column.addWidget(label)
        column.addWidget(self.own_words)
        column.addLayout(row)
        column.addStretch(1)
        self.addWidget(writing)

    def use(self, places: Mapping[str, str]) -> None:
        """As many other places on the same keys."""
        self._places = tuple(places.values())
        for n, (key, (name, place)) in enumerate(zip(self.keys, places.items(), strict=False)):
            key.setText(f"{n + 1}\n{name}")
            key.setAccessibleName(f"{self._what}: {place}")

    def _choose(self, n: int) -> None:
        self.chosen.emit(self._places[n])

    def show_places(self) -> None:
        """The keypad."""
        self.own_words.clear()
        self.setCurrentIndex(0)

    @property
    def rested_s(self) -> float | None:
        """For how long nothing was typed into the field for one's own words; None where it is not open."""
        parent = self.parentWidget()
        is_open = self.currentIndex() == 1 and (parent is None or self.isVisibleTo(parent))
        return time.monotonic() - self._touched_s if is_open else None

    def _touch(self) -> None:
        self._touched_s = time.monotonic()

    def write(self) -> None:
        """The field for one's own words."""
        self._touch()
        self.setCurrentIndex(1)
        self.own_words.setFocus()

    def keep(self) -> None:
        """What stands in the field is taken as it is, where it is open."""
        if self.rested_s is not None:
            self._written()

    def _written(self) -> None:
        text = self.own_words.text().strip()
        if text:
            self.chosen.emit(text)

    def place(self, n: int) -> str | None:
        """The place of key ``n``; None for 9, which asks for words."""
        return self._places[n - 1] if 1 <= n <= len(self._places) else None
