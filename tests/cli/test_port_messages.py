"""What a user reads when the port is not as it should be: each its own line, last on standard error, exit 2, with
what to do and the ports that there are. The ports are real pseudo-terminals; only the computer's list is set."""

from __future__ import annotations

import contextlib
import errno
import os
import random
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from serial.tools import list_ports as serial_ports
from serial.tools.list_ports_common import ListPortInfo

from recorder.cli import main
from recorder.port import Port
from tests.independent_feeder import line

Say = Callable[[int], bytes]


@pytest.fixture
def speaker() -> Iterator[Callable[[Say], str]]:
    """``speaker(say)``: a pseudo-terminal on which ``say(n)`` is written a hundred times a second. Its name."""
    ends: list[int] = []
    stop = threading.Event()
    threads: list[threading.Thread] = []

    def make(say: Say) -> str:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        ends.extend((master, slave))

        def play() -> None:
            n = 0
            while not stop.wait(0.01):
                with contextlib.suppress(OSError):
                    os.write(master, say(n))
                n += 1

        threads.append(threading.Thread(target=play, daemon=True))
        threads[-1].start()
        return os.ttyname(slave)

    yield make
    stop.set()
    for thread in threads:
        thread.join()
    for end in ends:
        os.close(end)


@pytest.fixture
def others(speaker: Callable[[Say], str], monkeypatch: pytest.MonkeyPatch) -> Callable[[str], list[str]]:
    """``others(url)``: from now on the computer lists ``url`` and two more; those two."""

    def make(url: str) -> list[str]:
        two = [speaker(lambda n: b"") for _ in range(2)]
        monkeypatch.setattr(serial_ports, "comports", lambda: [ListPortInfo(u) for u in (url, *two)])
        return two

    return make


def recorded(url: str, folder: Path, *more: str) -> str:
    """The last line on standard error; nothing else but hints, cautions and the live line stand before it."""
    scale = [] if "--bare" in more else ["--full-scale", "30 psi"]
    got = CliRunner().invoke(
        main, ["record", "--port", url, "--test", "cap", "--marked", "16 psi", "--folder", str(folder), *scale, *more]
    )
    assert got.exit_code == 2 and got.stdout == "" and "Traceback" not in got.stderr, got.output
    assert not list(folder.glob("*.csv"))
    last = got.stderr.splitlines()[-1]
    assert last.startswith(f"{url}: ")
    return last


def noise(n: int) -> bytes:
    return random.Random(n).randbytes(20)


