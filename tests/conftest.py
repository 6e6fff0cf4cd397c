"""One application for widgets in every test process: Qt allows one, and the first that is made must serve all. One
thread for linear algebra, as the program itself has it."""

from __future__ import annotations

import builtins
import os
import signal
from pathlib import Path
from typing import Any

import pytest

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # read when numpy is loaded
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # under Xvfb: QT_QPA_PLATFORM=xcb
if hasattr(signal, "SIGHUP"):
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # under nohup it is ignored, also by the programs that tests start


@pytest.fixture(scope="session", autouse=True)
def _application_for_all(qapp: object) -> None:
    """Pictures alone would make one without widgets, and the window's tests after them would fail."""


@pytest.fixture(scope="session")
def tried(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder of ``recorder try --fast``, to be read only, and what it printed."""
    from click.testing import CliRunner

    from recorder.cli import main

    folder = tmp_path_factory.mktemp("tried")
    result = CliRunner().invoke(main, ["try", "--fast", "--folder", str(folder)])
    assert result.exit_code == 0, result.output
    return folder, result.stdout


@pytest.fixture
def no_pyarrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """As where it is not installed."""
    real = builtins.__import__

    def without(name: str, *args: Any, **more: Any) -> Any:
        if name.startswith("pyarrow"):
            raise ImportError(name)
        return real(name, *args, **more)

    monkeypatch.setattr(builtins, "__import__", without)
