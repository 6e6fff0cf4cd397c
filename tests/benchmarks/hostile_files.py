"""The files of faults_hostile.py: made to harm a program that reads recordings."""

from __future__ import annotations

import json
import math
import os
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

_TOP = '# recording-format: 1\n# test: "cap"\n'
COLUMNS = "time_s,pressure_kPa\n"
HEAD = _TOP + '# marked: {"value": 16, "unit": "psi"}\n' + COLUMNS
FORMULAS = ('=HYPERLINK("http://x","y")', "+1+1", "-2+3", "@SUM(A1)", "\t=1+1", "a,=1+1,b", "a;=1+1;b", " =1+1")
HTML = '<script>alert(1)</script><img src=x onerror="alert(2)">'
ESCAPES = "\x1b[31mred\x1b]0;title\x07 \x9b31m \x08\x08 \u202etxt.exe\r\n2nd"


@dataclass(frozen=True)
class Case:
    """usable: True: has to be judged; False: has to be refused; None: either answer is right. only_judged: it is
    refused where a judgement is wanted; an export needs none."""

    name: str
    make: Callable[[Path], object]
    usable: bool | None = False
    only_judged: bool = False


def _text(text: str) -> Callable[[Path], object]:
    return lambda path: path.write_text(text, encoding="utf-8", errors="surrogatepass", newline="\n")


def _notes(rows: str | None = None, **annotations: object) -> Callable[[Path], object]:
    """A recording with these annotations and a plain pump-up and hold, where ``rows`` is not given."""
    facts: dict[str, object] = {"test": "cap", "marked": {"value": 16, "unit": "psi"}, **annotations}
    lines = "".join(f"# {name.replace('_', '-')}: {json.dumps(value)}\n" for name, value in facts.items())
    return _text(lines + COLUMNS + (held() if rows is None else rows))


def held(seconds: float = 40.0, rate: int = 20) -> str:
    """Vented, pumped up in ten strokes to 100 kPa, held with a small fall."""
    out = []
    for i in range(int(seconds * rate)):
        t = i / rate
        kpa = 0.0 if t < 3 else 10.0 * min(10, math.floor(t - 3) + 1) - max(t - 13, 0) * 0.01
        out.append(f"{t:.3f},{kpa + i * 7919 % 13 / 130:.4f}\n")
    return "".join(out)


def _sparse(size: int) -> Callable[[Path], object]:
    def make(path: Path) -> None:
        with path.open("wb") as file:
            file.write(HEAD.encode())
            file.truncate(size)

    return make


def _digits(n: int) -> Callable[[Path], object]:
    def make(path: Path) -> None:
        with path.open("wb") as file:
            file.write(HEAD.encode() + b"0,")
            for _ in range(0, n, 1 << 20):
                file.write(b"9" * (1 << 20))
            file.write(b"\n")

    return make


def _many_rows(n: int) -> Callable[[Path], object]:
    def make(path: Path) -> None:
        with path.open("w") as file:
            file.write(HEAD)
            for i in range(0, n, 10_000):
                file.write("".join(f"{k * 0.005:.3f},{k % 7 / 10}\n" for k in range(i, min(i + 10_000, n))))

    return make


def _many_notes(n: int) -> Callable[[Path], object]:
    return _text(_TOP + "# note: 1\n" * n + COLUMNS + held())


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        here = Path.cwd()
        os.chdir(path.parent)  # the name of a socket has to be short
        try:
            made.bind(path.name)
        finally:
            os.chdir(here)


def _denied(path: Path) -> None:
    path.write_text(HEAD + held())
    path.chmod(0)


def _deep(n: int) -> str:
    return "[" * n + "]" * n


