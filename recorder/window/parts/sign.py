"""The sign of a result: a tick in a disc, a cross in a square, a question mark in a rhombus, a slash in a ring."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QIcon, QPainter, QPaintEvent, QPen, QPixmap, QResizeEvent
from PySide6.QtWidgets import QWidget

from recorder.window.state.colours import Palette

__all__ = ["Sign", "draw_sign", "sign_icon"]


def draw_sign(painter: QPainter, side: float, sign: str, role: str, colours: Palette) -> None:
    """One sign in a square of ``side`` px."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    margin = max(side / 24, 1.0)
    size = side - 2 * margin
    box = QRectF(margin, margin, size, size)
    ink = QColor(colours.ink)
    painter.setBrush(QColor(getattr(colours, role)))
    painter.setPen(QPen(QColor(colours.text), max(side / 32, 1.0)))
    if sign == "cross":
        painter.drawRect(box)
    elif sign == "question":
        mid = box.center()
        painter.drawPolygon([QPointF(mid.x(), box.top()), QPointF(box.right(), mid.y()),
                             QPointF(mid.x(), box.bottom()), QPointF(box.left(), mid.y())])
    else:
        painter.drawEllipse(box)
    painter.setPen(QPen(ink, size / 9, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))

    def at(x: float, y: float) -> QPointF:
        return QPointF(box.left() + x * size, box.top() + y * size)

    if sign == "tick":
        painter.drawPolyline([at(0.27, 0.53), at(0.44, 0.70), at(0.74, 0.32)])
    elif sign == "cross":
        painter.drawLine(at(0.26, 0.26), at(0.74, 0.74))
        painter.drawLine(at(0.74, 0.26), at(0.26, 0.74))
    elif sign == "slash":
        painter.drawLine(at(0.28, 0.72), at(0.72, 0.28))
    else:
        font = QFont(painter.font())
        font.setBold(True)
        font.setPixelSize(int(size * 0.55))
        painter.setFont(font)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, "?")


def sign_icon(sign: str, role: str, colours: Palette, side: int) -> QIcon:
    """The sign, for a row of a table."""
    pixmap = QPixmap(side, side)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    draw_sign(painter, float(side), sign, role, colours)
    painter.end()
    icon = QIcon(pixmap)
    icon.addPixmap(pixmap, QIcon.Mode.Selected)  # a selected row keeps the sign's own colours
    return icon


class Sign(QWidget):
    """The sign of a result: a tick in a disc, a cross in a square, a question mark in a rhombus, a slash in a ring."""

    def __init__(self, palette: Palette) -> None:
        super().__init__()
        self.colours = palette
        self.sign, self.role = "slash", "nothing"
        self.setFixedSize(96, 96)

    def show_sign(self, sign: str, role: str, says: str) -> None:
        self.sign, self.role = sign, role
        self.setAccessibleName(says)
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.update()

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        draw_sign(painter, float(min(self.width(), self.height())), self.sign, self.role, self.colours)
        painter.end()
