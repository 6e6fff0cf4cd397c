"""What a maker most likely did where a line breaks a rule: what was found, and what to change in the firmware.

Each function gives (what, do); an empty ``do`` leaves the rule's own. Pure.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from functools import reduce

from recorder.wire.conformance_rules import escaped

__all__ = [
    "SUPPLY_COUNTS", "always", "body_of_kind", "field_count", "not_a_number", "sequence", "what_check", "what_form",
]

# of supply counts above the announced full scale; of counts the rule's own advice is right
SUPPLY_COUNTS = ("send counts of the same converter, not millivolts, or leave the field empty; where they are such "
                 "counts, announce the largest that can be sent")

_BEHIND = "put '*' and the check of the body behind every line, and send no other text"
_POLYNOMIAL = "CRC-16/XMODEM: polynomial 0x1021, start 0, not reflected; 123456789 has to give 31C3"
_TOPS = (9, 99, 127, 255, 999, 4095, 9999, 32767)  # where a counter turns over that is narrower than 16 bits


def what_form(body: bytes, star: bytes, check: bytes) -> tuple[str, str]:
    """Of a line that does not end with '*' and four upper-case hex digits. body: what stands before the '*'."""
    if not star:
        return "no '*' and check at the end", _BEHIND
    shown = f"check {escaped(check)!r}"
    right = crc_hqx(body, 0)
    if re.fullmatch(rb"[0-9A-Fa-f]{4}", check):
        return f"{shown} has lower-case digits", "print the check in upper case: %04X, not %04x"
    if re.fullmatch(rb"0[xX][0-9A-Fa-f]+", check):
        return f"{shown} has 0x before its digits", "print the four digits alone: %04X"
    if re.fullmatch(rb"[0-9A-Fa-f]{1,3}", check):
        value = int(check, 16)
        if value == right:
            return f"{shown} has lost its leading zeros", "print four digits always: %04X"
        for name, byte in (("XOR", reduce(int.__xor__, body, 0)), ("sum", sum(body) & 0xFF)):
            if value == byte:
                return f"{shown} is the {name} of the bytes, and no CRC", _POLYNOMIAL
    if re.fullmatch(rb"[0-9]{1,5}", check) and int(check) == right:
        return f"{shown} is the right one, printed in decimal", "print it in hexadecimal: %04X"
    if check.strip() != check:
        return f"{shown} has a blank or tab beside it", "end the line right behind the fourth digit"
    return f"{shown} is not four upper-case hex digits", ""


def what_check(body: bytes, found: str, wanted: str) -> tuple[str, str]:
    """Of a line with a wrong check: what was computed instead, where it can be recognised."""
    said = f"check {found}, computed {wanted}"
    for what, value in _guesses(body):
        if found == f"{value:04X}":
            return f"{said}: {what}", _POLYNOMIAL
        if found == f"{_swapped(value):04X}":
            return f"{said}: {what}, and its two bytes are swapped", "send the upper byte first: %04X"
    if found.isdigit() and int(found) == int(wanted, 16):
        return f"{said}: it is printed in decimal", "print it in hexadecimal: %04X"
    if found == f"{_swapped(int(wanted, 16)):04X}":
        return f"{said}: the two bytes of the check are swapped", "send the upper byte first: %04X"
    return said, ""


def _guesses(body: bytes) -> tuple[tuple[str, int], ...]:
    return (
        ("the start value is 0xFFFF, not 0", crc_hqx(body, 0xFFFF)),
        ("the start value is 0x1D0F, not 0", crc_hqx(body, 0x1D0F)),
        ("the check covers the '*' too", crc_hqx(body + b"*", 0)),
        ("the check covers the CR too", crc_hqx(body + b"\r", 0)),
        ("the check covers the line end too", crc_hqx(body + b"\n", 0)),
        ("the check covers the line end too", crc_hqx(body + b"\r\n", 0)),
        ("the check covers the zero byte that ends a string in C", crc_hqx(body + b"\0", 0)),
        ("the check leaves out the kind", crc_hqx(body[2:], 0)),
        ("the check leaves out the first character", crc_hqx(body[1:], 0)),
        ("the CRC is the reflected one (_crc_ccitt_update), start 0", _reflected(body, 0, 0x8408)),
        ("the CRC is the reflected one (_crc_ccitt_update)", _reflected(body, 0xFFFF, 0x8408)),
        ("the CRC is the reflected one, inverted", _reflected(body, 0xFFFF, 0x8408) ^ 0xFFFF),
        ("the CRC is another one, of the polynomial 0x8005 (_crc16_update), start 0xFFFF",
         _reflected(body, 0xFFFF, 0xA001)),
        ("the CRC is another one, of the polynomial 0x8005 (_crc16_update), start 0",
         _reflected(body, 0, 0xA001)),
    )


def _swapped(crc: int) -> int:
    return (crc & 0xFF) << 8 | crc >> 8


def _reflected(body: bytes, start: int, polynomial: int) -> int:
    """CRC with a bit-reversed polynomial; avr-libc's _crc_ccitt_update has 0x8408, its _crc16_update 0xA001."""
    crc = start
    for byte in body:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (polynomial if crc & 1 else 0)
    return crc


