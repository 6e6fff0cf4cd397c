"""``recorder record``: records and judges one test from an adapter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from recorder import report
from recorder.air import pressure_at_altitude_kpa
from recorder.cli import _options
from recorder.cli._common import (
    check_gauge,
    checked_unit,
    dump,
    limits_of,
    load_calibration,
    not_complete,
    ports_found,
    print_judgement,
    sensor_scale_kpa,
    typed,
)
from recorder.cli._drive import Keys, StopSignals, drive
from recorder.cli._live import LiveLine
from recorder.cli._plain import put_data
from recorder.errors import SettingError, as_typed
from recorder.limits import NAMED, Procedure, needed_kpa, no_limit, resolve, tests_of
from recorder.model import TEST_KINDS, Calibration, Marking, TestKind
from recorder.settings import ASSUMED_FULL_SCALE, Settings, load_settings, recordings_folder
from recorder.units import parse_marking, parse_quantity, pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.session import Finished, Session, SessionConfig

__all__ = ["command"]


@click.command("record")
@_options.port
@click.option("--test", type=click.Choice(TEST_KINDS), required=True,
              help="cap, system, or tester (the tester itself, hose blanked).")
@click.option("--marked", metavar="TEXT", help="What the cap is stamped with, like '16 psi' or '110'.")
@click.option("--job", metavar="TEXT", default="", help="Free text: job number, vehicle.")
@click.option("--repair", metavar="TEXT", default="", help="What was repaired since the job's last test.")
@click.option("--bare", metavar="UNIT", callback=checked_unit,
              help="The adapter prints one plain number a line, in this unit.")
@click.option("--folder", metavar="DIR",
              help="Where the recording goes (default: recordings; own-recordings where that holds the demo's).")
@_options.baud
@_options.calibration
@click.option("--full-scale", metavar="PRESSURE", help="Full scale of an uncalibrated gauge, like '207 kPa'.")
@_options.full_scale_counts
@click.option("--procedure", type=click.Choice(list(NAMED)), metavar="NAME",
              help="A named procedure: " + ", ".join(NAMED) + ".")
@click.option("--limit", "limits", multiple=True, metavar="NAME=VALUE",
              help="Set one limit, in any unit; can be given again.")
@click.option("--hold", metavar="TIME", help="How long to hold, like '60 s' or '2 min'; the shortest hold that says "
              "anything is no longer than this.")
@click.option("--stroke-volume", metavar="VOLUME", help="Air that one pump stroke moves, like '24 mL'.")
@click.option("--altitude", metavar="HEIGHT", help="Height above sea level, like '500 m'.")
@click.option("--air-pressure", metavar="PRESSURE", help="Outside air pressure, like '95 kPa'.")
@click.option("--reconnect", metavar="TIME", default="60 s", show_default=True,
              help="How long to wait for an adapter that was unplugged.")
@click.option("--unit", callback=checked_unit, help="Pressure unit to show, and of a --full-scale without one.")
@click.option("--settings", "settings_file", metavar="FILE", help="Settings file (default: recorder.toml).")
@click.option("--json", "as_json", is_flag=True, help="Print the judgement as one line of JSON.")
@click.option("--mute", is_flag=True, help="No bell.")
@click.pass_context
def command(ctx: click.Context, /, **given: Any) -> None:
    """Record and judge one test from an adapter.

    Records until the judgement is reached and the release is seen, or Ctrl-C; with the
    pressure left on, two minutes beyond the hold of a pass, ten beyond any other. The file is
    always sealed. At a terminal, press m to mark what you see, q to end the test (twice where
    its hold is not over).

    Let the engine go cold before you open a cap. Never pump above the limit. Relieve before you take
    anything off. Wear eye protection.

    Example: recorder record --port /dev/ttyUSB0 --test cap --marked "16 psi"
    """
    # some looks need these: they are loaded before the test, not in the middle of it
    import scipy.optimize  # noqa: F401

    import recorder.analysis.which_opening  # noqa: F401
    from recorder.port import Port
    from recorder.recording import check_folder
    from recorder.session import Session
    from recorder.session.words import nothing_recorded

    settings = load_settings(given["settings_file"])
    url = given["port"] or settings.port
    if url is None:
        raise SettingError("no port is given", where="--port", do=ports_found())
    unit = given["unit"] or settings.unit
    config = session_config(settings, given)
    assumed = given["bare"] is None and config.calibration is None and config.full_scale_kpa is None
    if assumed:
        config = replace(config, full_scale_kpa=parse_quantity(ASSUMED_FULL_SCALE, "kPa"))
    check_range(config, unit, "--calibration" if config.calibration is not None else "--full-scale")
    folder, said = recordings_folder(given["folder"], settings)
    check_folder(folder)
    live = LiveLine(config.test, unit, mute=given["mute"])
    ctx.call_on_close(live.close)
    # of plain readings the time is that of their arrival
    port = Port(url, baud=given["baud"] or settings.baud, reconnect_s=config.reconnect_s,
                when_taken=config.bare_unit is None)
    with StopSignals() as stop, Keys() as keys:
        port.open()
        try:
            for line in _said_first(config, given, unit, said, assumed=assumed):
                live.say(line)
            session = Session(config, port=port, folder=folder, aside=True)
            done, error = drive(session, live, stop, keys=keys)
            view = session.view()
            left_on = report.still_on(view.pressure_kpa, unit, was=session.away is not None,
                                      fault=view.fault is not None)
        finally:
            port.close()
    if left_on is not None:
        live.say(left_on, loud=True)
    if done.path is None:
        bare = config.bare_unit is not None
        raise error or nothing_recorded(url, session.counts, session.decoder.unusable, bare=bare)
    _print(session, done, unit, as_json=given["as_json"])
    if error is not None:
        raise error


def _print(session: Session, done: Finished, unit: str, *, as_json: bool) -> None:
    """The judgement, and where its recording is."""
    complete = done.sha256 is not None  # what the ledger lacks is said, and is no part of it
    if as_json:
        put_data(dump(done.judgement, file=str(done.path), **({} if complete else {"file_complete": False})))
    else:
        print_judgement(done.judgement, unit, report.found(done.marks), live=True)
        click.echo(f"recorded in {done.path}" if complete else not_complete(session))


def _said_first(
    config: SessionConfig, given: dict[str, Any], unit: str, of_folder: str, *, assumed: bool
) -> Iterator[str]:
    """What was read, chosen or assumed, before the test begins. of_folder: why it is that one; empty: it was given."""
    marked, typed_as = config.marked, given["marked"]
    if marked is not None and not any(letter.isalpha() for letter in typed_as):  # what was typed named no unit
        yield f"the marking '{typed_as.strip()}' is read as {marked.value:g} {marked.unit}"
    read = limits_read(config.procedure or resolve(config.test), given, unit)
    if read:
        yield f"limits as they were read: {read}"
    if of_folder:
        yield f"{of_folder}, and so does --folder"
    if assumed:
        yield (f"no calibration given: the gauge is taken to be a 10 to 90 % one of {ASSUMED_FULL_SCALE}; give "
               "--calibration or --full-scale if it is not")
    if config.bare_unit is not None and config.calibration is None:
        yield ("not calibrated: the numbers are taken as they come, and what the gauge may be off by is in no ±; see "
               "'recorder calibrate'")


def session_config(settings: Settings, given: dict[str, Any]) -> SessionConfig:
    """The SessionConfig of the options over the settings file. Raises RecorderError."""
    from recorder.session import SessionConfig

    test: TestKind = given["test"]
    marked = _marked(test, given["marked"])
    check_gauge(bare=given["bare"] is not None, calibration=given["calibration"], full_scale=given["full_scale"],
                full_scale_counts=given["full_scale_counts"])
    calibration, full_scale_kpa = _gauge(settings, given)
    return SessionConfig(
        test=test,
        marked=marked,
        job=as_typed(given["job"]),
        repair=as_typed(given["repair"]),
        procedure=_procedure(settings, test, given),
        calibration=calibration,
        full_scale_kpa=full_scale_kpa,
        bare_unit=given["bare"],
        reconnect_s=typed("reconnect", given["reconnect"], "s", example="60 s"),
        full_scale_counts=given["full_scale_counts"],
    )


def check_range(config: SessionConfig, unit: str, where: str) -> None:
    """SettingError where the gauge's scale ends before the test does: past it nothing would warn."""
    scale_kpa = config.full_scale_kpa if config.calibration is None else config.calibration.reads_to_kpa
    needed = needed_kpa(config.procedure or resolve(config.test), config.marked)
    problem = report.too_small(scale_kpa, needed, unit)
    if problem:
        raise SettingError(problem, where=where, do="use a gauge that reads further, or check marking and limits")


