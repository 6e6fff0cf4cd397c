"""The waits of ``docs/grab_window.py``, on the real window and a computer that is too slow for the tester's pace."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from recorder.settings import Settings
from recorder.window.places.main import MainWindow

ROOT = Path(__file__).parents[2]
SPEED = 20.0  # five times the script's own: seconds of trace go by while one fit is made


@pytest.fixture
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("grab_window", ROOT / "docs" / "grab_window.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_a_fit_is_waited_for_however_long_it_takes(
    script: ModuleType, opened: Callable[..., MainWindow], qtbot: QtBot
) -> None:
    """And where the test is over before, that is said at once."""
    window = opened(Settings(full_scale_kpa=206.84), port="simulated:system-seeps", speed=SPEED)
    testing, app = window.testing, QApplication.instance()
    script.choose(window, "simulated:system-seeps")
    testing.start_test()
    script.until(app, lambda: testing.view is not None and testing.view.hold_elapsed_s > 20.0, 60.0)
    assert testing.running is not None
    before, another = testing.running.fit, script.another_fit(testing)
    assert not another()
    script.until(app, another, 60.0)
    fit = testing.running.fit
    assert fit is not None and fit is not before
    assert before is None or fit.time_s[-1] > before.time_s[-1]
    never = script.another_fit(testing)
    script.until(app, lambda: testing.judgement is not None, 60.0)
    with pytest.raises(SystemExit, match="was over before"):
        never()
