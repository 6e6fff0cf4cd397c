"""The bytes of a whole test, cut anywhere: one judgement and the same rows (hypothesis picks the cuts).

Blocks of samples, cut anywhere, are in tests/analysis/test_blocks.py.
"""

from __future__ import annotations

import json
import tempfile
from itertools import pairwise

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from recorder.limits import resolve
from recorder.model import JsonObject, Rows
from recorder.port import Chunk
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.units import parse_marking
from tests import independent_feeder
from tests.memory_ports import FedPort


def whole() -> bytes:
    """The other make's cap test, with damage: a line cut short, a line twice, a hole, a fault, noise on the line."""
    counts = [round(4095 * (0.1 + 0.8 * p / 207.0)) for p in independent_feeder.trace()]
    lines = [independent_feeder.line(f"S,{(65000 + i) % 65536},{(4290000000 + i * 10000) % 2**32},{c},,")
             for i, c in enumerate(counts)]
    lines[40] = lines[40][:9]
    lines[300] += lines[300]
    lines[700:705] = []
    lines[1500] += independent_feeder.line("F,2500000,supply")
    lines[1200] += b"\xff\x00*****\r\n\n" + b"x" * 200 + b"\n"
    for i in range(0, len(lines), 500):
        lines[i] = independent_feeder.line("A,1,other-3,0.9,4095,100") + lines[i]
    return b"".join(lines)


DATA = whole()
CONFIG = SessionConfig("cap", parse_marking("16 psi"), procedure=resolve("cap", {"hold": "12 s"}), full_scale_kpa=207.0)


def judged(cuts: list[int]) -> tuple[JsonObject, Rows, JsonObject]:
    """Judgement, rows and what was lost, of the bytes cut at ``cuts``, each piece taken by a step of its own."""
    with tempfile.TemporaryDirectory() as folder:
        port = FedPort()
        session = Session(CONFIG, port=port, folder=folder, clock=lambda: 100.0)
        for a, b in pairwise([0, *cuts, len(DATA)]):
            port.items.append(Chunk(100.0, DATA[a:b]))
            session.step()
        done = session.stop("end of the bytes")
        assert session.error is None and done.path is not None
        recording = read(done.path, strict=True)
        return dict(done.judgement), recording.rows, dict(recording.header.other["ended"])


WHOLE, ROWS, ENDED = judged([])


def test_the_whole_is_a_judged_test() -> None:
    assert WHOLE["outcome"] == "pass", WHOLE["reasons"]
    assert ENDED["lost_samples"] == 7 and ENDED["dropped_lines"] >= 4


@settings(max_examples=4, deadline=None)
@given(st.lists(st.integers(1, len(DATA) - 1), max_size=60, unique=True).map(sorted))
@example(list(range(7, len(DATA), 97)))
def test_any_cuts_of_the_bytes_give_the_same_judgement(cuts: list[int]) -> None:
    judgement, rows, ended = judged(cuts)
    assert json.dumps(judgement) == json.dumps(WHOLE)
    assert ended == ENDED
    for name in ("time_s", "pressure_kpa", "seq", "device_us", "counts"):
        assert np.array_equal(getattr(rows, name), getattr(ROWS, name))
    assert rows.flag == ROWS.flag
