"""During a test: what was found, marked at its moment."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder import report
from recorder.window.parts.widgets import Key

if TYPE_CHECKING:
    from recorder.window.places.host import Host
    from recorder.window.places.live import LivePage
    from recorder.window.running import Running

__all__ = ["Noting"]

_WAITS_S = 30.0  # so long a test that is over waits for a finding of which nothing more is typed


class Noting:
    """The key, and the keypad of places that it opens in the page of the running test."""

    def __init__(self, testing: Host) -> None:
        self._testing = testing
        self._page: LivePage | None = None  # once there is one
        self.key = Key("F  Finding", self.toggle, says="mark a finding")

    def use_page(self, page: LivePage) -> None:
        """The page that shows the keypad."""
        self._page = page
        page.findings.chosen.connect(self.add)

    def use_test(self, test: str) -> None:
        """The places where a leak may be in such a test."""
        self._testing.live.findings.use({place: place for place in report.places(test)})

    @property
    def choosing(self) -> bool:
        """Whether the places of a finding are open."""
        return self._page is not None and self._page.findings.isVisibleTo(self._page)

    def wait_for(self, running: Running) -> bool:
        """Tells the test whether a finding is being written, for which it waits where it is over by itself: the
        letters would be keys of its result, and the words lost. Whether it has waited long enough."""
        rested_s = self._page.findings.rested_s if self._page is not None else None
        running.writing = rested_s is not None
        if running.over and running.writing:
            self._testing.note.emit("the test is over and waits for these words: Enter writes them")
        return running.over and rested_s is not None and rested_s > _WAITS_S

    def keep(self) -> None:
        """The test ends: what was written by then is a finding of it."""
        if self._page is not None:
            self._page.findings.keep()

    def toggle(self) -> None:
        """The keypad comes or goes; there is none but while a test runs."""
        if self._testing.active:
            self.open(not self.choosing)

    def open(self, is_open: bool) -> None:
        """The keypad, or the page without it."""
        live = self._testing.live
        live.open_keypad(live.findings, is_open)
        self.key.setText("F  Back" if is_open else "F  Finding")
        if not is_open:
            self._testing.setFocus()

    def place_key(self, n: int) -> None:
        """A number key marks at once, whether the keypad is open or not; 9 asks for words."""
        findings = self._testing.live.findings
        place = findings.place(n)
        if place is not None:
            self.add(place)
        else:
            self.open(True)
            findings.write()

    def add(self, text: str) -> None:
        """Writes a finding at this moment."""
        testing = self._testing
        if testing.running is None or not testing.active or not text.strip():
            return
        if testing.running.begun:
            testing.running.mark(text.strip())
        else:
            testing.problem.emit("nothing has been recorded yet to mark a finding in")
        self.open(False)
