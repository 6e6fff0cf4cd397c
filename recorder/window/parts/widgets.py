"""Small parts of the screens: keys, the list of choices, words, the reading, the ladder of steps."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetrics,
    QKeyEvent,
    QPainter,
    QPainterPath,
    QPaintEvent,
    QPen,
)
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QListView,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from recorder.window.state.colours import Palette
from recorder.window.state.testing import Rung
from recorder.window.state.words import breakable, minus, whole

__all__ = ["SMALLEST_TARGET_PX", "Choice", "Key", "Ladder", "Pages", "Reading", "beside", "fits", "main_key",
           "restyle", "tighten", "words"]

SMALLEST_TARGET_PX = 60


class Key(QPushButton):
    """A big key. Its letter, where it has one, stands in its text."""

    def __init__(self, text: str, act: Callable[[], object], *, says: str = "", parent: QWidget | None = None):
        super().__init__(text, parent)
        self.setMinimumSize(SMALLEST_TARGET_PX, SMALLEST_TARGET_PX)
        self.setAccessibleName(says or text)
        self.clicked.connect(lambda _checked=False: act())

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter presses it, too: of itself Qt leaves that to the desktop, and some have it for the space bar alone. One
        of a choice leaves Enter to what it stands in."""
        if event.key() not in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            super().keyPressEvent(event)
        elif self.isCheckable():
            event.ignore()
        elif not event.isAutoRepeat():
            self.click()


def main_key(text: str, act: Callable[[], object], says: str) -> Key:
    """The key of the next thing to do, which stands out."""
    key = Key(text, act, says=says)
    key.setObjectName("main")
    return key


class Choice(QComboBox):
    """A list to choose from or to type into, with rows as tall as a key and an arrow that can be seen. ``entered`` is
    emitted when Enter is pressed in it while it is shut."""

    entered = Signal()

    def __init__(self, says: str) -> None:
        super().__init__()
        self.setAccessibleName(says)
        self.setView(QListView())
        self.setEditable(True)
        self.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.setMinimumHeight(SMALLEST_TARGET_PX)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(10)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() not in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            super().keyPressEvent(event)
        elif not event.isAutoRepeat():
            self.entered.emit()

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(self.palette().text())
        x, y, s = self.width() - 30.0, self.height() / 2.0, max(self.fontMetrics().height() / 20.0, 1.0)
        painter.drawPolygon([QPointF(x - 10 * s, y - 6 * s), QPointF(x + 10 * s, y - 6 * s), QPointF(x, y + 8 * s)])
        painter.end()


class Pages(QStackedWidget):
    """A stack that takes the height it is given: words that need more lines take them from the drawings."""

    def hasHeightForWidth(self) -> bool:
        return False


def beside(sign: QWidget, *labels: QLabel) -> QHBoxLayout:
    """A sign, and words one below the other at its right."""
    row, said = QHBoxLayout(), QVBoxLayout()
    said.setSpacing(0)
    for label in labels:
        said.addWidget(label)
    row.addWidget(sign, 0, Qt.AlignmentFlag.AlignTop)
    row.addLayout(said, 1)
    return row


def restyle(widget: QWidget, name: str, value: bool | str) -> None:
    """Sets a property that the style sheet looks at."""
    if widget.property(name) != value:
        widget.setProperty(name, value)
        widget.style().unpolish(widget)
        widget.style().polish(widget)


def fits(page: QWidget, *, spare: int = 0) -> bool:
    """Whether all the words of a page have the height that they need, and ``spare`` px are left."""
    layout = page.layout()
    if layout is None or not page.isVisible():
        return True
    layout.activate()
    # Not the least heights: of those, a row of columns knows only what its words would take on one line.
    return layout.totalHeightForWidth(page.width()) + spare <= page.height()


def tighten(page: QWidget, label: QLabel) -> None:
    """Words a little smaller where the page is too full for them."""
    restyle(label, "tight", False)
    restyle(label, "tight", not fits(page))


class _Words(QLabel):
    """Plain words, in which every number below zero has the same sign, and that fit a line however long one is."""

    def setText(self, text: str) -> None:
        super().setText(breakable(minus(text)))

    def text(self) -> str:
        return whole(super().text())


def words(role: str, *, name: str = "") -> QLabel:
    """A label that wraps; ``role`` picks its look in the style sheet."""
    label = _Words()
    label.setObjectName(role)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setAccessibleName(name or role)
    return label


