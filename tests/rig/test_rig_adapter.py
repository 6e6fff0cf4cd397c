"""The rig as an adapter: repeatable, in the wire format, on a real terminal."""

import binascii
import threading
import time
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
import serial

from recorder import rig
from recorder.model import SampleBlock
from recorder.rig.lines import line, timed_lines
from recorder.wire import Decoder

SHORT = replace(rig.demo()[0].scene, hold_s=3.0)


def test_the_same_scene_gives_the_same_trace():
    scene = rig.scene_of(7)
    a, b = rig.simulate(scene), rig.simulate(scene)
    assert rig.wire_bytes(a) == rig.wire_bytes(b)
    assert a.truth == b.truth
    assert list(rig.population(5, 3)) == list(rig.population(5, 3))
    assert rig.wire_bytes(rig.simulate(replace(scene, seed=8))) != rig.wire_bytes(a)


def test_population_is_mixed():
    scenes = list(rig.population(300, 1))
    classes = Counter(s.category for s in scenes)
    assert len(classes) == 18
    assert {s.sensor.rate_hz for s in scenes} == {10.0, 20.0, 50.0, 100.0, 200.0}
    assert 100 < sum(s.stroke_volume_known for s in scenes) < 200


def test_lines_of_the_contract():
    assert line("A,1,hose-7,1.0,1023,100") == b"A,1,hose-7,1.0,1023,100*573F\n"
    assert line("S,65535,4294967280,614,1023,21.5") == b"S,65535,4294967280,614,1023,21.5*06E9\n"
    assert line("F,500000,open") == b"F,500000,open*1D76\n"


@pytest.mark.parametrize("seed", [3, 9])
def test_another_reader_of_the_format_reads_every_sample(seed):
    scene = replace(SHORT, seed=seed)
    scene = replace(scene, sensor=replace(scene.sensor, lost=0.02, burst_lost=1, first_seq=65000,
                                          boot_us=2**32 - 10_000_000, supply_sent=seed == 3,
                                          temperature_sent=True))
    trace = rig.simulate(scene)
    decoder = Decoder()
    decoder.feed(rig.wire_bytes(trace))
    blocks = [m for m in decoder.take() if isinstance(m, SampleBlock)]
    kept = ~trace.lost
    assert 0 < trace.lost.sum() < len(trace.lost) / 2
    assert np.array_equal(np.concatenate([b.counts for b in blocks]), trace.counts[kept])
    assert np.array_equal(np.concatenate([b.seq for b in blocks]), trace.seq[kept])
    assert np.array_equal(np.concatenate([b.device_us for b in blocks]), trace.device_us[kept])
    assert np.array_equal(np.concatenate([b.supply for b in blocks]), trace.supply[kept], equal_nan=True)
    assert decoder.counts.dropped == 0
    assert decoder.counts.announcements == int(trace.time_s[-1] // 5) + 1


def test_a_broken_wire_says_so_at_most_twice_a_second():
    trace = rig.simulate(replace(SHORT, fault="wire", fault_s=1.0))
    text = rig.wire_bytes(trace).decode()
    faults = [row for row in text.splitlines() if row.startswith("F,")]
    left = trace.time_s[-1] - trace.truth.hold_start_s - 1.0
    assert 2 <= len(faults) <= 2 * left + 1
    assert all(",open*" in row for row in faults)


def test_nominal_reading_is_the_true_pressure():
    sensor = rig.Transducer(offset_kpa=0.0, white_kpa=0.0, correlated_kpa=0.0, supply_sent=True)
    trace = rig.simulate(replace(SHORT, sensor=sensor))
    step = 206.84 / 0.8 / 4095
    assert np.abs(trace.reading_kpa - trace.pressure_kpa).max() < 0.6 * step + 0.05


def test_pseudo_terminal_plays_every_byte_as_fast_as_it_is_read():
    trace = rig.simulate(SHORT)
    wanted = rig.wire_bytes(trace)
    with rig.SimulatedTester(trace, None) as tester, serial.Serial(tester.url, 115200, timeout=2) as port:
        port.write(b"?\n")  # it begins when the host asks
        greeting = port.readline()
        got = b""
        while len(got) < len(wanted):
            piece = port.read(min(4096, len(wanted) - len(got)))
            if not piece:
                break
            got += piece
        assert tester.error is None
    assert got == wanted
    assert greeting == wanted[:len(greeting)]


def test_pseudo_terminal_answers_a_question_and_ends_its_thread():
    trace = rig.simulate(SHORT)
    tester = rig.SimulatedTester(trace, 1.0, start_after_s=5.0)
    with tester, serial.Serial(tester.url, 115200, timeout=2) as port:
        assert "simulated-tester" in {t.name for t in threading.enumerate()}
        began = time.monotonic()
        port.write(b"?\n")
        first = port.readline()
        assert first.startswith(b"A,1,")
        body, check = first.strip().rsplit(b"*", 1)
        assert b"%04X" % binascii.crc_hqx(body, 0) == check
        assert time.monotonic() - began < 4.0
    assert "simulated-tester" not in {t.name for t in threading.enumerate()}
    tester.close()


def test_demo_is_what_it_says():
    outcomes = {t.name: rig.simulate(t.scene).truth.outcome for t in rig.demo()}
    assert outcomes == {"cap-passes": "pass", "cap-opens-low": "fail", "system-seeps": "fail",
                        "system-repaired": "pass"}
    assert all("invented" in t.job for t in rig.demo())
    assert 0.05 < rig.simulate(rig.blanked_hose()).truth.rate_kpa_per_min < 0.2


def test_whatever_breaks_in_its_thread_is_kept(monkeypatch):
    def breaks(trace):
        yield from list(timed_lines(trace))[:100]
        raise ZeroDivisionError("made by a test")

    monkeypatch.setattr("recorder.rig.tester.timed_lines", breaks)
    with rig.SimulatedTester(rig.simulate(SHORT), speed=None, start_after_s=0.0) as tester:
        assert wait_for(lambda: tester.error is not None)
        assert isinstance(tester.error, ZeroDivisionError) and not tester.finished
        assert str(tester.broken) == "the simulated tester broke (ZeroDivisionError: made by a test); run it again"


def wait_for(what, seconds=5.0):
    until = time.monotonic() + seconds
    while not what() and time.monotonic() < until:
        time.sleep(0.01)
    return what()
