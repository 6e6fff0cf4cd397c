"""A fault in the analysis must not cost the raw rows."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from recorder.analysis import MOST_SAMPLES, Analyser, Setup, judge, live
from recorder.errors import RunError
from recorder.model import Judgement
from recorder.recording import LARGEST_BYTES, read
from recorder.rig import demo, simulate
from recorder.session import Session, SessionConfig, keeper
from recorder.units import parse_marking
from tests.memory_ports import FedPort


def test_rows_are_closed_onto_disk_before_the_fault_is_told(tmp_path: Path) -> None:
    closed: list[bool] = []
    session = SimpleNamespace(
        writer=SimpleNamespace(close=lambda: closed.append(True)), path=tmp_path / "a.csv"
    )

    def broken() -> None:
        raise TypeError("made up")

    with pytest.raises(RunError, match="raw rows are kept"):
        Session._kept(session, broken)  # type: ignore[arg-type]
    assert closed == [True]


def test_a_unit_that_was_slipped_by_a_thousand_costs_no_recording(tmp_path: Path) -> None:
    """Readings in kPa, taken for MPa: a cap that opens far beyond the critical point of water, 22.064 MPa (IAPWS
    R7-97), has no boiling point that could be told."""
    trace = simulate(demo()[0].scene)
    port = FedPort()
    config = SessionConfig("cap", parse_marking("16 psi"), bare_unit="MPa")
    session = Session(config, port=port, folder=tmp_path, clock=lambda: port.now)
    began = port.now
    port.send(b"0\n")
    for time_s, kpa in zip(trace.time_s[::5].tolist(), trace.pressure_kpa[::5].tolist(), strict=True):
        port.now = began + time_s
        port.send(b"%.3f\n" % (0.5 * kpa))
        session.step()
    done = session.stop("enough")
    assert done.path is not None and read(done.path).intact is True
    assert done.judgement["outcome"] == "fail" and done.judgement["opening"]["value"] > 22_064.0
    assert "protects" not in done.judgement
    assert judge(read(done.path)).to_json()["opening"] == done.judgement["opening"]


@pytest.mark.parametrize("aside", [False, True])
def test_a_live_view_that_breaks_costs_no_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, aside: bool) -> None:
    """From 12 s of the test on every look at the phases fails; the judgement does not."""
    trace = simulate(demo()[0].scene)
    looked = live.live_study

    def breaks(setup: Setup, t: np.ndarray, *more: object) -> object:
        if len(t) and t[-1] > 12.0:
            raise TypeError("made up")
        return looked(setup, t, *more)  # type: ignore[arg-type]

    monkeypatch.setattr("recorder.analysis.analyser.live_study", breaks)
    port = FedPort()
    config = SessionConfig("cap", parse_marking("16 psi"), bare_unit="kPa")
    session = Session(config, port=port, folder=tmp_path, clock=lambda: port.now, aside=aside)
    began = port.now
    port.send(b"0\n")
    for time_s, kpa in zip(trace.time_s[::5].tolist(), trace.pressure_kpa[::5].tolist(), strict=True):
        port.now = began + time_s
        port.send(b"%.3f\n" % kpa)
        session.step()
        view = session.view()
    assert view.pressure_kpa == pytest.approx(trace.pressure_kpa[-1], abs=1.0) and not session.finished
    assert session.broken is None and session.error is not None
    assert "the live view broke (TypeError: made up)" in str(session.error)
    done = session.stop("ended by hand")
    assert done.path is not None and read(done.path, strict=True).intact is True
    assert len(read(done.path).rows) == len(trace.time_s[::5]) and done.judgement["outcome"] == "pass"


def test_a_judgement_that_breaks_while_the_test_runs_is_told_and_costs_no_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is asked for when nothing comes any more after the hold."""
    trace = simulate(demo()[0].scene)

    def breaks(analyser: Analyser) -> Judgement:
        raise TypeError("made up")

    monkeypatch.setattr(Analyser, "judgement", breaks)
    port = FedPort()
    session = Session(SessionConfig("cap", parse_marking("16 psi"), bare_unit="kPa"), port=port, folder=tmp_path,
                      clock=lambda: port.now)
    began = port.now
    port.send(b"0\n")
    until = trace.truth.hold_end_s - 0.2
    rows = [row for row in zip(trace.time_s[::5].tolist(), trace.pressure_kpa[::5].tolist(), strict=True)
            if row[0] < until]
    for time_s, kpa in rows:
        port.now = began + time_s
        port.send(b"%.3f\n" % kpa)
        session.step()
        session.view()
    assert session.broken is None
    port.now += 20.0
    session.step()
    said = str(session.broken)
    assert "the analysis broke (TypeError: made up)" in said and "raw rows are kept" in said
    assert session.path is not None and len(read(session.path).rows) == len(rows)


def test_no_recording_grows_beyond_what_is_read_again() -> None:
    """With room for the rows of one more turn and for the seal."""
    assert keeper._MOST_BYTES + (4 << 20) <= LARGEST_BYTES and keeper.MOST_ROWS <= MOST_SAMPLES


def test_two_plain_readings_that_lost_the_line_end_between_them_cost_no_test(tmp_path: Path) -> None:
    port = FedPort()
    session = Session(SessionConfig("system", parse_marking("16 psi"), bare_unit="kPa"), port=port, folder=tmp_path,
                      clock=lambda: port.now)
    for line in (b"rest\n", *[b"101\n"] * 20, b"101102\n", *[b"103\n"] * 20):
        port.now += 0.1
        port.send(line)
        session.step()
    assert session.broken is None
    done = session.stop("enough")
    assert done.path is not None and '"dropped_lines": 1,' in done.path.read_text("utf-8")
    assert read(done.path, strict=True).rows.pressure_kpa.tolist() == [101.0] * 20 + [103.0] * 20


def test_behind_a_row_that_cannot_be_recorded_none_is(tmp_path: Path) -> None:
    """It would stand behind a hole that no flag tells of."""
    port = FedPort()
    session = Session(SessionConfig("system", parse_marking("16 psi"), bare_unit="kPa"), port=port, folder=tmp_path,
                      clock=lambda: port.now)
    for line in (b"rest\n", *[b"101\n"] * 20, *[b"999999\n"] * 3, *[b"103\n"] * 20):
        port.now += 0.1
        port.send(line)
        session.step()
    assert session.broken is not None and "the pressure is 999999 kPa, which no cooling" in str(session.broken)
    done = session.stop("enough")
    assert done.path is not None and read(done.path).rows.pressure_kpa.tolist() == [101.0] * 20
