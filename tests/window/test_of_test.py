"""Which test of which job it is stands there while it runs and with its result."""

from __future__ import annotations

from pytestqt.qtbot import QtBot

from recorder.units import parse_marking
from recorder.window.places.main import MainWindow
from recorder.window.state.testing import of_test
from tests.window.conftest import choose


def test_it_runs_and_ends_under_its_job_and_marking(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "cap-passes", "1056 white wagon")
    testing = window.testing
    testing.start_test()
    of = testing.live.of
    assert of.isVisible() and of.text() == "Cap test, marked 16 psi: 1056 white wagon"
    testing.setup.job_edit.setText("another car")  # which is for the next test
    qtbot.waitUntil(lambda: testing.view is not None and testing.view.strokes > 2, timeout=30000)
    testing.end("enough", wait=True)
    assert of.isVisible() and of.text() == "Cap test, marked 16 psi: 1056 white wagon"
    assert of.accessibleName() == "which test of which job"


def test_it_has_one_line_whatever_the_job_is() -> None:
    assert of_test("system", parse_marking("1.1 bar"), "") == "System test, marked 1.1 bar: no job given"
    assert of_test("tester", None, " bench 2 ") == "Tester check (blanked hose): bench 2"
    assert of_test("system", None, "a\nb") == r"System test: a\nb"
    long = of_test("system", parse_marking("1.1 kgf/cm2"), "1057 " + "green " * 30)
    assert long.startswith("System test, marked 1.1 kgf/cm2: 1057 green") and long.endswith("…") and len(long) < 112
