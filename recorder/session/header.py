"""What a recording says of itself: its header before the first row, and how it ended."""

from __future__ import annotations

from pathlib import Path

from recorder.errors import PortLost, RecorderError
from recorder.limits import Procedure
from recorder.model import Announcement, Calibration, Header, JsonObject
from recorder.recording import latest_tester, program_versions
from recorder.recording.program import PROGRAM
from recorder.session.config import SessionConfig
from recorder.wire import Decoder, Timeline


def header(
    config: SessionConfig,
    announced: Announcement | None,
    *,
    url: str,
    folder: Path,
    full_scale_counts: int,
    other_scale: RecorderError | None = None,
    calibration: Calibration | None,
    procedure: Procedure,
) -> Header:
    """The header of a live recording; looks up the tester's baseline in ``folder`` where asked to. other_scale: that
    the counts at full scale are not those that were given."""
    bare = config.bare_unit is not None
    adapter: JsonObject = {"port": url}
    other: JsonObject = {PROGRAM: program_versions()}
    if announced is not None:
        adapter |= {"id": announced.adapter_id, **_facts(announced)}
    elif not bare:
        adapter |= {"full_scale_counts": full_scale_counts, "announced": False}
    if other_scale is not None:
        adapter["note"] = other_scale.what
    if bare:
        adapter |= {
            "bare": config.bare_unit,
            "note": "plain readings: no check, no sequence, time is the host's",
        }
    elif config.calibration is None:
        other["nominal"] = True
    if config.simulated:
        other["simulated"] = True
    if config.repair.strip():
        other["repair"] = config.repair.strip()
    if config.tester_baseline and config.test != "tester" and announced is not None:
        tester = latest_tester(folder, announced.adapter_id)
        if tester is not None:
            other["tester"] = dict(tester)
    return Header(
        config.test,
        marked=config.marked,
        job=config.job,
        adapter=adapter,
        calibration=calibration,
        procedure=procedure.to_json(),
        other=other,
    )


def ending(
    why: str, error: RecorderError | None, decoder: Decoder, timeline: Timeline, left_out: int = 0
) -> JsonObject:
    """The annotation ``ended``: why, what was lost on the way, which error came up. left_out: plain readings that are
    none."""
    out: JsonObject = {
        "why": why,
        "lost_samples": timeline.lost_samples,
        "restarts": timeline.restarts,
        "replayed": timeline.replayed,
        "dropped_lines": decoder.counts.dropped + left_out,
        "faults": decoder.counts.faults,
    }
    if timeline.undecided:
        out["undecided"] = timeline.undecided
    if error is not None:
        out["error"] = str(error)
    if isinstance(error, PortLost):
        out["port_lost"] = True
    if len(timeline.announcements) > 1:
        out["announcements"] = [{"id": a.adapter_id, **_facts(a)} for a in timeline.announcements]
    if decoder.notices:
        out["notices"] = list(decoder.notices)
    return out


def _facts(a: Announcement) -> JsonObject:
    return {
        "firmware": a.firmware,
        "wire_version": a.wire_version,
        "full_scale_counts": a.full_scale_counts,
        "nominal_rate_hz": a.nominal_rate_hz,
    }
