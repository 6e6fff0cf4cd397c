"""The field of the job offers those of the folder, and never changes what was typed unasked."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from threading import Event

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLineEdit, QPushButton, QVBoxLayout, QWidget
from pytestqt.qtbot import QtBot

from recorder.window.parts.job import JobEdit
from recorder.window.places.main import MainWindow
from recorder.window.state.jobs import jobs_of, offered

JOBS = ["1042 blue van", "1041 grey hatchback", "blue pickup"]


def written(folder: Path, name: str, started: str, job: str, outcome: str, size: int = 0) -> Path:
    """A sealed recording; size: bytes of a remark in its middle."""
    body = f'# recording-format: 1\n# started: "{started}"\n# test: "system"\n# job: {json.dumps(job)}\n'
    body += f'time_s,pressure_kPa\n0,0\n# note: "{"x" * size}"\n1,1\n# judgement: {{"outcome": "{outcome}"}}\n'
    path = folder / name
    path.write_text(body + f'# sha256: "{hashlib.sha256(body.encode()).hexdigest()}"\n', "utf-8")
    return path


def test_those_that_are_not_done_come_first_and_of_them_the_latest(tmp_path: Path) -> None:
    written(tmp_path, "1.csv", "2026-03-01T09:00:00Z", "old tractor", "fail")
    written(tmp_path, "2.csv", "2026-03-02T09:00:00Z", "1041 estate", "pass", size=200_000)
    written(tmp_path, "3.csv", "2026-03-03T09:00:00Z", "blue van", "fail")
    written(tmp_path, "4.csv", "2026-03-04T09:00:00Z", "Blue  Van", "fail")
    written(tmp_path, "5.csv", "2026-03-05T09:00:00Z", "", "fail")
    written(tmp_path, "6.csv", "2026-03-06T09:00:00Z", "pickup\x1b[31m", "pass")
    (tmp_path / "scribble.csv").write_text("a,b\n", "utf-8")
    found = jobs_of(tmp_path, Event())
    assert found[:2] == ["Blue Van", "old tractor"] and found[3:] == ["1041 estate"]
    assert found[2].startswith("pickup") and "\x1b" not in found[2]
    stopped = Event()
    stopped.set()
    assert jobs_of(tmp_path, stopped) == [] == jobs_of(tmp_path / "none", Event())


@pytest.mark.parametrize(("text", "found"), [
    ("BLUE", ["1042 blue van", "blue pickup"]), ("van blue", ["1042 blue van"]), ("1042 blue van", []), ("", JOBS),
    ("blue pikcup", ["blue pickup"]), ("1042 bleu van", ["1042 blue van"]), ("white", []),
    ("Blue Pickup", ["blue pickup"]),
])
def test_what_is_offered(text: str, found: list[str]) -> None:
    assert offered(text, JOBS) == found


@pytest.fixture
def field(qtbot: QtBot) -> JobEdit:
    edit = JobEdit(offered)
    edit.jobs = JOBS
    page = QWidget()
    QVBoxLayout(page).addWidget(edit)
    qtbot.addWidget(page)
    page.show()
    page.activateWindow()
    QTest.qWaitForWindowActive(page)
    edit.setFocus()
    page.entered = []  # type: ignore[attr-defined]
    edit.entered.connect(lambda: page.entered.append(edit.text()))  # type: ignore[attr-defined]
    return edit


def test_a_touch_beside_the_list_is_that_of_the_key_there(qtbot: QtBot) -> None:
    """The first touch on Start only closed the list."""
    edit, key, other = JobEdit(offered), QPushButton("Start"), QLineEdit()
    edit.jobs = JOBS
    page = QWidget()
    column = QVBoxLayout(page)
    column.addWidget(edit)
    column.addStretch()  # the list covers what is just below
    column.addWidget(other)
    column.addWidget(key)
    page.resize(300, 500)
    qtbot.addWidget(page)
    page.show()
    page.activateWindow()
    QTest.qWaitForWindowActive(page)
    pressed: list[str] = []
    key.clicked.connect(lambda: pressed.append(edit.text()))
    for target in (key, other):
        edit.setFocus()
        edit.clear()
        QTest.keyClicks(edit, "blue")
        qtbot.waitUntil(lambda: edit.offering)
        QTest.mouseClick(page.windowHandle(), Qt.MouseButton.LeftButton,  # as it comes from the screen
                         pos=target.mapTo(page, target.rect().center()))
        qtbot.waitUntil(lambda: not edit.offering)
    qtbot.waitUntil(lambda: pressed == ["blue"])
    qtbot.waitUntil(lambda: page.focusWidget() is other)  # of a window that is active it has the keys
    assert edit.text() == "blue"


def entered(edit: JobEdit) -> list[str]:
    return list(edit.window().entered)  # type: ignore[attr-defined]


def press(edit: JobEdit, key: Qt.Key) -> None:
    """Where a key goes at the moment."""
    QTest.keyClick(edit.completer().popup() if edit.offering else edit, key)


def test_enter_goes_on_with_what_was_typed(field: JobEdit) -> None:
    """Left to itself Qt starts with what was typed, and then puts the first job in its place."""
    for key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
        field.clear()
        QTest.keyClicks(field, "bl")
        assert field.offering
        press(field, key)
        assert (field.text(), field.offering) == ("bl", False)
    assert entered(field) == ["bl", "bl"]
    field.clear()
    press(field, Qt.Key.Key_Return)
    assert entered(field) == ["bl", "bl", ""]


def test_tab_goes_on_with_what_was_typed(field: JobEdit) -> None:
    QTest.keyClicks(field, "bl")
    press(field, Qt.Key.Key_Tab)
    assert (field.text(), field.offering, entered(field)) == ("bl", False, [])


def test_an_arrow_chooses_enter_takes_and_only_the_next_one_goes_on(field: JobEdit) -> None:
    QTest.keyClicks(field, "bl")
    press(field, Qt.Key.Key_Down)
    assert field.text() == "1042 blue van"
    press(field, Qt.Key.Key_Return)
    assert (field.text(), field.offering, entered(field)) == ("1042 blue van", False, [])
    press(field, Qt.Key.Key_Return)
    assert entered(field) == ["1042 blue van"]


def test_escape_gives_back_what_was_typed(field: JobEdit) -> None:
    QTest.keyClicks(field, "bl")
    press(field, Qt.Key.Key_Down)
    press(field, Qt.Key.Key_Down)
    assert field.text() == "blue pickup"
    press(field, Qt.Key.Key_Escape)
    assert (field.text(), field.offering, entered(field)) == ("bl", False, [])


def test_down_shows_all_jobs_and_a_touch_takes_one(field: JobEdit) -> None:
    press(field, Qt.Key.Key_Down)
    assert field.offering and field.text() == ""
    popup = field.completer().popup()
    place = popup.visualRect(popup.model().index(1, 0)).center()
    QTest.mouseClick(popup.viewport(), Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(place))
    assert (field.text(), field.offering, entered(field)) == ("1041 grey hatchback", False, [])


def test_a_text_that_none_has_is_left_alone(field: JobEdit) -> None:
    QTest.keyClicks(field, "white")
    assert not field.offering
    press(field, Qt.Key.Key_Return)
    assert entered(field) == ["white"]


def test_the_window_offers_the_folders_jobs_and_starts_with_what_was_typed(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path
) -> None:
    (tmp_path / "recordings").mkdir()
    written(tmp_path / "recordings", "1.csv", "2026-03-03T09:00:00Z", "blue van", "fail")
    window = opened(port="simulated:system-seeps")
    edit = window.testing.setup.job_edit
    qtbot.waitUntil(lambda: list(edit.jobs) == ["blue van"])
    window.activateWindow()
    QTest.qWaitForWindowActive(window)
    edit.setFocus()
    edit.selectAll()
    QTest.keyClicks(edit, "blue vna")
    assert edit.offering and edit.completer().popup().sizeHintForRow(0) >= 56
    press(edit, Qt.Key.Key_Return)
    assert window.testing.running is not None and window.testing.running.config.job == "blue vna"
