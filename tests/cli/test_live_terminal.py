"""What stands at a terminal of 80 and of 40 columns while a test runs: whole sentences, and a live line cut nowhere."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from recorder.cli._live import LiveLine
from recorder.rig import SimulatedTester, demo, simulate
from tests.cli.terminal import Screen, at_a_terminal
from tests.test_report import VIEW

OVER = "STOP: over the limit. Turn the relief until it is below 124.3 kPa"
RELIEVE = "turn the relief and wait for zero before you take anything off"


def record(url: str, folder: Path, *more: str) -> list[str]:
    return ["record", "--port", url, "--test", "system", "--marked", "16 psi", "--full-scale", "206.84 kPa",
            "--limit", "hold=8 s", "--limit", "shortest_hold=5 s", "--folder", str(folder), *more]


@pytest.fixture(scope="module", params=[80, 40])
def too_high(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[Screen, int]]:
    """A system pumped to 140 kPa, 16 kPa above its limit, on a terminal of so many columns."""
    scene = replace({d.name: d for d in demo()}["system-seeps"].scene, target_kpa=140.0, hold_s=15.0, vented_s=4.0,
                    release_s=2.0)  # long enough to be seen on a busy machine
    with SimulatedTester(simulate(scene), speed=5.0, start_after_s=20.0) as tester:
        screen, code = at_a_terminal(record(tester.url, tmp_path_factory.mktemp("high")), request.param)
    assert code == 0, screen.text
    yield screen, request.param


def test_the_safety_part_of_a_sentence_stands_whole(too_high: tuple[Screen, int]) -> None:
    screen, columns = too_high
    assert OVER in screen.words
    shown = screen.text.split("recorded in")[0].partition("\x1b[31m")[0]  # until the result, which is not live
    live = [line.rstrip() for line in re.split(r"[\r\n]+", shown) if line.strip()]
    assert max(map(len, live)) < columns


def test_the_live_line_is_cut_nowhere(too_high: tuple[Screen, int]) -> None:
    screen, columns = too_high
    frames = [frame for frame in screen.frames if re.match(r" *(-?\d+\.\d+ kPa|--)", frame)]
    assert len(frames) > 100 and all(len(frame) < columns for frame in frames)
    assert any("STOP, relieve" in frame for frame in frames)
    whole = re.compile(r" *(?:-?\d+\.\d kPa|--)(?:  (?:vented|pump-up|hold|relief|release)?)? *"
                       r"(?:STOP, relieve(?: below 124\.3 kPa)?|(?:pump, |gently, )?\d+\.\d kPa to go|pump|gently|"
                       r"hands off|\d+:\d\d left|relieve, wait for zero|relieve|wait for zero|do not pump yet|"
                       r"relieve to zero|the pressure is off|done|wait)?")
    assert [frame for frame in frames if not whole.fullmatch(frame)] == []


def test_no_width_cuts_a_number() -> None:
    live = LiveLine("system")
    for columns in range(1, 120):
        line = live.line(replace(VIEW, next_step="over-limit", limit_kpa=124.3), columns)
        assert len(line) < columns or not line
        assert re.search(r"124(?!\.3 kPa)|\d$|kP$|k$", line) is None


def test_a_fault_is_said_when_it_comes_and_not_again(monkeypatch: pytest.MonkeyPatch) -> None:
    live = LiveLine("system")
    live.terminal = True
    said: list[str] = []
    monkeypatch.setattr(live, "_put", lambda text: said.append(text) or True)
    for step in ("pump", "hold", "release"):
        for fault in (None, "open") if step == "pump" else ("open",):
            live.show(replace(VIEW, next_step=step, fault=fault, hold_left_s=30.0))
    text = " ".join("".join(said).split())
    assert text.count("(open wire): check its wires; turn the relief and wait for zero on the pump's own gauge") == 1


def test_of_a_gauge_with_a_fault_no_pressure_is_shown() -> None:
    live, off = LiveLine("system"), replace(VIEW, fault="open", pressure_kpa=232.1, next_step="hold")
    assert "232" not in live.line(off, 80) + live.text(off) and live.line(off, 80).split()[0] == "--"
    assert "232.1 kPa" in live.line(replace(off, fault=None), 80)


@pytest.mark.parametrize("columns", [80, 40])
def test_one_touch_of_q_ends_no_hold_and_says_what_it_would_cost(tmp_path: Path, columns: int) -> None:
    scene = replace({d.name: d for d in demo()}["system-repaired"].scene, hold_s=130.0, vented_s=4.0)
    pressed: list[float] = []

    def during(screen: Screen) -> None:
        begun = not pressed and re.search(r"hold +1:\d\d left", screen.plain)
        asked = len(pressed) == 1 and time.monotonic() - pressed[0] > 1.5 and "Press q again" in screen.words
        if begun or asked:
            screen.press(b"q")
            pressed.append(time.monotonic())

    with SimulatedTester(simulate(scene), speed=5.0, start_after_s=20.0) as tester:
        screen, code = at_a_terminal([*record(tester.url, tmp_path), "--limit", "hold=120 s"], columns, during=during)
    assert code == 0 and len(pressed) == 2, screen.text
    assert re.search(r"the hold is not over: it needs 1:\d\d more to tell\. Press q again within 6 s to end it here",
                     screen.words)
    after = screen.plain.partition("Press q again")[2]
    assert len(re.findall(r"1:\d\d left", after)) > 5, "it went on"
    assert RELIEVE in screen.words  # it ended with the pressure on
    assert "CANNOT TELL YET" in after
