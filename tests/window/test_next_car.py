"""What was read or said of one car is not taken for the next one: its cap's marking, what was mended on it; nor is one
test for another."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from recorder.window.places import testing as qt_testing
from recorder.window.places.main import MainWindow
from recorder.window.places.setup import SetupPage
from tests.window.conftest import choose


def after_a_test(window: MainWindow) -> SetupPage:
    """The form again, after a test of a cap marked 16 psi for the job "1042 red"."""
    choose(window, "cap-passes", "1042 red")
    testing = window.testing
    testing.start_test()
    testing.end("seen", wait=True)
    testing.other_test()
    assert testing.setup.marked_edit.text() == "16 psi" and testing.setup.may_start
    return testing.setup


def test_another_job_has_its_cap_read(window: MainWindow) -> None:
    setup = after_a_test(window)
    setup.job_edit.setText("1043 white")  # as typed, or taken from the list
    assert setup.marked_edit.text() == "" and not setup.may_start
    assert setup.hint.text() == "16 psi was the cap of the job before; read this one's"
    setup.job_edit.setFocus()
    QTest.keyClick(setup.job_edit, Qt.Key.Key_Return)
    assert window.testing.running is None and setup.marked_edit.hasFocus()  # the next letters are the marking
    setup.choose_test("tester")  # needs none
    assert "16 psi" not in setup.hint.text() and setup.may_start
    setup.choose_test("cap")
    QTest.keyClicks(setup.marked_edit, "13 psi")
    setup.job_edit.setText("1043 white van")  # what was read for this one stays
    assert setup.marked_edit.text() == "13 psi" and setup.may_start
    assert "16 psi" not in setup.hint.text()


def test_the_marking_comes_back_with_its_job(window: MainWindow) -> None:
    setup = after_a_test(window)
    setup.job_edit.setText("1042 re")
    assert setup.marked_edit.text() == ""
    setup.job_edit.setText("1042 Red ")  # the same job, however it is written
    assert setup.marked_edit.text() == "16 psi" and setup.may_start


def test_a_marking_that_was_read_before_the_job_is_typed_stays(window: MainWindow) -> None:
    setup = after_a_test(window)
    setup.marked_edit.clear()
    QTest.keyClicks(setup.marked_edit, "16 psi")
    setup.job_edit.setText("1043 white")
    assert setup.marked_edit.text() == "16 psi" and setup.may_start


def test_before_the_first_test_any_order_will_do(window: MainWindow) -> None:
    setup = window.testing.setup
    setup.marked_edit.setText("16 psi")
    setup.job_edit.setText("1042 red")
    assert setup.marked_edit.text() == "16 psi"


def one_test(window: MainWindow, *, repair: str) -> None:
    """One test of the job that stands there, whose recording has that repair, and on to the next."""
    testing = window.testing
    testing.setup.marked_edit.setText("16 psi")
    testing.start_test()
    assert testing.running is not None and testing.running.config.repair == repair
    testing.end("seen", wait=True)
    testing.other_test()


def test_what_was_mended_on_one_car_is_not_said_of_the_next(window: MainWindow) -> None:
    choose(window, "system-seeps", "1042 red")
    testing = window.testing
    testing.start_test()
    testing.end("seen", wait=True)
    testing.repairs.add("hose or clamp renewed")
    testing.other_test()
    setup = testing.setup
    assert setup.repair_edit.text() == "hose or clamp renewed"  # the same car's next test, cap or system
    setup.job_edit.setText("1043 white")
    assert setup.repair_edit.text() == ""
    one_test(window, repair="")
    setup.job_edit.setText("1042 Red ")  # the car on which it was mended is back: the same job, however it is written
    assert setup.repair_edit.text() == "hose or clamp renewed"
    one_test(window, repair="hose or clamp renewed")
    setup.job_edit.setText("1043 white")
    setup.job_edit.setText("1042 red")
    assert setup.repair_edit.text() == ""  # it was before that test, not before the next one


def test_what_is_typed_as_mended_is_of_the_job_that_was_tested(window: MainWindow) -> None:
    setup = after_a_test(window)
    setup.repair_edit.setFocus()
    QTest.keyClicks(setup.repair_edit, "seal wetted")
    setup.job_edit.setText("1043 white")
    assert setup.repair_edit.text() == ""
    QTest.keyClicks(setup.repair_edit, "bottle renewed")  # of a job that nobody knows yet: it may be mistyped
    setup.job_edit.setText("1043 white van")
    assert setup.repair_edit.text() == "bottle renewed"


def test_enter_on_the_key_of_another_test_chooses_it(window: MainWindow) -> None:
    """With the keyboard alone one comes to a key by Tab, and nothing but its press chooses it: the test of another kind
    would begin."""
    choose(window, "cap-passes", "1042 red")
    testing, keys = window.testing, window.testing.setup.test_keys
    keys["system"].setFocus()
    QTest.keyClick(keys["system"], Qt.Key.Key_Return)
    assert testing.running is None and testing.setup.test == "system"
    QTest.keyClick(keys["system"], Qt.Key.Key_Return)
    assert testing.running is not None and testing.running.test == "system"
    testing.end("seen", wait=True)


def test_a_car_that_comes_back_has_its_own_trace_behind_the_new_one(
    window: MainWindow, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two cars in turn: while one is mended the other is tested."""
    testing = window.testing
    choose(window, "system-seeps")

    def tested(job: str) -> tuple[object, object]:
        """The trace of the test, and the one behind it."""
        testing.setup.job_edit.setText(job)
        testing.setup.marked_edit.setText("16 psi")
        testing.start_test()
        running = testing.running
        assert running is not None
        behind = testing.live.trace.earlier
        for t in range(5):
            running.store.add(np.array([float(t)]), np.array([0.0]))
        testing.end("seen", wait=True)
        testing.other_test()
        return running.store, None if behind is None else behind.store

    red, behind = tested("1042 red")
    assert behind is None
    white, behind = tested("1043 white")
    assert behind is None
    red_again, behind = tested("1042  Red")  # the same job, however it is written
    assert behind is red
    assert tested("1043 white")[1] is white
    assert tested("1042 red")[1] is red_again
    nameless, behind = tested("")
    assert behind is None
    assert tested("")[1] is nameless
    tested("1044")
    assert tested("")[1] is None  # any car's
    monkeypatch.setattr(qt_testing, "_MOST_EARLIER", 2)
    tested("1045"), tested("1046")
    assert tested("1042 red")[1] is None and len(testing._earlier) == 2
