"""``recorder adapter`` while adapters are swapped on its port: no report mixes the readings of two."""

from __future__ import annotations

import json
import random
import time

import pytest
from click.testing import CliRunner, Result

from recorder.cli import main
from recorder.errors import RecorderError
from recorder.port import Back, Chunk, Lost
from recorder.wire import encode_line, encode_sample

OUT_S, BACK_S = 5.2, 5.3
OLD, NEW, OTHER = "A,1,hose-7,1.0,1023,100", "A,1,hose-8,1.0,4095,100", "A,1,hose-7,1.0,4095,100"


class Swapped:
    """100 samples a second with the hose open: a tenth of ``scale``. The plug is out from OUT_S to BACK_S, and then
    ``after`` is on the port, which may say who it is (None: it does not)."""

    failure: RecorderError | None = None
    before: str | None = OLD
    after: str | None = None
    scale = 1023

    def __init__(self, url: str, **more: object) -> None:
        self.rng = random.Random(7)

    def open(self) -> None:
        self.begin, self.n, self.at = time.monotonic(), 0, 0.0

    def close(self) -> None:
        """Nothing is held."""

    def write(self, data: bytes) -> None:
        """It announces itself anyway."""

    def take(self) -> list[Chunk | Lost | Back]:
        now = time.monotonic()
        was, self.at = self.at, now - self.begin
        out: list[Chunk | Lost | Back] = []
        if was < OUT_S <= self.at:
            out.append(Lost(now))
        if was < BACK_S <= self.at:
            out.append(Back(now))
        due = int(self.at * 100)
        if not OUT_S <= self.at < BACK_S:
            says, scale = (self.before, 1023) if self.at < OUT_S else (self.after, self.scale)
            lines = b"".join(
                encode_sample(i, i * 10_000, scale // 10 + self.rng.choice((0, 0, 1, -1))) for i in range(self.n, due))
            out.append(Chunk(now, b"\n" + (encode_line(says) if says else b"") + lines))
        self.n = due
        return out


def adapter(monkeypatch: pytest.MonkeyPatch, port: type[Swapped], *more: str) -> Result:
    monkeypatch.setattr("recorder.port.Port", port)
    return CliRunner().invoke(
        main, ["adapter", "--port", "given:", "--seconds", "8", "--full-scale", "207 kPa", "--json", *more])


@pytest.mark.parametrize(("said", "named"), [(NEW, "'hose-8' of 4095"), (OTHER, "'hose-7' of 4095")])
def test_another_adapter_ends_it(said: str, named: str, monkeypatch: pytest.MonkeyPatch) -> None:
    class Another(Swapped):
        after, scale = said, 4095

    got = adapter(monkeypatch, Another)
    assert got.exit_code == 2 and got.stdout == "" and got.stderr.count("\n") == 1, got.output
    assert got.stderr.startswith("given:: another adapter announced itself: ")
    assert f"{named} counts" in got.stderr and "'hose-7' of 1023" in got.stderr


def test_the_same_adapter_plugged_in_again_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    class Same(Swapped):
        after = OLD

    report = json.loads(adapter(monkeypatch, Same).stdout)
    assert report["cut-short"] is None and report["samples"] > 750


def test_what_came_from_nobody_knows_whom_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    class Unnamed(Swapped):
        scale = 4095

    report = json.loads(adapter(monkeypatch, Unnamed).stdout)
    assert report["cut-short"] == "the adapter was away, and what came afterwards did not say who it is"
    assert 500 <= report["samples"] <= 521 and abs(report["zero-kpa"]) < 1.0


def test_who_was_away_before_it_said_its_name_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    class Late(Swapped):
        before, after, scale = None, NEW, 4095

    monkeypatch.setattr("recorder.cli.adapter.FIRST_LOOK_S", 6.0)
    report = json.loads(adapter(monkeypatch, Late).stdout)
    assert report["adapter-id"] == "hose-8" and report["samples"] < 300 and abs(report["zero-kpa"]) < 1.0
