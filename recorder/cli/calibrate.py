"""``recorder calibrate``: coefficients and their uncertainty from reference pressures and readings."""

from __future__ import annotations

import json
import math
import os
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from recorder import report
from recorder.cli import _options
from recorder.cli._common import Number, both_ways, checked_unit, read_text, sensor_scale_kpa
from recorder.cli._pairs import Taken, live_pairs, parse_pairs, reference_u_kpa, say_pairs
from recorder.cli._plain import put_data
from recorder.digits import decimals
from recorder.errors import SettingError, StorageError, as_typed, as_written, printable
from recorder.model import HIGHEST_COUNTS, USUAL_BAUD, ZERO_RATIOS, Calibration
from recorder.settings import load_settings
from recorder.units import format_pressure, pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.calibration import CalibrationFit

__all__ = ["command"]

STEP_S = 3.0
FEWEST_COUNTS = 255  # of 8 bits
_NONE = 0.02  # a share of full scale, as much as a poor gauge that begins at no counts may be off


def _lines(
    fit: CalibrationFit, unit: str, cal_date: str, due: str, bare: bool, noise_kpa: float | None
) -> list[str]:
    factor = pressure_factor_kpa(unit)
    u = fit.standard_uncertainty_kpa
    # As many digits as their doubt leaves: pressures by the calibration's, what scatters by the scatter.
    whole = decimals(2 * u / factor)
    fine = min(decimals(2 * fit.curve.residual_sd / factor), whole + 2)

    def p(kpa: float, places: int) -> str:
        return f"{round(kpa / factor, places) + 0.0:.{places}f} {unit}"

    def small(kpa: float) -> str:
        return p(kpa, decimals(kpa / factor))

    out = [f"  {'#':>3}  {'reference':>14}  {'reading':>9}  {'residual':>14}  way"]
    for i, (pair, residual) in enumerate(zip(fit.pairs, fit.residuals_kpa, strict=True), 1):
        reading = p(pair.ratio, fine) if bare else f"{pair.ratio:.5f}"
        numbers = f"{p(pair.reference_kpa, whole):>14}  {reading:>9}  {p(residual, fine):>14}"
        out.append(f"  {i:>3}  {numbers}  {pair.direction or ''}")
    alone = []
    if noise_kpa is not None:
        within = small(2 * math.hypot(u, noise_kpa))
        alone.append(f"noise                {small(noise_kpa)} in one reading: one alone is right within ± {within}")
    shape = "quadratic: the bend is real" if fit.quadratic else "straight line"
    if fit.f_p is not None:
        shape += f" (F = {fit.f_statistic:.3g}, p = {fit.f_p:.2g}; AICc {fit.aicc_line:.1f} line, "
        shape += f"{fit.aicc_quadratic:.1f} quadratic)"
    x = "reading" if bare else "ratio"  # a plain reading in kPa
    kept = decimals(2 * u) + 1  # in kPa; a ratio is at most 1, so the digits left away are a tenth of the doubt
    powers = ("", f"·{x}", f"·{x}²")
    terms = [f"{c:.{kept}f}{power}" for c, power in zip(fit.coefficients_kpa, powers, strict=False)]
    sensor = []
    if not bare:
        made = Calibration(fit.coefficients_kpa)
        of, end_kpa = "10 to 90 % of its supply come out as", made.reads_to_kpa or 0.0
        if made.ends_with_counts:
            of = "no 10 to 90 % one by its reading at zero; its counts end at"
        sensor.append(f"sensor               {of} {both_ways(end_kpa)}{'' if made.ends_with_counts else ' full scale'}")
    top = fit.range_kpa[1]
    highest = {format_pressure(top, down=True): format_pressure(top, unit, down=True)}
    out += [
        f"curve                {shape}",
        f"kPa =                {' + '.join(terms).replace('+ -', '- ')} (the file keeps every digit)",
        *sensor,
        f"range                {p(fit.range_kpa[0], whole)} to {p(fit.range_kpa[1], whole)}",
        f"scatter              {p(fit.curve.residual_sd, fine)}, "
        f"{fit.curve.dof} degree{'s' * (fit.curve.dof != 1)} of freedom",
        "hysteresis           " + ("not known" if fit.hysteresis_kpa is None else p(fit.hysteresis_kpa, fine)),
        "repeatability        " + ("not known" if fit.repeatability_kpa is None else p(fit.repeatability_kpa, fine)),
        "reference            " + (f"u = {small(fit.reference_u_kpa)}" if fit.reference_u_kpa else "taken as perfect"),
        f"standard uncertainty {small(u)} (Student's t of {fit.coverage_factor:.2f}, halved, in it)",
        f"                     a reading taken as these were is right within ± {small(2 * u)}, 95 times in 100",
        *alone,
        f"made {cal_date}, due again {due}",
        *(f"note: {report.in_unit(n, unit, highest)}" for n in fit.notes),
    ]
    return [printable(line) for line in out]


