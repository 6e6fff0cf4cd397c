"""After a test that ended under pressure: its page goes on showing it, and no key invites to the next test."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.window.state.result import left_on_screen

if TYPE_CHECKING:
    from recorder.window.places.host import Host
    from recorder.window.running import Running

__all__ = ["LeftOnWatch"]


class LeftOnWatch:
    """Shows what the running test knows of the pressure that was left on."""

    def __init__(self, testing: Host) -> None:
        self._testing = testing

    def show(self, running: Running) -> bool:
        """As it is now. Whether it goes on."""
        testing, reading_on, left = self._testing, running.reading_on, running.left_on
        screen = left_on_screen(left, testing.unit) if left is not None else None
        testing.live.show_left_on(screen)
        key, name = testing.next_key, "" if screen is not None and screen.alarm else "main"
        if key.objectName() != name:  # relieving comes before the next test
            key.setObjectName(name)
            key.style().polish(key)
        return reading_on
