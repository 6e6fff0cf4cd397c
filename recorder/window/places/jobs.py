"""The jobs of the folder, looked for beside the window while its form is shown, and no longer."""

from __future__ import annotations

from pathlib import Path
from threading import Event

from PySide6.QtCore import QEvent, QObject, QTimer

from recorder.window.parts.background import Background
from recorder.window.places.setup import SetupPage
from recorder.window.state.jobs import jobs_of

__all__ = ["FolderJobs"]

_AFTER_MS = 300  # the form comes first


class FolderJobs(QObject):
    """Gives the form the jobs of ``folder`` whenever it is shown; a test that begins has the computer to itself."""

    def __init__(self, setup: SetupPage, folder: Path) -> None:
        super().__init__()
        self._setup, self._folder = setup, folder
        self._stop = Event()
        self._background = Background("jobs")
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(_AFTER_MS)
        self._soon.timeout.connect(self._look)
        setup.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() == QEvent.Type.Show:
            self._soon.start()
        elif event.type() == QEvent.Type.Hide:
            self._halt()
        return super().eventFilter(watched, event)

    def _halt(self) -> None:
        self._soon.stop()
        self._stop.set()

    def _look(self) -> None:
        self._stop.set()  # of a look before this one
        stop = self._stop = Event()
        folder = self._folder

        def take(jobs: list[str]) -> None:
            if not stop.is_set():
                self._setup.job_edit.jobs = jobs

        self._background.run(lambda: jobs_of(folder, stop), take)

    def close(self) -> None:
        """No more."""
        self._halt()
        self._background.close()
