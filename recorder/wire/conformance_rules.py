"""The rules of wire format 1 as the conformance check states them.

The walk over the bytes is in :mod:`recorder.wire.conformance`, what a maker most likely did in
:mod:`recorder.wire.slips`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from recorder.model import JsonObject

__all__ = ["RULES", "RuleResult", "escaped", "is_check"]

State = Literal["passed", "failed", "not seen"]

MAX_LINE = 120  # bytes with the LF
RATE_TOLERANCE = 0.01  # our choice: a crystal is 100 times better, a delay() loop is worse
SHOWN = 72

_HEX = frozenset(b"0123456789ABCDEF")

RULES: dict[str, tuple[str, str]] = {
    "line-end": (
        "every line ends with LF",
        "send one LF (0x0A) after each line; a CR before it is allowed",
    ),
    "length": (
        f"a line is at most {MAX_LINE} bytes with its LF",
        "send fewer or shorter fields; shorten the adapter id",
    ),
    "characters": (
        "the body is printable ASCII without '*'",
        "send plain ASCII 0x20..0x7E; check baud rate and ground if the bytes look random",
    ),
    "check-form": (
        "'*' and four upper-case hex digits end the line",
        "print the check with leading zeros and upper case, e.g. %04X",
    ),
    "check": (
        "the check is the CRC-16/XMODEM of the body",
        "polynomial 0x1021, start 0, not reflected; over the bytes before '*' only",
    ),
    "kind": ("the kind is A, S or F", "send no other lines: no prompts, no debugging text"),
    "fields": (
        "each kind has its number of fields: A 5, S 5, F 2",
        "send every comma, also for empty fields: S,seq,us,counts,,",
    ),
    "numbers": (
        "every field has its form and range",
        "plain decimal integers without sign or blanks; temperature such as 21.5 or empty",
    ),
    "version": ("the announced wire version is 1", "this program reads wire version 1"),
    "full-scale": (
        "counts and supply counts are within the announced full scale",
        "announce the largest count that can be sent, e.g. 1023 for 10 bits",
    ),
    "boot": (
        "the first line after a start is an announcement",
        "send the A line before the first sample",
    ),
    "announced": (
        "an announcement comes at least every 5 s",
        "send the A line again every 5 s on the adapter's clock",
    ),
    "constant": (
        "every announcement says the same",
        "one adapter has one id, firmware, full scale and rate",
    ),
    "sequence": (
        "the sequence goes up by one, 65535 to 0",
        "count every sample, also those not sent; look for a full serial buffer or a bad cable",
    ),
    "clock": (
        "the clock goes forward, 4294967295 to 0",
        "use an unsigned 32-bit microsecond clock and let it wrap",
    ),
    "rate": (
        f"the rate is the announced one within {RATE_TOLERANCE:.0%}",
        "take samples on a timer, not with a delay after each line; or announce the real rate",
    ),
    "fault-word": (
        "a fault is one of open, short, supply, adc",
        "send one of these words in lower case",
    ),
    "fault-rate": (
        "at most 2 fault lines a second",
        "leave at least 0.5 s between two F lines",
    ),
}


@dataclass(frozen=True, slots=True)
class RuleResult:
    """One rule and what the bytes say of it.

    line: number of the first offending line, from 1; None unless failed. shown: that line with
    every odd byte escaped. what: what was found there. do: what the maker can do. offences: how
    many lines offend.
    """

    rule: str
    text: str
    state: State
    line: int | None = None
    shown: str = ""
    what: str = ""
    do: str = ""
    offences: int = 0

    def to_json(self) -> JsonObject:
        return {
            "rule": self.rule,
            "text": self.text,
            "state": self.state,
            "line": self.line,
            "shown": self.shown,
            "what": self.what,
            "do": self.do,
            "offences": self.offences,
        }


def escaped(line: bytes) -> str:
    """``line`` as printable ASCII, at most about 72 characters of it."""
    cut = line[:SHOWN]
    text = "".join(
        chr(b) if 0x20 <= b <= 0x7E and b != 0x5C else repr(bytes([b]))[2:-1] for b in cut
    )
    return text + ("..." if len(line) > SHOWN else "")


def is_check(check: bytes) -> bool:
    return len(check) == 4 and all(b in _HEX for b in check)
