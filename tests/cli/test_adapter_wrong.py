"""``recorder adapter`` and ``conform`` before adapters whose firmware is wrong, on real pseudo-terminals: each is told
what is wrong with it. And what is judged when it is ended early."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from binascii import crc_hqx
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from recorder.cli import main
from tests.cli.board import board
from tests.cli.terminal import ROOT, Screen, at_a_terminal

A = "A,1,hose-7,1.0,1023,100"
_RNG = random.Random(4)


def line(body: str, digits: str = "%04X") -> bytes:
    return f"{body}*{digits % crc_hqx(body.encode(), 0)}\n".encode()


def sent(n: int, *, announce: str = A, digits: str = "%04X", **change: object) -> bytes:
    """What a board of 10 bits with the hose open sends at sample n, but for ``change``."""
    counts = 103 + _RNG.choice((0, 0, 1, -1))
    at: dict[str, object] = {"seq": n % 65536, "us": n * 10_000, "counts": counts, "supply": ""}
    at |= change
    first = line(announce, digits) if announce and n % 100 == 0 else b""
    return first + line("S,{seq},{us},{counts},{supply},".format(**at), digits)


def adapter(url: str, *more: str) -> Result:
    return CliRunner().invoke(main, ["adapter", "--port", url, "--seconds", "5", "--full-scale", "207 kPa", *more])


@pytest.mark.parametrize(("speaks", "what", "do"), [
    (lambda n: sent(n, digits="%04x"), "has lower-case digits", "%04X, not %04x"),
    (lambda n: sent(n, counts="103.40"), "counts '103.40' is not a whole number", "not volts"),
    (lambda n: sent(n, supply=0), "supply counts '0'", "leave the field empty"),
    (lambda n: sent(n).replace(b"*", b",")[:-5] + b"\n", "no '*' and check at the end", "behind every line"),
    (lambda n: b"Pressure: %.2f kPa\r\n" % _RNG.gauss(0, 0.1), "words or units around them", "print the number alone"),
    (lambda n: b"%d\r\n" % (103 + n % 2), "plain numbers, one a line", "--bare does not take them"),
    (lambda n: bytes(_RNG.choice(b"\x80\xfe\xf8\x00\x1c\xe0") for _ in range(20)), "noise, no text", "--baud"),
    (lambda n: sent(n).replace(b"\n", b"\r"), "CR alone", r"'\n'"),
], ids=["lower case", "floats", "supply 0", "no check", "label", "bare counts", "noise", "cr"])
def test_an_adapter_none_of_whose_samples_can_be_used_is_told_why(
    speaks: Callable[[int], bytes], what: str, do: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("recorder.cli._gather.SILENT_S", 1.0)
    with board(speaks) as url:
        got = adapter(url)
    assert got.exit_code == 2 and got.stderr.count("\n") == 1, got.output
    assert got.stderr.startswith(f"{url}: ") and what in got.stderr and do in got.stderr
    assert "power" not in got.stderr and "never announced" not in got.stderr


@pytest.mark.parametrize(("change", "what", "do"), [
    ({"us": lambda n: n * 10}, "looks like milliseconds", "micros()"),
    ({"us": lambda n: 0}, "it stands still", "microseconds"),
    ({"us": lambda n: n * 10_000 % 65536}, "its clock goes back", "uint32_t"),
    ({"seq": lambda n: 7}, "its sequence stands still", "add one"),
])
def test_what_nothing_can_be_measured_by_is_said_soon(
    change: dict[str, Callable[[int], Any]], what: str, do: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not after the three minutes that were asked for."""
    monkeypatch.setattr("recorder.cli.adapter.FIRST_LOOK_S", 4.0)
    begin = time.monotonic()
    with board(lambda n: sent(n, **{name: of(n) for name, of in change.items()})) as url:
        got = adapter(url, "--seconds", "180")
    assert got.exit_code == 2 and got.stderr.count("\n") == 1, got.output
    assert got.stderr.startswith(f"{url}: the adapter cannot be judged: ") and what in got.stderr and do in got.stderr
    assert time.monotonic() - begin < 60.0


