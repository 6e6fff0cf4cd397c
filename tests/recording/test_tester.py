"""The tester's own leak, from the recordings of a folder."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from recorder.model import Header
from recorder.recording import Writer, latest_tester
from tests.recording.test_recording_files import some_rows


def test_latest_tester(tmp_path: Path) -> None:
    for hour, adapter, value in ((9, "hose-7", 0.1), (10, "hose-7", 0.2), (11, "hose-8", 0.3)):
        when = datetime(2026, 3, 14, hour, tzinfo=UTC)
        writer = Writer(tmp_path, Header("tester", adapter={"id": adapter}), when=when)
        writer.add(some_rows(3))
        rate = {"value": value, "standard_uncertainty": 0.01, "unit": "kPa/min"}
        writer.seal({"hold": {"rate": rate}})
    found = latest_tester(tmp_path, "hose-7")
    assert found is not None and found["rate"]["value"] == 0.2
    assert latest_tester(tmp_path, "hose-9") is None
    writer = Writer(tmp_path, Header("tester", adapter={"id": "hose-7"}), when=datetime(2026, 3, 14, 12, tzinfo=UTC))
    writer.add(some_rows(3))
    writer.seal({"outcome": "void", "hold": {"rate": {"value": 9.9, "unit": "kPa/min"}}})  # a hold, and no test
    assert (latest_tester(tmp_path, "hose-7") or {})["rate"]["value"] == 0.2
