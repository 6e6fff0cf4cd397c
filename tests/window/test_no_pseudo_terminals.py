"""A system without pseudo-terminals, as Windows is: no simulated tester, and all else as elsewhere."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
# pyserial is loaded as it is here; then what Python says of its modules tty and pty, and of os.openpty, holds:
# "Availability: Unix, not Windows" (the library's reference).
WITHOUT = """
import os, serial, sys
sys.modules.update(dict.fromkeys(("tty", "pty", "termios")))
del os.openpty
"""
WINDOW = WITHOUT + """
from recorder.window import run
sys.exit(run(["--quit-after", "1", "--folder", sys.argv[1]]))
"""
CHOICES = WITHOUT + """
from recorder.errors import RunError
from recorder.settings import Settings
from recorder.window.running import open_port
from recorder.window.state.ports import port_choices
print([choice.url for choice in port_choices("COM3") if choice.url.startswith("simulated")])
try:
    open_port(Settings(), "simulated:cap-passes", 1.0)
except RunError as err:
    print(err)
"""


def ran(code: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code, str(folder)], cwd=folder, capture_output=True, text=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(folder)}, timeout=100,
                          check=False)


def test_the_window_opens(tmp_path: Path) -> None:
    """It looked for the simulated tester's part of the system, and broke before it was drawn."""
    done = ran(WINDOW, tmp_path)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_simulated_tester_is_not_offered_and_says_why_it_cannot_play(tmp_path: Path) -> None:
    done = ran(CHOICES, tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [
        "[]", "the simulated tester needs a pseudo-terminal, which this system does not have; play it on Linux or "
              "macOS, or in WSL"]
