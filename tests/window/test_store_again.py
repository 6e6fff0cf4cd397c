"""A test that could not be stored, stored elsewhere: with all that was found, and what is missing of it is said."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from recorder.errors import RecorderError, StorageError
from recorder.model import Header, Rows
from recorder.moments import moment
from recorder.port import Back, Chunk, Lost
from recorder.recording import Writer, read
from recorder.session import Session, SessionConfig
from recorder.window.link.link import Link, Tapped
from recorder.window.running import Running
from recorder.wire import encode_line, encode_sample

ANNOUNCED = encode_line("A,1,hose-7,1.0,1023,100")


class Given:
    """A port that gives what a test puts into it."""

    url = "given:"
    failure: RecorderError | None = None

    def __init__(self) -> None:
        self.items: list[Chunk | Lost | Back] = []

    def take(self) -> list[Chunk | Lost | Back]:
        out, self.items = self.items, []
        return out

    def write(self, data: bytes) -> None:
        """Nobody listens."""

    def close(self) -> None:
        """Nothing is open."""


def until(there: Callable[[], bool]) -> None:
    end = time.monotonic() + 20.0
    while not there():
        assert time.monotonic() < end
        time.sleep(0.01)


def samples(first: int, n: int) -> Chunk:
    return Chunk(first / 100.0, b"".join(encode_sample(i, 10_000 * i, 103) for i in range(first, first + n)))


def unstored(folder: Path, config: SessionConfig, head: bytes, place: Path | None = None) -> Running:
    """A test of 12 s that has a finding and cannot be stored; its first 600 readings came in one piece. place: where
    it was to be stored, and the disk is full; None: where no folder can be made."""
    port, link = Given(), Link()
    tapped = Tapped(port, link)
    if place is None:
        place = folder / "taken"
        place.write_text("no folder", "utf-8")
    session = Session(config, port=tapped, folder=place, clock=quick_clock())
    if place.is_dir():
        session._keeper.error = StorageError("the disk is full", where=str(place))
    running = Running(session, port, tapped, link, None, config)
    port.items = [Chunk(0.0, head), samples(0, 600)]
    until(lambda: session.counts.samples == 600)
    port.items = [samples(600, 600)]
    until(lambda: running.begun and session.counts.samples == 1200)
    running.mark("drip at the lower hose clamp")
    until(lambda: bool(running.marks))
    running.stop("enough")
    running.wait()
    assert not running.stored
    return running


def quick_clock() -> Callable[[], float]:
    """Runs a hundred times as fast, so that nobody waits for an announcement that never comes."""
    begin = time.monotonic()
    return lambda: begin + 100.0 * (time.monotonic() - begin)


@pytest.mark.parametrize("head", [ANNOUNCED, b""])
def test_with_what_was_found_also_where_the_adapter_never_says_who_it_is(tmp_path: Path, head: bytes) -> None:
    running = unstored(tmp_path, SessionConfig("system", full_scale_kpa=200.0, full_scale_counts=1023), head)
    found = read(running.store_again(tmp_path / "elsewhere"))
    assert found.intact and len(found.rows) == 1200
    assert [m.text for m in found.marks] == ["drip at the lower hose clamp"]
    assert found.marks[0].time_s == pytest.approx(running.marks[0].time_s, abs=1e-6)
    assert running.stored and running.problem == ""


def test_it_began_when_it_did_and_is_judged_with_the_same_baseline(tmp_path: Path) -> None:
    first = tmp_path / "first"
    rate = {"value": 0.1, "standard_uncertainty": 0.01, "unit": "kPa/min"}
    writer = Writer(first, Header("tester", adapter={"id": "hose-7"}))
    writer.add(Rows(np.array([0.0, 0.1]), np.array([0.0, 0.0])))
    writer.seal({"outcome": "pass", "hold": {"rate": rate}})
    before = datetime.now(UTC)
    running = unstored(tmp_path, SessionConfig("system", full_scale_kpa=200.0), ANNOUNCED, first)
    after = datetime.now(UTC)
    time.sleep(0.01)
    found = read(running.store_again(tmp_path / "elsewhere")).header
    began = moment(found.started)
    assert began is not None and before - timedelta(milliseconds=1) <= began <= after
    assert found.other["tester"]["rate"] == rate


def test_what_was_too_much_to_keep_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Tapped, "MOST_BYTES", 20_000)  # 600 lines have less, and 1200 more
    running = unstored(tmp_path, SessionConfig("system", full_scale_kpa=200.0), ANNOUNCED)
    path = running.store_again(tmp_path / "elsewhere")
    found = read(path)
    assert len(found.rows) == 600
    assert str(path) in running.problem and "only the first" in running.problem
    assert "only what came first" in path.read_text("utf-8")
