"""Fixtures that build the firmware and run it on a simulated board."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.firmware.firmware_board import (
    HERE,
    NOTES,
    Board,
    Build,
    Start,
    build_sketch,
    make_value,
    need,
    run,
)


@pytest.fixture(scope="session")
def host(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need("gcc", Path("/usr/include/simavr/sim_avr.h"), Path("/usr/include/libelf.h"))
    out = tmp_path_factory.mktemp("host") / "host"
    run(
        *("gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", str(out), str(HERE / "host.c")),
        *("-lsimavr", "-lelf", "-lutil", "-lm"),
    )
    return out


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """``build("c" or "sketch", "NAME=value"...)``: the firmware's ELF file, built once each."""
    need("avr-gcc", "avr-g++", Path("/usr/lib/avr/include/avr/io.h"))
    folder = tmp_path_factory.mktemp("firmware")
    done: dict[tuple[str, ...], Path] = {}

    def make(which: str, *defines: str) -> Path:
        key = (which, *defines)
        if key not in done:
            out = folder / f"{len(done)}.elf"
            flags = [f"-D{d}" for d in defines]
            if which == "c":
                source = str(NOTES / "avr_c" / "main.c")
                run("avr-gcc", *make_value("CFLAGS").split(), *flags, "-o", str(out), source)
            else:
                build_sketch(folder, out, flags)
            done[key] = out
        return done[key]

    return make


@pytest.fixture
def start(host: Path, tmp_path: Path) -> Iterator[Start]:
    """``start(elf, points, seconds, noise_mv=2.4, ...)``: a board, waiting for ``go``.

    points: (time_s, volts on A0, volts on A1). more: the options of host.c."""
    boards: list[Board] = []

    def make(
        elf: Path,
        points: list[tuple[float, float, float]],
        seconds: float,
        **more: object,
    ) -> Board:
        wave = tmp_path / f"wave{len(boards)}.txt"
        wave.write_text("".join(f"{t:.6f} {a:.6f} {b:.6f}\n" for t, a, b in points))
        process = subprocess.Popen(
            [str(host), str(elf), str(wave), str(seconds), *(f"{k}={v}" for k, v in more.items())],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout
        log = more.get("lines")
        board = Board(
            *(process, process.stdout.readline().strip(), threading.Event()),
            log=log if isinstance(log, Path) else None,
        )
        boards.append(board)
        return board

    yield make
    for board in boards:
        board.stop()
