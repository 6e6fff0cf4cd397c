"""After a test that could not be stored: once more, into a folder that has room."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QFileDialog, QWidget

from recorder.errors import RecorderError
from recorder.window.parts.widgets import Key

if TYPE_CHECKING:
    from recorder.window.places.host import Host

__all__ = ["Storing"]


class Storing:
    """The key, and what it does. ask_folder: gives the folder, empty where it is to stay as it is; None: a dialog of
    ``parent``. stored: is told the file."""

    def __init__(self, testing: Host, parent: QWidget, ask_folder: Callable[[], str] | None,
                 stored: Callable[[str], None]) -> None:
        self._testing, self._parent, self._stored = testing, parent, stored
        self._ask_folder = ask_folder or self._folder_dialog
        self.key = Key("S  Store elsewhere", self.store_again, says="store this test in another folder")

    def store_again(self) -> None:
        """Where the test is on disk, or runs, there is nothing to do."""
        testing = self._testing
        running = testing.running
        if running is None or testing.judgement is None or running.stored:
            return
        folder = self._ask_folder()
        if not folder:
            return
        try:
            path = running.store_again(Path(folder))
        except RecorderError as err:
            testing.problem.emit(str(err))
            return
        testing.problem.emit(running.problem)
        self._stored(str(path))

    def _folder_dialog(self) -> str:
        return QFileDialog.getExistingDirectory(self._parent, "A folder with room for this test", str(Path.home()))
