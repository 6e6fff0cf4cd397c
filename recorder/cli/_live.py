"""What is shown on standard error while a test runs: whole sentences that stay, and below them one live line."""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
import time
from typing import TYPE_CHECKING, TextIO

import click

from recorder import report
from recorder.cli._common import colour_on
from recorder.cli._unheld import Unheld
from recorder.errors import printable
from recorder.model import TestKind
from recorder.units import format_pressure

if TYPE_CHECKING:
    from recorder.model import LiveView
    from recorder.session import Away

__all__ = ["LiveLine"]

_PLAIN_EVERY_S = 5.0
_WIDTH_EVERY_S = 1.0
_ALARMS = ("stop-pumping", "over-limit", "release")  # heard, for one looks at the pump
_COUNTS_DOWN = re.compile(r":? ?[\d.:]+(?: \S+)? (?:to go|left)")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def _pressure(kpa: float, unit: str) -> str:
    text = format_pressure(kpa, unit)
    return text[1:] if text.startswith("-") and not text.strip("-0. " + unit) else text  # no minus zero


def _away_words(away: Away) -> tuple[str, str, str]:
    """Why no reading comes: whole, shorter, in a word or two."""
    since = f"({away.seconds:.0f} s)"
    if away.why == "unplugged":
        return f"adapter unplugged: plug it in again {since}", f"unplugged: plug it in {since}", "unplugged"
    if away.why == "back":
        return f"adapter plugged in again: wait for its reading {since}", f"plugged in again: wait {since}", "wait"
    return f"no reading comes from the adapter {since}", f"no reading comes {since}", "no reading"


