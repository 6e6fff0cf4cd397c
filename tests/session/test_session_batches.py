"""What arrived is recorded the same, whether the session looked at the port often or seldom."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from recorder.analysis import judge
from recorder.errors import RunError
from recorder.model import Recording
from recorder.port import Back, Chunk, Lost
from recorder.recording import read
from tests.session.test_session import CAP, faked
from tests.session_feeder import announcement, line, samples

LINES = samples(12.0)
DATA = (
    b"".join(LINES[:3]) + announcement() + b"".join(LINES[3:400]) + line("F,500000,open") + LINES[399]
    + b"S,1,1,1,,*0000\n" + b"".join(LINES[400:900]) + announcement() + b"".join(LINES[1000:])
)


def recorded(cuts: list[int], steps: set[int], lost: int) -> tuple[Recording, object]:
    """The bytes cut at ``cuts``, a step of the session after each of ``steps``, the port lost once."""
    with TemporaryDirectory() as folder:
        session, port = faked(Path(folder))
        for i, (a, b) in enumerate(pairwise([0, *cuts, len(DATA)])):
            port.now = 1000.0 + i * 0.01
            if i == lost:
                port.items += [Lost(port.now), Back(port.now)]
            port.items.append(Chunk(port.now, DATA[a:b]))
            if i in steps:
                session.step()
        session.step()
        done = session.stop("end")
        assert done.path is not None
        found = read(done.path, strict=True)
        assert judge(found).to_json() == done.judgement
        timeline = session.timeline
        return found, (session.counts, timeline.lost_samples, timeline.replayed, timeline.gaps)


@settings(max_examples=12, deadline=None)
@given(
    st.lists(st.integers(1, len(DATA) - 1), max_size=40, unique=True).map(sorted),
    st.sets(st.integers(0, 41)), st.integers(0, 60),
)
@example([13341], set(), 1)  # what the fault leaves of it has two strokes within a tenth of a second
def test_how_often_it_looks_changes_nothing(cuts: list[int], steps: set[int], lost: int) -> None:
    often, often_counts = recorded(cuts, set(range(42)), lost)
    seldom, seldom_counts = recorded(cuts, steps, lost)
    assert often_counts == seldom_counts
    for name in ("time_s", "pressure_kpa", "seq", "device_us", "host_s", "counts"):
        assert np.array_equal(getattr(often.rows, name), getattr(seldom.rows, name))
    assert often.rows.flag == seldom.rows.flag
    assert often.judgement == seldom.judgement


def test_a_row_that_cannot_be_recorded_costs_none_before_it(tmp_path: Path) -> None:
    session, port = faked(tmp_path, replace(CAP, full_scale_kpa=110_000.0))
    port.send(announcement() + b"".join(LINES[:10]))
    session.step()
    # Full scale is beyond 1000 bar with this sensor, and what the feeder pumps is not.
    odd = line(f"S,337,{(4_294_000_000 + 337 * 10_000) % 2**32},4095,,")
    port.send(b"".join(LINES[10:337]) + odd + b"".join(LINES[338:600]))
    session.step()
    assert isinstance(session.error, RunError) and "no cooling system" in str(session.error)
    done = session.stop("end")
    assert done.path is not None
    found = read(done.path, strict=True)
    assert found.rows.seq is not None and found.rows.seq.tolist() == list(range(337))
    assert judge(found).to_json() == done.judgement
