"""Ending a test by hand, in a real window: not by one press beside the key for findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from recorder.session import AskTwice
from recorder.session.ending import too_early_s
from recorder.window.places.ending import Losing
from recorder.window.places.main import MainWindow
from tests.test_report import VIEW
from tests.window.conftest import choose
from tests.window.test_window import hold_has_run


def holding(window: MainWindow, scene: str, qtbot: QtBot, seconds: float) -> None:
    choose(window, scene)
    window.testing.start_test()
    qtbot.waitUntil(hold_has_run(window, seconds), timeout=60000)


@pytest.fixture
def asking(opened: Callable[..., MainWindow], qtbot: QtBot) -> MainWindow:
    """A window in whose unfinished hold E was pressed once."""
    window = opened(speed=4.0)
    window.testing.ending._twice = AskTwice(within_s=0.4)
    holding(window, "system-repaired", qtbot, 5)
    qtbot.keyClick(window, Qt.Key.Key_E)
    return window


def test_one_press_in_a_hold_that_is_not_over_only_asks(asking: MainWindow, qtbot: QtBot) -> None:
    window, testing = asking, asking.testing
    assert testing.active and testing.ending.key.text() == "E  again: end"
    qtbot.waitUntil(lambda: "Press E again" in testing.live.sentence.text(), timeout=5000)  # large, not in the banner
    assert not window.banner.isVisible()
    qtbot.waitUntil(lambda: testing.ending.key.text() == "E  End test", timeout=5000)
    qtbot.waitUntil(lambda: testing.live.sentence.text().startswith("Hold: "), timeout=5000)  # it was a glove
    assert testing.active
    qtbot.mouseClick(testing.ending.key, Qt.MouseButton.LeftButton)
    assert testing.active

    def ended() -> bool:
        """By one press more; where the machine stalls for as long as the question stands, it is asked anew."""
        if testing.judgement is None:
            qtbot.mouseClick(testing.ending.key, Qt.MouseButton.LeftButton)
        return testing.judgement is not None

    qtbot.waitUntil(ended, timeout=20000)
    assert testing.ending.key.text() == "E  End test" and not window.banner.isVisible()
    assert testing.judgement is not None and testing.judgement["outcome"] == "undecided"


def test_one_press_is_enough_before_the_hold_and_once_it_leaks_for_certain(opened: Callable[..., MainWindow],
                                                                          qtbot: QtBot) -> None:
    window = opened(speed=20.0)
    choose(window, "system-seeps")
    window.testing.start_test()
    testing = window.testing
    qtbot.waitUntil(lambda: testing.view is not None and testing.view.phase == "pump-up", timeout=30000)
    qtbot.keyClick(window, Qt.Key.Key_E)
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=20000)
    testing.next_test()
    qtbot.waitUntil(lambda: testing.view is not None and testing.view.early == "leak", timeout=60000)
    qtbot.keyClick(window, Qt.Key.Key_E)
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=20000)
    assert testing.judgement is not None and testing.judgement["outcome"] == "fail"


@pytest.mark.parametrize(("early", "left_s", "asks"), [
    (None, 30.0, True), ("tight", 30.0, True), ("leak", 30.0, False), (None, 0.0, False), (None, None, False),
])
def test_what_it_asks_for_is_what_docs_window_says(early: Any, left_s: float | None, asks: bool) -> None:
    """Nor is a hold over because it is tight for certain."""
    assert too_early_s(replace(VIEW, early=early, hold_left_s=left_s)) == (left_s if asks else None)


def test_what_was_asked_takes_no_news_away(asking: MainWindow, qtbot: QtBot) -> None:
    """The adapter is unplugged just after the first press: that still stands there when nothing is asked any more."""
    window, testing = asking, asking.testing
    testing._timer.stop()
    testing.away = True
    testing.problem.emit("the adapter went away")
    qtbot.waitUntil(lambda: testing.ending.key.text() == "E  End test", timeout=5000)
    assert window.banner.isVisible() and window.banner.text() == "▲ the adapter went away"


def test_a_test_that_is_not_on_disk_is_left_by_a_second_press() -> None:
    said: list[str] = []
    losing = Losing(said.append)
    assert not losing.refused(stored=True) and not said
    assert losing.refused(stored=False) and "not on disk" in said[0]
    assert not losing.refused(stored=False) and len(said) == 1
    assert losing.refused(stored=False)  # the next one is asked for anew
    losing._asked_s -= 7.0
    assert losing.refused(stored=False) and len(said) == 3