def _due_day(text: str | None, today: date) -> date:
    from recorder.calibration import due_after, due_day

    if text is None:
        return due_after(today)
    try:
        return due_day(text, today)
    except SettingError as err:
        raise SettingError(err.what, where="--due", do=err.do) from None


def _check_id(adapter_id: str | None) -> None:
    from recorder.wire.fields import is_name

    if adapter_id is not None and not is_name(adapter_id.encode("utf-8", "replace")):
        raise SettingError(f"{as_written(adapter_id)} is no adapter's id", where="--adapter-id",
                           do="write it as the adapter announces it: ASCII letters and digits, no comma and no star")


def _check_counts(full_scale_counts: float | None) -> None:
    if full_scale_counts is not None and full_scale_counts < FEWEST_COUNTS:
        raise SettingError(
            f"no converter has a full scale of {full_scale_counts:g} counts", where="--full-scale-counts",
            do="give its largest count, 1023 for 10 bits; for readings in volts leave it away, and write each "
            "divided by the supply's volts",
        )


def _check_u(output: str | None, reference_u: str | None) -> None:
    if output is not None and reference_u is None:  # a reference taken as perfect would stand in every recording
        raise SettingError("a calibration is only as good as its reference, and how good that is was not said",
                           where="--reference-u", do="give '0.25 %FS' or '0.3 kPa', or 0 to take it as perfect")


def _exists(path: str) -> StorageError:
    return StorageError("this file exists, and a calibration is never overwritten", where=path,
                        do="give another name, for instance with the date in it")


def _check_place(output: str | None) -> None:
    """Before a long live reading, not after it."""
    if output is not None and os.access(output, os.F_OK):
        raise _exists(output)
    if output is not None and not Path(output).parent.is_dir():
        raise StorageError("there is no such folder", where=str(Path(output).parent), do="make it first")


def _write(path: str, text: str) -> None:
    from recorder.recording.whole import write_whole

    try:
        write_whole(Path(path), text.encode())
    except FileExistsError:
        raise _exists(path) from None
    except OSError as err:
        raise StorageError(f"cannot be written ({err.strerror})", where=path, do="give another place with -o") from None


@click.command("calibrate")
@click.argument("pairs_file", required=False, metavar="[PAIRS.csv]")
@click.option("--port", "url", metavar="URL", help="Read the adapter live instead of a file of pairs.")
@click.option("--unit", default="kPa", callback=checked_unit, show_default=True, help="Unit of the references, and of "
              "every pressure that is given without one.")
@click.option("--bare", callback=checked_unit, metavar="UNIT",
              help="The readings are pressures in this unit: a board that prints one plain number a line.")
@click.option("--full-scale", metavar="PRESSURE", help="The sensor's own full scale; catches unit slips.")
@click.option("--full-scale-counts", type=Number(1, HIGHEST_COUNTS),
              help="Readings are counts of this full scale; live, that of an adapter which does not announce its own.")
@click.option("--reference", metavar="TEXT", help="What the reference was: gauge, number, certificate.")
@click.option("--reference-u", metavar="U", help="Its standard uncertainty, '0.3 kPa', or a maker's limit, '0.25 %FS'; "
              "-o needs it, 0 where the reference is to be taken as perfect.")
@click.option("--reference-full-scale", metavar="PRESSURE", help="The reference gauge's full scale, for %FS.")
@click.option("--adapter-id", metavar="ID", help="The adapter that this calibration belongs to.")
@click.option("--seconds", type=Number(0.5, 60.0), default=STEP_S, show_default=True,
              help="How long to average at each live step.")
@_options.baud
@click.option("-o", "--output", metavar="FILE", help="Write the calibration file; needs --reference-u.")
@click.option("--due", metavar="DATE", help="When it is due again (default: in 12 months).")
@click.option("--json", "as_json", is_flag=True, help="Print the calibration as one line of JSON.")
def command(**given: Any) -> None:
    """Make a calibration from pairs of reference pressure and reading.

    Without a file the adapter is read live, on --port or the settings file's port, and the ratio is printed at
    each step.

    A line of PAIRS.csv is: reference pressure, reading (ratio 0 to 1), up or down. - reads them from the
    keyboard or a pipe.

    Example: recorder calibrate pairs.csv --unit psi --reference-u '0.3 kPa' -o gauge.json
    """
    from recorder import calibration

    asked = _asked(given)
    u = reference_u_kpa(asked.reference_u, asked.reference_full_scale, asked.unit)
    kpa = sensor_scale_kpa(asked.full_scale, asked.unit) if asked.full_scale is not None else None
    today = date.today()  # of the clock on the wall, as in the window
    due, bare = _due_day(asked.due, today), asked.bare is not None
    _check_id(asked.adapter_id)
    _check_place(asked.output)
    taken = _taken(asked)
    try:
        fit = _fitted(taken, asked, u, kpa)
        noise_kpa = taken.noise_kpa(fit.coefficients_kpa)
        cal = Calibration(
            fit.coefficients_kpa, fit.standard_uncertainty_kpa, today.isoformat(),
            None if asked.reference is None else as_typed(asked.reference), due.isoformat(),
            asked.adapter_id or taken.adapter_id, bare,
        )
        details = calibration.details(fit, bare=bare, noise_kpa=noise_kpa)
        if asked.output is not None:
            _write(asked.output, calibration.to_file_text(cal, details))
    except (SettingError, StorageError):
        if asked.live:
            say_pairs(taken.pairs, asked.unit, asked.bare)
        raise
    if asked.live and asked.output is None:
        say_pairs(taken.pairs, asked.unit, asked.bare)
    if asked.as_json:
        body = {"calibration-format": calibration.FORMAT, **cal.to_json(), "details": details}
        put_data(json.dumps(body, ensure_ascii=False, allow_nan=False))
        return
    for line in _lines(fit, asked.unit, today.isoformat(), due.isoformat(), bare, noise_kpa):
        click.echo(line)
    _say_file(asked.output)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """The options, by the names that click has for them; of port and speed the settings file's where none was given."""

    pairs_file: str | None
    url: str | None
    unit: str
    bare: str | None
    full_scale: str | None
    full_scale_counts: float | None
    reference: str | None
    reference_u: str | None
    reference_full_scale: str | None
    adapter_id: str | None
    seconds: float
    baud: int | None
    output: str | None
    due: str | None
    as_json: bool

    @property
    def live(self) -> bool:
        """Whether the adapter is read, and no file."""
        return self.pairs_file is None


