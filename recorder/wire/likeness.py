"""What bytes look like of which hardly a line is in the wire format: one answer for whoever made the adapter. Pure."""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Callable
from dataclasses import dataclass

from recorder.wire.conformance import check_bytes
from recorder.wire.conformance_rules import MAX_LINE, escaped, is_check
from recorder.wire.lines import parse_line
from recorder.wire.slips import what_check, what_form

__all__ = ["Likeness", "looks_like"]

ENOUGH = 0.3  # of the lines are right: then the rules one by one say more. By chance a few always pass.
MOST_BYTES = 1 << 16  # the beginning tells
_TEXT = frozenset(b"\t\r\n") | frozenset(range(0x20, 0x7F))
_NUMBER = re.compile(rb"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)")
_MANY = re.compile(rb"\s*[-+]?[\d.]+(?:\s*[,;\t ]\s*[-+]?[\d.]+)+\s*")
_PROMPT = re.compile(rb"^(?:>>> |Traceback \(most recent call last\))", re.MULTILINE)
_ERROR = re.compile(rb"^\w*Error\b[^\r\n]*", re.MULTILINE)
_OF_A_KIND = re.compile(rb"[ASF],")
_CHECKED = re.compile(rb"[ASF],[^*\r\n]{1,100}\*[0-9A-Fa-f]{4}")

WHOLE_FORMAT = "firmware_notes/wire.md has the format and firmware_notes/ programs that send it"
BARE_LACKS = ("plain numbers have no check, no sequence, no clock and no fault word: damage, loss and a broken wire "
              "cannot be seen, the time is that of arrival, and recordings say so")


@dataclass(frozen=True, slots=True)
class Likeness:
    """what: what the bytes look like, a clause. shown: one of their lines, every odd byte escaped. do: what to do.
    other_port: it may be that they are not of the adapter at all."""

    what: str
    shown: str
    do: str
    other_port: bool = False


def looks_like(data: bytes, baud: int | None = None) -> Likeness | None:
    """None where enough lines are in the wire format, or too little is there to say anything.

    data: bytes from any moment on; the first and the last line may be cut. baud: the speed they were read at.
    """
    data = data[:MOST_BYTES]
    if not data.strip():
        return None
    if sum(b not in _TEXT for b in data) > 0.1 * len(data):
        return _noise(data, baud)
    lines = [line.removesuffix(b"\r") for line in data.split(b"\n")]
    lines = [line for line in (lines[1:-1] if len(lines) > 3 else lines) if line.strip()]
    if b"\n" not in data:
        return _endless(data)
    if not lines:
        return None
    got = [parse_line(line, False) for line in lines]
    if sum(not isinstance(g, str) for g in got) > ENOUGH * len(got):
        return None
    return _of_lines(lines, data)


def _noise(data: bytes, baud: int | None) -> Likeness:
    read_at = f"the port was read at {baud} baud: " if baud is not None else ""
    return Likeness(
        "these bytes are noise, no text", escaped(data[:24]),
        f"{read_at}give the speed that the firmware sets (--baud 9600, 57600, 115200), and check that 3.3 V and 5 V "
        "serial are not mixed and that there is one common ground", True,
    )


def _endless(data: bytes) -> Likeness | None:
    if len(data) < MAX_LINE:
        return None
    if b"\r" in data:
        return Likeness("lines end with CR alone, and LF has to end them", escaped(data[:40]),
                        r"end each line with '\n' (println sends CR LF, which is right too)")
    joined = " and lines follow one another" if len(_CHECKED.findall(data)) > 1 else ""
    return Likeness(f"no line ever ends{joined}: there is no LF", escaped(data[:40]), r"end each line with '\n'")


def _most(lines: list[bytes], fits: Callable[[bytes], object]) -> list[bytes]:
    """Those that fit, where they are nearly all."""
    found = [line for line in lines if fits(line)]
    return found if len(found) > 0.8 * len(lines) else []


def _checks(line: bytes) -> bool:
    body, star, check = line.rpartition(b"*")
    return bool(star) and is_check(check) and check.decode("ascii") == _right(body)


def _worst(data: bytes) -> Likeness:
    """The rule that most lines offend."""
    worst = max(check_bytes(data), key=lambda r: r.offences)
    return Likeness(worst.what, worst.shown.removesuffix(r"\n").removesuffix(r"\r"), worst.do)


def _of_lines(lines: list[bytes], data: bytes) -> Likeness | None:
    if found := _most(lines, lambda x: isinstance(parse_line(x, True), float)):
        return _numbers(found)
    if (found := _most(lines, _OF_A_KIND.match)) and not any(map(_checks, found[1:20])):
        return _wrong_check(found)
    if found or _most(lines, lambda x: x[-5:-4] == b"*"):
        return _worst(data)
    if _PROMPT.search(data):
        error = _ERROR.search(data)
        return Likeness("the board's interpreter shows its prompt or an error, and no program of an adapter runs",
                        escaped(error[0] if error is not None else lines[-1]),
                        "copy main.py to the board and reset it; where it stops again, mend what the error names")
    first = escaped(lines[0])
    if _most(lines, _MANY.fullmatch):
        return Likeness("these are several numbers on a line", first,
                        f"print the pressure alone on each line and use --bare UNIT, or send the wire format: "
                        f"{WHOLE_FORMAT}")
    if _most(lines, lambda x: b"*" not in x and len(_NUMBER.findall(x)) == 1):
        return Likeness("these are numbers with words or units around them", first,
                        "print the number alone on its line and use --bare UNIT (with --bare psi: 14.50), or send the "
                        f"wire format: {WHOLE_FORMAT}")
    return Likeness("this is text of another kind", first,
                    f"check that it came from the adapter's port; {WHOLE_FORMAT}", True)


def _numbers(found: list[bytes]) -> Likeness:
    whole = all(b"." not in line for line in found)
    counts = (
        "; these are whole numbers: where they are counts, --bare does not take them, for it needs a pressure: "
        "print the pressure, or send the wire format" if whole else ""
    )
    return Likeness(
        "this board prints plain numbers, one a line, and does not speak the wire format", escaped(found[0]),
        f"'recorder record', 'adapter' and 'calibrate' take them with --bare UNIT{counts}; {BARE_LACKS}",
    )


def _wrong_check(found: list[bytes]) -> Likeness:
    """Lines of the right kinds whose check is wrong or missing; the commonest reason stands for all."""
    reasons: dict[str, tuple[int, bytes, str]] = {}
    for line in found[:200]:
        body, star, check = line.rpartition(b"*")
        if star and is_check(check):
            what, do = what_check(body, check.decode("ascii"), _right(body))
            what = what.partition(": ")[2] or "the check is none that this program knows"
        else:
            what, do = what_form(body if star else line, star, check)
            what = re.sub(r"^check '[^']*' ", "the check ", what)
        n, first, _ = reasons.get(what, (0, line, do))
        reasons[what] = n + 1, first, do
    what, (_, line, do) = max(reasons.items(), key=lambda item: item[1][0])
    return Likeness(f"the lines have the right kinds, and {what}", escaped(line), do or
                    "the check is the CRC-16/XMODEM of the bytes before '*': 123456789 has to give 31C3")


def _right(body: bytes) -> str:
    return f"{crc_hqx(body, 0):04X}"
