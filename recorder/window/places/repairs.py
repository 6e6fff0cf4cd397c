"""After a test: what was repaired before the next one of the same job."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.window.parts.widgets import Key

if TYPE_CHECKING:
    from recorder.window.places.host import Host

__all__ = ["Repairs"]


class Repairs:
    """The key, and the keypad that it opens in the page of the result. What is said goes into the form's field."""

    def __init__(self, testing: Host) -> None:
        self._testing = testing
        self.key = Key("R  Repaired", self.toggle, says="say what was repaired before the next test")

    @property
    def asking(self) -> bool:
        """Whether it is asked what was repaired."""
        testing = self._testing
        return testing.judgement is not None and testing.live.repairs.isVisibleTo(testing.live)

    def toggle(self) -> None:
        """The keypad comes or goes; there is none while a test runs."""
        if self._testing.judgement is not None:
            self._open(not self.asking)

    def _open(self, is_open: bool) -> None:
        live = self._testing.live
        live.open_keypad(live.repairs, is_open)
        self.key.setText("R  Back" if is_open else "R  Repaired")
        if is_open:
            self._testing.note.emit("What was repaired before the next test of this job?")
        else:
            self._testing.problem.emit(running.problem if (running := self._testing.running) is not None else "")
            self._testing.next_key.setFocus()

    def place_key(self, n: int) -> None:
        """A number key, where it is asked; 9 asks for words."""
        if not self.asking:
            return
        keypad = self._testing.live.repairs
        repair = keypad.place(n)
        if repair is not None:
            self.add(repair)
        else:
            keypad.write()

    def add(self, text: str) -> None:
        """What the next recording will say was mended before it; said again, it is taken back."""
        said = self._testing.setup.mended(text.strip())
        self._open(False)
        self._testing.note.emit(f"before the next test: {said}" if said else "before the next test: nothing repaired")

    def forget(self) -> None:
        """The result was left."""
        self.key.setText("R  Repaired")