def _asked(given: dict[str, Any]) -> _Asked:
    """UsageError, SettingError where options do not go together."""
    asked = _Asked(**given)
    if asked.live:
        settings = load_settings()
        asked = replace(asked, url=asked.url or settings.port, baud=asked.baud or settings.baud)
    if asked.live == (asked.url is None):
        raise click.UsageError("Give a file of pairs, or --port to read the adapter.")
    if asked.bare is not None and (asked.full_scale is not None or asked.full_scale_counts is not None):
        raise click.UsageError("--bare readings are pressures: they have no --full-scale and no counts.")
    _check_counts(asked.full_scale_counts)
    _check_u(asked.output, asked.reference_u)
    return asked


def _taken(asked: _Asked) -> Taken:
    """The pairs, read live or from the file. RecorderError."""
    counts = asked.full_scale_counts
    if asked.pairs_file is not None:
        text = read_text(asked.pairs_file, "check the name", piped=True)
        return Taken(parse_pairs(text, asked.pairs_file, asked.unit, counts, asked.bare),
                     resolution=1.0 / counts if counts else 0.0)
    # at the bench, and not after half an hour of it
    remark = "" if asked.output is not None else ("No file will be written: -o FILE, with --reference-u, writes one. "
                                                  "What is taken is said at the end, as lines to make it from.")
    return live_pairs(str(asked.url), asked.baud or USUAL_BAUD, asked.seconds, asked.unit, asked.bare, counts,
                      asked.adapter_id, remark=remark)


def _say_file(output: str | None) -> None:
    if output is not None:
        click.echo(f"written to {printable(output)}; use it with --calibration {printable(output)}")
    else:
        click.echo("no file was written: -o FILE writes one")


def _fitted(taken: Taken, asked: _Asked, u_kpa: float, full_scale_kpa: float | None) -> CalibrationFit:
    """The fit, with what is odd about its zero among the notes. SettingError, in the user's unit and with the file or
    port that the pairs are of."""
    from recorder import calibration

    try:
        fit = calibration.fit(
            taken.pairs, reference_u_kpa=u_kpa, full_scale_kpa=full_scale_kpa, resolution=taken.resolution,
            bare=asked.bare is not None,
        )
    except SettingError as err:
        what = report.in_unit(err.what, asked.unit) if isinstance(err, calibration.StrayPair) else err.what
        raise SettingError(what, where=asked.pairs_file or str(asked.url), do=err.do) from None
    odd = None if asked.bare is not None else _odd_zero(fit, asked.full_scale_counts)
    return fit if odd is None else replace(fit, notes=(*fit.notes, odd))


def _odd_zero(fit: CalibrationFit, full_scale_counts: float | None) -> str | None:
    """What to say of a reading at zero that no 10 to 90 % sensor has; most likely its full scale is another one."""
    from recorder.adapter_verdict import scale_hint

    zero = -fit.coefficients_kpa[0] / fit.coefficients_kpa[1]
    if ZERO_RATIOS[0] <= zero <= ZERO_RATIOS[1]:
        return None
    said = f"the reading at zero is {zero:.1%} of full scale, where a 10 to 90 % sensor has 10 %"
    if full_scale_counts is not None and scale_hint(zero * full_scale_counts, round(full_scale_counts)):
        return f"{said}: is --full-scale-counts {full_scale_counts:g} this converter's?"
    all_of_them = " (one that uses 0 to 100 % has none)" if abs(zero) < _NONE else ""
    return f"{said}{all_of_them}: is it such a sensor, and is the full scale in counts right?"