@pytest.mark.parametrize(
    ("say", "wait", "words"),
    [
        (lambda n: b"", "SILENT_S", ["nothing has arrived", "power", "other ports"]),
        (noise, "WRONG_SPEED_S", ["not one valid line", "--baud", "--bare", "other ports"]),
        (lambda n: b"%.2f\r\n" % (0.01 * n), "WRONG_SPEED_S",
         ["not one valid line", "plain numbers", "--bare UNIT", "other ports"]),
        (lambda n: b"S,%d,%d,103,,\n" % (n, n * 10000), "WRONG_SPEED_S",
         ["for instance 'S,", "put '*' and the check", "other ports"]),
        (lambda n: line(f"S,{n},{n * 10000},103,,"), "ANNOUNCEMENT_S", ["full scale", "--full-scale-counts"]),
        (lambda n: line("A,2,hose-1,1.0,1023,100"), "", ["wire version 2"]),
    ],
    ids=["silent", "wrong-speed", "plain-numbers", "no-check", "nameless", "other-version"],
)
def test_what_comes_is_no_adapter(
    say: Say, wait: str, words: list[str], speaker: Callable[[Say], str], others: Callable[[str], list[str]],
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """wait: what has to pass before it is said, 5 or 6 s, not waited for here; the others stay as they are, for on a
    busy computer a second may pass before the first byte comes."""
    if wait:
        monkeypatch.setattr(f"recorder.session.patience.{wait}", 0.7)
    url = speaker(say)
    there = others(url)
    last = recorded(url, tmp_path)
    for word in words:
        assert word in last
    if "other ports" in words:
        assert last.endswith(f"; other ports there are: {', '.join(sorted(there))}")


def test_the_only_port_is_said_to_be_the_only_one(
    speaker: Callable[[Say], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where it is named by a link, as those under /dev/serial/by-id are."""
    monkeypatch.setattr("recorder.session.patience.SILENT_S", 0.3)
    url = speaker(lambda n: b"")
    link = tmp_path / "usb-gauge"
    link.symlink_to(url)
    monkeypatch.setattr(serial_ports, "comports", lambda: [ListPortInfo(url)])
    assert recorded(str(link), tmp_path).endswith("; there is no other port")


def test_no_such_port(others: Callable[[str], list[str]], tmp_path: Path) -> None:
    there = sorted(["/dev/ttyGauge0", *others("/dev/ttyGauge0")])
    last = recorded(str(tmp_path / "ttyNone"), tmp_path)
    assert "no such port" in last and "plug the adapter in" in last
    assert last.endswith(f"; ports there are: {', '.join(there)}")


@pytest.mark.parametrize("command", [["adapter"], ["conform"], ["calibrate"],
                                     ["record", "--test", "cap", "--marked", "16 psi"]])
def test_of_a_port_that_is_not_there_one_line_is_enough(command: list[str], tmp_path: Path) -> None:
    """Neither what is assumed of the sensor nor how to take pairs is said beside it."""
    done = CliRunner().invoke(main, [*command, "--port", str(tmp_path / "ttyNone")])
    assert done.exit_code == 2 and done.stdout == ""
    assert len(done.stderr.splitlines()) == 1 and "no such port" in done.stderr, done.stderr


def test_busy(speaker: Callable[[Say], str], others: Callable[[str], list[str]], tmp_path: Path) -> None:
    url = speaker(lambda n: b"")
    there = others(url)
    holder = Port(url)
    holder.open()
    try:
        last = recorded(url, tmp_path)
    finally:
        holder.close()
    assert "another program holds the port; close that program" in last
    assert last.endswith(f"; other ports there are: {', '.join(sorted(there))}")


def test_no_permission(
    others: Callable[[str], list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system's own refusal; root may open everything, so for root the call is made to refuse."""
    path = tmp_path / "gauge"
    path.touch(mode=0o000)
    if os.geteuid() == 0:
        real = os.open

        def refuse(name: object, *a: int, **k: int) -> int:
            if str(name) == str(path):
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
            return real(name, *a, **k)  # type: ignore[arg-type]

        monkeypatch.setattr(os, "open", refuse)
    there = others(str(path))
    last = recorded(str(path), tmp_path)
    assert "no permission to open the port; " in last
    assert last.endswith(f"; other ports there are: {', '.join(sorted(there))}")


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("socket://127.0.0.1:{closed}", "the bridge cannot be reached (Connection refused)"),
        ("rfc2217://127.0.0.1:{closed}", "the bridge cannot be reached (Connection refused)"),
        ("socket://bridge.invalid:4000", "the bridge cannot be reached ("),  # RFC 6761: never a host
        ("socket://127.0.0.1", "the network port has no port number"),
        ("socket://127.0.0.1:99999", "no port number from 0 to 65535"),
        ("rfc2217://", "the network port has no address"),
    ],
)
def test_a_network_port_is_no_plug(url: str, said: str, tmp_path: Path) -> None:
    """A bridge that is not there: what to check is its address, not a cable of this computer."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = server.getsockname()[1]
    last = recorded(url.format(closed=closed), tmp_path)
    assert said in last and "; check address and port of the bridge" in last
    assert "plug the adapter" not in last and "Errno" not in last and "'<='" not in last


def test_the_wire_format_read_as_plain_numbers(speaker: Callable[[Say], str], tmp_path: Path) -> None:
    url = speaker(lambda n: line("A,1,other-3,0.9,4095,100") if n % 100 == 0 else line(f"S,{n},{n * 10_000},410,,"))
    assert "leave out --bare" in recorded(url, tmp_path, "--bare", "kPa")


def test_samples_that_cannot_be_used(speaker: Callable[[Say], str], tmp_path: Path) -> None:
    url = speaker(lambda n: line("A,1,other-3,0.9,4095,100") if n % 100 == 0 else line(f"S,{n},{n * 10_000},41.0,,"))
    said = recorded(url, tmp_path)
    assert "41.0,,*" in said and f"'recorder conform --port {url}'" in said


def test_another_wire_version(speaker: Callable[[Say], str], tmp_path: Path) -> None:
    url = speaker(lambda n: line("A,2,other-3,0.9,4095,100") if n % 100 == 0 else line(f"S,{n},{n * 10_000},410,,"))
    said = recorded(url, tmp_path, "--full-scale-counts", "4095")
    assert "wire version 2" in said and "update the recorder" in said


def test_plain_numbers_without_calibration_are_said_to_be_so(
    speaker: Callable[[Say], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No uncertainty of the gauge is in any of its results; and a comma in a number is shown with what to do."""
    monkeypatch.setattr("recorder.session.patience.NO_ROW_S", 2.0)  # on a busy computer too a line comes in it
    url = speaker(lambda n: b"0,%02d\r\n" % (n % 90))
    got = CliRunner().invoke(main, ["record", "--port", url, "--test", "tester", "--bare", "kPa",
                                    "--folder", str(tmp_path)])
    assert got.exit_code == 2 and got.stderr.splitlines()[0].startswith("not calibrated: ")
    assert "not one plain number a line: '0," in got.stderr and "with a point and no unit" in got.stderr
    monkeypatch.setattr("recorder.cli._gather.SILENT_S", 2.0)
    got = CliRunner().invoke(main, ["adapter", "--port", url, "--bare", "kPa", "--seconds", "5"])
    assert got.exit_code == 2 and "with a point and no unit" in got.stderr and "needs --bare" not in got.stderr


@pytest.mark.parametrize("command", ["record --test tester", "adapter", "calibrate"])
def test_a_full_scale_beyond_all_counts_is_refused_before_the_port_is_opened(command: str) -> None:
    """It ended a test with the first reading, by a fault of the program: no float is so large."""
    got = CliRunner().invoke(main, [*command.split(), "--port", "/dev/none", "--full-scale-counts", "9" * 400])
    assert got.exit_code == 2 and "--full-scale-counts" in got.stderr and "4294967295" in got.stderr
