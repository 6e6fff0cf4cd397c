"""At a terminal: an adapter that was unplugged or fell silent, and a test that ended with the pressure still on."""

from __future__ import annotations

import re
from pathlib import Path

from recorder.session.away import away_of
from tests.benchmarks.faults_common import Plug, played
from tests.cli.terminal import Screen, at_a_terminal


def record(url: Path, folder: Path, *more: str) -> list[str]:
    return ["record", "--port", str(url), "--test", "system", "--marked", "16 psi", "--full-scale", "206.84 kPa",
            "--folder", str(folder / "out"), *more]


def test_silence_is_told_from_a_slow_adapter() -> None:
    assert away_of(lost=False, since_s=1.0, begun=True, bare=False) is None
    assert away_of(lost=False, since_s=3.0, begun=True, bare=True) is None
    assert away_of(lost=False, since_s=30.0, begun=False, bare=False) is None
    silent = away_of(lost=False, since_s=2.5, begun=True, bare=False)
    assert silent is not None and (silent.why, silent.seconds) == ("silent", 2.5)
    gone = away_of(lost=True, since_s=0.1, begun=False, bare=True)
    assert gone is not None and gone.why == "unplugged"


def test_unplugged_no_pressure_stands_and_it_is_said_and_so_is_its_return(tmp_path: Path) -> None:
    _, _, lines = played("system-seeps")
    with Plug(tmp_path / "adapter", lines, 8.0) as plug:
        state = {"was": "plugged in"}

        def during(screen: Screen) -> None:
            if state["was"] == "plugged in" and "100." in screen.plain:
                state["was"] = "unplugged"
                plug.unplug()
            elif state["was"] == "unplugged" and "(2 s)" in screen.frames[-1]:
                state["was"] = "back"
                plug.replug()
            elif state["was"] == "back" and "is back" in screen.plain and "kPa" in screen.frames[-1]:
                state["was"] = "over"
                screen.press(b"q")

        screen, code = at_a_terminal(record(tmp_path / "adapter", tmp_path), 60, during=during)
    assert code == 0 and state["was"] == "over", screen.text
    assert "adapter unplugged: plug it in again (0 s)" in screen.words
    away = [frame for frame in screen.frames if "unplugged" in frame]
    assert away and not any(re.search(r"\d kPa", frame) for frame in away)
    assert any(frame.endswith("adapter unplugged: plug it in again (1 s)") for frame in away)
    assert re.search(r"the adapter is back after [2-9] s; the test goes on", screen.words)
    told = screen.text.index("adapter unplugged: plug it in again")
    assert "\a" in screen.text[told:told + 60]


def test_a_port_that_falls_silent_leaves_no_pressure_standing(tmp_path: Path) -> None:
    _, _, lines = played("system-seeps")
    until = [(at, data) for at, data in lines if at < 15.0]
    pressed: list[str] = []

    def during(screen: Screen) -> None:
        if not pressed and screen.frames and "no reading" in screen.frames[-1]:
            pressed.append("q")
            screen.press(b"q")

    with Plug(tmp_path / "adapter", until, 8.0):
        screen, code = at_a_terminal(record(tmp_path / "adapter", tmp_path), 60, during=during)
    assert code == 0 and pressed, screen.text
    assert "no reading comes from the adapter (2 s): check its plug and its power" in screen.words