def body_of_kind(kind: str) -> tuple[str, str]:
    """Of a body whose first field is no kind."""
    said = f"kind {kind!r}"
    if kind[:1] in "ASF" and kind[1:2] in (";", "\t", " ", ":"):
        return f"{said}: the fields are parted by {kind[1]!r}", "part the fields by commas alone"
    if kind.strip().upper() in ("A", "S", "F"):
        return said, "the kind is one upper-case letter at the very beginning of the line"
    return said, ""


def field_count(kind: str, found: int, wanted: int) -> tuple[str, str]:
    """Of a line with more or fewer fields than its kind has: what is wrong, and what to do."""
    do = {
        "A": "send A,1,id,firmware version,counts at full scale,samples per second; the id has no comma in it",
        "S": "send every comma, also for empty fields: S,seq,us,counts,,",
        "F": "send F,us,word",
    }[kind]
    if kind == "S" and found > wanted:
        do = ("send S,seq,us,counts,supply,temperature, with no comma inside a number (21.5, not 21,5) and nothing "
              "behind the temperature")
    return f"{kind} has {found} fields, not {wanted}", do


def not_a_number(name: str, text: str, low: int, high: int) -> tuple[str, str]:
    """Of a field that is no whole number within its bounds."""
    said = f"{name} {text!r} is not a whole number {low}..{high}"
    if text.strip() != text:
        return said, "send no blank beside a comma"
    if name == "supply counts" and text.strip("0") == "":
        return said, "0 is no supply: leave the field empty, and send the fault 'supply'"
    if re.fullmatch(r"-?[0-9]*\.[0-9]*(?:[eE][-+]?[0-9]+)?", text):
        raw = "as the converter gave it, not volts or a pressure" if "counts" in name else "without a decimal point"
        return said, f"send the whole number {raw}; convert it to an integer before it is printed"
    if re.fullmatch(r"-[0-9]+", text):
        return said, "use an unsigned number: uint32_t for the clock, uint16_t for the sequence"
    return said, ""


def sequence(before: int, now: int) -> tuple[str, str]:
    """Of a sequence that does not go up by one."""
    said = f"{now} after {before}"
    if now == before:
        return f"{said}: it stands still", "add one to the sequence for every sample taken"
    if now == 0 and before in _TOPS:
        return f"{said}: it turns over too early", "count to 65535 before 0 comes again: a uint16_t"
    return said, ""


def always(step: int) -> tuple[str, str]:
    """Of a sequence that goes up by ``step`` from every sample to the next."""
    return f"it goes up by {step} each time", "add one to the sequence for every sample taken, and nothing else"
