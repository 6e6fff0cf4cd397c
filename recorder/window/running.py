"""One running test as the window holds it: the port, the session, and the simulated tester where it plays. No Qt."""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recorder import report
from recorder.errors import PortMissing, RecorderError, SilentAdapter, StorageError
from recorder.limits import resolve
from recorder.model import LiveView, Mark, Marking, TestKind
from recorder.moments import moment
from recorder.settings import Settings
from recorder.window.link.left_on import LeftOn, ReadOn, read_on, reader_of
from recorder.window.link.link import Link, Replayed, Tapped
from recorder.window.state.gauge import Gauge, gauge_of
from recorder.window.state.levels import levels_of
from recorder.window.state.ports import SIMULATED
from recorder.window.state.trace import TraceStore

if TYPE_CHECKING:
    from recorder.analysis import HoldCurve
    from recorder.model import FloatArray
    from recorder.rig import Scene, Trace
    from recorder.session import SessionConfig

__all__ = ["Running", "open_port", "start"]

_TURN_S = 0.01
RECONNECT_S = 60.0  # so long an adapter that was unplugged is waited for
VENTED_S = 900.0  # how long the simulated tester lies there with its hose open


class Running:
    """A test that runs, or has run, in a thread of its own, so that no judging ever holds the screen.

    Asked from the window's thread only; nothing here blocks but ``wait``. ``judgement`` is set once it was
    stopped; ``problem`` is one line, or empty.
    """

    def __init__(self, session: Any, port: Any, tapped: Tapped, link: Link, tester: Any, config: SessionConfig) -> None:
        self.session, self.port, self.link, self.config = session, port, link, config
        self.test: TestKind = config.test
        self.procedure = config.procedure or resolve(config.test)
        self.levels = levels_of(config.test, config.marked, self.procedure)
        self.store = TraceStore()
        self.judgement: dict[str, Any] | None = None
        self.problem = ""
        self.path: Path | None = None
        self.stored = True
        self.away = False  # the adapter is unplugged at the moment, and waited for
        self.back = False  # it is plugged in again, and has no reading yet
        self.silent = False  # it is plugged in and gives no reading
        self.slow_disk = ""  # that the disk does not answer at the moment, in words; empty: it does
        self.blind = False  # the phases are looked at no more
        self.finished = False
        self.over = False  # nothing more is to come; it is finished once no finding is being written
        self.writing = False  # said by the window: a finding is being written, and goes into this recording
        self.fit: HoldCurve | None = None
        self.marks: list[Mark] = []
        self.left_on: LeftOn | None = None  # the pressure that was on at the end, as it is now
        self.reading_on = False  # the port is still read after the end
        self._tapped, self._tester = tapped, tester
        self._began = datetime.now(UTC)
        self._lock = threading.Lock()  # guards what the thread hands over: readings, view, marks
        self._readings: list[tuple[FloatArray, FloatArray]] = []
        self._taken = 0
        self._view: LiveView | None = None
        self._fit: HoldCurve | None = None
        self._wanted: deque[str] = deque()
        self._why: str | None = None
        self._wake, self._sealed, self._let_go = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="test", daemon=True)
        self._thread.start()

    # ------------------------------------------------------------ from the window

    def look(self) -> LiveView | None:
        """The latest view, and ``store`` up to it; None before the first."""
        with self._lock:
            readings, self._readings = self._readings, []
            view, self.fit = self._view, self._fit
        for time_s, pressure_kpa in readings:
            self.store.add(time_s, pressure_kpa)
        if self.judgement is None and view is not None:
            self.store.zero_kpa = view.zero_kpa or 0.0
        return view

    @property
    def begun(self) -> bool:
        """Whether a sample has been recorded."""
        return self._taken > 0

    def mark(self, text: str) -> None:
        """Writes a finding into the recording; of one that is being sealed ``problem`` says that it takes no more."""
        if self.finished or self._why is not None:
            self.problem = self.problem or f"the test was over before this finding, which is not in it: {text}"
            return
        self._wanted.append(text)
        self._wake.set()

    def stop(self, why: str) -> None:
        """Seals the file; ``judgement`` tells when that is done. The port is closed then; where there is pressure, not
        before that is off, or ``let_go``. May be called twice."""
        if self._why is None:
            self._why = why
        self._wake.set()

    def wait(self) -> None:
        """Until it is sealed."""
        self._sealed.wait()
        self.look()

    def let_go(self) -> None:
        """Of the port, where it is read on after the end. Returns when it is closed."""
        self._let_go.set()
        if self.judgement is not None:
            self._thread.join()

    def store_again(self, folder: Path) -> Path:
        """The test once more, from the bytes that came, into another file; ``problem`` says where that is not the whole
        test. Raises RecorderError."""
        from recorder.session import Session

        first = self.session.writer
        began = moment(first.header.started) if first is not None else self._began
        session = Session(self.config, port=Replayed(self._tapped.url, self._tapped.chunks), folder=folder,
                          began=began, testers=self.session.folder)
        session.settle()
        for mark in self.marks:
            session.mark(mark.text, mark.time_s)
        cut = "; only what came first" if self._tapped.cut else ""
        done = session.stop(f"stored again: the first file could not be finished{cut}")
        if session.storage_error is not None and done.sha256 is None:
            raise session.storage_error
        if done.path is None:
            raise StorageError("there is nothing to store", where=str(folder))
        self.path, self.stored = done.path, True
        problem = session.storage_error  # the ledger's
        if cut:
            problem = StorageError(f"only the first {self._tapped.MOST_BYTES >> 20} MB of this test could be stored",
                                   where=str(done.path), do="keep the first file as well")
        self.problem = "" if problem is None else str(problem)
        return done.path

    # ------------------------------------------------------------ in the thread

    def _run(self) -> None:
        try:
            while self._why is None and not self.finished:
                self._turn()
                self._wake.wait(_TURN_S)
                self._wake.clear()
            self._why = self._why or "finished"
        except Exception as err:  # a thread may die, it may not vanish
            self._said(err)
        finally:
            self._finish()

    def _said(self, err: BaseException) -> None:
        known = isinstance(err, RecorderError)
        self.problem = str(err) if known else f"the program broke ({type(err).__name__}: {err}); what came is kept"

    def _turn(self) -> None:
        session = self.session
        if self._tester is not None and self._tester.broken is not None:
            raise self._tester.broken
        session.step()
        self._write_marks()
        self._hand_over(session.view())
        gone = session.away
        self.away, self.back, self.silent = (
            gone is not None and gone.why == why for why in ("unplugged", "back", "silent"))
        self.blind = session.blind is not None
        self._tell()
        slow = session.slow_disk
        self.slow_disk = "" if slow is None else str(slow)
        self.stored = session.storage_error is None
        # Of a port that stayed away, or another adapter, nothing more is recorded, whatever is plugged in: the test is
        # over, and its result says so. One that is silent may speak again.
        over = self.port.failure or (None if isinstance(session.broken, SilentAdapter) else session.broken)
        self.over = bool(session.finished) or (self.begun and over is not None)
        self.finished = self.over and not self.writing

    def _write_marks(self) -> None:
        while self._wanted:
            mark = self.session.mark(self._wanted.popleft())
            if mark is not None:
                self.marks = [*self.marks, mark]

    def _hand_over(self, view: LiveView) -> None:
        analyser = self.session.analyser
        readings = analyser.readings(self._taken)
        fit = self._fit
        if view is not self._view:
            new = analyser.hold_curve() if view.hold_start_s is not None else None
            if new is None or fit is None or new.time_s is not fit.time_s:
                fit = new  # else it is the same curve, and need not be drawn again
        there = readings[1] == readings[1]  # NaN: a row without a pressure
        with self._lock:
            self._view, self._fit = view, fit
            self._taken += len(there)
            if there.any():
                self._readings.append((readings[0][there], readings[1][there]))

    def _tell(self) -> None:
        """What went wrong, or is worth knowing beside the test."""
        session = self.session
        told = session.error or session.note or (session.other_scale if self.begun else None)
        if told is not None:
            self.problem = str(told)

    def _finish(self) -> None:
        judgement: dict[str, Any] = {}
        sealed = False
        try:
            self._write_marks()  # one that came with the last turn
            done = self.session.stop(self._why or "the program broke")
            sealed = done.sha256 is not None
            judgement = dict(done.judgement) if done.judgement is not None else {}
            self.path = done.path
            self._hand_over(self.session.view())
            self._fit = self.session.analyser.hold_curve()
            self._tell()
        except Exception as err:  # a thread may die, it may not vanish
            self._said(err)
        finally:
            self.stored = sealed or self.session.storage_error is None  # the ledger is no part of it
            zero = judgement.get("zero")
            self.store.zero_kpa = float(zero["value"]) if zero else self.store.zero_kpa
            self.left_on = self._left_on()
            self.reading_on = self.left_on is not None and not self._let_go.is_set()
            if not self.reading_on:
                self._close()
            self.judgement = judgement
            self._sealed.set()
            if self.left_on is not None and self.reading_on:
                self._read_on(self.left_on)

    def _left_on(self) -> LeftOn | None:
        view = self._view
        if view is None or report.still_on(view.pressure_kpa) is None or view.pressure_kpa is None:
            return None
        return LeftOn(view.pressure_kpa, was=self.session.away is not None, fault=view.fault is not None)

    def _read_on(self, first: LeftOn) -> None:
        try:
            zero_kpa = self._view.zero_kpa if self._view is not None else None
            latest_kpa = reader_of(self.config, self.link, zero_kpa or 0.0, self.session.adapter)
            watch = ReadOn(first, latest_kpa, time.monotonic())
            read_on(self.port, self.link, watch, self._tell_left, self._let_go)
        except Exception as err:  # a thread may die, it may not vanish
            self._said(err)
            self.left_on = replace(self.left_on or first, was=True, off=False)
        finally:
            self._close()
            self.reading_on = False

    def _tell_left(self, left: LeftOn) -> None:
        self.left_on = left

    def _close(self) -> None:
        self.port.close()
        if self._tester is not None:
            self._tester.close()


