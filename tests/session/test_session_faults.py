"""Faults that the adapter reports, with samples and without: in the file, in the judgement, on the screen."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.analysis import judge
from recorder.limits import resolve
from recorder.model import FaultRun, Recording
from recorder.recording import read, verify_raw
from recorder.report import next_step
from recorder.session import Session, SessionConfig
from recorder.wire import RatioWatch
from tests.memory_ports import FedPort
from tests.session_feeder import announcement, line, pressure_kpa, samples

LIMITS = resolve("tester", {"hold": "45 s", "steady_fall_allowed": "7 kPa/min"})
HOSE = SessionConfig("tester", procedure=LIMITS, full_scale_kpa=207.0, tester_baseline=False)
FIRST_US = 4_294_000_000  # of the feeder's clock


def fault(at_s: float, word: str = "adc") -> bytes:
    return line(f"F,{(FIRST_US + round(at_s * 1e6)) % 2**32},{word}")


def stopped_by_faults(at_s: float, until_s: float, back_s: float = 1e9) -> Iterator[tuple[float, bytes]]:
    """The feeder's test with no sample from ``at_s`` to ``back_s``, and a fault twice a second until ``until_s``."""
    chance = random.Random(1)
    yield 0.0, announcement()
    for i in range(8000):
        now = i / 100
        counts = round((0.1 + 0.8 * pressure_kpa(now) / 207.0) * 4095 + chance.gauss(0.0, 1.5))
        text = line(f"S,{i},{(FIRST_US + i * 10_000) % 2**32},{counts},,")
        if now > until_s and back_s > 1e8:
            return
        if i % 50 == 0 and at_s <= now <= until_s:
            yield now, fault(now)
        if not at_s <= now < back_s:
            yield now, text


def play(folder: Path, lines: Iterator[tuple[float, bytes]]) -> tuple[Session, Recording]:
    port = FedPort()
    session = Session(HOSE, port=port, folder=folder, clock=lambda: port.now)
    stepped = 0.0
    for now, text in lines:
        port.now = 1000.0 + now
        port.send(text)
        if now > stepped + 0.2:
            session.step()
            stepped = now
    session.step()
    done = session.stop("stopped")
    assert done.path is not None
    found = read(done.path, strict=True)
    assert judge(found).to_json() == done.judgement == found.judgement
    return session, found


def outcome(found: Recording) -> tuple[str, list[str]]:
    assert found.judgement is not None
    return found.judgement["outcome"], [r["code"] for r in found.judgement["reasons"]]


def test_faults_without_samples_are_in_the_recording_and_leave_no_pass(tmp_path: Path) -> None:
    """In mid-hold the converter gives nothing any more; the adapter says so twice a second."""
    _, found = play(tmp_path, stopped_by_faults(40.0, 55.0))
    assert found.faults == (FaultRun(40.0, "adc"), FaultRun(40.0, "adc", 55.0, 31))
    assert found.header.other["ended"]["faults"] == 31
    assert outcome(found) == ("void", ["sensor-fault"])
    assert "'fault-adc' from 40.0 s on" in found.judgement["reasons"][0]["text"]  # type: ignore[index]
    again = subprocess.run(
        [sys.executable, "-m", "recorder", "judge", found.path, "--json"], capture_output=True, text=True, check=True
    )
    told = json.loads(again.stdout)
    beside = [told.pop(name) for name in ("file", "intact", "simulated")]
    assert beside == [found.path, True, False]
    assert told == found.judgement


def test_a_hold_that_was_complete_before_the_fault_stands(tmp_path: Path) -> None:
    _, found = play(tmp_path, stopped_by_faults(63.0, 66.0))
    assert outcome(found)[0] == "pass"


def test_a_blink_in_the_hold_is_a_gap(tmp_path: Path) -> None:
    _, found = play(tmp_path, stopped_by_faults(40.0, 40.6, 40.7))
    assert found.judgement is not None and found.rows.flag is not None
    assert [f for f in found.rows.flag if f] == ["fault-adc+gap"]
    assert outcome(found)[0] == "pass"
    assert [n["code"] for n in found.judgement["notes"]] == ["gaps", "not-calibrated"]
    assert found.judgement["phases"][-1]["end_s"] == found.rows.time_s[-1]


def test_a_fault_that_lasts_is_no_gap(tmp_path: Path) -> None:
    _, found = play(tmp_path, stopped_by_faults(40.0, 43.0, 43.2))
    assert outcome(found) == ("void", ["sensor-fault"])


def test_the_reading_does_not_look_live_while_only_faults_come(tmp_path: Path) -> None:
    port = FedPort()
    session = Session(HOSE, port=port, folder=tmp_path, clock=lambda: port.now)
    port.send(announcement() + b"".join(samples(6.0)))
    session.step()
    assert session.view().pressure_kpa is not None
    for k in range(1, 8):
        port.now += 0.5
        port.send(fault(6.0 + 0.5 * k))
        session.step()
    view = session.view()
    assert view.pressure_kpa is None and view.silent_s == pytest.approx(3.5) and view.fault == "adc"
    port.now += 3.0
    session.step()
    view = session.view()
    assert view.fault is None
    assert next_step(view, test="tester").startswith("stop pumping; no reading for 6 s")
    for _ in range(60):
        port.now += 1.0
        port.send(fault(port.now - 1000.0))
        session.step()
    assert session.error is not None and "the adapter reports 'adc'" in str(session.error)
    session.stop("over")


