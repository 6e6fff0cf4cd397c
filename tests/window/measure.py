"""What is cut off or lies over something else on a screen; found by measuring the widgets that are seen."""

from __future__ import annotations

from typing import TypeVar

from PySide6.QtCore import QPoint, QRect, Qt
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractScrollArea,
    QComboBox,
    QLabel,
    QLineEdit,
    QScrollArea,
    QWidget,
)

__all__ = ["clipped", "overlapping", "targets"]

_Kind = TypeVar("_Kind", bound=QWidget)


def _seen(window: QWidget, kind: type[_Kind]) -> list[_Kind]:
    return [w for w in window.findChildren(kind) if w.isVisible() and w.width() > 0]


def _place(window: QWidget, widget: QWidget) -> QRect:
    return QRect(widget.mapTo(window, QPoint(0, 0)), widget.size())


def _scrolls(widget: QWidget, window: QWidget) -> bool:
    """Whether a scroll area lies between: what is below its edge can be scrolled to."""
    parent = widget.parentWidget()
    while parent is not None and parent is not window:
        if isinstance(parent, QAbstractScrollArea):
            return True
        parent = parent.parentWidget()
    return False


def clipped(window: QWidget) -> list[str]:
    """Texts that have less room than they need, and widgets that stick out of the window."""
    out = []
    for label in _seen(window, QLabel):
        text = label.text()
        if not text:
            continue
        room = label.contentsRect()
        if not label.rect().contains(room):
            out.append(f"'{text[:60]}' is drawn beyond its own edges: {room} in {label.rect()}")
        flags = int(Qt.TextFlag.TextWordWrap) if label.wordWrap() else 0
        drawn = label.fontMetrics().boundingRect(QRect(0, 0, room.width(), 10_000), flags, text)
        if drawn.height() > room.height() + 1 or drawn.width() > room.width() + 1:
            out.append(f"'{text[:60]}' needs {drawn.width()} x {drawn.height()}, "
                       f"has {room.width()} x {room.height()}")
    for key in _seen(window, QAbstractButton):
        needed = max(key.fontMetrics().horizontalAdvance(line) for line in key.text().split("\n")) if key.text() else 0
        if needed > key.width() - 8 or key.fontMetrics().height() > key.height() - 6:
            out.append(f"key '{key.text()}' needs {needed}, has {key.width()}")
    for area in _seen(window, QScrollArea):
        needed, has = area.widget().minimumSizeHint().width(), area.viewport().width()
        if needed > has:
            out.append(f"{area.accessibleName()}: its content needs a width of {needed}, has {has}")
    for kind in (QLabel, QAbstractButton, QLineEdit, QComboBox):
        for widget in _seen(window, kind):
            if not _scrolls(widget, window) and not window.rect().contains(_place(window, widget)):
                out.append(f"{kind.__name__} '{widget.accessibleName()}' sticks out: {_place(window, widget)}")
    return out


def overlapping(window: QWidget) -> list[str]:
    """Pairs of widgets with text or targets that lie over each other."""
    leaves = [w for kind in (QLabel, QAbstractButton, QLineEdit, QComboBox, QAbstractScrollArea)
              for w in _seen(window, kind)
              if not _scrolls(w, window) and not isinstance(w.parentWidget(), QComboBox)
              and (not isinstance(w, QLabel) or w.text())]
    out = []
    for i, one in enumerate(leaves):
        for other in leaves[i + 1 :]:
            if one.isAncestorOf(other) or other.isAncestorOf(one):
                continue
            both = _place(window, one).intersected(_place(window, other))
            if both.width() > 1 and both.height() > 1:
                out.append(f"{one.accessibleName() or type(one).__name__} over "
                           f"{other.accessibleName() or type(other).__name__}: {both.width()} x {both.height()}")
    return out


def targets(window: QWidget) -> list[QWidget]:
    """Everything that is touched or typed into."""
    return [w for kind in (QAbstractButton, QLineEdit, QComboBox) for w in _seen(window, kind)
            if not isinstance(w.parentWidget(), QComboBox) and not isinstance(w.parentWidget(), QAbstractScrollArea)]
