"""Qt without a screen, unless a platform was asked for (under Xvfb: QT_QPA_PLATFORM=xcb)."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from pytestqt.qtbot import QtBot

from recorder.settings import Settings
from recorder.window import running
from recorder.window.places import testing as qt_testing
from recorder.window.places.main import MainWindow


class Beeps:
    """Counts what would be heard."""

    def __init__(self) -> None:
        self.n = 0

    def __call__(self) -> None:
        self.n += 1


@pytest.fixture(autouse=True)
def sooner(monkeypatch: pytest.MonkeyPatch) -> None:
    """25 redraws a second leave the time to the tester, which plays much faster than real here; it lies there with its
    hose open for no longer than is looked at."""
    monkeypatch.setattr(qt_testing, "_TICK_MS", 40)
    monkeypatch.setattr(running, "VENTED_S", 200.0)


@pytest.fixture
def beeps() -> Beeps:
    return Beeps()


@pytest.fixture
def opened(qtbot: QtBot, tmp_path: Path, beeps: Beeps) -> Iterator[Callable[..., MainWindow]]:
    """Makes windows, shows them at 1024 x 600, and closes them in the end whatever they ask."""
    made: list[MainWindow] = []

    def make(settings: Settings | None = None, folder: Path | None = None, **more: Any) -> MainWindow:
        given = {"speed": 60.0, "beep": beeps, "ask": lambda: True, **more}
        window = MainWindow(settings or Settings(), folder or tmp_path / "recordings", **given)
        window.resize(1024, 600)
        qtbot.addWidget(window)
        window.show()
        qtbot.waitExposed(window)
        made.append(window)
        return window

    yield make
    for window in made:
        window._ask = lambda: True
        window.close()


@pytest.fixture
def window(opened: Callable[..., MainWindow]) -> MainWindow:
    return opened()


def choose(window: MainWindow, name: str, job: str = "") -> None:
    """A scene of the simulated tester."""
    setup = window.testing.setup
    box = setup.port_box
    box.setCurrentIndex([box.itemData(i).url for i in range(box.count())].index("simulated:" + name))
    if job:
        setup.job_edit.setText(job)
