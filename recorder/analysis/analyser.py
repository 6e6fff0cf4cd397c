"""The one analyser: fed in blocks of any size, it gives the same judgement."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from recorder.analysis.live import latest_kpa, live_study, live_view
from recorder.analysis.setup import Setup
from recorder.analysis.study import Study, study
from recorder.analysis.trace.faults import NO_PRESSURE, Reported
from recorder.analysis.writeup import write_up
from recorder.errors import FileError
from recorder.model import FaultRun, Judgement, LiveView, Recording

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["MOST_SAMPLES", "Analyser", "HoldCurve", "Look", "analyse", "judge"]

# 2.8 hours at 200 samples a second; a session ends its recording there, so memory and the time of a look are bounded.
MOST_SAMPLES = 2_000_000
_LOOK_EVERY_S = 0.25
_LOOK_SELDOM_S = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class HoldCurve:
    """The fitted hold: times (s), pressure and half width of its 95 % band (kPa, zero-corrected)."""

    time_s: FloatArray
    pressure_kpa: FloatArray
    band_kpa: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What a look at the phases found, and how many readings it was made of."""

    study: Study
    readings: int


class Analyser:
    """Takes readings, gives a live view and a judgement. The judgement is a function of the readings and the setup."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self._t = np.empty(1024)
        self._p = np.empty(1024)
        self._counts = np.empty(1024)
        self._n = 0
        self._flags: list[tuple[float, str]] = []  # of rows that have one: when, and what
        self._faults: dict[tuple[float, str], FaultRun] = {}
        self._study: Study | None = None
        self._studied = -1
        self._quick: Study | None = None
        self._view: LiveView | None = None
        self._viewed = -1
        self._looked_s = float("-inf")
        self._looked_kpa: float | None = None
        self._seen_kpa: float | None = None  # the highest that views showed since the look
        self._latest_kpa: tuple[int, float | None] = (0, None)  # of so many readings

    def feed(
        self, time_s: FloatArray, pressure_kpa: FloatArray, flags: Sequence[str] | None = None,
        counts: IntArray | None = None,
    ) -> None:
        """Readings in kPa (calibrated, not zero-corrected) at times in s, increasing; arrays of one length. counts: of
        the converter (-1 where there is none), which tell what it resolves."""
        n = min(len(time_s), MOST_SAMPLES - self._n)
        if n <= 0:
            return
        need = self._n + n
        if need > len(self._t):
            size = max(2 * len(self._t), need)
            self._t, self._p, self._counts = (np.resize(a, size) for a in (self._t, self._p, self._counts))
        self._t[self._n : need] = time_s[:n]
        self._p[self._n : need] = pressure_kpa[:n]
        self._counts[self._n : need] = np.nan if counts is None else np.where(counts[:n] < 0, np.nan, counts[:n])
        if flags is not None:
            flagged = [(k, f) for k, f in enumerate(flags[:n]) if f]
            self._flags += [(float(time_s[k]), f) for k, f in flagged]
            self._p[[self._n + k for k, f in flagged if NO_PRESSURE in f]] = np.nan
        self._n = need

    def fault(self, run: FaultRun) -> None:
        """What the adapter reported; told again when it is over."""
        self._faults[run.time_s, run.word] = run
        self._study = None

    def _told(self) -> Reported:
        return Reported(tuple(self._flags), tuple(self._faults.values()))

    def _read(self) -> Study:
        if self._study is None or self._studied != self._n:
            n = self._n
            self._study = study(self.setup, self._t[:n], self._p[:n], self._told(), counts=self._counts[:n])
            self._studied = self._n
        return self._study

    def _latest(self) -> Study:
        """The full study where it is up to date, else the quick one of the last view."""
        if self._studied == self._n or self._quick is None:
            return self._read()
        return self._quick

    def trace(self) -> tuple[FloatArray, FloatArray]:
        """Times (s) and pressures (kPa), zero-corrected, as fed; NaN where a row has no pressure."""
        zero = self._latest().zero_kpa
        return self._t[: self._n].copy(), self._p[: self._n] - zero

    def readings(self, since: int = 0) -> tuple[FloatArray, FloatArray]:
        """Times (s) and pressures (kPa, not zero-corrected) from reading number ``since`` on; costs next to nothing."""
        return self._t[since : self._n].copy(), self._p[since : self._n].copy()

    def recent(self, since_s: float) -> tuple[FloatArray, FloatArray]:
        """Times (s) and pressures (kPa, not zero-corrected) of the readings after ``since_s``."""
        k = int(np.searchsorted(self._t[: self._n], since_s, side="right"))
        t, p = self.readings(k)
        there = np.isfinite(p)
        return t[there], p[there]

    def hold_curve(self) -> HoldCurve | None:
        """The fit of the hold with its band; None where there is no hold."""
        fit = self._latest().fit
        return None if fit is None else HoldCurve(fit.time_s, fit.curve_kpa, 2.0 * fit.curve_u)

    @property
    def latest_s(self) -> float:
        """Time of the latest reading; 0 before the first."""
        return float(self._t[self._n - 1]) if self._n else 0.0

    @property
    def behind_s(self) -> float:
        """By how much of the trace the phases that a view shows are older than its pressure (s)."""
        return self.latest_s - self._looked_s if self._quick is not None else 0.0

    def _now_kpa(self) -> float | None:
        if self._latest_kpa[0] != self._n:
            self._latest_kpa = self._n, latest_kpa(self._t[: self._n], self._p[: self._n])
        return self._latest_kpa[1]

    def due(self) -> Literal["no", "still", "moved"]:
        """Whether the phases ought to be looked at anew: four times a second of trace while the pressure moves,
        once a second while it stands still."""
        if self._quick is None:
            return "moved"
        age = self.latest_s - self._looked_s
        if age >= _LOOK_EVERY_S and self._looked_kpa is not None:
            now_kpa = self._now_kpa() or 0.0
            x = self._quick.x
            if x is None or abs(now_kpa - self._looked_kpa) > max(0.5, 3.0 * x.sd_kpa):
                return "moved"
        return "still" if age >= max(_LOOK_SELDOM_S, self._n / 400_000) else "no"

    def look(self) -> Callable[[], Look]:
        """A look at the phases as the readings are now, to be made by calling it, in any thread: what it reads does
        not change any more. ``looked`` takes what it gives."""
        t, p, counts = (a[: self._n] for a in (self._t, self._p, self._counts))
        told = self._told()
        return lambda: Look(live_study(self.setup, t, p, told, counts), len(t))

    def looked(self, look: Look) -> Study:
        """The next views go by this look."""
        t, p = self._t[: look.readings], self._p[: look.readings]
        self._quick = look.study
        self._looked_s, self._looked_kpa = float(t[-1]) if len(t) else 0.0, latest_kpa(t, p)
        self._view = self._seen_kpa = None
        return look.study

    def view(self, *, look: bool = True) -> LiveView:
        """What a face shows now. Pressure and times are the latest reading's; the phases are looked at anew where
        that is due and, for a caller who has no time for it, not forbidden by ``look``."""
        t = self._t[: self._n]
        quick = self._quick
        if quick is None or (look and self.due() != "no"):
            quick = self.looked(self.look()())
        if self._view is None or self._viewed != self._n:
            now_kpa = self._now_kpa()
            if now_kpa is not None:
                self._seen_kpa = max(now_kpa, self._seen_kpa if self._seen_kpa is not None else now_kpa)
            self._view = live_view(self.setup, quick, t, now_kpa, self._seen_kpa)
            self._viewed = self._n
        return self._view

    def judgement(self) -> Judgement:
        """The judgement of what was fed so far."""
        return write_up(self.setup, self._read())


def analyse(recording: Recording) -> Analyser:
    """An analyser that has been fed the whole recording. SettingError where its limits make no sense, FileError
    where it is longer than any test."""
    if len(recording.rows) > MOST_SAMPLES:
        raise FileError(
            f"it has {len(recording.rows)} samples, and at most {MOST_SAMPLES} can be judged",
            path=recording.path, do="cut it to the test",
        )
    analyser = Analyser(Setup.from_header(recording.header))
    rows = recording.rows
    analyser.feed(rows.time_s, rows.pressure_kpa, rows.flag, rows.counts)
    for run in recording.faults:
        analyser.fault(run)
    return analyser


def judge(recording: Recording) -> Judgement:
    """The judgement of a recording, from its trace alone."""
    return analyse(recording).judgement()
