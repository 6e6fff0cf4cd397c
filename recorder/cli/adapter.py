"""``recorder adapter``: is this adapter fit to use?"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from recorder.cli import _options
from recorder.cli._common import (
    Number,
    both_ways,
    check_gauge,
    checked_unit,
    load_calibration,
    ports_found,
    sensor_scale_kpa,
)
from recorder.cli._plain import put_data
from recorder.digits import significant
from recorder.errors import FileError, RunError, SettingError, printable
from recorder.settings import ASSUMED_FULL_SCALE, Settings, load_settings
from recorder.units import parse_quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.adapter import AdapterReport
    from recorder.adapter_bare import BareReport
    from recorder.cli._drive import StopSignals
    from recorder.cli._gather import Gatherer
    from recorder.cli._unheld import Unheld
    from recorder.model import Announcement, Calibration

__all__ = ["command"]

FIRST_LOOK_S = 10.0  # two announcements are due by then
LEAST_S = 5.0  # of less nothing slow is known at all
LOOKED_AT = 300  # samples; with fewer it may only be slow
_WORD = {"fit": "FIT to use", "marginal": "MARGINAL (usable)", "unfit": "NOT FIT to use"}


def _lines(r: AdapterReport | BareReport, seen: _Seen) -> list[str]:
    """The report for people."""
    from recorder.adapter_bare import NOT_KNOWN, BareReport
    from recorder.wire.conformance_rules import escaped

    if isinstance(r, BareReport):
        name, count, clock, way = "plain numbers", "smallest step", "not known: the time is that of arrival", [
            f"  rate                {r.rate_hz:.2f} numbers a second, as they arrived",
            f"  jitter              {r.host_jitter_s * 1e3:.1f} ms arriving",
            f"  lines dropped       {r.dropped_lines} that were no number",
        ]
    else:
        name, count, clock = r.adapter_id, "one count", "not measured"
        said = f"{r.nominal_rate_hz:g}" if r.nominal_rate_hz else "nothing"
        if r.clock_error_ppm is not None and r.clock_error_u_ppm is not None:
            clock = f"{r.clock_error_ppm:+.0f} ± {2 * r.clock_error_u_ppm:.0f} ppm against this computer's"
        on_its_clock = f"{r.device_jitter_s * 1e3:.3f} ms on its clock"
        way = [
            f"  rate                {r.rate_hz:.2f} samples a second (announced: {said})",
            f"  jitter              {on_its_clock}, {r.host_jitter_s * 1e3:.1f} ms arriving",
            f"  lost samples        {r.lost} ({r.lost_fraction:.2%}), restarts {r.restarts}",
            f"  lines dropped       {r.dropped_lines}, of them {r.failed_checks} with a failed check",
            f"  faults reported     {r.faults}{f' (the latest: {seen.fault})' if r.faults and seen.fault else ''}, "
            f"readings at an end of the range {r.pinned}",
        ]
    so_far = "" if r.drift_seen or r.verdict == "unfit" else f", as far as {r.seconds:.0f} s can tell"
    out = [f"{name}: {_WORD[r.verdict]}{so_far}", *(f"  because {reason}" for reason in r.reasons)]
    if seen.cut:
        out.append(f"  cut short           {seen.cut}: judged on what had come of {seen.asked_s:g} s")
    out += [
        f"  measured over       {r.seconds:.1f} s, {r.samples} samples",
        *way,
        *([f"  the latest dropped  '{escaped(seen.unusable)}'"] if r.dropped_lines and seen.unusable else []),
        *([f"  seen through        {seen.gauge}"] if seen.gauge else []),
        f"  reading, hose open  {round(r.zero_kpa, 2) + 0.0:+.2f} kPa",
        f"  {count:<18}  {'not known' if r.resolution_kpa is None else f'{significant(r.resolution_kpa, 2)} kPa'}",
        "  noise               " + _figures("{:.3f} kPa: white {:.3f}, slower {:.3f}", r.noise_kpa, r.white_noise_kpa,
                                            r.correlated_noise_kpa),
        f"  wander              {_wander(r)}",
        f"  hum                 {r.hum_text or ('not known' if r.noise_kpa is None else 'none stands out')}",
        "  drift               " + _figures("{:+.3f} ± {:.3f} kPa/min", r.drift_kpa_per_min,
                                            r.drift_u_kpa_per_min and 2 * r.drift_u_kpa_per_min),
        f"  clock               {clock}",
        "  smallest fall       " + ("not known" if r.smallest_fall_kpa is None else
                                    f"{significant(r.smallest_fall_kpa, 2)} kPa can be told in two minutes "
                                    "(0.7 kPa matters)"),
    ]
    if not r.drift_seen:
        out.append("  note                slow drift was not measured: that takes 120 s or more (--seconds 180)")
    if not isinstance(r, BareReport):
        out += [f"  note                {note}" for note in r.notes]
    else:
        out.append(f"  not known           {NOT_KNOWN}")
    return [printable(line) for line in out]


def _figures(text: str, *values: float | None) -> str:
    """The values in ``text``, or that they are not known."""
    return "not known" if None in values else text.format(*values)


def _wander(r: AdapterReport | BareReport) -> str:
    """The slow part of the noise, and what it means for a hold."""
    if r.wander_kpa is None or r.wander_white_kpa is None or r.wander_fall_kpa is None:
        return "not known"
    if not r.wander_kpa:
        return "none stands out"
    return (f"{significant(r.wander_kpa, 2)} kPa from one {r.wander_s:.0f} s to the next (white noise alone: "
            f"{significant(r.wander_white_kpa, 1)}), which hides falls below {significant(r.wander_fall_kpa, 2)} kPa")


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the report says beside the figures. cut: why it ended before ``asked_s``, empty where it did not.
    unusable: the latest line that was dropped; fault: the latest word; gauge: what turned counts into pressure, empty
    for plain numbers."""

    asked_s: float
    cut: str
    unusable: bytes
    fault: str
    gauge: str


