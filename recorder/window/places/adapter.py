"""The Adapter place: is it fit to use, and the way to its calibration."""

from __future__ import annotations

import time
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QTimer, Signal
from PySide6.QtWidgets import QVBoxLayout, QWidget

from recorder.errors import RecorderError
from recorder.model import Calibration
from recorder.port import Back
from recorder.settings import Settings
from recorder.window.link.link import Link, report_of
from recorder.window.parts.background import Background
from recorder.window.parts.gauge import GaugePage
from recorder.window.parts.widgets import Key, Pages
from recorder.window.places.calibrate import CalibratePage
from recorder.window.places.link_page import LinkPage
from recorder.window.places.testing import Testing
from recorder.window.running import open_port
from recorder.window.state.adapter import link_rows, verdict_of
from recorder.window.state.colours import Palette
from recorder.window.state.gauge import Gauge, gauge_words
from recorder.window.state.ports import SIMULATED

if TYPE_CHECKING:
    from recorder.adapter import AdapterReport

__all__ = ["AdapterPlace"]

_CHECK_EVERY_S = 1.0


class AdapterPlace(QWidget):
    """``testing`` tells which adapter is chosen, and lends the link of a running test."""

    problem = Signal(str)
    note = Signal(str)
    actions_changed = Signal()

    def __init__(self, settings: Settings, folder: Path, palette: Palette, unit: str, testing: Testing) -> None:
        super().__init__()
        self.settings, self.colours, self.unit, self._testing = settings, palette, unit, testing
        self._own: tuple[Any, Any, Link] | None = None  # port, simulated tester, link
        self._nominal_kpa: float | None = None
        self.report: AdapterReport | None = None
        self._why_not = ""
        self._checked_s = 0.0
        self._background = Background("checking")
        self._background.failed.connect(self.problem)
        self.listen_key = Key("H  Listen", self.toggle_listening, says="listen to the adapter")
        self.calibrate_key = Key("C  Calibrate", lambda: self.show_page(1), says="calibrate the gauge")
        self.gauge_key = Key("G  Gauge", lambda: self.show_page(2),
                             says="what the adapter sends, full scale, calibration")
        self.back_key = Key("Esc  Back", self.back, says="back to the adapter")
        self.pages = Pages()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.pages)
        self.page = LinkPage(palette)
        self.pages.addWidget(self.page)
        self.calibrate = CalibratePage(settings, folder, palette, unit)
        self.calibrate.problem.connect(self.problem)
        self.calibrate.note.connect(self.note)
        self.calibrate.saved.connect(self._saved)
        self.pages.addWidget(self.calibrate)
        self.gauge = GaugePage(testing.gauge, unit)
        self.gauge.changed.connect(self._gauge_changed)
        self.pages.addWidget(self.gauge)
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.tick)
        self.set_colours(palette)

    def keys_now(self) -> list[Key]:
        """The keys of this moment."""
        if self.pages.currentIndex() == 0:
            return [self.listen_key, self.calibrate_key, self.gauge_key]
        if self.pages.currentIndex() == 2:
            return [self.back_key]
        return [self.calibrate.add_key, self.calibrate.undo_key, self.calibrate.save_key, self.back_key]

    def show_page(self, n: int) -> None:
        """The link, the calibration, or how the gauge is read; the calibration listens by itself."""
        self.pages.setCurrentIndex(n)
        if n == 1:
            if self.link is None:
                self.listen()
            self.calibrate.link = self.link
            self.calibrate.use_gauge(self._gauge_now().bare_unit, simulated=self._simulated)
            self.calibrate.show_fit()
            self.calibrate.reference_edit.setFocus()
        if n == 2:
            self.gauge.sends_keys[self.gauge.plain].setFocus()
        self.actions_changed.emit()

    def back(self) -> None:
        """From the calibration or the gauge to the link."""
        if self.pages.currentIndex() > 0:
            self.show_page(0)
            self.listen_key.setFocus()

    # ------------------------------------------------------------ listening

    @property
    def in_test(self) -> bool:
        """Whether a test holds the port."""
        return self._testing.holds_port

    @property
    def link(self) -> Link | None:
        """The link of the running test, or the one that is listened to here."""
        if self.in_test and self._testing.running is not None:
            return self._testing.running.link
        return self._own[2] if self._own is not None else None

    def toggle_listening(self) -> None:
        """Begins or ends."""
        if self._own is not None:
            self.let_go()
            self.tick()
        else:
            self.listen()

    def listen(self) -> None:
        """Opens the adapter that is chosen in Testing; a running test holds it already."""
        choice = self._testing.setup.choice()
        if self.in_test or self._own is not None:
            return
        if choice is None:
            self.problem.emit("no adapter is chosen: choose it in Testing (F1)")
            return
        try:
            port, tester, chosen = open_port(self.settings, choice.url, self._testing.speed, vented=True)
        except RecorderError as err:
            self.problem.emit(str(err))
            return
        self.problem.emit("")
        self._nominal_kpa = chosen.scene.sensor.full_scale_kpa if chosen is not None else None
        self.report, self._why_not = None, ""
        bare_unit = self._gauge_now().bare_unit
        self._own = (port, tester, Link(bare_unit))
        if bare_unit is None:
            port.write(b"?\n")
        self.listen_key.setText("H  Stop")
        self.actions_changed.emit()
        self.tick()

    def let_go(self) -> None:
        """Closes the port, so that a test can have it."""
        own, self._own = self._own, None
        if own is not None:
            own[0].close()
            if own[1] is not None:
                own[1].close()
            self.listen_key.setText("H  Listen")
            self.actions_changed.emit()

    @property
    def _simulated(self) -> bool:
        choice = self._testing.setup.choice()
        return choice is not None and choice.url.startswith(SIMULATED)

    def _gauge_now(self) -> Gauge:
        """The one that is listened to: the simulated tester brings its own."""
        return Gauge() if self._simulated else self._testing.gauge

    def calibration(self) -> Calibration | None:
        """The gauge's calibration, the nominal one where it has none; None where its file is unusable."""
        from recorder import calibration as calibrations

        if self._nominal_kpa is not None:
            return calibrations.nominal(self._nominal_kpa)
        try:
            cal, full_scale_kpa = self._testing.gauge.resolved()
        except RecorderError as err:
            self.problem.emit(str(err))
            return None
        return cal if cal is not None else calibrations.nominal(full_scale_kpa or 1.0)

    def _gauge_changed(self, gauge: Gauge) -> None:
        if gauge.bare_unit != self._testing.gauge.bare_unit:
            self.let_go()  # what is read from now on is of another kind
        self._testing.set_gauge(gauge)

    def shown(self, is_shown: bool) -> None:
        """The place came into view, or left it: a port is not held behind the user's back."""
        if is_shown:
            self.calibrate.use_gauge(self._gauge_now().bare_unit, simulated=self._simulated)
            self._timer.start(100)
            self.tick()
        else:
            self._timer.stop()
            self.let_go()

    def tick(self) -> None:
        """Takes what has arrived and shows it."""
        now = time.monotonic()
        if self._own is not None:
            port, tester, link = self._own
            items = port.take()
            link.take(items)
            if link.bare_unit is None and any(isinstance(item, Back) for item in items):
                port.write(b"?\n")  # another adapter may be on it
            wrong = port.failure or (tester.broken if tester is not None else None)
            if wrong is not None:
                self.problem.emit(str(wrong))
                self.let_go()
        if self.pages.currentIndex() == 1:
            self.calibrate.link = self.link
            self.calibrate.show_reading()
            return
        self._check(now)
        self._show(now)

    def _check(self, now: float) -> None:
        link = self.link
        idle = link is None or link.bare_unit is not None or self.in_test or self._background.busy
        if link is None or idle or now - self._checked_s < _CHECK_EVERY_S:
            return
        facts, cal = link.facts(now), self.calibration()
        if facts.announced is None or not link.named or cal is None:
            self._why_not = "waiting for the adapter to say who it is"
            return
        announced, samples = facts.announced, link.samples()
        self._checked_s = now
        self._background.run(lambda: report_of(samples, facts.wire, announced, cal), partial(self._checked, link))

    def _checked(self, of: Link, answer: tuple[AdapterReport | None, str]) -> None:
        if of is not self.link:  # by now another one is listened to, or none
            return
        self.report, self._why_not = answer
        if self.pages.currentIndex() == 0:
            self._show(time.monotonic())

    def _show(self, now: float) -> None:
        link = self.link
        facts = link.facts(now) if link is not None else None
        verdict = verdict_of(self.report, self._why_not, listening=link is not None, in_test=self.in_test,
                             plain=facts is not None and facts.plain is not None,
                             away=facts is not None and facts.away, unit=self.unit)
        due = ("the simulated tester has a gauge of its own" if self._simulated else
               gauge_words(self._testing.gauge, self.unit, date.today()))
        show = self.report is not None and link is not None and not self.in_test
        self.page.show_link(verdict, due, link_rows(facts, now) if facts is not None else (), link,
                            self.report if show else None, self.unit)

    # ------------------------------------------------------------ looks

    def _saved(self, path: str) -> None:
        self.gauge.calibrated(path)

    def set_unit(self, unit: str) -> None:
        """Another unit, at once."""
        self.unit = unit
        self.calibrate.set_unit(unit)
        self.gauge.set_unit(unit)
        self._show(time.monotonic())

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.colours = palette
        self.page.set_colours(palette)
        self.calibrate.set_colours(palette)
        self._show(time.monotonic())

    def use_font(self, px: int) -> None:
        """The size of what is drawn rather than styled."""
        self.page.use_font(px)
        self.set_colours(self.colours)
        self.calibrate.use_font(px)

    def close_down(self) -> None:
        """Lets go of the port and of the other thread."""
        self._timer.stop()
        self.let_go()
        self._background.close()
