"""``recorder conform``: does an adapter, or what was captured from one, speak the wire format?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli import _options
from recorder.cli._common import Number
from recorder.cli._plain import put_data
from recorder.errors import PortLost, RecorderError, SilentAdapter
from recorder.model import USUAL_BAUD
from recorder.settings import load_settings

if TYPE_CHECKING:
    from recorder.wire.clock_speed import ClockSpeed
    from recorder.wire.conformance import RuleResult

CLOCK_SEEN_S = 2.0  # of samples, by this computer's clock: more than what a driver may have kept from before


@click.command("conform")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--port", metavar="URL", help="Listen to the adapter on this port (default: the settings file's).")
@click.option(
    "--seconds",
    type=Number(min=1, max=3600),
    default=12.0,
    show_default=True,
    help="How long to listen; two announcements need more than 10 s.",
)
@_options.baud
@click.option("--json", "as_json", is_flag=True, help="One JSON array on standard output.")
def command(file: Path | None, port: str | None, seconds: float, baud: int | None, as_json: bool) -> None:
    """Check an adapter, or a captured byte FILE, against each rule of the wire format.

    Exit 0: no rule failed. 1: a rule failed. 2: there is nothing to judge. Ctrl-C ends the listening early.

    \b
    Example:
      recorder conform capture.bin
      recorder conform --port /dev/ttyUSB0
    """
    from recorder.wire.conformance import check_bytes

    if file is None:
        settings = load_settings()
        port, baud = port or settings.port, baud or settings.baud
    if (file is None) == (port is None):
        raise click.UsageError("Give a FILE of captured bytes, or --port to listen to the adapter.")
    if file is not None:
        from recorder.recording import is_ledger

        where = str(file)
        if is_ledger(file):
            raise RecorderError("this is the ledger of its folder, and nothing that an adapter sent", where=where,
                                do="name a file of bytes that were captured")
        try:
            if file.exists() and not (file.is_file() or file.is_dir()):  # of a port the reading would never end
                raise RecorderError("this is a device or pipe, and no file of bytes that were captured", where=where,
                                    do=f"listen to an adapter with --port {where}")
            data = file.read_bytes()
        except OSError as error:
            raise RecorderError(f"cannot be read ({error.strerror})", where=where, do="check the name") from None
        results = check_bytes(data)
        if not data.strip():
            raise RecorderError("nothing in it", where=where, do="capture at least 12 s of the adapter")
    else:
        where = str(port)
        data, *live = _listen(where, seconds, baud or USUAL_BAUD)
        results = [*check_bytes(data), *live]
    if as_json:
        import json

        put_data(json.dumps([r.to_json() for r in results], indent=1))
    else:
        _print(where, data, results, None if file is not None else baud or USUAL_BAUD)
    sys.exit(1 if any(r.state == "failed" for r in results) else 0)


def _print(where: str, data: bytes, results: list[RuleResult], baud: int | None) -> None:
    from recorder.wire.likeness import looks_like

    width = max(len(r.rule) for r in results)
    for r in results:
        click.echo(f"{r.state:8}  {r.rule:{width}}  {r.text}")
        if r.state == "failed":
            times = f" ({r.offences} times)" if r.offences > 1 else ""
            place = f"line {r.line}: " if r.line else ""
            click.echo(f"{'':10}{place}{r.what}{times}")
            if r.shown:
                click.echo(f"{'':12}{r.shown}")
            click.echo(f"{'':10}-> {r.do}")
    failed = sum(r.state == "failed" for r in results)
    unseen = sum(r.state == "not seen" for r in results)
    passed = len(results) - failed - unseen
    click.echo(
        f"{where}: {data.count(10)} lines; {passed} rules passed, {failed} failed, "
        f"{unseen} not seen"
    )
    for said in _heard(data):
        click.echo(said)
    alike = looks_like(data, baud)
    if alike is not None:
        click.echo(f"No line, or hardly one, is in the wire format: {alike.what}, for instance '{alike.shown}'.")
        click.echo(f"-> {alike.do}")


def _heard(data: bytes) -> list[str]:
    """What breaks no rule, and a maker wants to know: which faults were reported, and whether it started again."""
    from collections import Counter

    import numpy as np

    from recorder.model import Fault, SampleBlock
    from recorder.wire import Decoder
    from recorder.wire.steps import steps_of

    decoder = Decoder()
    decoder.feed(data)
    messages = decoder.take()
    out = []
    faults = Counter(m.word for m in messages if isinstance(m, Fault))
    if faults:
        out.append("faults reported: " + ", ".join(f"{word} ({n} lines)" for word, n in faults.items()))
    blocks = [m for m in messages if isinstance(m, SampleBlock)]
    if blocks:
        seq, us = (np.concatenate([getattr(b, name) for b in blocks]) for name in ("seq", "device_us"))
        restarts = steps_of(seq, us, np.zeros(len(seq))).restarts
        if restarts:
            times = "once" if restarts == 1 else f"{restarts} times"
            out.append(f"it started again {times}: its supply, or its watchdog?")
    return out


def _listen(url: str, seconds: float, baud: int) -> tuple[bytes, RuleResult, RuleResult]:
    """The bytes of ``seconds``, whether ``?`` was answered within a second, and how fast the adapter's clock runs.

    An answer is an announcement close after the question. An adapter that is unplugged breaks no rule by that: what
    came before is judged.
    Raises OpenError, PortLost, SilentAdapter.
    """
    import time

    from recorder.cli._drive import StopSignals
    from recorder.cli._question import Question
    from recorder.cli._unheld import say_unheld
    from recorder.model import SampleBlock
    from recorder.port import Chunk, Lost, Port, check_port
    from recorder.wire import Decoder
    from recorder.wire.clock_speed import ClockSpeed

    data = bytearray()
    decoder, speed = Decoder(), ClockSpeed()
    question = Question(seconds)
    port = Port(url, baud=baud)
    port.open()
    lost = False
    try:
        begin = time.monotonic()
        with StopSignals() as stop:
            while (now := time.monotonic() - begin) < seconds and stop.why is None and not lost:
                for item in port.take():
                    if isinstance(item, Lost):
                        lost = True
                        break
                    if isinstance(item, Chunk):
                        data += item.data
                        question.heard(now)
                        decoder.feed(item.data)
                        for block in decoder.take():
                            if isinstance(block, SampleBlock):
                                speed.add(block, item.host_s)
                if port.failure is not None:
                    raise port.failure
                if not question.done and question.due(now, _announcements(data)):
                    port.write(b"?\n")
                time.sleep(0.01)
    finally:
        port.close()
    if lost:
        del data[data.rfind(b"\n") + 1 :]  # the line that the plug was pulled in
    if not data.strip():
        if lost:
            raise PortLost("the adapter went away before anything came", where=url, do="check its plug and cable")
        if stop.why is not None:
            raise click.Abort
        raise SilentAdapter(f"nothing arrived in {seconds:g} s", where=url, do=check_port(url))
    if lost or stop.why is not None:
        why = "the adapter went away; " if lost else ""
        say_unheld(f"cut short: {why}judged on the {now:.0f} s that had come of {seconds:g} s")
    return bytes(data), _answers(question.answers), _clock_speed(speed)


def _answers(answers: list[bool]) -> RuleResult:
    from recorder.wire.conformance import RuleResult

    return RuleResult(
        rule="answers",
        text="? and LF is answered with an announcement within 1 s",
        state="failed" if not all(answers) else "passed" if answers else "not seen",
        what="no announcement came after ?" if not all(answers) else "",
        do="read the port, and send the A line when ? and LF have come",
        offences=answers.count(False),
    )


def _clock_speed(speed: ClockSpeed) -> RuleResult:
    from recorder.wire.clock_speed import said
    from recorder.wire.conformance import RuleResult

    wrong = said(speed.device_s, speed.host_s) if speed.host_s >= CLOCK_SEEN_S else None
    return RuleResult(
        rule="clock-speed",
        text="the clock counts microseconds: it runs as this computer's does",
        state="failed" if wrong else "passed" if speed.host_s >= CLOCK_SEEN_S else "not seen",
        what=wrong[0] if wrong else "",
        do=wrong[1] if wrong else "",
        offences=int(wrong is not None),
    )


def _announcements(data: bytearray) -> int:
    return data.count(b"\nA,") + (data[:2] == b"A,")
