"""The live line and the printing of judgements, without a terminal."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest

from recorder.cli._common import colour_on
from recorder.cli._live import LiveLine
from recorder.session import Away
from tests.test_report import VIEW


def test_the_line_has_pressure_phase_and_step_and_no_minus_zero() -> None:
    live = LiveLine("system")
    assert live.text(VIEW).split() == ["97.0", "kPa", "pump-up", "pump", "gently:", "6.0", "kPa", "to", "go"]
    assert live.text(replace(VIEW, pressure_kpa=-0.01)).split()[0] == "0.0"
    assert live.text(replace(VIEW, pressure_kpa=-10.0)).split()[0] == "-10.0"
    assert live.text(replace(VIEW, pressure_kpa=None)).split()[0] == "--"
    assert LiveLine("cap", "psi").text(VIEW).split()[:2] == ["14.07", "psi"]  # 97 / 6.894757


def test_without_a_terminal_a_line_for_every_new_step_and_each_caution_once(
    capsys: pytest.CaptureFixture[str],
) -> None:
    live = LiveLine("cap", mute=False)
    for step in ("pump", "pump", "pump-gently", "hold", "hold", "release"):
        live.show(replace(VIEW, next_step=step, hold_left_s=5.0))
    lines = capsys.readouterr().err.splitlines()
    assert [line for line in lines if line.startswith("CAUTION")] == [
        line for i, line in enumerate(lines) if line.startswith("CAUTION") and line not in lines[:i]
    ]
    assert sum("pump-up" in line for line in lines) == 4
    assert not any("\r" in line or "\a" in line for line in lines)


def test_whoever_pumps_without_a_reading_is_told_to_stop() -> None:
    live = LiveLine("system")
    assert "stop pumping; adapter unplugged: plug it in again (3 s)" in live.text(VIEW, Away("unplugged", 3.0))
    assert "stop pumping; no reading comes" in live.text(VIEW, Away("silent", 3.0))
    hold = replace(VIEW, next_step="hold", hold_left_s=5.0)
    assert "stop pumping" not in live.text(hold, Away("silent", 3.0)) + live.text(VIEW)


class Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_colour_only_at_a_terminal_and_never_with_no_color(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert colour_on(Tty()) and not colour_on(io.StringIO())
    monkeypatch.setenv("NO_COLOR", "1")
    assert not colour_on(Tty())
