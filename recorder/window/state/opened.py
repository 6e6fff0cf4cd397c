"""One recording opened: read, judged again, and put into words. No Qt; slow, so done beside the window."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recorder import report
from recorder.errors import RecorderError, printable
from recorder.model import Recording
from recorder.moments import job_key, time_text
from recorder.recording import of_file, other_order, read
from recorder.units import format_pressure
from recorder.window.state.hold import HoldStrip, hold_of
from recorder.window.state.levels import Levels, Line, levels_of, lines_of
from recorder.window.state.records import same_words
from recorder.window.state.result import ResultScreen, result_screen
from recorder.window.state.testing import Span, spans_of
from recorder.window.state.trace import Earlier, TraceStore, earlier_of

if TYPE_CHECKING:
    from recorder.analysis import Analyser, HoldCurve

__all__ = ["Opened", "OpenedScreen", "load", "load_pair", "opened_screen", "overlaid"]

_INTACT = {"yes": "unchanged since it was sealed", "ALTERED": "▲ ALTERED since it was sealed",
           "not sealed": "▲ never sealed",
           "seal missing": "▲ its seal is missing: nothing shows whether it was changed"}
_SAME = {"yes": "judged again: the same", "DIFFERS": "▲ judged again: DIFFERS from what is stored",
         "was not judged": "judged now for the first time"}


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """What was read, and what it is judged to be now. ``intact`` and ``same``: the table's words."""

    recording: Recording
    analyser: Analyser
    judgement: dict[str, Any]
    store: TraceStore
    fit: HoldCurve | None
    intact: str
    same: str


@dataclass(frozen=True, slots=True)
class OpenedScreen:
    """The words and lines of an opened recording."""

    result: ResultScreen
    title: str
    state: str
    source: str
    strip: HoldStrip | None
    levels: Levels
    lines: tuple[Line, ...]
    spans: tuple[Span, ...]


def _unlike(front: Opened, behind: Opened) -> str:
    """Why one that lies behind another may not be its "before"; empty where nothing says so. Only the shop knows."""
    one, other = front.recording.header, behind.recording.header
    if one.test != other.test:
        return f"a {one.test} test, and behind it a {other.test} test: they do not compare"
    if job_key(one.job) != job_key(other.job):
        jobs = (f'"{" ".join(job.split())}"' if job.strip() else "no job" for job in (one.job, other.job))
        return "{}, and behind it {}: is that one vehicle?".format(*jobs)
    if other_order((o.recording.path, o.recording.header.started) for o in (front, behind)):
        return "the ledger has these two in another order than their times: a clock was wrong"
    return ""


def load(path: str) -> Opened:
    """Reads and judges. Raises RecorderError."""
    from recorder.analysis import analyse

    recording = read(path)
    try:
        analyser = analyse(recording)
        judgement = json.loads(json.dumps(analyser.judgement().to_json()))
    except RecorderError as err:
        raise of_file(err, recording) from None
    store = TraceStore()
    store.add(recording.rows.time_s, recording.rows.pressure_kpa)
    zero = judgement.get("zero")
    store.zero_kpa = float(zero["value"]) if zero else 0.0
    intact, same = same_words(recording, judgement)
    return Opened(recording, analyser, judgement, store, analyser.hold_curve(), intact, same)


def load_pair(path: str, behind: str | None) -> tuple[Opened, Opened | None, str]:
    """One in front, another behind it where one is named, and why that may not be its "before". RecorderError."""
    front, other = load(path), load(behind) if behind is not None else None
    return front, other, _unlike(front, other) if other is not None else ""


def overlaid(behind: Opened) -> Earlier:
    """The older of two, as what lies behind the newer."""
    started = time_text(behind.recording.header.started) or "on a day not noted"
    earlier = earlier_of(behind.store, behind.judgement)
    return Earlier(earlier.store, earlier.hold_start_s, earlier.hold_end_s, f"before, {started}")


def opened_screen(o: Opened, unit: str) -> OpenedScreen:
    """The words, in this unit."""
    header, setup = o.recording.header, o.analyser.setup
    marked = header.marked
    stamp = f", marked {marked.value:g} {marked.unit} ({format_pressure(marked.kpa, unit)})" if marked else ""
    cal = header.calibration
    source = "± is two standard uncertainties. Gauge: "
    if cal is None:
        source += "no calibration is named in the recording"
    else:
        u = cal.standard_uncertainty_kpa
        good = f", good to ± {format_pressure(2 * u, unit, extra=1)}" if u is not None else ""
        source += f"{cal.reference or cal.date or 'reference not named'}{good}"
    levels = levels_of(header.test, setup.marked, setup.procedure)
    opening = o.judgement.get("opening")
    found = [m.text for m in o.recording.marks]
    repair = header.other.get("repair")
    done = f", repaired before: {printable(repair)}" if isinstance(repair, str) and repair.strip() else ""
    adapter = header.adapter.get("id")
    of = f", adapter {printable(adapter)}" if isinstance(adapter, str) and adapter else ""
    result = result_screen(o.judgement, unit, found)
    return OpenedScreen(
        _altered(result) if o.intact == "ALTERED" else result,
        f"{report.SIMULATED + chr(10) if header.simulated else ''}"
        f"{header.test} test{stamp}, {header.job or 'no job given'}{of}{done}\n{Path(o.recording.path).name}",
        f"{_INTACT[o.intact]}; {_SAME[o.same]}", source,
        hold_of(o.judgement, unit, allowed_kpa_per_min=setup.procedure.steady_fall_allowed_kpa_per_min),
        levels, lines_of(levels, opening["value"] if opening else None), spans_of(o.judgement),
    )


def _altered(result: ResultScreen) -> ResultScreen:
    """The result of a file that was altered, which has no outcome; what its rows give stands first among the reasons,
    as in the picture."""
    rows = f"What its rows give: {result.word}"
    return replace(result, word="ALTERED", sign="slash", role="nothing", reasons=(rows, *result.reasons),
                   safety=result.safety | {rows})