@lru_cache(maxsize=4)
def _trace(scene: Scene) -> Trace:
    """Played again it need not be made again."""
    from recorder.rig import simulate

    return simulate(scene)


def open_port(settings: Settings, url: str, speed: float | None, *, vented: bool = False) -> tuple[Any, Any, Any]:
    """The port, opened; the simulated tester where it plays, else None; and its part of the demo, else None.

    vented: the simulated tester lies there with its hose open. Raises RecorderError, with nothing left open.
    """
    from recorder.port import Port

    tester: Any = None
    chosen: Any = None
    if url.startswith(SIMULATED):
        from recorder.rig import SimulatedTester, demo

        scenes = {d.name: d for d in demo()}
        chosen = scenes.get(url.removeprefix(SIMULATED))
        if chosen is None:
            raise PortMissing("the simulated tester plays no such test", where=url,
                              do=f"choose one of: {', '.join(SIMULATED + name for name in scenes)}")
        scene = replace(chosen.scene, vented_s=VENTED_S) if vented else chosen.scene
        tester = SimulatedTester(_trace(scene), speed)
        tester.__enter__()
        url = tester.url
    port = Port(url, baud=settings.baud, reconnect_s=RECONNECT_S)
    try:
        port.open()
    except BaseException:
        port.close()
        if tester is not None:
            tester.close()
        raise
    return port, tester, chosen


