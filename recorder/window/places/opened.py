"""One recording opened: the same trace view as in a test, and every number with its source."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QScrollArea, QVBoxLayout, QWidget

from recorder.window.parts.hold import HoldView
from recorder.window.parts.numbers import NumberGrid
from recorder.window.parts.sign import Sign
from recorder.window.parts.trace import TraceView
from recorder.window.parts.widgets import beside, tighten, words
from recorder.window.state.colours import Palette
from recorder.window.state.opened import Opened, opened_screen, overlaid

__all__ = ["OpenedPage"]


_FEW = 4  # lines of reasons and advice above the drawings; more stand beside them


class OpenedPage(QWidget):
    """Outcome and reasons above, both drawings on the left, the numbers on the right."""

    def __init__(self, palette: Palette) -> None:
        super().__init__()
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 4, 10, 4)
        column.setSpacing(4)
        self.sign, self.word = Sign(palette), words("sentence", name="outcome")
        self.title, self.state = words("muted", name="recording"), words("state", name="intact, and same as stored")
        self.reasons = words("reasons", name="reasons")
        column.addLayout(beside(self.sign, self.word, self.reasons, self.title, self.state))
        body = QHBoxLayout()
        body.setSpacing(12)
        self.trace, self.hold = TraceView(palette), HoldView(palette)
        drawings = QVBoxLayout()
        drawings.addWidget(self.trace, 1)
        drawings.addWidget(self.hold, 1)
        body.addLayout(drawings, 3)
        inside = QWidget()
        right = QVBoxLayout(inside)
        right.setContentsMargins(10, 6, 10, 6)
        self.numbers = NumberGrid(sources=True)
        self.source = words("source", name="what the uncertainties are")
        self.more = words("reasons", name="more reasons and advice")
        right.addWidget(self.more)
        right.addWidget(self.source)
        right.addWidget(self.numbers)
        right.addStretch(1)
        self.area = QScrollArea()
        self.area.setAccessibleName("every number with its uncertainty and source")
        self.area.setFrameShape(QFrame.Shape.NoFrame)
        self.area.setWidgetResizable(True)
        self.area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.area.setWidget(inside)
        body.addWidget(self.area, 2)
        column.addLayout(body, 1)

    def show_opened(self, opened: Opened, behind: Opened | None, unit: str) -> None:
        """This recording, with another one behind it."""
        screen = opened_screen(opened, unit)
        result = screen.result
        self.sign.show_sign(result.sign, result.role, result.word)
        said = f"{result.word}, {result.warning}" if result.warning else result.word
        self.word.setText(said)
        self.word.setAccessibleName(f"outcome: {said}")
        self.title.setText(screen.title)
        self.state.setText(screen.state)
        shown, left = result.fewer(_FEW, "beside the drawings")
        self.reasons.setText("\n".join(shown))
        self.more.setText("\n".join(left))
        self.more.setVisible(bool(left))
        self.numbers.show_numbers(result.numbers)
        self.source.setText(screen.source)
        self._widen()
        trace, marks = self.trace, opened.recording.marks
        trace.clear_trace()
        trace.store, trace.lines, trace.levels, trace.spans = opened.store, screen.lines, screen.levels, screen.spans
        trace.fit, trace.marks, trace.unit, self.hold.unit = opened.fit, marks, unit, unit
        trace.earlier = self.hold.earlier = overlaid(behind) if behind is not None else None
        self.hold.show_hold(screen.strip, opened.store, opened.fit, marks)
        trace.redraw()
        tighten(self, self.reasons)

    def _widen(self) -> None:
        """The numbers are never cut off: the drawings give way."""
        inside = self.area.widget()
        if inside is not None:
            bar = self.area.verticalScrollBar().sizeHint().width()
            self.area.setMinimumWidth(inside.minimumSizeHint().width() + bar + self.fontMetrics().height())

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        tighten(self, self.reasons)

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.sign.colours = palette
        self.sign.update()
        self.trace.set_colours(palette)
        self.hold.set_colours(palette)

    def use_font(self, px: int) -> None:
        """The size of what is drawn rather than styled."""
        self.trace.use_font(px)
        self.hold.use_font(px)
        self.sign.setFixedSize(px * 5, px * 5)
        self._widen()
