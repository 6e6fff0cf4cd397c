"""Builds the firmware and the host that runs it. What is missing on a machine is said, plainly."""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
import time
from binascii import crc_hqx
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import serial

HERE = Path(__file__).parent
NOTES = HERE.parent.parent / "firmware_notes"
ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")
PACKAGES = "gcc-avr avr-libc arduino-core-avr libsimavr-dev libelf-dev"


def run(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stdout}{done.stderr}"


def need(*things: str | Path) -> None:
    for thing in things:
        there = thing.exists() if isinstance(thing, Path) else shutil.which(thing)
        if not there:
            pytest.skip(f"firmware was NOT built and run: {thing} is missing (install {PACKAGES})")


def make_value(name: str) -> str:
    """A variable of the makefile, so that the tests build with the flags that makers use."""
    text = (NOTES / "avr_c" / "Makefile").read_text()
    found = re.search(rf"^{name} = (.*)$", text, re.MULTILINE)
    assert found
    return found[1]


@dataclass(frozen=True)
class Sample:
    seq: int
    us: int
    counts: int
    supply: int | None


def parse(data: bytes) -> tuple[list[Sample], list[tuple[int, str]], list[str]]:
    """Samples, faults, announcements of whole lines; an independent reader that allows nothing
    but perfect lines (the last one may be cut)."""
    samples, faults, announcements = [], [], []
    for line in data.split(b"\n")[:-1]:
        body, star, check = line.rpartition(b"*")
        assert star and check == b"%04X" % crc_hqx(body, 0), line
        kind, *fields = body.decode("ascii").split(",")
        if kind == "S":
            seq, us, counts, supply, temp = fields
            assert temp == ""
            samples.append(Sample(int(seq), int(us), int(counts), int(supply) if supply else None))
        elif kind == "F":
            faults.append((int(fields[0]), fields[1]))
        else:
            assert kind == "A", line
            announcements.append(body.decode("ascii"))
    return samples, faults, announcements


@dataclass
class Board:
    """A simulated board. ``url`` is the pseudo-terminal of its serial port."""

    process: subprocess.Popen[str]
    url: str
    ended: threading.Event
    log: Path | None = (
        None  # of the lines it has begun to send, where the host was told to write one
    )
    dropped_bytes: int = 0  # known when it has ended; only where the host was told to drop

    def wait_until(self, board_s: float) -> None:
        """Until the board's own time is there, however fast it runs here; or it has ended."""
        assert self.log is not None
        while not self.ended.is_set():
            rows = self.log.read_text().splitlines() if self.log.exists() else []
            if len(rows) > 1 and int(rows[-2].split()[1]) >= board_s * 16e6:
                return
            time.sleep(0.02)

    def go(self) -> None:
        assert self.process.stdin
        self.process.stdin.write("go\n")
        self.process.stdin.flush()

    def wait(self) -> None:
        assert self.process.stdout
        word = self.process.stdout.readline()
        assert word.startswith("done"), word
        self.dropped_bytes = int(word.split()[2])
        self.ended.set()

    def read_all(self, ask: bytes = b"", stall: tuple[int, float] | None = None) -> bytes:
        """Everything it sends through pyserial, from boot to the end of the run.

        stall: (bytes, s): once that many have come, the reader takes nothing until the board's time is s."""
        data = bytearray()
        with serial.serial_for_url(self.url, 115200, timeout=0.05) as port:
            self.go()
            if ask:
                port.write(ask)
            waiter = threading.Thread(target=self.wait, name="board-end")
            waiter.start()
            last = time.monotonic()
            while True:
                got = port.read(65536)
                data += got
                if stall is not None and len(data) >= stall[0]:
                    self.wait_until(stall[1])
                    stall = None
                if got:
                    last = time.monotonic()
                elif self.ended.is_set() or time.monotonic() > last + 20:
                    break
            waiter.join(5)
        return bytes(data)

    def stop(self) -> None:
        assert self.process.stdin and self.process.stdout
        self.process.stdin.close()
        try:
            self.process.wait(3)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()


def build_sketch(folder: Path, out: Path, flags: list[str]) -> None:
    """The sketch as the Arduino tools build it; warnings are errors in ours, not in the core."""
    need(ARDUINO / "cores" / "arduino" / "Arduino.h")
    core = ARDUINO / "cores" / "arduino"
    common = [
        *("-mmcu=atmega328p", "-DF_CPU=16000000UL", "-DARDUINO=10819", "-DARDUINO_ARCH_AVR"),
        # this avr-gcc has no DECIMAL_DIG in C++
        *("-DDECIMAL_DIG=__DECIMAL_DIG__", "-Os", "-ffunction-sections", "-fdata-sections"),
        *(f"-I{core}", f"-I{ARDUINO / 'variants' / 'standard'}"),
    ]
    cpp = ["-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics"]
    objects = []
    for name in (
        *("wiring.c", "hooks.c", "main.cpp", "abi.cpp", "Print.cpp"),
        *("HardwareSerial.cpp", "HardwareSerial0.cpp", "WString.cpp"),
    ):
        made = folder / f"{name}.o"
        if not made.exists():
            c = name.endswith(".c")
            tool = ["avr-gcc", "-std=gnu11"] if c else ["avr-g++", *cpp]
            run(*tool, *common, "-w", "-c", str(core / name), "-o", str(made))
        objects.append(str(made))
    sketch = out.with_suffix(".o")
    run(
        *("avr-g++", *cpp, *common, "-Wall", "-Wextra", "-Werror", *flags),
        *("-x", "c++", "-include", "Arduino.h", "-c"),
        *(str(NOTES / "arduino" / "hose_adapter" / "hose_adapter.ino"), "-o", str(sketch)),
    )
    run(
        *("avr-gcc", "-mmcu=atmega328p", "-Os", "-Wl,--gc-sections"),
        *(str(sketch), *objects, "-o", str(out)),
    )


Build = Callable[..., Path]
Start = Callable[..., Board]
