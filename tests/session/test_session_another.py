"""Another adapter in the middle of a test: its counts are not read by the first one's full scale and calibration."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from recorder.model import Announcement
from recorder.port import Back, Lost
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.wire import encode_announcement, encode_sample
from tests.memory_ports import FedPort

HOSE = Announcement(1, "hose-7", "1.0", 1023, 100.0)
CONFIG = SessionConfig("system", full_scale_kpa=200.0)


def samples(counts: int, n: int = 300) -> bytes:
    return b"".join(encode_sample(i, 10_000 * i, counts) for i in range(n))


def begun(tmp_path: Path, config: SessionConfig = CONFIG, head: bytes = b"") -> tuple[Session, FedPort]:
    port = FedPort()
    session = Session(config, port=port, folder=tmp_path, clock=lambda: port.now)
    port.send(head + samples(103))
    session.step()
    port.now += 3.0
    return session, port


@pytest.mark.parametrize("other", [replace(HOSE, adapter_id="hose-8"), replace(HOSE, full_scale_counts=4095)])
@pytest.mark.parametrize("pulled", [True, False])
def test_the_test_ends_and_nothing_more_is_recorded(tmp_path: Path, other: Announcement, pulled: bool) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    port.items += [Lost(port.now), Back(port.now)] if pulled else []
    # behind a break the first line may be the rest of one, and is left out
    port.send((b"\n" if pulled else b"") + encode_announcement(other) + samples(412))
    session.step()
    port.send(samples(412))
    session.step()
    assert session.broken is not None and f"'{other.adapter_id}' of {other.full_scale_counts}" in str(session.broken)
    done = session.stop("another adapter")
    assert done.path is not None
    found = read(done.path)
    assert found.intact and len(found.rows) == 300
    assert "another adapter announced itself" in done.path.read_text("utf-8")


def test_one_that_says_late_that_its_full_scale_is_another_than_was_given(tmp_path: Path) -> None:
    session, port = begun(tmp_path, replace(CONFIG, full_scale_counts=1023))
    port.now += 10.0
    session.step()  # it is waited for no longer
    port.send(encode_announcement(replace(HOSE, full_scale_counts=4095)) + samples(412))
    session.step()
    assert session.broken is not None and "an adapter without a name of 1023" in str(session.broken)


@pytest.mark.parametrize("other", [HOSE, replace(HOSE, firmware="1.1"), replace(HOSE, nominal_rate_hz=50.0)])
def test_the_same_adapter_goes_on(tmp_path: Path, other: Announcement) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    port.items += [Lost(port.now), Back(port.now)]
    port.send(b"\n" + encode_announcement(other) + samples(104))
    session.step()
    assert session.error is None
    done = session.stop("enough")
    assert done.path is not None and len(read(done.path).rows) == 600
