"""What the commands share: what is typed and printed, above all a judgement."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TypeVar

import click

from recorder import report
from recorder.cli._tables import wrapped
from recorder.errors import FileError, RecorderError, SettingError, fault_of, printable
from recorder.limits import limit_name
from recorder.units import (
    LIKELY_FULL_SCALE_KPA,
    both_ways,
    is_mass,
    parse_quantity,
    pressure_factor_kpa,
    sensor_scale,
    typed_unit,
)

if TYPE_CHECKING:
    from recorder.analysis import Analyser
    from recorder.model import Calibration, Recording
    from recorder.session import Session

__all__ = [
    "Number", "analysed", "both_ways", "check_gauge", "checked_unit", "colour_on", "dump", "json_line", "limits_of",
    "load_calibration", "not_complete", "of_one_file", "ports_found", "print_judgement", "read_text",
    "sensor_scale_kpa", "typed", "without_ledgers",
]

_COLOURS = {"pass": "green", "fail": "red", "undecided": "yellow", "void": "yellow"}
_Path = TypeVar("_Path", str, Path)


class Number(click.FloatRange):
    """A number in a range; ``nan`` is in none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if number != number:
            self.fail(f"{value!r} is no number.", param, ctx)
        return number


def json_line(value: Any) -> str:
    """One line of JSON. Letters stay as they are; what could drive a terminal is written as JSON escapes."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


def dump(judgement: Mapping[str, Any], **more: Any) -> str:
    """One line of JSON, ``more`` first."""
    return json_line({**more, **judgement})


def analysed(recording: Recording) -> Analyser:
    """The recording's analyser. RecorderError, with the name of the file, where it cannot be judged."""
    from recorder.analysis import analyse
    from recorder.recording import of_file

    try:
        analyser = analyse(recording)
        analyser.judgement()
    except RecorderError as err:
        raise of_file(err, recording) from None
    return analyser


