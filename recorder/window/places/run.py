"""The program around the window: its options, what it remembers, the first redraw before the rest."""

from __future__ import annotations

import argparse
import os
import sys
from functools import partial
from pathlib import Path
from types import TracebackType

from PySide6.QtCore import (
    QMessageLogContext,
    QSettings,
    Qt,
    QTimer,
    QtMsgType,
    qInstallMessageHandler,
)
from PySide6.QtWidgets import QApplication

from recorder.errors import RecorderError
from recorder.settings import Settings, load_settings, recordings_folder
from recorder.units import pressure_factor_kpa
from recorder.window.places.main import MainWindow
from recorder.window.places.signals import close_on_signals
from recorder.window.state.gauge import Gauge, gauge_of, remembered
from recorder.window.state.ports import SIMULATED

__all__ = ["open_window", "run"]


def open_window(settings: Settings, folder: Path, memory: QSettings, *, port: str | None = None,
                speed: float | None = 1.0, dark: bool | None = None) -> MainWindow:
    """The window with what ``memory`` keeps from one day to the next: adapter, gauge, light or dark, sound.

    What was given, or stands in the settings, goes before what is remembered.
    """
    last_port = str(memory.value("port", "") or "")
    if last_port.startswith(SIMULATED):  # no default: somebody would take its result for that of a vehicle
        last_port = ""
    was_dark = str(memory.value("dark", "")) == "true"
    kept = {name: str(memory.value(f"gauge/{name}", "") or "") for name in remembered(Gauge())}
    window = MainWindow(settings, folder, port=port or settings.port or last_port or None, speed=speed,
                        dark=was_dark if dark is None else dark, mute=str(memory.value("mute", "")) == "true",
                        gauge=gauge_of(settings, kept))

    def remember() -> None:
        memory.setValue("dark", "true" if window.colours.name == "dark" else "false")
        memory.setValue("mute", "true" if window.testing.sounding.mute else "false")

    def keep_gauge() -> None:
        for name, value in remembered(window.testing.gauge).items():
            memory.setValue(f"gauge/{name}", value)

    def keep_port(_path: str) -> None:
        url = window.testing.remembered
        if url and not url.startswith(SIMULATED):
            memory.setValue("port", url)

    window.testing.gauge_changed.connect(keep_gauge)
    window.looks_changed.connect(remember)
    window.testing.recorded.connect(keep_port)
    return window


def _broke(window: MainWindow, kind: type[BaseException], err: BaseException, trace: TracebackType | None) -> None:
    """A fault of the program: one line in the window, the rest for whoever mends it; the window lives on."""
    sys.__excepthook__(kind, err, trace)
    window.say(f"the program broke ({kind.__name__}: {err}); what was recorded is on disk")


def _application() -> QApplication:
    """Qt itself. Where it finds no display it ends the process at once: then its reasons, of several lines, become one,
    and the exit that of unusable input."""
    said: list[str] = []

    def listen(kind: QtMsgType, _: QMessageLogContext, text: str) -> None:
        said.append(" ".join(text.split()))
        if kind == QtMsgType.QtFatalMsg:
            why = said[0].removesuffix(".")
            print(f"the window cannot be opened: {why}; look at DISPLAY and at the libraries that Qt draws with "
                  "(Debian: libxcb-cursor0), or use a terminal command, for instance 'recorder record --help'",
                  file=sys.stderr)
            sys.stderr.flush()
            os._exit(2)

    before = qInstallMessageHandler(listen)
    app = QApplication(sys.argv[:1])
    qInstallMessageHandler(before)
    return app


def run(argv: list[str]) -> int:
    """Opens the window."""
    parser = argparse.ArgumentParser(prog="recorder window")
    parser.add_argument("--port", help="where the adapter is; simulated:cap-passes and others are the simulated tester")
    parser.add_argument("--folder", help="where recordings go")
    parser.add_argument("--settings", help="settings file")
    parser.add_argument("--speed", type=float, default=1.0, help="speed of the simulated tester, 0: as fast as it goes")
    parser.add_argument("--dark", action="store_true", default=None)
    parser.add_argument("--quit-after", type=float, metavar="SECONDS", help=argparse.SUPPRESS)
    given = parser.parse_args(argv)
    try:
        settings = load_settings(given.settings)
        pressure_factor_kpa(settings.unit)
    except RecorderError as err:
        print(err, file=sys.stderr)
        return 2
    folder, said = recordings_folder(given.folder, settings)
    app = QApplication.instance() or _application()
    if said:
        print(said, file=sys.stderr)
    window = open_window(settings, folder, QSettings("hose-gauge-recorder", "window"), port=given.port,
                         speed=given.speed or None, dark=given.dark)
    sys.excepthook = partial(_broke, window)
    window.resize(1280, 800)
    window.show()
    window.setWindowState(window.windowState() & ~Qt.WindowState.WindowMinimized)
    window.warm_up_soon()
    close_on_signals(window)
    if given.quit_after:
        QTimer.singleShot(int(given.quit_after * 1000), window.close)
    return int(app.exec())
