"""Another adapter in the middle of a test, or one that does not say who it is: the window ends the test, or says it."""

from __future__ import annotations

import time
from pathlib import Path

from recorder.errors import SilentAdapter
from recorder.port import Back, Chunk, Lost
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.window.link.link import Link, Tapped
from recorder.window.running import Running
from recorder.wire import encode_line
from tests.window.test_store_again import ANNOUNCED, Given, samples, until

CONFIG = SessionConfig("system", full_scale_kpa=200.0)


def begun(tmp_path: Path) -> tuple[Running, Given]:
    port, link = Given(), Link()
    tapped = Tapped(port, link)
    running = Running(Session(CONFIG, port=tapped, folder=tmp_path), port, tapped, link, None, CONFIG)
    port.items = [Chunk(0.0, ANNOUNCED), samples(0, 600)]
    until(lambda: running.begun)
    return running, port


def test_another_adapter_ends_the_test(tmp_path: Path) -> None:
    running, port = begun(tmp_path)
    port.items = [Chunk(6.0, encode_line("A,1,hose-8,1.0,1023,100")), samples(600, 100)]
    until(lambda: running.judgement is not None)
    assert "another adapter announced itself: 'hose-8'" in running.problem
    assert running.path is not None
    found = read(running.path)
    assert found.intact and len(found.rows) == 600


def test_one_that_is_silent_may_speak_again(tmp_path: Path) -> None:
    running, _ = begun(tmp_path)
    running.session._wrong(SilentAdapter("no sample has arrived for 60 s"))
    until(lambda: running.problem != "")
    time.sleep(0.1)
    assert running.judgement is None and not running.finished
    running.stop("enough")
    running.wait()


def test_one_that_came_back_and_does_not_say_who_it_is_goes_on_and_that_is_said(tmp_path: Path) -> None:
    running, port = begun(tmp_path)
    now = time.monotonic()
    early, late = (Chunk(at, b"\n" + samples(n, 100).data) for at, n in ((now, 700), (now + 6.1, 800)))
    port.items = [Lost(now), Back(now), early, late]
    until(lambda: "did not say so" in running.problem)
    assert running.judgement is None and not running.finished
    running.stop("enough")
    running.wait()
    assert "did not say so" in running.problem
