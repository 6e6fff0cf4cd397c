"""An adapter that is unplugged while ``recorder conform`` listens breaks no rule by that."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.cli import main
from recorder.wire import encode_line, encode_sample
from tests.benchmarks.faults_common import Plug

Later = Callable[[float, Callable[[], None]], None]
NAMED = encode_line("A,1,hose-7,1.0,1023,100")
LINES = [(n / 100, (NAMED if n % 400 == 0 else b"") + encode_sample(n, n * 10_000, 103)) for n in range(1200)]


@pytest.fixture
def later() -> Iterator[Later]:
    timers: list[threading.Timer] = []

    def run(after_s: float, what: Callable[[], None]) -> None:
        timers.append(threading.Timer(after_s, what))
        timers[-1].start()

    yield run
    for timer in timers:
        timer.cancel()


@pytest.mark.parametrize(("out_s", "back_s"), [(4.5, 4.7), (4.5, 60.0)])
def test_what_came_before_is_judged(out_s: float, back_s: float, tmp_path: Path,
                                    monkeypatch: pytest.MonkeyPatch, later: Later) -> None:
    monkeypatch.setattr("recorder.port.port._RETRY_S", 0.05)
    with Plug(tmp_path / "adapter", LINES) as plug:  # it speaks once it was asked, after 3 s
        later(out_s, plug.unplug)
        later(back_s, plug.replug)
        got = CliRunner().invoke(main, ["conform", "--port", str(tmp_path / "adapter"), "--seconds", "6", "--json"])
    assert got.stdout, got.stderr
    rules = {rule["rule"]: rule for rule in json.loads(got.stdout)}
    assert [name for name, rule in rules.items() if rule["state"] == "failed"] == []
    assert rules["check"]["state"] == "passed" and got.exit_code == 0
    assert re.fullmatch(r"cut short: the adapter went away; judged on the [45] s that had come of 6 s\n", got.stderr)


def test_where_nothing_came_before_it_is_said(tmp_path: Path, later: Later) -> None:
    where = tmp_path / "adapter"
    with Plug(where, []) as plug:
        later(1.0, plug.unplug)
        got = CliRunner().invoke(main, ["conform", "--port", str(where), "--seconds", "6"])
    assert got.exit_code == 2 and got.stdout == ""
    assert got.stderr == f"{where}: the adapter went away before anything came; check its plug and cable\n"