class Reading(QWidget):
    """The pressure, as large as its place allows, with its unit."""

    def __init__(self, palette: Palette) -> None:
        super().__init__()
        self._number, self._unit = "– –", "kPa"
        self.colours = palette
        self.alarm = False
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(300, 90)

    def show_reading(self, number: str, unit: str, *, alarm: bool) -> None:
        if (number, unit, alarm) == (self._number, self._unit, self.alarm):
            return
        self._number, self._unit, self.alarm = number, unit, alarm
        self.setAccessibleName(f"pressure {number} {unit}" + (", over the limit" if alarm else ""))
        self.update()

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        c = self.colours
        ink = QColor(c.ink if self.alarm else c.text)
        if self.alarm:
            painter.fillRect(self.rect(), QColor(c.bad))
        font = QFont(self.font())
        font.setBold(True)
        # The widest number decides, so that the digits do not jump in size.
        widest = self._number if len(self._number) > 5 else "888.8"
        size, edge = self.height() * 0.96, 0.05 * self.height()
        for _ in range(2):  # widths grow with the size, but for rounding
            font.setPixelSize(max(int(size), 20))
            small = QFont(font)
            small.setPixelSize(max(font.pixelSize() * 2 // 5, 14))
            gap = font.pixelSize() * 0.12
            unit = QFontMetrics(small).horizontalAdvance(self._unit)
            needed = QFontMetrics(font).horizontalAdvance(widest) + gap + unit + 2 * edge
            size *= min(self.width() / needed, 1.0)
        painter.setPen(ink)
        metrics = QFontMetrics(font)
        base = (self.height() + metrics.capHeight()) / 2
        start = edge + metrics.horizontalAdvance(widest) - metrics.horizontalAdvance(self._number)
        painter.setFont(font)
        painter.drawText(QPointF(max(start, 0), base), self._number)
        painter.setFont(small)
        painter.drawText(QPointF(max(start, 0) + metrics.horizontalAdvance(self._number) + gap, base), self._unit)
        painter.end()


class Ladder(QWidget):
    """The five steps of a test, drawn as the profile that the pressure will follow.

    Done is filled and ticked, now is outlined thick with a pointer above, to come is a thin outline.
    """

    # Tops of the left and right edge of each step, as parts of the height.
    _PROFILE = ((0.12, 0.12), (0.12, 0.9), (0.9, 0.72), (0.72, 0.64), (0.64, 0.12))

    def __init__(self, palette: Palette) -> None:
        super().__init__()
        self.colours = palette
        self._rungs: tuple[Rung, ...] = ()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumHeight(84)

    def sizeHint(self) -> QSize:
        return QSize(420, 120)

    def show_rungs(self, rungs: tuple[Rung, ...]) -> None:
        if rungs == self._rungs:
            return
        self._rungs = rungs
        self.setAccessibleName("steps: " + ", ".join(f"{r.name} {r.state}" for r in rungs))
        self.update()

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        c = self.colours
        text_height = self.fontMetrics().height() * 1.25
        scale = max(self.fontMetrics().height() / 20.0, 1.0)
        pointer = 14.0 * scale
        top, height = pointer + 4, max(self.height() - text_height - pointer - 6, 10.0)
        step = self.width() / max(len(self._rungs), 1)
        for i, rung in enumerate(self._rungs):
            left_top, right_top = self._PROFILE[i]
            x0, x1, foot = i * step + 3, (i + 1) * step - 3, top + height
            y0, y1 = top + height * (1 - left_top), top + height * (1 - right_top)
            shape = QPainterPath(QPointF(x0, foot))
            for x, y in ((x0, y0), (x1, y1), (x1, foot)):
                shape.lineTo(QPointF(x, y))
            shape.closeSubpath()
            now = rung.state == "now"
            fill = c.good if rung.state == "done" else c.panel if now else c.ground
            painter.setPen(QPen(QColor(c.text if now else c.edge), (5 if now else 1.5) * scale))
            painter.setBrush(QColor(fill))
            painter.drawPath(shape)
            middle = (x0 + x1) / 2
            if now:
                tip = QPainterPath(QPointF(middle, (y0 + y1) / 2 - 5))
                tip.lineTo(QPointF(middle - pointer, (y0 + y1) / 2 - 5 - pointer))
                tip.lineTo(QPointF(middle + pointer, (y0 + y1) / 2 - 5 - pointer))
                tip.closeSubpath()
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(QColor(c.text))
                painter.drawPath(tip)
            if rung.state == "done":
                painter.setPen(QPen(QColor(c.text), 3 * scale))
                y = foot + text_height * 0.5
                name_half = self.fontMetrics().horizontalAdvance(rung.name) / 2
                x = middle - name_half - 16 * scale
                painter.drawPolyline([QPointF(x + dx * scale, y + dy * scale) for dx, dy in ((0, 0), (4, 5), (12, -6))])
            font = QFont(self.font())
            font.setBold(now)
            painter.setFont(font)
            painter.setPen(QColor(c.text if rung.state != "to come" else c.muted))
            painter.drawText(QRectF(x0 - 3, foot + 2, step, text_height), Qt.AlignmentFlag.AlignCenter, rung.name)
        painter.end()
