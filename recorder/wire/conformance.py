"""Does an adapter speak the wire format? Each rule of version 1, passed, failed or not seen.

Pure. The decoder drops what it cannot use, this module says why it could not be used; what a field may be is defined
once for both (recorder.wire.fields). Any bytes are accepted.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from recorder.wire.clock_speed import units_of
from recorder.wire.conformance_rules import (
    MAX_LINE,
    RATE_TOLERANCE,
    RULES,
    RuleResult,
    escaped,
    is_check,
)
from recorder.wire.fields import HIGHEST_COUNTS, INTEGER, is_name, rate_hz, temperature
from recorder.wire.slips import (
    SUPPLY_COUNTS,
    always,
    body_of_kind,
    field_count,
    not_a_number,
    sequence,
    what_check,
    what_form,
)

__all__ = ["RULES", "RuleResult", "check_bytes"]

FAULT_WORDS = ("open", "short", "supply", "adc")
ANNOUNCE_EVERY_US = 5_000_000
CLOCK_SPAN = 1 << 32
SEQ_SPAN = 1 << 16
ENOUGH_STEPS = 200  # of a clock that hardly moves

_INTEGER = re.compile(INTEGER)


@dataclass(slots=True)
class _Tally:
    seen: int = 0
    offences: int = 0
    line: int | None = None
    shown: str = ""
    what: str = ""
    do: str = ""


class _Checker:
    """Walks the lines once. All state of the walk is here; the results come out of ``tallies``."""

    def __init__(self) -> None:
        self.tallies = {name: _Tally() for name in RULES}
        self.line_no = 0
        self.line = b""
        self.announced: list[str] | None = None
        self.full_scale: int | None = None
        self.nominal_hz: float | None = None
        self.fresh = False  # an announcement came and no sample since
        self.seq: int | None = None
        self.clock_us = 0  # unwrapped, since the last start
        self.last_us: int | None = None
        self.announced_at_us: int | None = None
        self.fault_at_us: list[int] = []
        self.run_steps = 0
        self.run_us = 0
        self.wide_steps: Counter[int] = Counter()  # of the sequence, where they are not 1
        self.dropped = 0  # lines since the last sample that another rule has told of
        self.spoiled = False  # one of them was an announcement, or began like one

    def see(self, rule: str, good: bool, what: str = "", do: str = "") -> bool:
        tally = self.tallies[rule]
        tally.seen += 1
        if not good:
            tally.offences += 1
            if tally.line is None:
                tally.line, tally.shown = self.line_no, escaped(self.line)
                tally.what, tally.do = what, do
        return good

    def drop(self, rule: str, what: str, do: str = "") -> None:
        """The line offends, and cannot be used. What is missing by it is no second offence."""
        self.see(rule, False, what, do)
        self.dropped += 1
        self.spoiled = self.spoiled or self.line[:2] in (b"A,", b"A;", b"A ")

    # ------------------------------------------------------------ one line

    def add(self, number: int, raw: bytes, ended: bool) -> None:
        self.line_no, self.line = number, raw
        if not ended:
            # the end of a capture may cut a line: only what can never become one is an offence
            if len(raw) >= MAX_LINE:
                self.see("line-end", False, f"{len(raw)} bytes without LF")
            return
        content = raw[:-1]
        if b"\r" in content[:-1]:
            self.drop("line-end", "a CR in the middle: lines end with CR alone, or CR CR LF")
            return
        self.see("line-end", True)
        content = content.removesuffix(b"\r")
        if not content:
            self.see("check-form", False, "an empty line", "end each line with one LF, and send nothing between")
            return
        if len(raw) > MAX_LINE:
            self.drop("length", f"{len(raw)} bytes")
            return
        self.see("length", True)
        body, star, check = content.rpartition(b"*")
        bad = [b for b in (body if star else content) if not 0x20 <= b <= 0x7E or b == 0x2A]
        if bad:
            self.drop("characters", f"byte 0x{bad[0]:02X} in the body")
            return
        self.see("characters", True)
        if not star or not is_check(check):
            self.drop("check-form", *what_form(body, star, check))
            return
        self.see("check-form", True)
        wanted, found = f"{crc_hqx(body, 0):04X}", check.decode("ascii")
        if found != wanted:
            first = self.tallies["check"].line is None  # only the first is shown, and looking takes its time
            self.drop("check", *(what_check(body, found, wanted) if first else ("", "")))
            return
        self.see("check", True)
        self.fields(body.decode("ascii").split(","))

    def fields(self, parts: list[str]) -> None:
        kind, fields = parts[0], parts[1:]
        wanted = {"A": 5, "S": 5, "F": 2}.get(kind)
        if wanted is None:
            self.drop("kind", *body_of_kind(kind))
            return
        self.see("kind", True)
        if len(fields) != wanted:
            self.drop("fields", *field_count(kind, len(fields), wanted))
            return
        self.see("fields", True)
        if kind == "A":
            self.announcement(fields)
        elif kind == "S":
            self.sample(fields)
        else:
            self.fault(fields)

    def number(self, name: str, text: str, low: int, high: int) -> int | None:
        good = bool(_INTEGER.fullmatch(text)) and low <= int(text) <= high
        self.see("numbers", good, *(("", "") if good else not_a_number(name, text, low, high)))
        return int(text) if good else None

    # ------------------------------------------------------------ the kinds

    def announcement(self, fields: list[str]) -> None:
        version = self.number("version", fields[0], 0, HIGHEST_COUNTS)
        if version is not None:
            self.see("version", version == 1, f"version {fields[0]!r}")
        self.see("numbers", is_name(fields[1].encode()), "the adapter id is empty", "give the adapter an id")
        full_scale = self.number("full scale", fields[3], 1, HIGHEST_COUNTS)
        rate = rate_hz(fields[4].encode())
        self.see("numbers", rate is not None, f"rate {fields[4]!r} is not a number above 0",
                 "announce the samples a second, such as 100")
        if self.announced is not None:
            self.see("constant", fields == self.announced, f"before: {','.join(self.announced)}")
        self.announced = fields
        self.full_scale = full_scale
        self.nominal_hz = rate if rate is not None else self.nominal_hz
        if self.announced_at_us is not None:
            self.judge_gap()
        self.announced_at_us = self.clock_us
        self.fresh = True

    def judge_gap(self) -> None:
        """An announcement is due 5 s after the last, by the samples' clock, one interval late."""
        if self.spoiled:
            return
        gap_us = self.clock_us - (self.announced_at_us or 0)
        slack_us = 100_000  # the clock is only known at samples
        self.see(
            "announced",
            gap_us <= ANNOUNCE_EVERY_US + slack_us,
            f"{gap_us / 1e6:.2f} s since the announcement before",
        )

    def sample(self, fields: list[str]) -> None:
        seq = self.number("sequence", fields[0], 0, SEQ_SPAN - 1)
        us = self.number("clock", fields[1], 0, CLOCK_SPAN - 1)
        counts = self.number("counts", fields[2], 0, HIGHEST_COUNTS)
        supply = self.number("supply counts", fields[3], 1, HIGHEST_COUNTS) if fields[3] else None
        if fields[4]:
            good = temperature(fields[4].encode()) is not None
            self.see("numbers", good, f"temperature {fields[4]!r} is not a number in degrees C",
                     "send it like 21.5, and leave the field empty where it is not known")
        if self.full_scale is not None:
            for name, value, do in (("counts", counts, ""), ("supply counts", supply, SUPPLY_COUNTS)):
                if value is not None:
                    self.see("full-scale", value <= self.full_scale,
                             f"{name} {value}, announced full scale {self.full_scale}", do)
        if seq is None or us is None:
            self.dropped += 1
            return
        dropped, self.dropped = self.dropped, 0
        if self.seq is None or self.last_us is None:
            if seq == 0 and not self.spoiled:  # any other has been counted since the start, which was not seen then
                self.see("boot", self.announced is not None, "sample 0 came before any announcement")
            self.begin(seq, us)
            return
        step = (seq - self.seq) % SEQ_SPAN
        forward_us = (us - self.last_us) % CLOCK_SPAN
        if step != 1 and us < self.last_us and forward_us >= CLOCK_SPAN // 2:
            # clock and sequence both went back: the adapter has started again
            self.see("boot", self.fresh, "the adapter started again and did not announce itself")
            self.begin(seq, us)
            return
        if not 2 <= step <= dropped + 1:  # else its lines came, and could not be used: that has been told
            self.see("sequence", step == 1, *(("", "") if step == 1 else sequence(self.seq, seq)))
            if step > 1:
                self.wide_steps[step] += 1
        stands = ": it stands still" if us == self.last_us else ""
        ok = self.see("clock", 0 < forward_us < CLOCK_SPAN // 2, f"{us} us after {self.last_us} us{stands}")
        if ok:
            self.clock_us += forward_us
            if 1 <= step < SEQ_SPAN // 2:
                self.run_steps += step
                self.run_us += forward_us
        if self.announced_at_us is None:
            self.announced_at_us = self.clock_us if self.announced is not None else None
        self.seq, self.last_us, self.fresh = seq, us, False

    def begin(self, seq: int, us: int) -> None:
        self.seq, self.last_us, self.fresh = seq, us, False
        self.fault_at_us = []
        self.clock_us = 0
        self.announced_at_us = 0 if self.announced is not None else None

    def fault(self, fields: list[str]) -> None:
        us = self.number("clock", fields[0], 0, CLOCK_SPAN - 1)
        self.see("fault-word", fields[1] in FAULT_WORDS, f"word {fields[1]!r}")
        if us is None:
            return
        # a second is half open, so that one line every 0.5 s is within the rule
        recent = [t for t in self.fault_at_us if (us - t) % CLOCK_SPAN < 1_000_000]
        self.see("fault-rate", len(recent) < 2, f"{len(recent) + 1} fault lines within a second")
        self.fault_at_us = [*recent, us][-3:]

    def finish(self) -> None:
        tally = self.tallies["sequence"]
        if self.wide_steps:
            step, times = self.wide_steps.most_common(1)[0]
            if times > 0.9 * tally.seen and times > 10:
                tally.what, tally.do = always(step)
                self.nominal_hz = None  # no rate is known by such a count
        if self.spoiled:
            pass  # announcements came that could not be used: when they would have been due is not to be told
        elif self.announced_at_us is None and self.clock_us > ANNOUNCE_EVERY_US + 100_000:
            self.see("announced", False, f"none in {self.clock_us / 1e6:.1f} s of samples")
        elif (
            self.announced_at_us is not None
            and self.clock_us - self.announced_at_us > ANNOUNCE_EVERY_US + 100_000
        ):
            self.judge_gap()
        if self.nominal_hz and self.run_us and (self.run_us >= 1_000_000 or self.run_steps >= ENOUGH_STEPS):
            rate = self.run_steps * 1e6 / self.run_us
            good = abs(rate / self.nominal_hz - 1) <= RATE_TOLERANCE
            unit = units_of(rate / self.nominal_hz)
            self.see(
                "rate", good,
                f"{rate:.2f} samples a second by the adapter's clock, announced {self.nominal_hz:g}"
                + (f": {unit[0]}" if unit else ""),
                unit[1] if unit else "",
            )


def _lines(data: bytes) -> Iterator[tuple[int, bytes, bool]]:
    start, number = 0, 1
    while start < len(data):
        end = data.find(b"\n", start)
        if end < 0:
            yield number, data[start:], False
            return
        yield number, data[start : end + 1], True
        start, number = end + 1, number + 1


def _cut_first_line(raw: bytes) -> bool:
    """The tail of a line, as a capture has it that began in mid-stream."""
    content = raw.rstrip(b"\r\n")
    body, star, check = content.rpartition(b"*")
    if star and is_check(check) and crc_hqx(body, 0) == int(check, 16):
        return False
    return len(raw) < MAX_LINE and content[:2] not in (b"A,", b"S,", b"F,")


def check_bytes(data: bytes) -> list[RuleResult]:
    """Every rule of the wire format, in the order of ``RULES``, judged on ``data``.

    data: bytes as they came from the adapter, from any moment on. The first line may be the tail
    of one and the last the head of one; neither is held against the adapter. A rule that the
    bytes give no occasion for is ``not seen``. Never raises.
    """
    checker = _Checker()
    for number, raw, ended in _lines(data):
        if number == 1 and ended and _cut_first_line(raw):
            continue
        checker.add(number, raw, ended)
    checker.finish()
    results = []
    for name, (text, do) in RULES.items():
        tally = checker.tallies[name]
        if tally.offences:
            results.append(
                RuleResult(
                    name, text, "failed", tally.line, tally.shown, tally.what, tally.do or do, tally.offences
                )
            )
        else:
            results.append(RuleResult(name, text, "passed" if tally.seen else "not seen"))
    return results
