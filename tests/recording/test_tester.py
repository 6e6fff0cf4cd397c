"""The tester's own leak, from the recordings of a folder."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from recorder.model import Header
from recorder.recording import Writer, latest_tester, read, tester
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


@pytest.mark.parametrize("change", [
    lambda data: data.replace(b'"value": 0.2', b'"value": 2.2'),  # by hand
    lambda data: data[: data.rindex(b"# sha256")],  # cut off
], ids=["altered", "without a seal"])
def test_a_baseline_that_is_not_as_it_was_sealed_is_none(tmp_path: Path, change: Callable[[bytes], bytes]) -> None:
    """A larger leak of the tester's own would excuse that of a system."""
    for hour, value in ((9, 0.1), (10, 0.2)):
        when = datetime(2026, 3, 14, hour, tzinfo=UTC)
        writer = Writer(tmp_path, Header("tester", adapter={"id": "hose-7"}), when=when)
        writer.add(some_rows(3))
        writer.seal({"hold": {"rate": {"value": value, "standard_uncertainty": 0.01, "unit": "kPa/min"}}})
    assert (latest_tester(tmp_path, "hose-7") or {})["rate"]["value"] == 0.2
    before = writer.path.read_bytes()
    writer.path.write_bytes(change(before))
    assert writer.path.read_bytes() != before
    assert (latest_tester(tmp_path, "hose-7") or {})["rate"]["value"] == 0.1


def test_of_other_adapters_recordings_only_the_head_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of an adapter without a baseline all of a shop's were read to the end: seconds in which no reading was shown."""
    for hour in range(1, 9):
        when = datetime(2026, 3, 14, hour, tzinfo=UTC)
        writer = Writer(tmp_path, Header("tester", adapter={"id": "hose-7" if hour == 3 else "hose-8"}), when=when)
        writer.add(some_rows(3))
        writer.seal({"hold": {"rate": {"value": 0.1, "standard_uncertainty": 0.01, "unit": "kPa/min"}}})
    (tmp_path / "20260315T100000Z-tester-0000.csv").mkdir()
    (tmp_path / "20260315T100000Z-tester-0001.csv").write_bytes(b"# adapter: {\n")
    whole: list[str] = []

    def noted(path: Path, **given: bool) -> object:
        whole.append(path.name[:11])
        return read(path, **given)

    monkeypatch.setattr(tester, "read", noted)
    assert latest_tester(tmp_path, "hose-9") is None and whole == ["20260315T10"] * 2
    found = latest_tester(tmp_path, "hose-7")
    assert found is not None and whole[4:] == ["20260314T03"]