def checked_unit(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """A click callback: the unit as this program writes it; refuses what is no unit of pressure, and says what a mass
    is taken for."""
    if value is None:
        return None
    try:
        name = typed_unit(value)
    except SettingError as err:
        raise SettingError(err.what, where=f"--{param.name}",
                           do="give a unit of pressure: kPa, psi, bar, kgf/cm2") from None
    if is_mass(value):
        kpa = pressure_factor_kpa(value)
        click.echo(printable(f"--{param.name}: '{value}' is a mass, and is taken for {name} ({kpa:.4g} kPa)"), err=True)
    return name


def typed(option: str, text: str, unit: str, *, example: str) -> float:
    """The quantity that was typed after ``--option``, in ``unit``, above zero. SettingError names the option."""
    try:
        value = parse_quantity(text, unit)
    except SettingError as err:
        raise SettingError(err.what, where=f"--{option}", do=f"give it like '{example}'") from None
    if value <= 0:
        raise SettingError(f"'{text}' is not above zero", where=f"--{option}", do=f"give it like '{example}'")
    return value


def sensor_scale_kpa(text: str, unit: str) -> float:
    """The sensor's full scale that was typed after --full-scale, kPa; a number alone is in ``unit``. What no usual
    sensor has is said, and where it had no unit it is a SettingError: most likely another one was meant."""
    try:
        kpa = sensor_scale(text, unit)
    except SettingError as err:
        raise SettingError(err.what, where="--full-scale", do=err.do) from None
    low, high = LIKELY_FULL_SCALE_KPA
    if not low <= kpa <= high:
        click.echo(printable(f"--full-scale: {text} is {both_ways(kpa)}; usual sensors have {low:g} to {high:g} kPa"),
                   err=True)
    return kpa


def check_gauge(
    *, bare: bool, calibration: str | None, full_scale: str | None, full_scale_counts: int | None
) -> None:
    """SettingError where options do not go together that say what the gauge is: nothing of what was typed is passed
    over in silence."""
    if bare and full_scale is not None:
        raise SettingError("plain numbers are pressures, and have no full scale", where="--full-scale",
                           do="leave it away with --bare")
    if bare and full_scale_counts is not None:
        raise SettingError("plain numbers are pressures, and have no counts", where="--full-scale-counts",
                           do="leave it away with --bare")
    if calibration is not None and full_scale is not None:
        raise SettingError("a calibration is given as well, and says itself what the gauge reads to",
                           where="--full-scale", do="leave one of them away")


def read_text(path: str, do: str, *, piped: bool = False) -> str:
    """The text of a file that was named, UTF-8 with or without a byte order mark, as some editors put one in. piped:
    ``-`` is what comes from the keyboard or a pipe. FileError."""
    if piped and path == "-" and sys.stdin is None:
        raise FileError("cannot be read (standard input is closed)", path=path, do="name a file")
    try:
        if piped and path == "-":
            return sys.stdin.read().removeprefix("\ufeff")
        return Path(path).read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        why = err.strerror if isinstance(err, OSError) else "it is not text in UTF-8"
        raise FileError(f"cannot be read ({why})", path=path, do=do) from None


def load_calibration(path: str, named_in: str | None = None) -> Calibration:
    """The calibration in a file. FileError. named_in: the settings file that names it; None where an option did."""
    from recorder import calibration

    do = "give the file 'recorder calibrate -o' made with --calibration"
    try:
        return calibration.from_file_text(read_text(path, "" if named_in else do), path)
    except FileError as err:
        if named_in is None:
            raise
        named = f"it is the 'calibration' of the settings file {named_in}: correct that, or {do}"
        raise FileError(err.what, path=err.path, line=err.line, do=f"{err.do}; {named}" if err.do else named) from None


def ports_found() -> str:
    """What to do where no port was given: the ports there are."""
    from recorder.port import list_ports

    found = ", ".join(port.url for port in list_ports())
    return f"give --port with one of: {found}" if found else "plug the adapter in; no serial port was found"


def of_one_file(err: Exception, file: str, done: str) -> str:
    """What is said of one of many files, which is no reason to stop: the error, or that the file cannot be ``done`` for
    a fault of the program, which is raised where that is asked for."""
    if isinstance(err, RecorderError):
        return str(err)
    if os.environ.get("RECORDER_DEBUG"):
        raise err
    return printable(f"{file}: it cannot be {done}: {fault_of(err)}")


def without_ledgers(files: Iterable[_Path]) -> list[_Path]:
    """The files that are no ledger; a ledger, which ``*.csv`` names too, is said and passed over. FileError where
    nothing else is left: what was asked for was not done."""
    from recorder.recording import is_ledger

    kept: list[_Path] = []
    ledgers: list[_Path] = []
    for file in files:
        (ledgers if is_ledger(file) else kept).append(file)
    if ledgers and not kept:
        raise FileError("this is the ledger of its folder, and no recording", path=str(ledgers[0]),
                        do="name a recording")
    for file in ledgers:
        click.echo(printable(f"{file}: passed over, it is the ledger of its folder"), err=True)
    return kept


def colour_on(stream: IO[str] | None) -> bool:
    """Colour only at a terminal, and never with NO_COLOR (no-color.org) or a dumb terminal. None: a closed stream."""
    if stream is None or not stream.isatty():
        return False
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def print_judgement(judgement: Mapping[str, Any], unit: str, found: Sequence[str] = (), *,
                    simulated: bool = False, altered: str = "", live: bool = False) -> None:
    """Summary and advice on standard output. found: the findings that were marked, in words. altered: that the file
    was changed since it was sealed, in words; then its outcome has no colour. live: the test ended just now, so that
    the last step after a pass is still to be done; as in the window it is said where nothing comes before it."""
    head, *lines = (printable(line) for line in report.summary(judgement, unit))
    if colour_on(sys.stdout):
        word, colon, rest = head.partition(":")
        colour = None if altered else _COLOURS.get(str(judgement.get("outcome")))
        head = click.style(word, fg=colour, bold=True) + colon + rest
    click.echo(head, color=colour_on(sys.stdout) or None)
    if altered:
        _tell(f"  {altered}", "red")
    if simulated:
        _tell(f"  {report.SIMULATED}")
    for number, line in enumerate(lines):
        _tell(line, "red" if number == 0 and report.warning(judgement) else None)
    advice = report.advice(judgement, found)
    if live and not advice and not report.warning(judgement):
        advice = list(filter(None, [report.put_away(judgement, found)]))
    for line in advice:
        _tell(f"  -> {printable(line)}")


def _tell(text: str, colour: str | None = None) -> None:
    """One line, at a terminal on as many as it needs; bold where it has a colour."""
    on = colour_on(sys.stdout)
    for line in wrapped(text):
        click.echo(click.style(line, fg=colour, bold=True) if on and colour else line, color=on or None)


def not_complete(session: Session) -> str:
    """Where a test is that the disk did not take whole."""
    rows = session.writer.rows_written if session.writer is not None else 0
    return f"NOT COMPLETE: {session.path} has {rows} readings and no seal; the judgement above is of the whole test"


def limits_of(pairs: Sequence[str]) -> dict[str, str]:
    """``NAME=VALUE`` options as a layer of limits."""
    out = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise RecorderError(f"'{pair}' is not a limit", where="--limit", do="write it like hold=60s")
        out[limit_name(name.strip())] = value.strip()
    return out
