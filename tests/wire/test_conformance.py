"""Each rule of the wire format is broken once on purpose, and only that rule may say so."""

from __future__ import annotations

from binascii import crc_hqx

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.wire.conformance import RULES, check_bytes


def line(body: str, end: str = "\n") -> bytes:
    raw = body.encode("latin-1")
    return raw + b"*%04X" % crc_hqx(raw, 0) + end.encode()


A = line("A,1,hose-7,1.0,1023,100")


def sample(n: int, **change: object) -> bytes:
    at = {"seq": n % 65536, "us": (n * 10_000) % 2**32, "counts": 103, "supply": "", "temp": ""}
    at |= change
    return line("S,{seq},{us},{counts},{supply},{temp}".format(**at))


def stream(start: int = 0, n: int = 1200) -> list[bytes]:
    """A perfect adapter for 12 s; line 1 is the announcement, line 2 sample ``start``."""
    lines = []
    for i in range(n):
        if i % 500 == 0:
            lines.append(A)
        lines.append(sample(start + i))
    return lines


def failed(data: bytes) -> dict[str, tuple[int | None, str, str]]:
    return {r.rule: (r.line, r.shown, r.what) for r in check_bytes(data) if r.state == "failed"}


def test_a_perfect_adapter_passes_every_rule() -> None:
    lines = stream()
    lines.insert(3, line("F,10000,open"))
    states = {r.rule: r.state for r in check_bytes(b"".join(lines))}
    assert states == dict.fromkeys(RULES, "passed")


@pytest.mark.parametrize("start", [65_000, 429_496_200])
def test_wraps_pass(start: int) -> None:
    assert failed(b"".join(stream(start))) == {}


def test_cr_before_lf_passes() -> None:
    assert failed(b"".join(stream()).replace(b"\n", b"\r\n")) == {}


def test_a_capture_may_begin_and_end_in_a_line() -> None:
    data = b"".join(stream(500))
    assert failed(data[7:-9]) == {}


def test_a_start_that_was_not_seen_passes_nothing() -> None:
    """A capture from mid-stream may well begin with one of the announcements of every 5 s."""
    for first in (500, 501):
        states = {r.rule: r.state for r in check_bytes(b"".join(stream()[first:]))}
        assert states["boot"] == "not seen", first
    assert {r.rule: r.state for r in check_bytes(A)}["boot"] == "not seen"


def spoiled(at: int, new: bytes) -> bytes:
    lines = stream()
    lines[at] = new
    return b"".join(lines)


def inserted(at: int, *new: bytes) -> bytes:
    lines = stream()
    lines[at:at] = new
    return b"".join(lines)


GOOD = sample(9)
CASES: dict[str, tuple[bytes, dict[str, int]]] = {
    "lost line": (b"".join(x for i, x in enumerate(stream()) if i != 10), {"sequence": 11}),
    # the sample that was in it is no second offence, see test_what_a_bad_line_costs_is_told_once
    "wrong check": (spoiled(10, GOOD[:-5] + b"0000\n"), {"check": 11}),
    "lower case": (
        inserted(10, b"F,0,open*" + b"%04x\n" % crc_hqx(b"F,0,open", 0)),
        {"check-form": 11},
    ),
    "no check": (inserted(10, b"Pressure 103.2\n"), {"check-form": 11}),
    "blank line": (inserted(10, b"\n"), {"check-form": 11}),
    "cr cr lf": (inserted(10, b"S,1\r\r\n"), {"line-end": 11}),
    "too long": (inserted(10, line("T," + "0" * 120)), {"length": 11}),
    "high bytes": (inserted(10, line("T,\xb0C")), {"characters": 11}),
    "star in body": (inserted(10, line("T,*")), {"characters": 11}),
    "kind": (inserted(10, line("T,1")), {"kind": 11}),
    "fields": (inserted(10, line("F,1")), {"fields": 11}),
    "float counts": (spoiled(10, sample(9, counts="103.0")), {"numbers": 11}),
    "supply 0": (spoiled(10, sample(9, supply=0)), {"numbers": 11}),
    "temperature": (spoiled(10, sample(9, temp="nan")), {"numbers": 11}),
    "over scale": (spoiled(10, sample(9, counts=1024)), {"full-scale": 11}),
    "clock stands": (spoiled(10, sample(9, us=80_000)), {"clock": 11}),
    "fault word": (inserted(10, line("F,5,broken")), {"fault-word": 11}),
    "fault rate": (
        inserted(10, *(line(f"F,{us},open") for us in (0, 499_999, 999_999))),
        {"fault-rate": 13},
    ),
    "version": (spoiled(501, line("A,2,hose-7,1.0,1023,100")), {"version": 502, "constant": 502}),
    "no boot": (b"".join(stream()[1:]), {"boot": 1}),
    "slow": (b"".join(stream()).replace(A, line("A,1,hose-7,1.0,1023,102")), {"rate": 1203}),
}


@pytest.mark.parametrize("name", CASES)
def test_a_broken_rule_is_named_with_its_line(name: str) -> None:
    data, expected = CASES[name]
    found = failed(data)
    assert {rule: at for rule, (at, _, _) in found.items()} == expected
    for at, shown, what in found.values():
        assert what
        raw = data.split(b"\n")[at - 1 if at else 0]
        assert shown[:5].isprintable() and (not raw or shown)


def test_faults_every_half_second_pass() -> None:
    assert failed(inserted(2, *(line(f"F,{us},open") for us in range(0, 5_000_000, 500_000)))) == {}