class LiveLine:
    """Shows the view on standard error. At a terminal what to do stands on lines of its own whenever it changes, as
    many as it needs, and the one line that is rewritten has what fits, nothing cut; elsewhere a line whenever
    the step changes, and every few seconds. What finds no room is left out, and with room again that is said: neither
    the recording nor a stop ever waits for who reads this."""

    def __init__(self, test: TestKind, unit: str = "kPa", *, mute: bool = True) -> None:
        self.test, self.unit, self.mute = test, unit, mute
        self.stream: TextIO | None = sys.stderr  # None where the program was started with it closed
        self.terminal = self.stream is not None and self.stream.isatty() and os.environ.get("TERM") != "dumb"
        self._said: tuple[str, str] | None = None  # the step, and the words that were said of it
        self._caution: str | None = None
        self._away: Away | None = None
        self._shown_at = float("-inf")
        self._width = 0
        self._columns, self._measured_at = 80, float("-inf")  # of the terminal
        self._unheld = Unheld(self.stream)
        self._left_out = 0  # lines, since the latest that was taken

    def close(self) -> None:
        """Lets go of what was opened for it; it can go on."""
        self._unheld.close()

    def _put(self, text: str) -> bool:
        """Whether it was taken."""
        return self._unheld.put(text)

    def _put_line(self, text: str) -> None:
        """A line that stays, below what was left out before it."""
        before = f"({self._left_out} line{'s' * (self._left_out > 1)} left out, for nobody read them)\n"
        if self._put((before if self._left_out else "") + text + "\n"):
            self._left_out = 0
        else:
            self._left_out += 1

    def _sentence(self, view: LiveView, away: Away | None) -> str:
        if away is None:
            return report.next_step(view, test=self.test, unit=self.unit)
        known = away.why in ("unplugged", "back")
        return report.blind(view, f"{_away_words(away)[0]}{'' if known else ': check its plug and its power'}")

    def _pressure(self, view: LiveView, away: Away | None, none: str) -> str:
        """The pressure before the adapter went away is none of this moment, and what a gauge with a fault reads is not
        to be believed."""
        doubted = view.fault is not None and view.next_step != "done"
        return none if away is not None or doubted or view.pressure_kpa is None else \
            _pressure(view.pressure_kpa, self.unit)

    def text(self, view: LiveView, away: Away | None = None) -> str:
        """Pressure, phase and the whole sentence."""
        pressure = self._pressure(view, away, "   --  ")
        return f"{pressure:>10}  {view.phase or '':8} {self._sentence(view, away)}"

    def line(self, view: LiveView, columns: int, away: Away | None = None) -> str:
        """Pressure, phase and the step in a word or two: as much of it as ``columns`` have whole."""
        pressure = self._pressure(view, away, "--")
        words = report.brief(view, self.unit) if away is None else _away_words(away)
        phase = view.phase or ""
        whole = [f"{pressure:>10}  {phase:8} {word}" for word in words] if away is None else []
        whole += [f"{pressure:>10}  {word}" for word in words]
        whole += [f"{pressure} {words[-1]}"] if words else []
        if not words:
            whole.append(f"{pressure:>10}  {phase}")
        return next((text for text in [*whole, pressure] if len(text) < columns), "")

    def _measure(self) -> int:
        now = time.monotonic()
        if now - self._measured_at >= _WIDTH_EVERY_S:
            try:  # the real width, where the terminal tells it: COLUMNS may be that of another one
                columns = os.get_terminal_size(self.stream.fileno()).columns if self.stream is not None else 0
            except (OSError, ValueError):
                columns = 0
            self._columns, self._measured_at = columns or shutil.get_terminal_size().columns, now
        return self._columns

    def show(self, view: LiveView, away: Away | None = None) -> None:
        """One moment. away: the adapter gives no reading at present."""
        now = time.monotonic()
        sentence = self._sentence(view, away)
        words = _NUMBER.sub("#", _COUNTS_DOWN.sub("", sentence))  # what counts up or down is shown in the live line
        before, changed = self._said, (view.next_step, words) != self._said
        if changed and self.terminal and not self._put("\r"):
            return  # the terminal takes nothing now: a new step is said when it does
        if changed:
            self._said = view.next_step, words
            if self._away is not None and away is None:
                self.say(f"the adapter is back after {self._away.seconds:.0f} s; the test goes on")
            self._say_caution(view)
            new_words = before is None or before[1] != words
            if self.terminal and new_words:
                self.say(sentence, loud=view.next_step == "over-limit" and away is None)
            new_step = before is None or before[0] != view.next_step
            wrong = away is not None or (view.fault is not None and view.next_step != "done")
            if (new_step and view.next_step in _ALARMS) or (new_words and wrong):
                self._bell()
        self._away = away
        if self.terminal:
            line = self.line(view, self._measure(), away)
            shown = line
            if view.next_step == "over-limit" and away is None and colour_on(self.stream):
                shown = click.style(line, fg="red", bold=True)
            if self._put("\r" + shown + " " * max(0, self._width - len(line))):
                self._width = len(line)
        elif changed or now - self._shown_at >= _PLAIN_EVERY_S:
            self._put_line(self.text(view, away).strip())
            self._shown_at = now

    def show_pressure(self, view: LiveView, away: Away | None = None) -> None:
        """One moment of which nothing but the pressure is known: no step, which would be an old one."""
        text = self._pressure(view, away, "--")
        now = time.monotonic()
        if self.terminal:
            line = f"{text:>10}"
            if self._put("\r" + line + " " * max(0, self._width - len(line))):
                self._width = len(line)
        elif now - self._shown_at >= _PLAIN_EVERY_S:
            self._put_line(text)
            self._shown_at = now

    def _say_caution(self, view: LiveView) -> None:
        words = report.caution(view, self.test)
        if words is not None and words != self._caution:
            self._caution = words
            self.say(f"CAUTION: {words}")

    def _bell(self) -> None:
        if not self.mute and self.terminal:
            self._put("\a")

    def say(self, text: str, *, loud: bool = False) -> None:
        """What stays, above the live line; at a terminal on as many lines as it needs. loud: in red, where colours
        are."""
        self.clear()
        text = printable(text)
        if self.terminal:
            whole = text.replace(f" {self.unit}", f"\u00a0{self.unit}")  # a number stays with its unit
            lines = textwrap.wrap(whole, max(self._measure() - 1, 20), break_long_words=False, break_on_hyphens=False)
            text = "\n".join(lines).replace("\u00a0", " ")
        if loud and colour_on(self.stream):
            text = click.style(text, fg="red", bold=True)
        self._put_line(text)

    def clear(self) -> None:
        """Takes the live line away."""
        if self.terminal and self._width:
            self._put("\r" + " " * self._width + "\r")
            self._width = 0