@pytest.mark.parametrize(("counts", "word"), [(0, None), (0, "open"), (20, None), (410, "supply")])
def test_a_wire_that_comes_off_in_the_hold_is_no_pressure_that_is_off(
    counts: int, word: str | None, tmp_path: Path
) -> None:
    """Three seconds after it "done: the pressure is off" was said of a hose at 100 kPa, and the test was ended.
    10 % of 4095 counts is zero: there it is the adapter alone that tells."""
    port, chance = FedPort(), random.Random(1)
    session = Session(HOSE, port=port, folder=tmp_path, clock=lambda: port.now)
    port.send(announcement())
    said = set()
    for i in range(5200):
        now = i / 100
        off = now >= 40.0
        sent = counts if off else round((0.1 + 0.8 * pressure_kpa(now) / 207.0) * 4095)
        noise = chance.gauss(0.0, 1.5) if sent else 0.0
        port.send(line(f"S,{i},{(FIRST_US + i * 10_000) % 2**32},{max(round(sent + noise), 0)},,"))
        if off and word is not None and i % 50 == 0:
            port.send(fault(now, word))
        port.now = 1000.0 + now
        if i % 20 == 0:
            session.step()
            view = session.view()
            assert not session.finished, now
            if now > 41.5:
                said.add(next_step(view, test="tester"))
    assert said and not any(words.startswith("done") for words in said), said
    assert all("turn the relief" in words.lower() and "zero on the pump's own gauge" in words for words in said), said
    assert session.stop("stopped").judgement["outcome"] in ("void", "undecided")


def test_a_fault_before_the_first_sample_is_told_with_it(tmp_path: Path) -> None:
    port = FedPort()
    session = Session(HOSE, port=port, folder=tmp_path, clock=lambda: port.now)
    port.send(announcement() + fault(0.0) + b"".join(samples(6.0)))
    session.step()
    done = session.stop("stopped")
    assert done.path is not None
    assert read(done.path).faults == (FaultRun(0.0, "adc"), FaultRun(0.0, "adc", 0.0, 1))


def supplied(supply_of: dict[int, int], *, tell: bool = False) -> Iterator[tuple[float, bytes]]:
    """The feeder's test with supply counts: 4092, but where a number has another. tell: it says so."""
    chance = random.Random(2)
    yield 0.0, announcement()
    for i in range(8000):
        now, supply = i / 100, supply_of.get(i, 4092)
        if tell and supply < 3600 and i % 50 == 0:
            yield now, fault(now, "supply")
        counts = round((0.1 + 0.8 * pressure_kpa(now) / 207.0) * 4092 + chance.gauss(0.0, 1.5))
        yield now, line(f"S,{i},{(FIRST_US + i * 10_000) % 2**32},{counts},{supply},")


def off(first: int, last: int) -> dict[int, int]:
    """The sense wire off from sample to sample, averaged as the example firmware does."""
    out, smooth = {}, 4092 * 16
    for i in range(first, min(last + 120, 8000)):
        smooth += (0 if i < last else 4092) - smooth // 16
        out[i] = max(smooth // 16, 1)
    return out


@pytest.mark.parametrize("tell", [False, True])
def test_a_sense_wire_that_comes_off_while_pumping_condemns_nothing(tmp_path: Path, tell: bool) -> None:
    session, found = play(tmp_path, supplied(off(850, 8000), tell=tell))
    assert session.error is None and len(found.rows) == 8000
    assert outcome(found) == ("void", ["sensor-fault"])
    assert found.judgement is not None
    assert found.judgement["peak"] is None or found.judgement["peak"]["value"] < 125.0
    assert verify_raw(found) == []
    assert found.rows.counts is not None and found.rows.supply is not None and found.rows.flag is not None
    assert found.rows.supply[-1] <= 15 and "fault-ratio" in found.rows.flag[-1]


def test_a_sense_wire_that_blinks_in_the_hold_is_a_gap(tmp_path: Path) -> None:
    _, found = play(tmp_path, supplied(off(4000, 4030), tell=True))
    assert found.judgement is not None
    assert outcome(found) == ("pass", ["no-detectable-fall"])
    assert 118.0 < found.judgement["peak"]["value"] < 122.0
    assert [n["code"] for n in found.judgement["notes"]] == ["gaps", "not-calibrated"]


def test_a_supply_that_drops_by_more_than_a_third_is_no_pressure(tmp_path: Path) -> None:
    """The counts stay below the supply's: only what it was before shows it."""
    _, found = play(tmp_path, supplied(dict.fromkeys(range(4000, 8000), 2600)))
    assert outcome(found) == ("void", ["sensor-fault"])
    assert found.rows.flag is not None and found.rows.flag[3999:4001] == ["", "fault-ratio"]


@given(st.lists(st.integers(1, 4200), min_size=1, max_size=60), st.lists(st.integers(1, 59), max_size=6))
def test_rows_of_any_grouping_are_flagged_alike(supply: list[int], cuts: list[int]) -> None:
    counts, supplies = np.full(len(supply), 900), np.array(supply, float)
    supplies[::7] = np.nan
    whole = RatioWatch().odd(counts, supplies, 4092.0)
    watch = RatioWatch()
    edges = sorted({0, len(supply), *(c for c in cuts if c < len(supply))})
    parts = [watch.odd(counts[a:b], supplies[a:b], 4092.0) for a, b in pairwise(edges)]
    assert np.array_equal(np.concatenate(parts), whole)
