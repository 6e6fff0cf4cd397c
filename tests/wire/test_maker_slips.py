"""Firmware that is wrong in every way a maker is likely to meet: what is said names the slip, and what to change.

The checks that other firmware computes are held against the catalogue of parametrised CRC algorithms by G. Cook, whose
check values of "123456789" stand beside each (from memory): XMODEM 31C3, IBM-3740 29B1, SPI-FUJITSU (AUG-CCITT) E5CC,
MCRF4XX 6F91, KERMIT 2189, MODBUS 4B37, ARC BB3D.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from recorder.wire.clock_speed import said
from recorder.wire.conformance import check_bytes
from recorder.wire.likeness import looks_like
from recorder.wire.slips import what_check
from recorder.wire.steps import steps_of


def xmodem(body: bytes) -> str:
    return f"{crc_hqx(body, 0):04X}"


def stream(check: Callable[[bytes], str] = xmodem, *, end: str = "\n", n: int = 1200, announce: str | None = None,
           **change: Callable[[int], object]) -> bytes:
    """12 s of an adapter; ``change``: what a field holds at sample i."""
    out = []
    for i in range(n):
        if i % 500 == 0:
            out.append(announce or "A,1,hose-7,1.0,1023,100")
        at: dict[str, object] = {"seq": i % 65536, "us": i * 10_000, "counts": 103, "supply": "", "temp": ""}
        at |= {name: of(i) for name, of in change.items()}
        out.append("S,{seq},{us},{counts},{supply},{temp}".format(**at))
    return b"".join(f"{body}*{check(body.encode())}{end}".encode() for body in out)


def failed(data: bytes) -> dict[str, tuple[str, str]]:
    return {r.rule: (r.what, r.do) for r in check_bytes(data) if r.state == "failed"}


@pytest.mark.parametrize(("check", "words"), [
    ("29B1", "start value is 0xFFFF"), ("E5CC", "start value is 0x1D0F"), ("6F91", "reflected one (_crc_ccitt_update)"),
    ("2189", "reflected one (_crc_ccitt_update), start 0"), ("4B37", "0x8005 (_crc16_update), start 0xFFFF"),
    ("BB3D", "0x8005 (_crc16_update), start 0"), ("C331", "two bytes of the check are swapped"),
    ("374B", "and its two bytes are swapped"),
])
def test_other_checks_are_known_by_their_published_values(check: str, words: str) -> None:
    what, do = what_check(b"123456789", check, "31C3")
    assert words in what and do


@pytest.mark.parametrize(("check", "words", "do"), [
    (lambda b: f"{crc_hqx(b, 0):04x}", "lower-case digits", "%04X, not %04x"),
    (lambda b: f"{crc_hqx(b, 0):X}", "lost its leading zeros", "four digits always"),
    (lambda b: f"0x{crc_hqx(b, 0):04X}", "has 0x before its digits", "alone"),
    (lambda b: f"{crc_hqx(b, 0):d}", "printed in decimal", "hexadecimal"),
    (lambda b: f"{int(np.bitwise_xor.reduce(np.frombuffer(b, np.uint8))):02X}", "is the XOR of the bytes", "31C3"),
    (lambda b: f"{sum(b) & 255:02X}", "is the sum of the bytes", "31C3"),
    (lambda b: xmodem(b) + " ", "has a blank or tab beside it", "right behind the fourth digit"),
])
def test_a_check_of_another_form_is_told_by_what_it_is(check: Callable[[bytes], str], words: str, do: str) -> None:
    what, todo = failed(stream(check))["check-form"]
    assert words in what and do in todo


def test_what_a_bad_line_costs_is_told_once() -> None:
    """Samples and announcements that came with a wrong check are no loss on the way, and no missing announcement."""
    assert failed(stream(lambda b: f"{crc_hqx(b, 0):04x}")).keys() == {"check-form"}  # some have no letter, and pass
    assert failed(stream(announce="A,1,hose,7,1.0,1023,100")).keys() == {"fields"}
    lines = stream().split(b"\n")
    lines[10] = lines[10][:-4] + b"0000"
    assert failed(b"\n".join(lines)).keys() == {"check"}
    del lines[11]  # one more that never came
    assert failed(b"\n".join(lines)).keys() == {"check", "sequence"}


@pytest.mark.parametrize(("change", "rule", "words", "do"), [
    ({"counts": lambda i: "103.40"}, "numbers", "counts '103.40'", "as the converter gave it, not volts"),
    ({"counts": lambda i: -103}, "numbers", "counts '-103'", "unsigned"),
    ({"counts": lambda i: " 103"}, "numbers", "counts ' 103'", "no blank beside a comma"),
    ({"supply": lambda i: 0}, "numbers", "supply counts '0'", "leave the field empty"),
    ({"supply": lambda i: 5000}, "full-scale", "supply counts 5000, announced full scale 1023", "not millivolts"),
    ({"temp": lambda i: "21,5"}, "fields", "S has 6 fields, not 5", "21.5, not 21,5"),
    ({"counts": lambda i: 2048}, "full-scale", "counts 2048, announced full scale 1023", "largest count"),
    ({"us": lambda i: i * 10}, "rate", "looks like milliseconds", "micros()"),
    ({"us": lambda i: 0}, "clock", "it stands still", "clock"),
    ({"seq": lambda i: 0}, "sequence", "it stands still", "add one"),
    ({"seq": lambda i: i * 10 % 65536}, "sequence", "it goes up by 10 each time", "add one"),
    ({"seq": lambda i: i % 256}, "sequence", "0 after 255: it turns over too early", "uint16_t"),
])
def test_a_field_that_is_wrong_says_what_belongs_there(
    change: dict[str, Any], rule: str, words: str, do: str
) -> None:
    found = failed(stream(**change))
    assert found.keys() == {rule}
    assert words in found[rule][0] and do in (found[rule][1] or next(r.do for r in check_bytes(stream(**change))
                                                                     if r.rule == rule))


NOISE = bytes(np.random.default_rng(3).choice(np.frombuffer(b"\x80\xfe\xf8\x00\x1c\xe0\x78\x9c", np.uint8), 4000))


@pytest.mark.parametrize(("data", "what", "do"), [
    (NOISE, "noise, no text", "read at 9600 baud: give the speed"),
    (b"\n".join(NOISE[i:i + 30] for i in range(0, 4000, 30)), "noise, no text", "--baud"),
    (b"0.42\r\n" * 50, "plain numbers, one a line", "--bare UNIT; plain"),
    (b"103\r\n" * 50, "plain numbers, one a line", "--bare does not take them"),
    (b"Pressure: 0.28 kPa\r\n" * 50, "numbers with words or units around them", "print the number alone"),
    (b"10,0.30\r\n" * 50, "several numbers on a line", "print the pressure alone"),
    (b"?\r\nTraceback (most recent call last):\r\n  File \"<stdin>\", line 1\r\nSyntaxError: invalid syntax\r\n>>> ",
     "interpreter shows its prompt", "copy main.py"),
    (b"hello\r\n" * 50, "text of another kind", "the adapter's port"),
    (stream(end="\r"), "CR alone", r"'\n'"),
    (stream(end=""), "no line ever ends and lines follow one another", r"'\n'"),
    (stream(lambda b: f"{crc_hqx(b, 0xFFFF):04X}"), "right kinds, and the start value is 0xFFFF", "start 0"),
    (b"".join(b"S,%d,%d,103,,\n" % (i, i * 10_000) for i in range(50)), "no '*' and check", "behind every line"),
    (stream(counts=lambda i: "1.5"), "counts '1.5' is not a whole number", "not volts"),
    (b"".join(b"%b*%b\n" % (x, xmodem(x).encode()) for x in (b"S;%d;%d;103;;" % (i, i * 10_000) for i in range(50))),
     "parted by ';'", "by commas alone"),
    (stream().replace(b"\nS", b"\n$S"), "leaves out the first character", "31C3"),
])
def test_what_hardly_has_a_line_of_the_format_is_told_by_its_looks(data: bytes, what: str, do: str) -> None:
    alike = looks_like(data, 9600)
    assert alike is not None
    assert what in alike.what and do in alike.do, alike
    assert alike.shown.isascii() and alike.shown.isprintable() and len(alike.shown) < 300


def test_an_adapter_that_speaks_looks_like_nothing_else() -> None:
    assert looks_like(stream()) is None and looks_like(stream()[7:-9]) is None
    assert looks_like(stream().replace(b"S,", b"ready\nS,")) is None  # chatter: the rules say it
    assert looks_like(b"") is None and looks_like(b"\n\n") is None


def steps(seq: object, us: object, n: int = 600) -> object:
    i = np.arange(n)
    return steps_of(np.asarray(seq(i)), np.asarray(us(i)), np.asarray(i * 0.01 + 5.0, float))  # type: ignore[operator]


@pytest.mark.parametrize(("seq", "us", "words"), [
    (lambda i: i, lambda i: i * 10, "milliseconds"),
    (lambda i: i, lambda i: i // 100, "seconds"),
    (lambda i: i, lambda i: 0 * i, "stands still"),
    (lambda i: i, lambda i: i * 100_000, "ten times too fast"),
    (lambda i: 0 * i, lambda i: i * 10_000, "sequence stands still"),
])
def test_a_clock_or_sequence_that_nothing_can_be_measured_by(seq: object, us: object, words: str) -> None:
    got = steps(seq, us)
    assert got.wrong is not None and words in got.wrong[0] and got.wrong[1]  # type: ignore[attr-defined]


def test_a_counter_that_turns_over_too_early_is_no_restart() -> None:
    byte = steps(lambda i: i % 256, lambda i: i * 10_000)
    short = steps(lambda i: i, lambda i: i * 10_000 % 65536)
    again = steps(lambda i: i % 250, lambda i: (i % 250) * 10_000)
    good = steps(lambda i: (i + 65_300) % 65536, lambda i: (2**32 - 3_000_000 + i * 10_000) % 2**32)
    kinds = [(s.restarts, s.seq_back, s.clock_back) for s in (byte, short, again, good)]  # type: ignore[attr-defined]
    assert kinds == [(0, 2, 0), (0, 0, 91), (2, 0, 0), (0, 0, 0)]
    assert "after 255" in byte.told[0] and "uint16_t" in byte.told[1]  # type: ignore[attr-defined]
    assert "uint32_t" in short.told[1] and again.told is None and good.told is None  # type: ignore[attr-defined]


def test_a_clock_within_a_factor_of_two_is_left_to_its_ppm() -> None:
    assert said(10.0, 10.5) is None and said(10.0, 19.0) is None
    assert said(0.0, 5.0) is not None and "3.3 s in 10 s" in said(3.3, 10.0)[0]  # type: ignore[index]
