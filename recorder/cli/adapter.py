"""``recorder adapter``: is this adapter fit to use?"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli._common import ports_found, typed
from recorder.errors import FileError, SettingError, printable
from recorder.settings import load_settings
from recorder.units import parse_quantity

if TYPE_CHECKING:
    from recorder.adapter import AdapterReport
    from recorder.model import Calibration

__all__ = ["command"]

ASSUMED_FULL_SCALE = "30 psi"  # the commonest hobby gauge; common practice, no source
_WORD = {"fit": "FIT to use", "marginal": "MARGINAL", "unfit": "NOT FIT to use"}


def load_calibration(path: str) -> Calibration:
    """The calibration in a file. FileError."""
    from recorder import calibration

    try:
        text = Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as err:
        why = err.strerror if isinstance(err, OSError) else "it is not text in UTF-8"
        raise FileError(f"cannot be read ({why})", path=path, do="give the file 'recorder calibrate -o' made") from None
    return calibration.from_file_text(text, path)


def _lines(r: AdapterReport) -> list[str]:
    """The report for people."""
    out = [f"{r.adapter_id}: {_WORD[r.verdict]}"]
    out += [f"  because {reason}" for reason in r.reasons]
    clock = "not measured"
    if r.clock_error_ppm is not None and r.clock_error_u_ppm is not None:
        clock = f"{r.clock_error_ppm:+.0f} ± {2 * r.clock_error_u_ppm:.0f} ppm against this computer's"
    out += [
        f"  measured over       {r.seconds:.1f} s, {r.samples} samples",
        f"  rate                {r.rate_hz:.2f} samples a second (announced: {r.nominal_rate_hz:g})",
        f"  jitter              {r.device_jitter_s * 1e3:.3f} ms on its clock, {r.host_jitter_s * 1e3:.1f} ms arriving",
        f"  lost samples        {r.lost} ({r.lost_fraction:.2%}), restarts {r.restarts}",
        f"  lines dropped       {r.dropped_lines}, of them {r.failed_checks} with a failed check",
        f"  faults reported     {r.faults}, readings at an end of the range {r.pinned}",
        f"  reading, hose open  {round(r.zero_kpa, 2) + 0.0:+.2f} kPa",
        f"  one count           {r.resolution_kpa:.3f} kPa",
        f"  noise               {r.noise_kpa:.3f} kPa: white {r.white_noise_kpa:.3f}, "
        f"slower {r.correlated_noise_kpa:.3f}",
        f"  hum                 {r.hum_text or 'none stands out'}",
        f"  drift               {r.drift_kpa_per_min:+.3f} ± {2 * r.drift_u_kpa_per_min:.3f} kPa/min",
        f"  clock               {clock}",
        f"  smallest fall       {r.smallest_fall_kpa:.2g} kPa can be told in two minutes (0.7 kPa matters)",
    ]
    if not r.drift_seen:
        out.append("  note                slow drift was not measured: that takes 120 s or more (--seconds 180)")
    return [printable(line) for line in out]


@click.command("adapter")
@click.option("--port", "url", metavar="URL", help="Where the adapter is: /dev/ttyUSB0, COM3, socket://host:port.")
@click.option("--seconds", type=click.FloatRange(5.0, 3600.0), default=180.0, show_default=True,
              help="How long to listen; 120 or more measure slow drift.")
@click.option("--full-scale", metavar="PRESSURE", help="Full scale of an uncalibrated sensor, like '207 kPa'.")
@click.option("--calibration", "calibration_file", metavar="FILE", help="Calibration file of the gauge.")
@click.option("--baud", type=click.IntRange(min=1), help="Speed of the port (default: 115200).")
@click.option("--json", "as_json", is_flag=True, help="Print the report as one line of JSON.")
@click.pass_context
def command(
    ctx: click.Context, url: str | None, seconds: float, full_scale: str | None, calibration_file: str | None,
    baud: int | None, as_json: bool,
) -> None:
    """Is this adapter fit to use? Leave the hose open to the air while it listens.

    Exit 0 when fit or marginal, 1 when not.

    Example: recorder adapter --port /dev/ttyUSB0 --full-scale '207 kPa'
    """
    settings = load_settings()
    url = url or settings.port
    if url is None:
        raise SettingError("no port is given", where="--port", do=ports_found())

    from recorder import calibration
    from recorder.adapter import check_adapter
    from recorder.cli._gather import Gatherer

    calibration_file = calibration_file or (settings.calibration if full_scale is None else None)
    if calibration_file is not None:
        cal = load_calibration(calibration_file)
        if cal.bare:
            raise FileError("this calibration is of plain readings, and an adapter is checked by its counts",
                            path=calibration_file, do="give --full-scale instead")
    else:
        kpa = settings.full_scale_kpa
        if full_scale is not None:
            kpa = typed("full-scale", full_scale, "kPa", example="207 kPa")
        if kpa is None:
            kpa = parse_quantity(ASSUMED_FULL_SCALE, "kPa")
            click.echo(f"no calibration and no --full-scale given: a {ASSUMED_FULL_SCALE} sensor is assumed", err=True)
        cal = calibration.nominal(kpa)

    terminal = sys.stderr.isatty()

    def tick(left_s: float) -> None:
        if terminal:
            click.echo(f"\rlistening, hose open to the air: {left_s:4.0f} s ", err=True, nl=False)

    with Gatherer(url, baud or settings.baud) as port:
        port.listen(seconds, tick=tick)
        if terminal:
            click.echo("\r" + " " * 50 + "\r", err=True, nl=False)
        report = check_adapter(port.samples(), port.counts, port.known(), cal)
    if as_json:
        click.echo(json.dumps(report.to_json(), ensure_ascii=False, allow_nan=False))
    else:
        for line in _lines(report):
            click.echo(line)
    ctx.exit(1 if report.verdict == "unfit" else 0)
