"""``recorder try``: the whole job with no hardware, on the simulated tester."""

from __future__ import annotations

import shlex
import shutil
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder import report
from recorder.cli import _options
from recorder.cli._common import dump, print_judgement
from recorder.cli._drive import StopSignals, drive
from recorder.cli._live import LiveLine
from recorder.cli._plain import put_data
from recorder.errors import RecorderError

if TYPE_CHECKING:
    from recorder.rig import DemoTest, SimulatedTester, Trace
    from recorder.session import Finished, Session

__all__ = ["command"]

_NOTHING = "stopped: nothing of this test was recorded"
_QUIET_S = 0.5  # after the last byte is written, the reader has long passed it on


class _Played:
    """Says that the simulated tester has played its trace, or broke, and all that it wrote has arrived."""

    def __init__(self, tester: SimulatedTester, session: Session) -> None:
        self._tester, self._session = tester, session
        self._seen, self._since = -1, time.monotonic()

    def __call__(self) -> bool:
        samples = self._session.counts.samples
        if samples != self._seen or not (self._tester.finished or self._tester.error):
            self._seen, self._since = samples, time.monotonic()
        return time.monotonic() - self._since > _QUIET_S


@click.command("try")
@click.option("--fast", is_flag=True, help="Do not wait for real time.")
@click.option("--folder", metavar="DIR", default="try-recordings", show_default=True,
              help="Where the recordings go.")
@_options.shown_unit
@click.option("--json", "as_json", is_flag=True, help="Print one judgement a line, as JSON.")
@click.pass_context
def command(ctx: click.Context, fast: bool, folder: str, unit: str | None, as_json: bool) -> None:
    """The whole job with no hardware, on the simulated tester.

    A scenario of our own: a cap that passes, a cap that opens low, a system with a slow leak, the same
    system after repair. The simulated tester speaks the wire format over a pseudo-terminal; every test is
    recorded to a file, judged and printed. The files go to a folder of their own, away from real tests.

    Example: recorder try --fast
    """
    if sys.platform == "win32":
        raise RecorderError("the simulated tester needs a pseudo-terminal, which Windows does not have",
                            where="recorder try", do="try it on Linux or macOS, or in WSL")
    from recorder.recording import check_folder
    from recorder.rig import demo, simulate
    from recorder.settings import load_settings

    settings = load_settings()
    check_folder(Path(folder))
    shown_unit = unit or settings.unit
    paths: list[str] = []
    with StopSignals() as stop:
        for part in demo():
            live = LiveLine(part.test, shown_unit)
            ctx.call_on_close(live.close)
            live.say(f"== {part.name}: {report.test_name(part.test)} (simulated)")
            trace = simulate(part.scene)
            if stop.asked():
                live.say(_NOTHING)
                break
            done = _recorded(part, trace, live, stop, Path(folder), fast=fast)
            if done.path is None:
                live.say(_NOTHING)
                break
            with stop.may_end():
                if as_json:
                    put_data(dump(done.judgement, file=str(done.path)))
                else:
                    print_judgement(done.judgement, shown_unit, simulated=True, live=True)
                    click.echo(f"recorded in {done.path}\n")
            paths.append(str(done.path))
            if stop.why is not None:
                break
    if not as_json and stop.why is None:
        click.echo(f"{len(paths)} recordings; judge them again with: {_called()} judge {shlex.quote(folder)}/*.csv")
    ctx.exit(0)


def _called() -> str:
    """How this program is called again: by its name where the shell finds it so, else as it was called now, for an
    environment need not be activated."""
    own, found = sys.argv[0], shutil.which("recorder")
    if Path(own).name != "recorder" or not Path(own).is_file() or (found is not None and Path(found).samefile(own)):
        return "recorder"
    return shlex.quote(own)


def _recorded(part: DemoTest, trace: Trace, live: LiveLine, stop: StopSignals, folder: Path, *, fast: bool) -> Finished:
    """One test of the demo; without a path it was stopped before anything was recorded. RecorderError."""
    from recorder.limits import resolve
    from recorder.port import Port
    from recorder.rig import SimulatedTester
    from recorder.session import Session, SessionConfig

    config = SessionConfig(
        test=part.test, marked=part.marked, job=part.job, repair=part.repair,
        procedure=resolve(part.test, {"stroke_volume": part.stroke_volume_ml}),
        calibration=trace.calibration, simulated=True,
    )
    with SimulatedTester(trace, speed=None if fast else 1.0) as tester:
        port = Port(tester.url)
        port.open()
        try:
            session = Session(config, port=port, folder=folder)
            done, error = drive(session, live, stop, over=_Played(tester, session), pause_s=0.001 if fast else 0.02)
        finally:
            port.close()
    if done.path is None and stop.why is not None:
        return done
    if tester.broken is not None:
        raise tester.broken
    if error is not None:
        raise error
    if done.path is None:
        raise RecorderError("the simulated tester sent nothing", where="recorder try", do="run it again")
    return done
