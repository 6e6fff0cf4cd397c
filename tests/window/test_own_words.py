"""A finding or a repair in one's own words, and what may come between."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from recorder.recording import read
from recorder.window.places import noting
from recorder.window.places.main import MainWindow
from tests.window.conftest import choose
from tests.window.test_window import hold_has_run

WORDS = "drip below the fan"  # with letters that are keys of a result: b, l, n, e, f


def writing(window: MainWindow, qtbot: QtBot) -> None:
    """A finding is begun late in a hold, and the test ends by itself meanwhile."""
    choose(window, "system-repaired")
    window.testing.start_test()
    qtbot.waitUntil(hold_has_run(window, 100), timeout=60000)
    qtbot.keyClick(window, Qt.Key.Key_9)
    running = window.testing.running
    assert running is not None and window.testing.live.findings.own_words.isVisible()
    qtbot.waitUntil(lambda: running.over, timeout=60000)
    qtbot.waitUntil(lambda: "waits for these words" in window.banner.text(), timeout=5000)


def test_a_test_that_is_over_waits_for_the_finding_that_is_written(window: MainWindow, qtbot: QtBot) -> None:
    writing(window, qtbot)
    testing = window.testing
    assert testing.active
    for letter in WORDS:
        qtbot.keyClick(QApplication.focusWidget() or window, letter)
        qtbot.wait(5)
    assert testing.active and testing.live.findings.own_words.text() == WORDS
    qtbot.keyClick(testing.live.findings.own_words, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=60000)
    assert testing.running is not None and testing.running.path is not None
    assert [mark.text for mark in read(testing.running.path).marks] == [WORDS]
    assert len(list(testing.running.path.parent.glob("*-system-*.csv"))) == 1  # no letter began another test
    assert not window.banner.isVisible()


def test_what_nobody_finishes_is_written_as_it_stands(window: MainWindow, qtbot: QtBot,
                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    writing(window, qtbot)
    testing = window.testing
    qtbot.keyClicks(testing.live.findings.own_words, "drip")
    monkeypatch.setattr(noting, "_WAITS_S", 0.0)
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=60000)
    assert testing.running is not None and [mark.text for mark in testing.running.marks] == ["drip"]


def test_a_test_ended_by_hand_has_what_was_being_written(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "system-seeps")
    testing = window.testing
    testing.start_test()
    qtbot.waitUntil(hold_has_run(window, 100), timeout=60000)
    qtbot.keyClick(window, Qt.Key.Key_9)
    qtbot.keyClicks(testing.live.findings.own_words, "heater hose")
    testing.end("ended by hand", wait=True)
    assert testing.running is not None and [mark.text for mark in testing.running.marks] == ["heater hose"]


def test_a_touch_on_unit_or_light_leaves_one_in_the_words(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "system-seeps")
    testing = window.testing
    testing.start_test()
    qtbot.waitUntil(lambda: testing.view is not None and testing.view.strokes > 3, timeout=30000)
    testing.end("enough", wait=True)
    qtbot.keyClick(window, Qt.Key.Key_R)
    qtbot.keyClick(window, Qt.Key.Key_9)
    words = testing.live.repairs.own_words
    qtbot.keyClicks(words, "new bolt")
    for key in (window.unit_key, window.light_key, window.mute_key):
        qtbot.mouseClick(key, Qt.MouseButton.LeftButton)
        assert words.isVisible() and words.text() == "new bolt" and QApplication.focusWidget() is words, key.text()


def test_a_finding_that_comes_while_the_trace_is_judged_is_said_to_be_too_late(window: MainWindow,
                                                                               qtbot: QtBot) -> None:
    choose(window, "system-seeps")
    testing = window.testing
    testing.start_test()
    qtbot.waitUntil(hold_has_run(window, 20), timeout=60000)
    testing.end("ended by hand")
    qtbot.keyClick(window, Qt.Key.Key_2)
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=60000)
    assert testing.running is not None and testing.running.marks == []
    assert window.banner.text() == "▲ the test was over before this finding, which is not in it: radiator"
