"""One application for widgets in every test process: Qt allows one, and the first that is made must serve all. One
thread for linear algebra, as the program itself has it."""

from __future__ import annotations

import os
import signal

import pytest

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # read when numpy is loaded
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # under Xvfb: QT_QPA_PLATFORM=xcb
if hasattr(signal, "SIGHUP"):
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # under nohup it is ignored, also by the programs that tests start


@pytest.fixture(scope="session", autouse=True)
def _application_for_all(qapp: object) -> None:
    """Pictures alone would make one without widgets, and the window's tests after them would fail."""
