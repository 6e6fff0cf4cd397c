"""What a live recording says of itself (section 2 of the contracts): adapter, calibration, procedure; and how it
ended."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.calibration import nominal
from recorder.errors import PortLost, RunError
from recorder.limits import resolve
from recorder.model import Announcement, Calibration, Header, Marking, Rows
from recorder.recording import Writer, program_versions
from recorder.session.away import Away, away_of
from recorder.session.config import SessionConfig
from recorder.session.header import ending, header
from recorder.wire import Decoder, Timeline

HOSE = Announcement(1, "hose-7", "1.0", 1023, 100.0)
OWN = Calibration((-25.855, 258.55), 0.2, adapter_id="hose-7")


def facts(folder: Path, announced: Announcement | None = HOSE, **more: Any) -> Header:
    config = SessionConfig(**{"test": "cap", "calibration": OWN, "simulated": False, **more})
    return header(config, announced, url="/dev/x", folder=folder, full_scale_counts=4095,
                  calibration=config.calibration, procedure=resolve(config.test))


def other(folder: Path, *given: Announcement | None, **more: Any) -> dict[str, Any]:
    """What stands in the head beside the contract's own annotations, and beside the program that wrote it."""
    found = dict(facts(folder, *given, **more).other)
    assert found.pop("recorder") == program_versions()
    return found


def test_the_adapter_that_announced_itself(tmp_path: Path) -> None:
    got = facts(tmp_path)
    assert got.adapter == {"port": "/dev/x", "id": "hose-7", "firmware": "1.0", "wire_version": 1,
                           "full_scale_counts": 1023, "nominal_rate_hz": 100.0}
    assert other(tmp_path) == {} and got.calibration == OWN
    assert got.procedure["hold"] == {"value": 45.0, "unit": "s"}


def test_one_that_did_not_and_one_that_prints_plain_numbers(tmp_path: Path) -> None:
    assert facts(tmp_path, None).adapter == {"port": "/dev/x", "full_scale_counts": 4095, "announced": False}
    plain = facts(tmp_path, None, bare_unit="psi", calibration=None)
    assert plain.adapter.pop("note").startswith("plain readings: no check, no sequence")  # type: ignore[attr-defined]
    assert plain.adapter == {"port": "/dev/x", "bare": "psi"} and list(plain.other) == ["recorder"]


def test_what_else_has_to_be_known_of_it(tmp_path: Path) -> None:
    assert other(tmp_path, calibration=None) == {"nominal": True}
    assert other(tmp_path, simulated=True) == {"simulated": True}
    assert other(tmp_path, repair="  new clamp ") == {"repair": "new clamp"}
    assert other(tmp_path, repair="  ") == {}


def test_the_testers_own_leak_is_looked_up(tmp_path: Path) -> None:
    """Of this adapter, for any test but one of the tester itself, unless it is not wanted."""
    writer = Writer(tmp_path, Header("tester", adapter={"id": "hose-7"}), when=datetime(2026, 3, 14, tzinfo=UTC))
    writer.add(Rows(np.arange(3.0), np.zeros(3)))
    rate = {"value": 0.1, "standard_uncertainty": 0.01, "unit": "kPa/min"}
    digest = writer.seal({"outcome": "pass", "hold": {"rate": rate}})
    wanted = {"rate": rate, "file": writer.path.name, "sha256": digest}
    assert other(tmp_path) == other(tmp_path, test="system") == {"tester": wanted}
    assert other(tmp_path, test="tester") == other(tmp_path, tester_baseline=False) == {}
    assert other(tmp_path, None) == {}
    assert other(tmp_path, Announcement(1, "hose-8", "1.0", 1023, 100.0)) == {}


def test_how_it_ended() -> None:
    decoder, line = Decoder(), Timeline()
    decoder.feed(b"S,1,1,1,,*0000\n")
    line.announce(HOSE)
    plain = ending("stopped", None, decoder, line)
    assert plain == {"why": "stopped", "lost_samples": 0, "restarts": 0, "replayed": 0, "dropped_lines": 1, "faults": 0}
    line.announce(Announcement(1, "hose-8", "1.1", 4095, 50.0))
    got = ending("stopped", PortLost("it went away"), decoder, line)
    assert got["port_lost"] is True and got["error"].startswith("it went away")
    assert [a["id"] for a in got["announcements"]] == ["hose-7", "hose-8"]
    assert "port_lost" not in ending("stopped", RunError("full"), decoder, line)


@pytest.mark.parametrize(("given", "said"), [
    ({"lost": True, "since_s": 0.1, "begun": False}, Away("unplugged", 0.1)),
    ({"since_s": 2.1}, Away("silent", 2.1)), ({"since_s": 2.0}, None), ({"since_s": 60.0, "begun": False}, None),
    ({"since_s": 5.0, "bare": True}, None), ({"since_s": 5.1, "bare": True}, Away("silent", 5.1)),
    ({"since_s": 7.9, "usual_s": 2.0}, None), ({"since_s": 8.1, "usual_s": 2.0}, Away("silent", 8.1)),
])
def test_whether_a_reading_is_of_this_moment(given: dict[str, Any], said: Away | None) -> None:
    """Ten readings a second and more, plain ones one in a few seconds (common practice, no source); an adapter that is
    slower is silent after four of its own."""
    assert away_of(**{"lost": False, "begun": True, "bare": False, **given}) == said


def test_a_result_of_a_gauge_that_is_not_calibrated_says_why_its_uncertainty_is_wide(tmp_path: Path) -> None:
    time_s = np.arange(0, 60, 0.1)
    kpa = np.where(time_s < 5, 0.0, np.minimum((time_s - 5) * 15, 105.0))
    for calibration, noted in ((nominal(206.84), True), (OWN, False)):
        head = facts(tmp_path, calibration=None if noted else calibration)
        analyser = Analyser(Setup.from_header(replace(head, calibration=calibration, marked=Marking(16, "psi", 110.3))))
        analyser.feed(time_s, kpa)
        notes = {note["code"]: note["text"] for note in analyser.judgement().to_json().get("notes", [])}
        assert ("not-calibrated" in notes) is noted
        assert "calibrate it for less" in notes.get("not-calibrated", "calibrate it for less")
