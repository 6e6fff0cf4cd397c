"""The field of the job, which offers those of the folder."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QEvent, QObject, QPoint, QStringListModel, Qt, QTimer, Signal
from PySide6.QtGui import QKeyEvent, QMouseEvent
from PySide6.QtWidgets import QAbstractButton, QApplication, QCompleter, QLineEdit

__all__ = ["JobEdit"]

_ROWS = 4  # as tall as keys; more would cover the form


class JobEdit(QLineEdit):
    """Offers jobs below itself while one types; Down opens all of them. What was typed stays as it is, whatever is
    offered, until one is chosen by an arrow, a click or a touch. Enter on one that is chosen takes it; with none chosen
    ``entered`` is emitted, as when nothing is offered. Esc gives back what was typed."""

    entered = Signal()

    def __init__(self, offered: Callable[[str, Sequence[str]], list[str]]) -> None:
        super().__init__()
        self.jobs: Sequence[str] = ()
        self._offered, self._typed = offered, ""
        self._model = QStringListModel(self)
        completer = QCompleter(self._model, self)
        # what fits is decided here, and not by the letters that a text begins with
        completer.setCompletionMode(QCompleter.CompletionMode.UnfilteredPopupCompletion)
        completer.setMaxVisibleItems(_ROWS)
        self.setCompleter(completer)
        popup = completer.popup()
        assert popup is not None  # Qt makes it when it is asked for
        self._popup = popup
        self._popup.setObjectName("offers")
        self._popup.setAccessibleName("jobs of the folder")
        self._popup.installEventFilter(self)
        self.textEdited.connect(self._offer)
        self.returnPressed.connect(self._enter)

    @property
    def offering(self) -> bool:
        """Whether jobs are offered at the moment."""
        return bool(self._popup.isVisible())

    def _offer(self, text: str) -> None:
        self._typed = text
        looks = self.window().styleSheet()
        if self._popup.styleSheet() != looks:  # it is a window of its own
            self._popup.setStyleSheet(looks)
        self._model.setStringList(self._offered(text, self.jobs))

    def _chosen(self) -> bool:
        return self.offering and bool(self._popup.selectionModel().selectedIndexes())

    def _enter(self) -> None:
        if not self.offering:
            self.entered.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Down and not self.offering:
            self._offer(self.text())
            if self._model.rowCount():
                self.completer().complete()
        else:
            super().keyPressEvent(event)

    def _pressed_elsewhere(self, at: QPoint) -> None:
        """A touch beside the list means what is there, though it closed the list as well."""
        there = QApplication.widgetAt(at)
        if isinstance(there, QAbstractButton | QLineEdit) and there.window() is self.window():
            QTimer.singleShot(0, there.click if isinstance(there, QAbstractButton) else there.setFocus)  # the list away

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Keys while jobs are offered come here before Qt's own way with them, in which Enter and Tab take the first
        job that nobody chose, and the first Down the second one; and touches beside the list, which Qt would only close
        it by."""
        if watched is self._popup and isinstance(event, QMouseEvent) and event.type() == QEvent.Type.MouseButtonPress:
            if self._popup.rect().contains(event.position().toPoint()):
                return super().eventFilter(watched, event)
            self._popup.hide()
            if event.button() == Qt.MouseButton.LeftButton:
                self._pressed_elsewhere(event.globalPosition().toPoint())
            return True
        if watched is not self._popup or not isinstance(event, QKeyEvent) or event.type() != QEvent.Type.KeyPress:
            return super().eventFilter(watched, event)
        key = event.key()
        if key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            chosen = self._chosen()
            self._popup.hide()
            if not chosen and not event.isAutoRepeat():
                self.entered.emit()
        elif key in (Qt.Key.Key_Tab, Qt.Key.Key_Backtab):
            self._popup.hide()
            self.focusNextPrevChild(key == Qt.Key.Key_Tab)
        elif key == Qt.Key.Key_Escape:
            self._popup.hide()
            self.setText(self._typed)
        else:
            if not self._chosen():
                self._popup.selectionModel().clearCurrentIndex()
            return super().eventFilter(watched, event)
        return True