def cases(long: bool = False) -> list[Case]:
    """All files; the long form adds the large ones."""
    row = HEAD + "0,0.1\n"
    out = [
        # numbers
        Case("nan", _text(row + "1,nan\n2,0\n")),
        Case("inf", _text(row + "1,inf\n")),
        Case("minus-inf", _text(row + "1,-Infinity\n")),
        Case("1e300", _text(row + "1,1e300\n2,-1e300\n")),
        Case("1e999", _text(row + "1,1e999\n")),
        Case("time-1e300", _text(row + "1e300,0\n")),
        Case("time-nan", _text(row + "nan,0\n")),
        Case("long-number", _text(row + "1," + "9" * 1_000_000 + "\n")),
        Case("long-fraction", _text(row + "1,0." + "3" * 4000 + "\n"), None),
        Case("long-whole-number", _text('# test: "cap"\ntime_s,pressure_kPa,seq\n0,0,1\n1,0,' + "9" * 3000 + "\n")),
        Case("long-number-in-head", _text('# test: "cap"\n# marked: {"value": ' + "9" * 100_000
                                          + ', "unit": "psi"}\n' + COLUMNS + "0,0\n")),
        Case("nan-in-head", _text('# test: "cap"\n# marked: {"value": NaN, "unit": "psi"}\n' + COLUMNS + "0,0\n")),
        # structure
        Case("deep-json", _text('# test: "cap"\n# adapter: ' + _deep(200_000) + "\n" + COLUMNS + "0,0\n")),
        Case("deep-json-unknown", _text(_TOP + "# more: " + _deep(90_000) + "\n" + COLUMNS + held()), None),
        Case("deep-json-judgement", _text(row + "1,0\n# judgement: " + _deep(90_000) + "\n")),
        Case("deep-json-mark", _text(row + '1,0\n# mark: {"time_s": ' + _deep(90_000) + "}\n"), True),
        Case("wrong-unit", _text(_TOP + "time_s,pressure_parsec\n0,0\n")),
        Case("unit-that-computes", _text(_TOP + "time_s,pressure_kPa**9999999\n0,0\n")),
        Case("unit-of-code", _text(_TOP + "time_s,pressure___import__('os')\n0,0\n")),
        Case("marked-in-kg-m", _text('# test: "cap"\n# marked: {"value": 16, "unit": "kg*m"}\n' + COLUMNS + "0,0\n")),
        Case("columns-swapped", _text(_TOP + "pressure_kPa,time_s\n0,0\n")),
        Case("values-swapped", _text(HEAD + "0.1,0\n0.2,1\n0.1,2\n0.3,3\n")),
        Case("10000-columns", _text(_TOP + COLUMNS.strip() + "".join(f",c{i}" for i in range(10_000)) + "\n0,0"
                                    + ",1" * 10_000 + "\n"), None),
        Case("same-column-twice", _text(_TOP + "time_s,pressure_kPa,seq,seq\n0,0,1,1\n")),
        Case("words", _text(row + "one,two\n")),
        Case("formula-row", _text(row + '=HYPERLINK("x"),1\n')),
        Case("quotes", _text(row + '"1,0\n2,0\n')),
        Case("empty", _text("")),
        Case("one-byte", _text("#"),),
        Case("no-rows", _text(HEAD), None),
        Case("one-row", _text(row), None),
        Case("binary", lambda p: p.write_bytes(bytes(range(256)) * 40)),
        Case("nul", lambda p: p.write_bytes(row.encode() + b"\0" * 1000 + b"\n")),
        Case("utf-16", lambda p: p.write_bytes(row.encode("utf-16"))),
        Case("cr-only", lambda p: p.write_bytes(row.replace("\n", "\r").encode())),
        Case("half-a-letter", lambda p: p.write_bytes(_TOP.encode() + b'# job: "\xc3"\n' + COLUMNS.encode())),
        Case("time-backwards", _text(row + "5,0\n4,0\n")),
        Case("same-time", _text(HEAD + "1,0\n" * 1000)),
        Case("50000-annotations", _many_notes(50_000), None),
        # facts that a program would take at their word
        Case("marked-1e300", _notes(marked={"value": 1e300, "unit": "psi"})),
        Case("marked-negative", _notes(marked={"value": -16, "unit": "psi"})),
        Case("marked-zero", _notes(marked={"value": 0, "unit": "psi"})),
        Case("marked-text", _notes(marked={"value": "16", "unit": "psi"})),
        Case("job-a-list", _notes(job=[1, 2]), True),
        Case("procedure-a-list", _notes(procedure=[1])),
        Case("procedure-1e300", _notes(procedure={"hold": {"value": 1e300, "unit": "s"}}), None),
        Case("procedure-negative", _notes(procedure={"hold": {"value": -5, "unit": "s"}}), None),
        Case("procedure-wrong-unit", _notes(procedure={"hold": {"value": 5, "unit": "kPa"}}), only_judged=True),
        Case("procedure-text", _notes(procedure={"hold": "=1+1"}), None),
        Case("air-pressure-zero", _notes(procedure={"local_air_pressure": {"value": 0, "unit": "kPa"}}), None),
        Case("stroke-volume-1e300", _notes(procedure={"stroke_volume": {"value": 1e300, "unit": "mL"}}), None),
        Case("tester-text", _notes(tester="tight"), None),
        Case("tester-1e300", _notes(tester={"rate": {"value": 1e300, "standard_uncertainty": 0, "unit": "kPa/min"}}),
             None),
        Case("calibration-empty", _notes(calibration={"coefficients_kPa": []})),
        Case("calibration-1e308", _notes(calibration={"coefficients_kPa": [1e308, 1e308],
                                                      "standard_uncertainty_kPa": 1e308})),
        Case("calibration-negative", _notes(calibration={"coefficients_kPa": [0, 1],
                                                         "standard_uncertainty_kPa": -1})),
        Case("mark-without-time", _text(row + '1,0\n# mark: {"text": "x"}\n'), True),
        # traces that no test gives
        Case("far-apart", _notes("".join(f"{i * 1e7:.1f},{i % 3}\n" for i in range(90))), None),
        Case("dense-then-far", _notes("".join(f"{i * 1e-6:.6f},{i % 3}\n" for i in range(20_000)) + "9e8,1\n"), None),
        Case("far-then-dense", _notes("0,1\n" + "".join(f"{9e8 + i * 1e-3:.6f},{i % 3}\n" for i in range(20_000))),
             None),
        Case("pairs-far-apart", _notes("".join(f"{i * 700 + k / 1000:.3f},{i % 3}\n" for i in range(9_000)
                                               for k in (0, 1, 2))), None),
        Case("square-wave", _notes("".join(f"{i / 100},{99_999 * (-1) ** i}\n" for i in range(9_000))), None),
        Case("all-the-same", _notes("".join(f"{i / 100},0\n" for i in range(9_000))), None),
        Case("stairs", _notes("".join(f"{i / 100},{i // 50 * 0.5}\n" for i in range(20_000))), None),
        # texts
        Case("html-job", _notes(job=HTML), True),
        Case("escapes-job", _notes(job=ESCAPES, adapter={"id": ESCAPES, "port": ESCAPES}), True),
        *(Case(f"formula-{i}", _notes(job=text, adapter={"id": text}), True) for i, text in enumerate(FORMULAS)),
        Case("escape-in-a-cell", _text(row + "1,\x1b[31m\n")),
        Case("escape-in-a-column", _text(_TOP + "time_s,pressure_\x1b[31m\n0,0\n")),
        # no files
        Case("pipe", lambda p: os.mkfifo(p)),
        Case("socket", _socket),
        Case("endless-device", lambda p: p.symlink_to("/dev/zero")),
        Case("link-loop", lambda p: p.symlink_to(p.name)),
        Case("folder", lambda p: p.mkdir()),
        Case("missing", lambda p: None),
        Case("denied", _denied),
        Case("name\nwith\x1b[31m \x9b31m\u202e line", _text("nothing")),
        Case("-n", _text("nothing")),
        Case("5-GB-line", _sparse(5 << 30)),
        Case("100-MB-line", _sparse(100 << 20)),
    ]
    if long:
        out += [
            Case("billion-digits", _digits(10**9)),
            Case("200-million-digits", _digits(200 * 10**6)),
            Case("10^7-rows", _many_rows(10**7), None),
            Case("10^6-rows", _many_rows(10**6), None),
        ]
    return out