def test_a_silent_announcer_fails() -> None:
    assert failed(b"".join([A, *(sample(i) for i in range(520))])).keys() == {"announced"}
    assert failed(b"".join(sample(i) for i in range(700, 1300))).keys() == {"announced"}


def test_what_a_short_capture_cannot_show_is_not_seen() -> None:
    """Nothing is due within 5 s, and no rate is known from less than a second."""
    fast = line("A,1,hose-7,1.0,1023,200")
    states = {r.rule: r.state for r in check_bytes(b"".join([fast, *(sample(i) for i in range(90))]))}
    assert states["announced"] == states["rate"] == "not seen"
    states = {r.rule: r.state for r in check_bytes(b"".join([fast, *(sample(i) for i in range(150))]))}
    assert (states["announced"], states["rate"]) == ("not seen", "failed")


def test_a_backslash_that_was_sent_is_told_from_one_that_shows_a_byte() -> None:
    assert failed(inserted(10, b"\\x\xff\n"))["characters"][1] == r"\\x\xff\n"


def test_a_restart_is_no_offence_when_announced() -> None:
    again = b"".join(stream(0, 300))
    assert failed(b"".join(stream(0, 300)) + again) == {}
    assert failed(b"".join(stream(0, 300)) + again[len(A) :]).keys() == {"boot"}


@pytest.mark.parametrize(
    ("crc", "words"),
    [
        (crc_hqx(b"S,9,90000,103,,", 0xFFFF), "0xFFFF"),
        (crc_hqx(b"S,9,90000,103,,*", 0), "'*'"),
        (crc_hqx(b"S,9,90000,103,,\r", 0), "the CR too"),
        (crc_hqx(b"S,9,90000,103,,\n", 0), "the line end too"),
        (crc_hqx(b"S,9,90000,103,,\r\n", 0), "the line end too"),
        (crc_hqx(b"S,9,90000,103,,\0", 0), "ends a string in C"),
        (crc_hqx(b"9,90000,103,,", 0), "leaves out the kind"),
        (crc_hqx(b",9,90000,103,,", 0), "leaves out the first character"),
    ],
)
def test_a_known_mistake_in_the_check_is_recognised(crc: int, words: str) -> None:
    found = failed(spoiled(10, b"S,9,90000,103,,*%04X\n" % crc))
    assert words in found["check"][2]


def crc16(data: bytes, start: int, polynomial: int, *, reflected: bool, last: int = 0) -> int:
    """Bit by bit, after Williams, "A painless guide to CRC error detection algorithms" (1993): in mirrored registers
    where ``reflected``."""
    def mirror(value: int, bits: int) -> int:
        return int(f"{value:0{bits}b}"[::-1], 2)

    register = start
    for byte in data:
        register ^= (mirror(byte, 8) if reflected else byte) << 8
        for _ in range(8):
            register = (register << 1 ^ (polynomial if register & 0x8000 else 0)) & 0xFFFF
    return (mirror(register, 16) if reflected else register) ^ last


@pytest.mark.parametrize(("start", "polynomial", "reflected", "last", "check_value", "words"), [
    # check values of "123456789" as catalogues of CRCs list them (from memory)
    (0xFFFF, 0x1021, False, 0, 0x29B1, "value is 0xFFFF, not 0"),
    (0x1D0F, 0x1021, False, 0, 0xE5CC, "value is 0x1D0F, not 0"),
    (0, 0x1021, True, 0, 0x2189, "reflected one (_crc_ccitt_update), start 0"),
    (0xFFFF, 0x1021, True, 0, 0x6F91, "reflected one (_crc_ccitt_update)"),
    (0xFFFF, 0x1021, True, 0xFFFF, 0x906E, "reflected one, inverted"),
    (0xFFFF, 0x8005, True, 0, 0x4B37, "polynomial 0x8005 (_crc16_update), start 0xFFFF"),
    (0, 0x8005, True, 0, 0xBB3D, "polynomial 0x8005 (_crc16_update), start 0"),
])
@pytest.mark.parametrize("swapped", [False, True])
def test_other_crcs_of_16_bits_are_recognised(
    start: int, polynomial: int, reflected: bool, last: int, check_value: int, words: str, swapped: bool
) -> None:
    assert crc16(b"123456789", start, polynomial, reflected=reflected, last=last) == check_value
    body = b"S,9,90000,103,,"
    crc = crc16(body, start, polynomial, reflected=reflected, last=last)
    found = failed(spoiled(10, body + b"*%04X\n" % (crc if not swapped else crc >> 8 | (crc & 0xFF) << 8)))
    told = found["check"][2].partition(": ")[2]
    assert told.partition(", and its two bytes")[0].endswith(words)
    assert told.endswith("are swapped") == swapped


def test_the_reflected_crc_is_recognised() -> None:
    """6F91 is what avr-libc's _crc_ccitt_update gives for 123456789; the XMODEM check is 31C3."""
    found = failed(inserted(10, b"123456789*6F91\n"))
    assert "31C3" in found["check"][2] and "_crc_ccitt_update" in found["check"][2]


@given(st.binary(max_size=400))
def test_any_bytes_are_judged(data: bytes) -> None:
    for r in check_bytes(data):
        assert (r.state == "failed") == (r.offences > 0)
        assert r.shown.isascii() and r.shown.isprintable()


@given(st.lists(st.sampled_from([A, *(sample(i) for i in (0, 1, 2, 65535)), b"S,1\n", b"\r"])))
def test_any_order_of_lines_is_judged(lines: list[bytes]) -> None:
    assert [r.rule for r in check_bytes(b"".join(lines))] == list(RULES)