def _gauge(
    settings: Settings, calibration_file: str | None, full_scale: str | None, *, bare: bool
) -> tuple[Calibration | None, str, bool]:
    """The calibration to look through, what it is, and whether that was only assumed; None: plain numbers as they are.
    SettingError, FileError."""
    from recorder import calibration

    named = calibration_file
    path = named or (settings.calibration if full_scale is None else None)
    if path is not None:
        cal = load_calibration(path, None if named else settings.path)
        if cal.bare == bare:
            return cal, f"the calibration {path}", False
        if bare and named is None:  # the settings file's, of another gauge
            return None, "", False
        if bare:
            raise FileError("this calibration is of counts, and plain numbers have none", path=path,
                            do="give one made with 'recorder calibrate --bare', or none")
        raise FileError("this calibration is of plain readings, and an adapter is checked by its counts",
                        path=path, do="give --full-scale instead, or --bare for a board that prints numbers")
    if bare:
        return None, "", False
    kpa = settings.full_scale_kpa
    if full_scale is not None:
        kpa = sensor_scale_kpa(full_scale, "kPa")
    assumed = kpa is None
    if kpa is None:
        kpa = parse_quantity(ASSUMED_FULL_SCALE, "kPa")
    return calibration.nominal(kpa), f"a sensor of {both_ways(kpa)} full scale, taken at its maker's word", assumed


@click.command("adapter")
@_options.port
@click.option("--seconds", type=Number(LEAST_S, 3600.0), default=180.0, show_default=True,
              help="How long to listen; 120 or more measure slow drift.")
@click.option("--full-scale", metavar="PRESSURE", help="Full scale of an uncalibrated sensor, like '207 kPa'.")
@_options.full_scale_counts
@_options.calibration
@click.option("--bare", callback=checked_unit, metavar="UNIT",
              help="The board prints one plain number a line, a pressure in this unit.")
@_options.baud
@click.option("--json", "as_json", is_flag=True, help="Print the report as one line of JSON.")
@click.pass_context
def command(
    ctx: click.Context, port: str | None, seconds: float, full_scale: str | None, full_scale_counts: int | None,
    calibration: str | None, bare: str | None, baud: int | None, as_json: bool,
) -> None:
    """Is this adapter fit to use? Leave the hose open to the air while it listens.

    Ctrl-C ends it early: it is judged on what has come, 5 s at least, and says that it was cut short. With --bare some
    of it cannot be known, and that is said. Exit 0 when fit or marginal, 1 when not, 2 where nothing can be measured.

    Example: recorder adapter --port /dev/ttyUSB0 --full-scale '207 kPa'
    """
    settings = load_settings()
    url = port or settings.port
    if url is None:
        raise SettingError("no port is given", where="--port", do=ports_found())
    check_gauge(bare=bare is not None, calibration=calibration, full_scale=full_scale,
                full_scale_counts=full_scale_counts)

    from recorder.cli._drive import StopSignals
    from recorder.cli._unheld import Unheld

    cal, gauge, assumed = _gauge(settings, calibration, full_scale, bare=bare is not None)
    # a reader that stalls holds up no Ctrl-C; signals come before the port is opened, which may take its time
    with Unheld(sys.stderr) as words, StopSignals() as stop:
        from recorder.cli._gather import Gatherer

        notes = ([f"no calibration and no --full-scale given: a {ASSUMED_FULL_SCALE} sensor is assumed"]
                 if assumed else [])
        cut = ""

        def tell() -> None:
            """Only of an adapter that can be looked at: of any other its one line is enough."""
            while notes:
                words.put(f"{notes.pop()}\n")

        try:
            with Gatherer(url, baud or settings.baud, bare_unit=bare) as gathered:
                _listen(gathered, seconds, full_scale_counts, cal, stop, tell, words)
            cut = _cut_short(gathered, stop)
            _check_enough(gathered, seconds, full_scale_counts, cut)
            with stop.may_end():  # a second Ctrl-C wants no report any more
                report = _report(gathered, full_scale_counts, cal, words)
            tell()
        except RunError as err:
            if err.where:
                raise
            raise RunError(f"cut short ({cut}): {err.what}" if cut else err.what, where=url, do=err.do) from None
    seen = _Seen(seconds, cut, gathered.unusable, gathered.fault, gauge)
    if as_json:
        put_data(json.dumps({**report.to_json(), "cut-short": cut or None}, ensure_ascii=False, allow_nan=False))
    else:
        for line in _lines(report, seen):
            click.echo(line)
    ctx.exit(1 if report.verdict == "unfit" else 0)