def _marked(test: TestKind, text: str | None) -> Marking | None:
    if text is not None:
        try:
            return parse_marking(text)
        except SettingError as err:
            raise SettingError(err.what, where="--marked", do=err.do) from None
    if test != "tester":
        raise SettingError(
            "the cap's marking is not given", where="--marked", do="read the stamp: --marked '16 psi'"
        )
    return None


def _procedure(settings: Settings, test: TestKind, given: dict[str, Any]) -> Procedure:
    more: dict[str, Any] = limits_of(given["limits"])
    for name in more:
        of = tests_of(name)
        if not of:
            raise no_limit(name, "--limit")
        if test not in of:
            raise SettingError(f"'{name}' is a limit of {' and '.join(of)} tests, and does nothing in a {test} test",
                               where="--limit", do="leave it away")
    said_by = {"local_air_pressure" if name == "altitude" else name: f"--limit {name}" for name in more}
    for name, option in (("hold", "hold"), ("stroke_volume", "stroke_volume"),
                         ("local_air_pressure", "air_pressure"), ("local_air_pressure", "altitude")):
        if given[option] is None:
            continue
        own = f"--{option.replace('_', '-')}"
        if name in said_by:
            raise click.UsageError(f"{said_by[name]} and {own} are of the same limit: choose one.")
        said_by[name] = own
        more[name] = _air_at(given[option]) if option == "altitude" else given[option]
    return settings.procedure(test, more, named=given["procedure"])