def test_an_adapter_without_announcements_is_told_soon_and_looked_at_with_its_full_scale(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("recorder.cli.adapter.FIRST_LOOK_S", 2.0)
    with board(lambda n: sent(n, announce="")) as url:
        none = adapter(url, "--seconds", "180")
        given = adapter(url, "--full-scale-counts", "1023")
        plain = CliRunner().invoke(main, ["adapter", "--port", url, "--bare", "kPa", "--full-scale-counts", "1023"])
    assert none.exit_code == 2 and "never announced itself" in none.stderr and "--full-scale-counts" in none.stderr
    assert given.exit_code == 0 and given.stdout.startswith("without a name: MARGINAL"), given.output
    assert "because it never announced itself" in given.stdout and "(announced: nothing)" in given.stdout
    assert plain.exit_code == 2 and plain.stderr.startswith("--full-scale-counts: ")
    with board(lambda n: sent(n, announce="A,1,hose,seven,1.0,1023,100")) as url:
        spoilt = adapter(url)
    assert "cannot be used: 'A,1,hose,seven,1.0,1023,100*ECA2'" in spoilt.stderr
    with board(sent) as url:
        other = adapter(url, "--full-scale-counts", "4095")
    assert other.stderr.count("announces a full scale of 1023 counts: that is taken") == 1


@pytest.mark.parametrize(("speaks", "verdict", "because"), [
    (lambda n: sent(n, counts=410 + n % 3), "NOT FIT", "410 counts|411 counts would be right for a full scale of 4095"),
    (lambda n: sent(n, counts=2048 + n % 3), "NOT FIT", "counts go up to 2050, and it announces 1023"),
    (lambda n: sent(n, supply=5000), "NOT FIT", "supply counts are above the 1023 .* not millivolts"),
    (lambda n: sent(n, seq=n % 256), "MARGINAL", r"sequence goes back once .*\(after 255\)"),
    (lambda n: sent(n, seq=n * 10 % 65536), "NOT FIT", "lost on the way: its sequence goes up by 10 each time"),
    (lambda n: sent(n, counts=103), "MARGINAL", "never moved by a single count"),
    # an absolute sensor of 207 kPa at 101.3 kPa (standard atmosphere)
    (lambda n: sent(n, counts=round(1023 * (0.1 + 0.8 * 101.3 / 207)) + n % 3), "NOT FIT",
     "as an absolute sensor reads it"),
])
def test_what_is_wrong_with_the_counts_is_named(speaks: Callable[[int], bytes], verdict: str, because: str) -> None:
    with board(speaks) as url:
        got = adapter(url)
    assert f"hose-7: {verdict}" in got.stdout, got.output
    assert re.search(because, " ".join(x for x in got.stdout.splitlines() if x.startswith("  because"))), got.stdout


def test_the_fault_is_named() -> None:
    def pulled(n: int) -> bytes:
        return sent(n, counts=0) + (line(f"F,{n * 10_000},open") if n % 50 == 0 else b"")

    with board(pulled) as url:
        got = adapter(url)
        told = CliRunner().invoke(main, ["conform", "--port", url, "--seconds", "2"])
    assert got.exit_code == 1 and "(the latest: open), readings at an end" in got.stdout, got.output
    assert re.search(r"because the adapter reported a fault (9|10|11) times", got.stdout)  # two a second
    assert "faults reported: open (" in told.stdout and "passed    fault-word" in told.stdout


def test_chatter_between_the_lines_is_shown() -> None:
    with board(lambda n: (b"rea\x1b[2Jding\r\n" if n % 10 == 0 else b"") + sent(n)) as url:
        got = adapter(url)
    assert r"  the latest dropped  'rea\x1b[2Jding'" in got.stdout and "\x1b" not in got.stdout
    assert "  seen through        a sensor of 207 kPa (30 psi) full scale" in got.stdout


def test_ctrl_c_reports_on_what_has_come() -> None:
    """And says that it was cut short; where that is too little, how much it takes."""
    def after(seconds: float, announce: str = A) -> tuple[Screen, int]:
        since: list[float] = []

        def during(screen: Screen) -> None:
            if "listening" in screen.text and not since:
                since.append(time.monotonic())
            if since and time.monotonic() - since[0] > seconds:
                since[:] = [time.monotonic() - seconds + 20.0]  # again, should the terminal of a busy machine lose it
                screen.press(b"\x03")

        with board(lambda n: sent(n, announce="") + (line(announce) if announce else b"")) as url:
            return at_a_terminal(["adapter", "--port", url, "--full-scale", "207 kPa"], 100, during=during)

    screen, code = after(6.0)
    assert code == 0 and re.search(r"hose-7: FIT to use, as far as [567] s can tell", screen.text), screen.text
    assert "cut short by Ctrl-C: judged on what had come of 180 s" in screen.words
    assert "slow drift was not measured" in screen.words
    screen, code = after(2.5)  # samples enough, and nothing slow is known by them
    assert code == 2 and "FIT" not in screen.words
    assert re.search(r"cut short \(by Ctrl-C\): an adapter is judged on 5 s or more, and [23]\.\d s had come; "
                     "let it run for 5 s at least, better for all of 180 s", screen.words), screen.text
    screen, code = after(0.3, announce="")
    assert code == 2 and "cut short (by Ctrl-C): the adapter had not announced itself yet" in screen.words


def test_conform_holds_the_adapters_clock_against_this_computers() -> None:
    """A clock of milliseconds, with a rate to match it: the lines alone cannot tell."""
    args = ["--seconds", "4", "--json"]
    with board(lambda n: sent(n, us=n * 10, announce="A,1,hose-7,1.0,1023,100000")) as url:
        wrong = CliRunner().invoke(main, ["conform", "--port", url, *args])
    with board(sent) as url:
        right = CliRunner().invoke(main, ["conform", "--port", url, *args])
    found, good = ({r["rule"]: r for r in json.loads(x.stdout)} for x in (wrong, right))
    assert found["rate"]["state"] != "failed" and good["clock-speed"]["state"] == "passed"
    assert found["clock-speed"]["state"] == "failed" and "looks like milliseconds" in found["clock-speed"]["what"]


def test_conform_ended_early_judges_what_has_come() -> None:
    with board(sent) as url:
        child = subprocess.Popen([sys.executable, "-m", "recorder", "conform", "--port", url, "--seconds", "3600"],
                                 cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        fds = Path(f"/proc/{child.pid}/fd")
        end = time.monotonic() + 60.0
        while not any(os.path.realpath(fd) == url for fd in fds.iterdir()):  # until it reads the port
            assert time.monotonic() < end
            time.sleep(0.1)
        time.sleep(2.0)
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=30)
    assert child.returncode == 0, out
    assert err.startswith("cut short: judged on the ") and "passed    check " in out and " 0 failed" in out