def _cut_short(port: Gatherer, stop: StopSignals) -> str:
    """Why not all was listened to that was asked for; empty where it was. What came of an adapter that did not say who
    it is is left out. Abort: it was stopped before anything came. RunError of another adapter."""
    now = port.announcement
    if port.swapped is not None and now is not None:
        raise RunError(
            f"another adapter announced itself: '{now.adapter_id}' of {now.full_scale_counts} counts, and the one "
            f"before was '{port.swapped.adapter_id}' of {port.swapped.full_scale_counts}", where=port.url,
            do="check one, and then the other",
        )
    if stop.why is not None and not port.blocks:
        raise click.Abort
    left_out = port.leave_out_unsure()
    if stop.why is not None:
        return "by Ctrl-C" if stop.why == "interrupted" else f"by {stop.why}"
    if port.lost:
        return "the port went away and did not come back"
    return "the adapter was away, and what came afterwards did not say who it is" if left_out else ""


def _check_enough(port: Gatherer, seconds: float, full_scale_counts: int | None, cut: str) -> None:
    """RunError where so little came of what was asked for that nothing can be said."""
    if not cut:
        return
    if port.bare_unit is None and port.announcement is None and full_scale_counts is None:
        raise RunError("the adapter had not announced itself yet", do="let it run for 6 s or more")
    came_s = port.arrived_s[-1] - port.arrived_s[0] if port.arrived_s else 0.0
    if came_s < LEAST_S:
        raise RunError(f"an adapter is judged on {LEAST_S:g} s or more, and {came_s:.1f} s had come",
                       do=f"let it run for {LEAST_S:g} s at least, better for all of {seconds:g} s")


def _report(
    port: Gatherer, full_scale_counts: int | None, cal: Calibration | None, words: Unheld
) -> AdapterReport | BareReport:
    """What the samples say. RunError, SilentAdapter."""
    from recorder.adapter import check_adapter
    from recorder.adapter_bare import check_bare

    if port.bare_unit is not None:
        return check_bare(port.readings(), port.arrivals(), port.counts, port.bare_unit, cal)
    if cal is None:
        raise SettingError("what turns counts into pressure is not known", where="--calibration",
                           do="give a calibration, or --full-scale")
    known, nameless = port.known_or_given(full_scale_counts, lambda said: words.put(f"{said}\n"))
    _check_whose(cal, known, port.url, nameless=nameless)
    return check_adapter(port.samples(), port.counts, known, cal, nameless=nameless)


def _check_whose(cal: Calibration | None, known: Announcement, where: str, *, nameless: bool) -> None:
    """SettingError where the calibration is of another adapter; of one that does not say who it is nobody can tell."""
    from recorder.session.words import check_adapter

    if not nameless:
        check_adapter(cal, known, where)


def _listen(port: Gatherer, seconds: float, full_scale_counts: int | None, cal: Calibration | None, stop: StopSignals,
            tell: Callable[[], None], words: Unheld) -> None:
    """Listens for ``seconds``, or until it is stopped. tell: called once it is known that there is something to listen
    to for as long. What would only waste three minutes is said after ten seconds:
    an adapter without announcements, that the calibration is not of, or whose sequence or clock cannot be used."""
    from recorder.adapter import usable

    terminal = sys.stderr.isatty()
    first_s = min(seconds, FIRST_LOOK_S)

    def stopped() -> bool:
        return stop.why is not None or port.swapped is not None

    def tick_of(later_s: float) -> Callable[[float], None]:
        def tick(left_s: float) -> None:
            if terminal:
                words.put(f"\rlistening, hose open to the air: {left_s + later_s:4.0f} s (Ctrl-C: enough) ")
        return tick

    try:
        port.listen(first_s, tick=tick_of(seconds - first_s), enough=stopped)
        if seconds > first_s and not stopped() and not port.lost:
            if port.bare_unit is None:
                # what is to be said of it is said with the report
                known, nameless = port.known_or_given(full_scale_counts, lambda said: None)
                _check_whose(cal, known, port.url, nameless=nameless)
                if sum(map(len, port.blocks)) > LOOKED_AT:
                    usable(port.samples())
            tell()
            port.listen(seconds - first_s, tick=tick_of(0.0), enough=stopped)
    finally:
        if terminal:
            words.put("\r" + " " * 60 + "\r")
