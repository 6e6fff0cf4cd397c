"""Pairs of reference pressure and reading for ``recorder calibrate``: from a file, or live from the adapter."""

from __future__ import annotations

import csv
import math
import re
import statistics
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from io import TextIOWrapper
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import click

from recorder.cli._common import typed
from recorder.errors import FileError, PortLost, RecorderError, SettingError, SilentAdapter
from recorder.numerals import two_ways
from recorder.units import convert, parse_quantity, pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.calibration import Pair
    from recorder.cli._gather import Gatherer

__all__ = ["Taken", "live_pairs", "parse_pairs", "reference_u_kpa", "say_pairs"]

_WAYS: dict[str, Literal["up", "down"] | None] = {
    "up": "up", "u": "up", "rising": "up", "down": "down", "d": "down", "falling": "down", "": None,
}


# What is averaged is not of the time that was asked for where so much of it nothing came, and that is so many times
# what lies between two arrivals otherwise. Common practice, no source.
_PART, _USUAL = 0.25, 4.0

_BEGINS_LIKE_A_NUMBER = re.compile(r"[-+.,]*\d")
_DECIMAL_COMMA = re.compile(r"^([-+]?\d*),(\d+)$")
_UNIT = re.compile(r"(?i)(?<![a-z])(kpa|mpa|mbar|bar|psi|kgf/cm2)(?![a-z0-9])")
_PERCENT_FS = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*%\s*(?:of\s*)?(?:FS|full scale)\s*", re.IGNORECASE)


def _cells(line: str) -> list[str]:
    """The cells of a line: between commas; between semicolons or tabs where there are any, and then a comma in a number
    is its decimal point."""
    between = next((mark for mark in ";\t" if mark in line), None)
    row = next(csv.reader([line], delimiter=between or ","), [])
    return row if between is None else [_DECIMAL_COMMA.sub(r"\1.\2", cell.strip()) for cell in row]


def _of_thousands(line: str) -> str:
    """The number of such a line whose comma or point may stand between thousands, as the other number has the other
    mark; empty where there is none. Its decimal comma is sure where nothing contradicts."""
    cells = re.split("[;\t]", line)[:2]
    for number, other in (cells, cells[::-1]) if len(cells) == 2 else ():
        mark, others = (",", ".") if "," in number else (".", ",")
        if others in other and mark not in other and two_ways(number.strip().replace(mark, ",")) is not None:
            return number.strip()
    return ""


def _check_heading(cell: str, unit: str, path: str, number: int) -> None:
    """FileError where the heading of the references names another unit than they are to be read in."""
    words = (word.lower() for word in _UNIT.findall(cell.replace("_", " ")))
    named = {{"kpa": "kPa", "mpa": "MPa"}.get(word, word) for word in words}
    if len(named) == 1 and not math.isclose(
        pressure_factor_kpa(other := named.pop()), pressure_factor_kpa(unit), rel_tol=1e-6
    ):
        raise FileError(f"the heading '{cell}' names another unit than {unit}, in which the pressures are to be read",
                        path=path, line=number, do=f"give --unit {other}, or mend the heading")


def _last_place(number: str) -> float:
    """0.01 of ``103.42``, 1 of ``200``: by how much the number as it is written moves with its last digit; 0 where it
    is written with a power of ten that is no place of a reading."""
    try:
        exponent = Decimal(number).as_tuple().exponent
        return 10.0**exponent if isinstance(exponent, int) else 0.0
    except (InvalidOperation, OverflowError):
        return 0.0