def start(settings: Settings, *, url: str, test: TestKind, marked: Marking | None, job: str, folder: Path,
          repair: str = "", gauge: Gauge | None = None, speed: float | None = 1.0) -> Running:
    """Opens the port and begins. gauge: None takes that of the settings. Raises RecorderError, and leaves nothing open.
    """
    from recorder.session import Session, SessionConfig

    sys.setswitchinterval(0.0005)  # the thread that judges lets the window's thread in sooner
    gauge = Gauge() if url.startswith(SIMULATED) else gauge or gauge_of(settings)
    calibration, full_scale_kpa = gauge.resolved()
    more: dict[str, Any] = {}
    port, tester, chosen = open_port(settings, url, speed)
    try:
        if chosen is not None:
            calibration, full_scale_kpa = _trace(chosen.scene).calibration, None
            more["stroke_volume"] = {"value": chosen.stroke_volume_ml, "unit": "mL"}
        config = SessionConfig(
            test=test, marked=marked, job=job, repair=repair, procedure=settings.procedure(test, more),
            calibration=calibration, full_scale_kpa=full_scale_kpa, bare_unit=gauge.bare_unit, reconnect_s=RECONNECT_S,
            full_scale_counts=gauge.full_scale_counts, simulated=url.startswith(SIMULATED),
        )
        link = Link(gauge.bare_unit)
        tapped = Tapped(port, link)
        session = Session(config, port=tapped, folder=folder, aside=True)
    except BaseException:
        port.close()
        if tester is not None:
            tester.close()
        raise
    return Running(session, port, tapped, link, tester, config)
