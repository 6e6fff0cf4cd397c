"""Short forms of ``python -m tests.benchmarks.wire_fuzz``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.benchmarks import wire_fuzz, wire_fuzz_guided, wire_streams
from tests.benchmarks.wire_fuzz import crc, fuzz, thought_out
from tests.benchmarks.wire_fuzz_guided import guided


def test_nothing_is_accepted_that_was_not_sent() -> None:
    """Some 2000 broken pieces: by chance 0.03 pass."""
    got = fuzz(200_000, seed=7)
    assert got.never_sent <= 1
    assert got.most_bytes < 120
    assert got.accepted > 0.5 * got.sent
    assert got.differing == 0


def test_the_reference_checks_as_the_contract_says() -> None:
    assert crc(b"123456789") == 0x31C3  # the check value of CRC-16/XMODEM


def test_thought_out_by_hypothesis() -> None:
    assert thought_out(20_000, 1) >= 20_000


def test_thought_out_by_coverage() -> None:
    pytest.importorskip("atheris")
    wrong, said = guided(60_000, 1)
    assert wrong is False, said


def test_what_was_not_tried_is_no_success(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """It ended with exit 0, as if all had been tried."""
    monkeypatch.setattr(wire_fuzz_guided.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(wire_streams, "run", lambda seed: [])
    monkeypatch.setattr(sys, "argv", ["wire_fuzz", "--bytes", "20_000"])
    assert wire_fuzz.main() == 2
    *_, last = capsys.readouterr().out.splitlines()
    assert last.startswith("NOT ALL OF IT: ") and "atheris" in last


@pytest.mark.parametrize("stream", wire_streams.STREAMS[1:-1], ids=lambda stream: stream.__name__)
def test_adverse_stream(stream: wire_streams.Adverse, tmp_path: Path) -> None:
    assert stream(tmp_path, 2) == ""


def test_two_megabaud(tmp_path: Path) -> None:
    assert wire_streams.two_megabaud(tmp_path, 1, seconds=1.0) == ""