def parse_pairs(
    text: str, path: str, unit: str, full_scale_counts: float | None, bare_unit: str | None = None
) -> list[Pair]:
    """Pairs from CSV text: reference pressure, reading, and up or down where known; ``#`` lines and a header
    row, in which no cell begins like a number, are left out. Readings are ratios 0..1, counts where
    ``full_scale_counts`` is given, or pressures where ``bare_unit`` is. Lines with semicolons or tabs between cells,
    as spreadsheets write them where a number has a decimal comma, are read too. FileError."""
    from recorder.calibration import Pair

    out: list[Pair] = []
    for number, line in enumerate(text.splitlines(), 1):
        try:
            row = _cells(line)
        except csv.Error as err:
            raise FileError(f"this is no line of a list of pairs ({err})", path=path, line=number,
                            do="write lines like 103.4,0.4996,up") from None
        cells = [c.strip() for c in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if not out and cells[0] == "time_s":
            raise FileError("this is a recording, and not a list of pairs", path=path, line=number,
                            do="give lines of a reference pressure and a reading, see docs/calibration.md")
        unsure = _of_thousands(line)
        if unsure:
            raise FileError(f"'{unsure}' can be read in two ways beside a number with the other decimal mark",
                            path=path, line=number, do="write one decimal mark, and nothing between thousands")
        try:
            reference, reading = float(cells[0]), float(cells[1])
        except (ValueError, IndexError):
            if not out and len(cells) > 1 and not any(_BEGINS_LIKE_A_NUMBER.match(c) for c in cells):
                _check_heading(cells[0], unit, path, number)
                continue
            raise FileError(
                f"'{row and ','.join(row)}' is not a pressure and a reading", path=path, line=number,
                do="write lines like 103.4,0.4996,up",
            ) from None
        if not (math.isfinite(reference) and math.isfinite(reading)):
            raise FileError("the numbers are not finite", path=path, line=number, do="take that line out")
        word = cells[2].lower() if len(cells) > 2 else ""
        if word not in _WAYS:
            raise FileError(f"'{cells[2]}' is no direction", path=path, line=number, do="write up or down, or nothing")
        if bare_unit is not None:
            x = convert(reading, bare_unit, "kPa")
        elif full_scale_counts:
            x = reading / full_scale_counts
        else:
            x = reading
        if x > 1.001 and bare_unit is None and not full_scale_counts:
            raise FileError(
                f"a reading of {reading:g} is above full scale", path=path, line=number,
                do="the reference comes first, then the reading: a ratio 0 to 1 (volts divided by the supply's "
                "volts); for counts give --full-scale-counts, for pressures --bare",
            )
        scale = pressure_factor_kpa(bare_unit) if bare_unit is not None else 1.0 / (full_scale_counts or 1.0)
        steps = _last_place(cells[0]) * pressure_factor_kpa(unit), _last_place(cells[1]) * scale
        out.append(Pair(convert(reference, unit, "kPa"), x, _WAYS[word], *steps))
    if not out:
        raise FileError("there are no pairs in it", path=path, do="write lines like 103.4,0.4996,up")
    return out


def reference_u_kpa(text: str | None, full_scale: str | None, unit: str) -> float:
    """Standard uncertainty of the reference, kPa. ``0.25 %FS`` is a maker's limit: rectangular, divided by
    sqrt(3) (GUM 4.3.7); ``0.3 kPa`` is a standard uncertainty as it stands. A number alone is in ``unit``.
    SettingError."""
    if text is None:
        return 0.0
    match = _PERCENT_FS.fullmatch(text)
    if match is None:
        do = "write '0.25 %FS' or '0.3 kPa'"
        if "%" in text:
            raise SettingError(f"'{text}' is not understood", where="--reference-u", do=do)
        try:
            u = parse_quantity(text, unit)
        except SettingError as err:
            raise SettingError(err.what, where="--reference-u", do=do) from None
        if u < 0:
            raise SettingError(f"'{text}' is below zero", where="--reference-u", do=do)
        return convert(u, unit, "kPa")
    if full_scale is None:
        raise SettingError(
            f"'{text}' needs the reference gauge's full scale", where="--reference-u",
            do="give --reference-full-scale, like '400 kPa'",
        )
    full = typed("reference-full-scale", full_scale, unit, example="400 kPa")
    return float(match[1]) / 100.0 * convert(full, unit, "kPa") / math.sqrt(3.0)


@dataclass
class Taken:
    """Pairs and what is known of them. resolution: one count as ratio, 0 where not known; adapter_id: whose they are,
    None of a file and of plain readings. scatters: standard deviation of the single readings within each step that was
    taken live, in the unit of ``Pair.ratio``."""

    pairs: list[Pair] = field(default_factory=list)
    adapter_id: str | None = None
    resolution: float = 0.0
    scatters: list[float] = field(default_factory=list)

    def noise_kpa(self, coefficients_kpa: Sequence[float]) -> float | None:
        """Of a single reading through this curve (of rising powers of the ratio), over all steps; None where nothing
        was taken live. A bent curve is steeper in some places than in others, and so is what it makes of one noise."""
        if not self.scatters:
            return None
        slopes = [
            sum(k * c * pair.ratio ** (k - 1) for k, c in enumerate(coefficients_kpa) if k > 0) for pair in self.pairs
        ]
        each = zip(slopes, self.scatters, strict=True)
        return math.sqrt(sum((slope * sd) ** 2 for slope, sd in each) / len(self.scatters))


def live_pairs(
    url: str, baud: int, seconds: float, unit: str, bare_unit: str | None, full_scale_counts: float | None,
    adapter_id: str | None = None, *, remark: str = "",
) -> Taken:
    """Asks for reference pressures and averages the reading at each. full_scale_counts: of an adapter that does not
    announce its own. adapter_id: whose calibration it is to be; SettingError where another one announces itself.
    remark: what else is said before the first of them.
    Raises OpenError, SilentAdapter, WrongSpeed; what goes wrong at one step is said, and costs
    that step only. Where it ends before its time, whatever the reason, what was taken is said."""
    if sys.stdin is None:
        raise SettingError("there is no keyboard to type the references on: standard input is closed",
                           do="give a file of pairs")
    if isinstance(sys.stdin, TextIOWrapper):  # a letter of another encoding is a slip, and no end
        sys.stdin.reconfigure(errors="backslashreplace")
    out = Taken()
    try:
        _take(out, url, baud, seconds, unit, bare_unit, full_scale_counts, adapter_id, remark)
    except BaseException:
        say_pairs(out.pairs, unit, bare_unit)
        raise
    return out


def say_pairs(pairs: list[Pair], unit: str, bare_unit: str | None) -> None:
    """What was measured, as lines for a file of pairs: half an hour at the bench is not to be lost to a slip."""
    if not pairs:
        return
    reading = f"reading in {bare_unit}" if bare_unit is not None else "ratio"
    click.echo(f"\nThe pairs that were taken, as lines for a file: reference in {unit}, {reading}, way", err=True)
    for pair in pairs:
        x = pair.ratio if bare_unit is None else convert(pair.ratio, "kPa", bare_unit)
        click.echo(f"{convert(pair.reference_kpa, 'kPa', unit):.6g},{x:.6g},{pair.direction or ''}", err=True)


def _take(
    out: Taken, url: str, baud: int, seconds: float, unit: str, bare_unit: str | None, full_scale_counts: float | None,
    adapter_id: str | None, remark: str,
) -> None:
    from recorder.calibration import Pair, with_direction
    from recorder.cli._gather import Gatherer

    with Gatherer(url, baud, bare_unit=bare_unit) as port:
        click.echo("CAUTION: pressure is stored in the hose. Stay below the limits of hose, pump and reference gauge, "
                   "and let the pressure off before you take anything apart.", err=True)
        click.echo(f"Set a pressure, let it settle, type what the reference shows in {unit}, then Enter. "
                   "An empty line ends. Begin open to the air (0), go up, then come down.", err=True)
        if remark:
            click.echo(remark, err=True)
        port.listen(6.0, enough=lambda: bare_unit is not None or port.announcement is not None)
        full = 0.0
        if bare_unit is None:
            known, nameless = port.known_or_given(full_scale_counts, lambda said: click.echo(said, err=True))
            full = float((full_scale_counts if nameless else None) or known.full_scale_counts)
            if nameless:
                click.echo(f"the adapter never announced itself: a full scale of {full:g} counts is taken", err=True)
            else:
                out.adapter_id = known.adapter_id
                if adapter_id not in (None, out.adapter_id):  # no test would take such a calibration
                    raise SettingError(f"it is to be of '{adapter_id}', and this adapter is '{out.adapter_id}'",
                                       where="--adapter-id", do="leave it away: the adapter's own goes into the file")
            out.resolution = 1.0 / full
        while True:
            click.echo(f"reference {len(out.pairs) + 1}: ", nl=False, err=True)
            text = sys.stdin.readline().strip()
            if not text:
                return
            try:
                kpa = convert(parse_quantity(text, unit), unit, "kPa")
                x, scatter, said = _step(port, seconds, bare_unit, full)
                _check_same(port, out.adapter_id, full)
            except RecorderError as err:
                click.echo(f"{err}; type it again", err=True)
                continue
            out.pairs.append(with_direction(Pair(kpa, x), out.pairs))
            out.scatters.append(scatter)
            click.echo(f"  {said}, {out.pairs[-1].direction}", err=True)


def _step(port: Gatherer, seconds: float, bare_unit: str | None, full: float) -> tuple[float, float, str]:
    """The mean reading of ``seconds`` from now, the scatter of the single ones, and what to say of it."""
    import numpy as np

    from recorder.wire import ratio_of

    port.forget()
    faults, losses = port.counts.faults, port.losses
    port.listen(seconds)
    if port.losses > losses:  # what came before is no average of the time that was asked for
        raise PortLost("the adapter went away meanwhile", where=port.url, do="check its plug, let the reading settle")
    if port.counts.faults > faults:
        raise SettingError(f"the adapter reports the fault '{port.fault}'", do="check the sensor's wires")
    silent_s = _longest_silence_s(port, seconds)
    if silent_s is not None:
        raise SilentAdapter(f"no reading came for {silent_s:.1f} s of the {seconds:g} s", where=port.url,
                            do="check its plug, let the reading settle")
    if bare_unit is not None:
        values = port.readings()
        mean, scatter, factor = float(np.mean(values)), float(np.std(values)), pressure_factor_kpa(bare_unit)
        return mean * factor, scatter * factor, (
            f"reading {mean:.4f} {bare_unit}, scatter {scatter:.4f}, {len(values)} readings"
        )
    s = port.samples()
    ratios = ratio_of(s.counts, s.supply, full)
    mean, scatter = float(np.mean(ratios)), float(np.std(ratios))
    return mean, scatter, f"reading {mean:.5f} of full scale, scatter {scatter:.5f}, {len(ratios)} samples"


def _check_same(port: Gatherer, adapter_id: str | None, full: float) -> None:
    """Refuses a reading that may be of another adapter than the first one: it would be read by that one's full scale.
    adapter_id: None where there is none to go by."""
    now = port.announcement
    if adapter_id is None or now is None:
        return
    if (now.adapter_id, now.full_scale_counts) != (adapter_id, full):
        raise SettingError(f"this is '{now.adapter_id}' of {now.full_scale_counts} counts, and the pairs before are of "
                           f"'{adapter_id}' of {full:g}", where=port.url, do="plug that one in again")
    if port.unsure:
        raise SilentAdapter("the adapter was away and has not said yet who it is", where=port.url,
                            do="wait for some seconds")


def _longest_silence_s(port: Gatherer, seconds: float) -> float | None:
    """The longest time of the ``seconds`` until now in which nothing came; None where that is as usual with it."""
    came_s = port.arrived_s
    gaps = [b - a for a, b in pairwise(came_s)]
    usual_s = statistics.median(gaps) if gaps else 0.0
    if port.announcement is not None and port.announcement.nominal_rate_hz > 0.0:
        usual_s = max(usual_s, 1.0 / port.announcement.nominal_rate_hz)
    elif not gaps:  # one plain number: how often they come is not known
        return None
    longest_s = max([*gaps, time.monotonic() - came_s[-1]])
    return longest_s if longest_s > max(_PART * seconds, _USUAL * usual_s) else None
