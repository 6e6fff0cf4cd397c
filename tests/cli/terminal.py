"""A command at a real terminal of a chosen width, and what it wrote there."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]


class Screen:
    """``text``: all that was written so far. ``press`` types."""

    def __init__(self, terminal: int, child: int) -> None:
        self.terminal, self.child = terminal, child
        self.text = ""

    def press(self, keys: bytes) -> None:
        os.write(self.terminal, keys)

    @property
    def plain(self) -> str:
        """Without colours."""
        return re.sub(r"\x1b\[\d*m", "", self.text)

    @property
    def words(self) -> str:
        """Everything with its line ends as blanks: where a sentence was wrapped does not matter."""
        return " ".join(self.plain.replace("\a", "").split())

    @property
    def frames(self) -> list[str]:
        """The live lines, each as it stood."""
        return [piece.rstrip() for line in self.plain.replace("\a", "").split("\r\n")
                for piece in line.split("\r")[1:] if piece.strip()]


def at_a_terminal(arguments: list[str], columns: int, *, during: Callable[[Screen], None] = lambda screen: None,
                  wait_s: float = 90.0) -> tuple[Screen, int]:
    """Runs ``python -m recorder ARGUMENTS``; ``during`` is called often. The screen, and the exit code."""
    child, terminal = pty.fork()
    if child == 0:
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        os.chdir(ROOT)
        environment = {**os.environ, "TERM": "xterm", "PYTHONPATH": str(ROOT), "COLUMNS": "100"}  # not the real width
        environment.pop("NO_COLOR", None)
        os.execve(sys.executable, [sys.executable, "-m", "recorder", *arguments], environment)
    screen = Screen(terminal, child)
    data = b""
    deadline = time.monotonic() + wait_s
    while time.monotonic() < deadline:
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                piece = os.read(terminal, 65536)
            except OSError:  # the program has ended
                break
            if not piece:
                break
            data += piece
            screen.text = data.decode("utf-8", "replace")
        during(screen)
    else:
        os.kill(child, 9)
    _, status = os.waitpid(child, 0)
    os.close(terminal)
    return screen, os.waitstatus_to_exitcode(status)
