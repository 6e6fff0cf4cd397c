"""The window, with real key and mouse events, against the simulated tester on a real pseudo-terminal."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from PySide6.QtCore import QSettings, Qt
from pytestqt.qtbot import QtBot

from recorder.recording import read
from recorder.session import Session
from recorder.settings import Settings
from recorder.window.places.main import MainWindow
from recorder.window.places.run import open_window
from tests.benchmarks.faults_common import Plug, played
from tests.window.conftest import Beeps, choose
from tests.window.test_state_testing import BASE

JOB = "the blue van (invented)"


def hold_has_run(window: MainWindow, seconds: float) -> Callable[[], bool]:
    return lambda: window.testing.view is not None and window.testing.view.hold_elapsed_s > seconds


def test_a_whole_cap_test_by_keys(window: MainWindow, qtbot: QtBot, tmp_path: Path) -> None:
    choose(window, "cap-passes", JOB)
    qtbot.keyClick(window.testing.setup.marked_edit, Qt.Key.Key_Return)
    testing = window.testing
    assert testing.active
    qtbot.waitUntil(lambda: testing.view is not None and testing.view.strokes > 2, timeout=30000)
    qtbot.keyClick(window, Qt.Key.Key_F)
    assert testing.noting.choosing
    qtbot.keyClick(window, Qt.Key.Key_2)
    assert not testing.noting.choosing
    labels = [line.label for line in testing.live.trace.lines]
    assert labels[:3] == ["opens from", "opens up to", "LIMIT"]
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=60000)
    assert testing.live.word.text() == "PASS"
    (file,) = (tmp_path / "recordings").rglob("*-cap-*.csv")
    recording = read(file)
    assert recording.intact is True
    assert recording.header.job == JOB
    assert [m.text for m in recording.marks] == ["cap's valve"]
    qtbot.keyClick(window, Qt.Key.Key_B)
    assert testing.pages.currentIndex() == 0
    assert testing.setup.job_edit.text() == JOB


def test_enter_starts_wherever_one_is_in_the_form(window: MainWindow, qtbot: QtBot) -> None:
    """"Start [Enter]" has the focus where nothing is left to fill in, and Enter did nothing on it, nor in the list of
    adapters, nor on the test that was just chosen."""
    testing, setup, started = window.testing, window.testing.setup, []
    choose(window, "cap-passes", JOB)
    testing.take_focus()
    assert window.focusWidget() is testing.start_key
    testing.start_test = lambda: started.append(1)  # type: ignore[method-assign]
    setup.wanted.disconnect()
    setup.wanted.connect(testing.start_test)
    typed = setup.port_box.lineEdit()
    assert typed is not None
    for n, at in enumerate((setup.test_keys["cap"], typed, setup.marked_edit, setup.job_edit)):
        at.setFocus()
        qtbot.keyClick(at, Qt.Key.Key_Return)
        assert len(started) == n + 1, at
    qtbot.keyClick(setup.test_keys["system"], Qt.Key.Key_Space)  # chooses it, and starts nothing
    assert setup.test == "system" and len(started) == 4
    setup.choose_test("cap")
    choose(window, "cap-passes", JOB)
    del testing.start_test
    testing.start_key.setFocus()
    qtbot.keyClick(testing.start_key, Qt.Key.Key_Return)
    assert testing.active


def test_one_key_marks_and_the_repair_lies_over_the_old_trace(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "system-seeps", JOB)
    qtbot.mouseClick(window.testing.start_key, Qt.MouseButton.LeftButton)
    testing = window.testing
    qtbot.waitUntil(hold_has_run(window, 15), timeout=60000)
    qtbot.keyClick(window, Qt.Key.Key_1)  # one key, with nothing open
    qtbot.keyClick(window, Qt.Key.Key_9)
    assert testing.live.findings.own_words.isVisible()
    qtbot.keyClicks(testing.live.findings.own_words, "lower clamp, 5 drops")
    qtbot.keyClick(testing.live.findings.own_words, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: testing.running is not None and len(testing.running.marks) == 2, timeout=10000)
    strip = testing.live.hold
    assert strip.isVisible() and strip.fall.text().startswith("fell ") and "±" in strip.fall.text()
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=60000)
    assert testing.live.word.text() == "FAIL"
    assert [m.text for m in testing.running.marks] == ["hose ends", "lower clamp, 5 drops"]
    assert "hose ends, lower clamp, 5 drops" in testing.live.sentence.text()  # large: what to do next
    assert "nothing is wet" not in testing.live.sentence.text() + testing.live.reasons.text()
    assert strip.isVisible() and "fell 6" in strip.fall.text()
    old = testing.running.store
    qtbot.keyClick(window, Qt.Key.Key_N)  # the same job again, with one key
    assert testing.active
    assert testing.live.sentence.text() == "Wait: reading the gauge, do not pump yet"  # no word of the test before
    assert {rung.state for rung in testing.live.ladder._rungs} == {"to come"} and not testing.live.facts.isVisible()
    earlier = testing.live.trace.earlier
    assert earlier is not None and earlier.store is old and earlier.hold_start_s is not None
    assert testing.live.hold.earlier is earlier
    testing.end("enough seen", wait=True)


def test_over_limit_is_heard_unless_muted(window: MainWindow, qtbot: QtBot, beeps: Beeps) -> None:
    choose(window, "system-seeps")
    window.testing.start_test()
    window.testing._timer.stop()
    now = [100.0]
    window.testing.sounding.clock = lambda: now[0]
    view = dataclasses.replace(BASE, next_step="over-limit", pressure_kpa=130.0)
    qtbot.keyClick(window, Qt.Key.Key_F2)
    window.testing.show_view(view)
    assert beeps.n == 1
    assert window._at == 0  # wherever one was looking
    window.testing.show_view(view)
    assert beeps.n == 1  # it still sounds
    assert window.testing.live.sentence.text().startswith("▲ STOP")
    assert "over the limit" in window.testing.live.reading.accessibleName()
    qtbot.keyClick(window, Qt.Key.Key_M)
    assert "off" in window.mute_key.text()
    now[0] += 60.0
    window.testing.show_view(view)
    assert beeps.n == 1
    qtbot.keyClick(window, Qt.Key.Key_M)
    assert beeps.n == 2  # so that one knows whether it works
    window.testing.show_view(view)
    assert beeps.n == 2
    now[0] += 1.0
    window.testing.show_view(view)
    assert beeps.n == 3
    window.testing.show_view(BASE)
    now[0] += 1.0
    window.testing.show_view(BASE)
    assert beeps.n == 3
    qtbot.keyClick(window, Qt.Key.Key_F2)
    window.testing.show_view(BASE)
    assert window._at == 1  # it is not taken back where all is well


def test_units_switch_live_everywhere(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "system-seeps")
    window.testing.start_test()
    testing = window.testing
    qtbot.waitUntil(hold_has_run(window, 12), timeout=60000)
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert testing.live.reading.accessibleName().endswith("psi")
    assert "psi" in testing.live.hold.fall.text() and "psi/min" in testing.live.hold.leak.text()
    assert testing.live.trace.unit == "psi"
    _low, high = testing.live.trace.getViewBox().viewRange()[1]
    assert high < 25  # 124 kPa is 18 psi
    qtbot.waitUntil(lambda: testing.judgement is not None or hold_has_run(window, 65)(), timeout=60000)
    testing.end("enough", wait=True)  # a minute of hold is enough to say something
    assert "psi" in testing.live.reasons.text() and "kPa" not in testing.live.reasons.text()
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert "bar" in testing.live.hold.fall.text() and "bar" in testing.live.reasons.text()
    qtbot.keyClick(window, Qt.Key.Key_F3)
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert window.adapter.unit == window.records.unit == testing.unit == "kgf/cm2"


def test_typing_in_a_field_is_no_command(window: MainWindow, qtbot: QtBot) -> None:
    edit = window.testing.setup.job_edit
    edit.clear()
    edit.setFocus()
    qtbot.keyClicks(edit, "mull 12 nebulous")
    assert edit.text() == "mull 12 nebulous"
    assert not window.testing.sounding.mute and window.unit == "kPa"


def test_no_such_port_is_one_line(window: MainWindow, qtbot: QtBot) -> None:
    setup = window.testing.setup
    setup.port_box.setEditText("/dev/no-such-port")
    setup.marked_edit.setText("16 psi")
    window.testing.start_test()
    assert not window.testing.active
    assert "/dev/no-such-port" in window.banner.text() and "\n" not in window.banner.text()


def test_port_and_looks_are_remembered(qtbot: QtBot, tmp_path: Path) -> None:
    memory = QSettings(str(tmp_path / "memory.ini"), QSettings.Format.IniFormat)
    memory.setValue("port", "simulated:cap-passes")  # kept by an earlier version
    assert open_window(Settings(), tmp_path / "out", memory).testing.setup.remembered is None
    memory.setValue("port", "/dev/ttyUSB3")
    window = open_window(Settings(), tmp_path / "out", memory, speed=None)
    qtbot.addWidget(window)
    window._ask = lambda: True
    window.show()
    choose(window, "system-repaired")
    window.toggle_dark()
    window.toggle_mute()
    window.testing.start_test()
    qtbot.waitUntil(lambda: window.testing.view is not None and window.testing.view.time_s > 3, timeout=30000)
    window.close()
    again = open_window(Settings(), tmp_path / "out", memory)
    qtbot.addWidget(again)
    assert again.testing.setup.remembered == "/dev/ttyUSB3"  # a simulated one is no default
    assert again.colours.name == "dark" and again.testing.sounding.mute
    assert "off" in again.mute_key.text()
    settled = open_window(dataclasses.replace(Settings(), port="/dev/ttyUSB7"), tmp_path / "out", memory)
    qtbot.addWidget(settled)
    assert settled.testing.setup.choice().url == "/dev/ttyUSB7"  # the settings go before the memory
    assert "not plugged in" in settled.testing.setup.port_box.currentText()
    urls = [settled.testing.setup.port_box.itemData(i).url for i in range(settled.testing.setup.port_box.count())]
    assert any(url.startswith("simulated:") for url in urls)  # always offered


def test_a_gauge_too_small_for_the_marking_cannot_start(opened: Callable[..., MainWindow]) -> None:
    window = opened(Settings(full_scale_kpa=70.0))
    form = window.testing.setup
    form.choose_test("system")
    form.port_box.setEditText("/dev/ttyUSB0")
    form.marked_edit.setText("16 psi")
    assert not form.may_start
    assert "reads to 70.0 kPa; this test needs 124.3 kPa" in form.heading.text()
    form.marked_edit.setText("50 kPa")
    assert form.may_start


def test_a_simulated_test_says_so_from_start_to_result(window: MainWindow, qtbot: QtBot, tmp_path: Path) -> None:
    choose(window, "cap-passes", "a job (invented)")
    assert "SIMULATED" in window.testing.setup.heading.text()
    window.testing.start_test()
    label = window.testing.live.simulated
    assert label.isVisible() and "no real vehicle" in label.text()
    qtbot.waitUntil(lambda: window.testing.view is not None and window.testing.view.time_s > 3, timeout=30000)
    window.testing.end("enough", wait=True)
    assert label.isVisible()
    (file,) = (tmp_path / "recordings").rglob("*-cap-*.csv")
    assert read(file).header.simulated


def test_a_real_adapter_is_never_called_simulated(window: MainWindow, qtbot: QtBot, tmp_path: Path) -> None:
    _, _, lines = played("cap-passes")
    with Plug(tmp_path / "adapter", lines, 8.0) as plug:
        setup = window.testing.setup
        setup.marked_edit.setText("16 psi")
        setup.port_box.setEditText(str(plug.name))
        assert "SIMULATED" not in setup.heading.text()
        window.testing.start_test()
        qtbot.waitUntil(lambda: window.testing.view is not None and window.testing.view.time_s > 3, timeout=30000)
        assert not window.testing.live.simulated.isVisible()
        window.testing.end("enough", wait=True)
    (file,) = (tmp_path / "recordings").rglob("*-cap-*.csv")
    assert not read(file).header.simulated


def test_keys_of_a_finding_are_those_of_the_test(window: MainWindow, qtbot: QtBot) -> None:
    for name, first in (("cap-passes", "cap's seal"), ("system-seeps", "hose ends")):
        choose(window, name)
        window.testing.start_test()
        qtbot.waitUntil(lambda: window.testing.running.begun, timeout=30000)
        assert window.testing.active
        key = window.testing.live.findings.keys[0]
        assert key.text() == f"1\n{first}" and key.accessibleName() == f"finding: {first}"
        window.testing.place_key(1)
        key.click()
        qtbot.waitUntil(lambda: len(window.testing.running.marks) == 2, timeout=20000)
        assert [m.text for m in window.testing.running.marks] == [first, first]
        window.testing.end("seen", wait=True)
        window.testing.other_test()


def test_a_test_that_ended_by_itself_says_that_it_is_judged(
    window: MainWindow, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow computer takes seconds for it; nothing is to be done meanwhile."""
    go_on, stop = threading.Event(), Session.stop

    def slow_stop(self: Session, why: str) -> object:
        go_on.wait(60)
        return stop(self, why)

    monkeypatch.setattr(Session, "stop", slow_stop)
    choose(window, "cap-passes", JOB)
    window.testing.start_test()
    try:
        running = window.testing.running
        assert running is not None
        qtbot.waitUntil(lambda: running.finished, timeout=60000)
        qtbot.wait(200)
        assert window.testing.live.sentence.text() == "Judging the trace"
        assert not window.testing.ending.key.isEnabled() and window.testing.judgement is None
    finally:
        go_on.set()
    qtbot.waitUntil(lambda: window.testing.judgement is not None, timeout=30000)
    assert window.testing.live.word.text() == "PASS"
