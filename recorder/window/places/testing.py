"""The Testing place: choose, watch, result. Holds the running test; its pages show it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import QApplication, QVBoxLayout, QWidget

from recorder.errors import RecorderError
from recorder.model import LiveView, TestKind
from recorder.moments import job_key
from recorder.settings import Settings
from recorder.window.parts.sound import Alarm, Sounding
from recorder.window.parts.widgets import Key, Pages, main_key
from recorder.window.places.ending import Ending, Losing
from recorder.window.places.jobs import FolderJobs
from recorder.window.places.left_on import LeftOnWatch
from recorder.window.places.noting import Noting
from recorder.window.places.repairs import Repairs
from recorder.window.places.result import show_result
from recorder.window.places.setup import SetupPage
from recorder.window.places.storing import Storing
from recorder.window.state.colours import Palette
from recorder.window.state.gauge import Gauge, gauge_of
from recorder.window.state.testing import PhaseLog, live_screen, of_test, start_screen

if TYPE_CHECKING:
    from recorder.window.places.live import LivePage
    from recorder.window.running import Running
    from recorder.window.state.trace import Earlier

__all__ = ["Testing"]

_TICK_MS = 16  # at most 60 redraws a second
_MOST_EARLIER = 12  # cars of a day that come back; a trace takes up to a megabyte
_AFTER_TICK_MS = 100  # a pressure that is being relieved


class Testing(QWidget):
    """One test after the other. ``problem`` is emitted with one line, or an empty one when all is well; ``note`` with
    one that is no problem; ``alarmed`` when the pressure goes over the limit."""

    problem = Signal(str)
    recorded = Signal(str)
    note = Signal(str)
    alarmed = Signal()
    actions_changed = Signal()
    gauge_changed = Signal()

    def __init__(self, settings: Settings, folder: Path, palette: Palette, *, port: str | None = None,
                 speed: float | None = 1.0, beep: Callable[[], None] | None = None,
                 ask_folder: Callable[[], str] | None = None, gauge: Gauge | None = None) -> None:
        super().__init__()
        self.gauge = gauge or gauge_of(settings)
        self.settings, self.folder, self.colours, self.unit = settings, folder, palette, settings.unit
        self.speed = speed
        self._alarm = Alarm(QApplication.beep)
        self.sounding = Sounding(beep or self._alarm)
        self._over_limit = False
        self.running: Running | None = None
        self.view: LiveView | None = None
        self.judgement: Mapping[str, Any] | None = None
        self._phases = PhaseLog()
        self.away, self._slow = False, ""
        self._earlier: dict[tuple[TestKind, str], Earlier] = {}  # the last of each kind and job, the latest at the end
        self._ending = False
        self.setup = SetupPage(palette, self.unit, gauge=self.gauge,
                               remembered=port if port is not None else settings.port, procedure=settings.procedure)
        self.jobs = FolderJobs(self.setup, folder)
        self._page: LivePage | None = None
        self._font_px = 14
        self.pages = Pages()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.pages)
        self.pages.addWidget(self.setup)
        self.start_key = main_key("Start   [Enter]", self.start_test, "start the test")
        self.ending, self._losing = Ending(self, self.end), Losing(self.problem.emit)
        self.next_key = main_key("N  Test again", self.next_test, "next test on the same job")
        self.noting, self.repairs, self._left_on = Noting(self), Repairs(self), LeftOnWatch(self)
        self.other_key = Key("B  Other test", self.other_test, says="back to the form for another test")
        self.storing = Storing(self, self, ask_folder, self._stored_again)
        self.setup.wanted.connect(self.start_test)
        self.setup.changed.connect(lambda: self.start_key.setEnabled(self.setup.may_start))
        self.start_key.setEnabled(self.setup.may_start)
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)

    @property
    def live(self) -> LivePage:
        """The page of the running test; made when it is first wanted."""
        if self._page is None:
            from recorder.window.places.live import LivePage

            self._page = LivePage(self.colours)
            self._page.use_font(self._font_px)
            self.noting.use_page(self._page)
            self._page.repairs.chosen.connect(self.repairs.add)
            self.pages.addWidget(self._page)
        return self._page

    @property
    def remembered(self) -> str | None:
        """The adapter that was used last."""
        return self.setup.remembered

    def keys_now(self) -> list[Key]:
        """The keys of this moment."""
        if self.running is None:
            return [self.start_key]
        if self.judgement is None:
            return [self.noting.key, self.ending.key]
        after = [self.next_key, self.repairs.key, self.other_key]
        return after if self.running.stored else [self.storing.key, *after]

    # ------------------------------------------------------------ during

    def start_test(self) -> None:
        """Begins, or says in the banner line why it cannot."""
        choice, form = self.setup.choice(), self.setup.form()
        if form.problem or choice is None or self.running is not None:
            if self.running is None and form.marked is None:
                self.setup.marked_edit.setFocus()  # what is missing is typed next
            return
        from recorder.window.running import start

        try:
            running = start(self.settings, url=choice.url, test=self.setup.test, marked=form.marked,
                            job=self.setup.job_edit.text().strip(), repair=self.setup.repair_edit.text().strip(),
                            gauge=self.gauge, folder=self.folder, speed=self.speed)
        except RecorderError as err:
            self.problem.emit(str(err))
            return
        self.setup.remembered = choice.url
        self.setup.tested()
        self.problem.emit("")
        self.begin(running)

    def begin(self, running: Running) -> None:
        """Watches a running test."""
        self.running, self.judgement, self.view, self._ending = running, None, None, False
        self._phases, self.away, self._slow, self._over_limit = PhaseLog(), False, "", False
        # Another kind of test, or another job, is no "before" to this "after"; nor is a test with no job, once another
        # came between: it may be any car's.
        this = running.test, job_key(running.config.job)
        self._earlier = {of: earlier for of, earlier in self._earlier.items() if of[1] or of == this}
        config = running.config
        self.live.begin(running.store, self._earlier.get(this), of=of_test(config.test, config.marked, config.job),
                        simulated=config.simulated)
        # else the words of the test before would stand there until something arrives
        self.live.show_live(start_screen(running.test, self.unit, begun=True), (), (), None)
        self.noting.use_test(running.test)
        self.pages.setCurrentWidget(self.live)
        self.actions_changed.emit()
        self.setFocus()
        self._timer.start(_TICK_MS)

    def tick(self) -> None:
        """One turn: take what has arrived, show it."""
        running = self.running
        if running is None:
            self._timer.stop()
            return
        if self.judgement is not None:
            if not self._left_on.show(running):
                self._timer.stop()
            return
        if self.noting.wait_for(running):
            self.end("finished")
        view = running.look()
        if running.judgement is not None:
            self._ended(running)
            return
        away, was_away, self.away = running.away, self.away, running.away
        slow, was_slow, self._slow = running.slow_disk, self._slow, running.slow_disk
        if view is not None and not self._ending:
            self.show_view(view)
        if running.finished:
            self._say_judging()
        if slow or running.problem:
            self.problem.emit(slow or running.problem)
        elif away != was_away or was_slow:
            # what to do about it is the sentence below; here what that does not say
            self.problem.emit("adapter unplugged; what came before is on disk" if away else "")

    def show_view(self, view: LiveView) -> None:
        """Shows a live view; the sound while over the limit, unless muted."""
        self.view = view
        running = self.running
        if running is None:
            return
        fit = running.fit
        screen = live_screen(
            view, test=running.test, unit=self.unit, levels=running.levels, procedure=running.procedure,
            marks=running.marks, choosing=self.noting.choosing, away=self.away, back=running.back,
            silent=running.silent, unread=bool(running.problem) and not running.begun, asked=self.ending.asked,
            blind=running.blind,
        )
        self._phases.add(view)
        if screen.alarm and not self._over_limit:
            self.alarmed.emit()
        self._over_limit = screen.alarm
        if screen.alarm:
            self.sounding.sound()
        self.live.show_live(screen, self._phases.spans(), tuple(running.marks), fit)

    def place_key(self, n: int) -> None:
        """A number key: a finding while a test runs, a repair where it is asked after one."""
        (self.noting if self.active else self.repairs).place_key(n)

    # ------------------------------------------------------------ after

    @property
    def active(self) -> bool:
        """Whether a test runs."""
        return self.running is not None and self.judgement is None

    @property
    def holds_port(self) -> bool:
        """Whether a test runs, or the pressure that it left on is still read."""
        return self.active or (self.running is not None and self.running.reading_on)

    def end(self, why: str, *, wait: bool = False) -> None:
        """Seals the file and shows the result, as soon as it is judged; ``wait``: not before that is done."""
        running = self.running
        if running is None or self.judgement is not None:
            return
        self.noting.keep()
        running.stop(why)
        if wait:
            running.wait()
            self._ended(running)
        else:
            self._say_judging()

    def _say_judging(self) -> None:
        """That the test is over, until its result shows: a slow computer takes seconds."""
        if self._ending:
            return
        self._ending = True
        self.noting.open(False)
        self.live.sentence.setText("Judging the trace")
        for key in (self.noting.key, self.ending.key):
            key.setEnabled(False)

    def _ended(self, running: Running) -> None:
        self._timer.stop()
        self._ending = False
        self.ending.forget()
        for key in (self.noting.key, self.ending.key):
            key.setEnabled(True)
        running.look()
        self.judgement = running.judgement
        self.problem.emit(running.problem)
        self.show_result()
        self.actions_changed.emit()
        if running.left_on is None:
            (self.next_key if running.stored else self.storing.key).setFocus()
        else:  # no key begins the next test while somebody is to relieve
            self.setFocus()
            self._timer.start(_AFTER_TICK_MS)
        if running.path is not None:
            self.recorded.emit(str(running.path))

    def show_result(self) -> None:
        """The result of the test that has ended."""
        running, judgement = self.running, self.judgement
        if running is None or judgement is None:
            return
        show_result(self.live, running, judgement, self.unit, self._phases.spans())
        self._left_on.show(running)

    def _leave_result(self) -> bool:
        from recorder.window.state.trace import earlier_of

        running = self.running
        if self.judgement is None or running is None or self._losing.refused(stored=running.stored):
            return False
        running.let_go()
        if len(running.store):
            this = running.test, job_key(running.config.job)
            kept = [one for one in self._earlier.items() if one[0] != this][-_MOST_EARLIER + 1:]
            self._earlier = dict([*kept, (this, earlier_of(running.store, self.judgement))])
        self.running, self.judgement, self.view = None, None, None
        self.repairs.forget()
        self.problem.emit("")
        return True

    def next_test(self) -> None:
        """The same test on the same job, at once; this trace will lie behind the new one."""
        if self._leave_result():
            self.start_test()
            if self.running is None:  # the port is gone
                self._show_form()

    def other_test(self) -> None:
        """The form again: another test, marking or adapter, on the same job unless it is changed."""
        if self._leave_result():
            self._show_form()

    def _show_form(self) -> None:
        self.pages.setCurrentIndex(0)
        self.setup.refresh_ports()
        self.actions_changed.emit()
        self.take_focus()

    def say_again(self) -> None:
        """What is wrong with the test that has ended: another place took the line."""
        if self.running is not None and self.judgement is not None:
            self.problem.emit(self.running.problem)

    def take_focus(self) -> None:
        """Where one goes on: the start key, or the field that is still empty."""
        if self.running is not None:
            self.setFocus()
        elif self.setup.may_start:
            self.start_key.setFocus()
        else:
            self.setup.marked_edit.setFocus()

    def _stored_again(self, path: str) -> None:
        self.actions_changed.emit()
        self.recorded.emit(path)

    # ------------------------------------------------------------ looks

    def set_gauge(self, gauge: Gauge) -> None:
        """How the gauge is read, from the next test on."""
        self.gauge = self.setup.gauge = gauge
        self.setup.check()
        self.gauge_changed.emit()

    def set_unit(self, unit: str) -> None:
        """Another unit, at once, also while a test runs."""
        self.unit = self.setup.unit = unit
        self.setup.check()
        if self.judgement is not None:
            self.show_result()
        elif self.view is not None:
            self.show_view(self.view)

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.colours = palette
        self.setup.set_colours(palette)
        if self._page is not None:
            self._page.set_colours(palette)
            self._page.trace.redraw()
            self.set_unit(self.unit)

    def close_down(self) -> None:
        """Silence, and no port held."""
        self._timer.stop()
        if self.running is not None:
            self.running.let_go()
        self.jobs.close()
        self._alarm.close()

    def use_font(self, px: int) -> None:
        """The size of what is drawn rather than styled."""
        self._font_px = px
        if self._page is not None:
            self._page.use_font(px)