def limits_read(procedure: Procedure, given: dict[str, Any], unit: str) -> str:
    """What the limits on the command line were read as, ``"hold 120 s, band 5 %"``; empty where none was given. A bare
    number that was meant in another unit is seen there."""
    names = [*limits_of(given["limits"]), *(name for name in ("hold", "stroke_volume") if given[name] is not None)]
    if given["air_pressure"] is not None:
        names.append("local_air_pressure")
    if given["altitude"] is not None:
        names.append("altitude")
    return ", ".join(f"{name.replace('_', ' ')} {_read_as(procedure, name, given, unit)}" for name in names)


def _read_as(procedure: Procedure, name: str, given: dict[str, Any], unit: str) -> str:
    stands_for = {"band": "band_below", "altitude": "local_air_pressure"}.get(name, name)
    found = procedure.quantity(stands_for)
    if not isinstance(found, dict):
        return str(found)
    own = found["unit"]
    if own in ("kPa", "kPa/minute"):
        shown = f"{found['value'] / pressure_factor_kpa(unit):.5g} {unit}{'/min' if own != 'kPa' else ''}"
    else:
        shown = f"{found['value']:.7g} {'%' if own == 'percent' else own}"
    if name != "altitude":
        return shown
    typed_m = given["altitude"] if given["altitude"] is not None else limits_of(given["limits"])["altitude"]
    return f"{parse_quantity(typed_m, 'm'):.5g} m ({shown} of air)"


def _air_at(altitude: str) -> float:
    """Air pressure (kPa) at a height as typed."""
    try:
        return pressure_at_altitude_kpa(parse_quantity(altitude, "m"))
    except SettingError as err:
        raise SettingError(err.what, where="--altitude", do=err.do) from None


def _gauge(settings: Settings, given: dict[str, Any]) -> tuple[Calibration | None, float | None]:
    """Calibration or full scale: the options first, then the settings file; both None: not known.

    Plain readings need neither; the settings file's calibration is used for them where it was made of such."""
    bare = given["bare"] is not None
    if given["calibration"] is not None:
        return load_calibration(given["calibration"]), None
    if given["full_scale"] is not None:
        unit = given["unit"] or "kPa"  # what is typed without a unit
        return None, sensor_scale_kpa(given["full_scale"], unit)
    if settings.calibration is not None:
        own = load_calibration(settings.calibration, settings.path)
        return (None if bare and not own.bare else own), None
    return None, None if bare else settings.full_scale_kpa
