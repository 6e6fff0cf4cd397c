"""What the commands share: the loop of a test, the stop signals, keys, and printing a judgement."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any, TypeVar

import click

from recorder import report
from recorder.cli._live import LiveLine, colour_on
from recorder.errors import RecorderError, SettingError, printable
from recorder.units import parse_quantity, pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.analysis import Analyser
    from recorder.model import Recording
    from recorder.session import Finished, Session

__all__ = [
    "Keys", "LiveLine", "StopSignals", "analysed", "checked_unit", "drive", "dump", "of_file", "ports_found",
    "print_judgement", "typed", "without_ledgers",
]

_COLOURS = {"pass": "green", "fail": "red", "undecided": "yellow", "void": "yellow"}
_Path = TypeVar("_Path", str, Path)
# A reading is seen within 50 ms, with a seventh of that to spare for a busy computer; each turn costs.
_TURN_S = 0.043
_STALE_S = 5.0  # a trace played faster than it can be looked at: its phases do not go with its pressure any more


def json_line(value: Any) -> str:
    """One line of JSON. Letters stay as they are; what could drive a terminal is written as JSON escapes."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


def dump(judgement: Mapping[str, Any], **more: Any) -> str:
    """One line of JSON, ``more`` first."""
    return json_line({**more, **judgement})


def of_file(err: RecorderError, name: str) -> RecorderError:
    """The error, with the file that it is about."""
    if err.where.startswith(name):
        return err
    return RecorderError(err.what, where=f"{name}, {err.where}" if err.where else name, do=err.do)


def analysed(recording: Recording) -> Analyser:
    """The recording's analyser. RecorderError, with the name of the file, where it cannot be judged."""
    from recorder.analysis import analyse

    try:
        analyser = analyse(recording)
        analyser.judgement()
    except RecorderError as err:
        raise of_file(err, recording.path) from None
    return analyser


def checked_unit(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """A click callback: refuses what is no unit of pressure."""
    if value is not None:
        try:
            pressure_factor_kpa(value)
        except SettingError as err:
            raise SettingError(err.what, where=f"--{param.name}",
                               do="give a unit of pressure: kPa, psi, bar, kgf/cm2") from None
    return value


def typed(option: str, text: str, unit: str, *, example: str) -> float:
    """The quantity that was typed after ``--option``, in ``unit``, above zero. SettingError names the option."""
    try:
        value = parse_quantity(text, unit)
    except SettingError as err:
        raise SettingError(err.what, where=f"--{option}", do=f"give it like '{example}'") from None
    if value <= 0:
        raise SettingError(f"'{text}' is not above zero", where=f"--{option}", do=f"give it like '{example}'")
    return value


def ports_found() -> str:
    """What to do where no port was given: the ports there are."""
    from recorder.port import list_ports

    found = ", ".join(port.url for port in list_ports())
    return f"give --port with one of: {found}" if found else "plug the adapter in; no serial port was found"


def without_ledgers(files: Iterable[_Path]) -> list[_Path]:
    """The files that are no ledger; a ledger, which ``*.csv`` names too, is said and passed over."""
    from recorder.recording import is_ledger

    kept = []
    for file in files:
        if is_ledger(file):
            click.echo(printable(f"{file}: passed over, it is the ledger of its folder"), err=True)
        else:
            kept.append(file)
    return kept


def print_judgement(judgement: Mapping[str, Any], unit: str, found: Sequence[str] = (), *,
                    simulated: bool = False) -> None:
    """Summary and advice on standard output. found: the findings that were marked, in words."""
    lines = [printable(line) for line in report.summary(judgement, unit)]
    if colour_on(sys.stdout):
        word, colon, rest = lines[0].partition(":")
        lines[0] = click.style(word, fg=_COLOURS.get(str(judgement.get("outcome"))), bold=True) + colon + rest
        if report.warning(judgement):
            lines[1] = click.style(lines[1], fg="red", bold=True)
    if simulated:
        lines.insert(1, f"  {report.SIMULATED}")
    for line in lines:
        click.echo(line, color=colour_on(sys.stdout) or None)
    for line in report.advice(judgement, found):
        click.echo(f"  -> {printable(line)}")


class StopSignals:
    """Ctrl-C, SIGTERM and SIGHUP ask for a stop instead of ending the program, so that the file is sealed."""

    def __init__(self) -> None:
        self.why: str | None = None
        self._before: list[tuple[int, Any]] = []

    def _caught(self, number: int, frame: FrameType | None) -> None:
        self.why = "interrupted" if number == signal.SIGINT else signal.Signals(number).name

    def __enter__(self) -> StopSignals:
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before.append((number, signal.signal(number, self._caught)))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, before in self._before:
            signal.signal(number, before)


class Keys:
    """Single key presses of a terminal, without blocking; nothing where there is no terminal."""

    def __init__(self) -> None:
        self._saved: Any = None
        self._on = sys.stdin is not None and sys.stdin.isatty()

    def __enter__(self) -> Keys:
        if self._on and sys.platform != "win32":
            import termios
            import tty

            self._saved = termios.tcgetattr(sys.stdin.fileno())
            tty.setcbreak(sys.stdin.fileno())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._saved is not None and sys.platform != "win32":
            import termios

            termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._saved)

    def take(self) -> str:
        """The key that was pressed, or an empty text."""
        if not self._on:
            return ""
        if sys.platform == "win32":
            import msvcrt

            return msvcrt.getwch() if msvcrt.kbhit() else ""
        import select

        ready, _, _ = select.select([sys.stdin], [], [], 0)
        if not ready:
            return ""
        got = os.read(sys.stdin.fileno(), 1)
        if not got:  # the terminal went away
            self._on = False
        return got.decode("ascii", "ignore")


def drive(
    session: Session,
    live: LiveLine,
    stop: StopSignals,
    *,
    keys: Keys | None = None,
    over: Callable[[], bool] = lambda: False,
    pause_s: float = _TURN_S,
) -> tuple[Finished, RecorderError | None]:
    """Runs a session to its end and seals the file. Returns what it left, and the error that ended it.

    over: says that nothing more will come (the simulated tester has played its whole trace).
    """
    shown = float("-inf")
    why = "finished"
    while True:
        session.step()
        if session.finished or session.error is not None:
            break
        if stop.why is not None:
            why = stop.why
            break
        if over():
            why = "end of the trace"
            break
        key = keys.take() if keys is not None else ""
        if key in ("m", "M"):
            session.mark("seen")
            live.say(f"marked at {session.view().time_s:.1f} s")
        elif key in ("q", "Q"):
            why = "stopped by key"
            break
        now = time.monotonic()
        if now - shown >= 0.9 * _TURN_S:
            view = session.view()
            if session.analyser.behind_s < _STALE_S:
                live.show(view, session.away)
            shown = time.monotonic()
        time.sleep(pause_s)
    error = session.error
    session.step()
    done = session.stop(why if error is None else str(error))
    live.clear()
    return done, error or session.storage_error  # the disk may have refused the seal


def limits_of(pairs: Sequence[str]) -> dict[str, str]:
    """``NAME=VALUE`` options as a layer of limits."""
    out = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise RecorderError(f"'{pair}' is not a limit", where="--limit", do="write it like hold=60s")
        out[name.strip()] = value.strip()
    return out
