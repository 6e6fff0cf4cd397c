"""Random, broken and adverse bytes through the wire.

    python -m tests.benchmarks.wire_fuzz [--bytes 10_000_000] [--seed 1]

Half of the bytes are random pieces among good lines, a twentieth is thought out by hypothesis, the rest by a
coverage-guided fuzzer (wire_fuzz_guided.py). Then the streams of wire_streams.py: a line without end, NULs, UTF-8,
replayed lines, announcements that disagree, a clock that runs backwards, sequences that jump, 2 Mbaud in bursts.

No exception, bounded memory, and no sample, announcement or fault that was not sent, beyond the chance of a 16-bit
check (2^-16 a line that is broken at random but still ends in a well-formed check). What is accepted, with each of its
values and in its order, is what another decoder, written from the contract's text alone (``reference``), accepts too.

Exit 0: all is so. 1: it is not. 2: it is as far as it was tried, and a part could not be, which the last line names.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
from dataclasses import dataclass
from itertools import chain

from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from recorder.model import Announcement, BareBlock, Fault, Message, OtherVersion, SampleBlock
from recorder.wire import Decoder, Timeline, encode_announcement, encode_fault, encode_sample

HOSE = Announcement(1, "hose-7", "1.0", 1023, 100.0)
Row = tuple[int, int, int]  # sequence, clock, counts
Item = tuple[object, ...]  # what a line says, its kind first; empty fields are None


@dataclass(frozen=True, slots=True)
class Fuzzed:
    """``by_chance``: broken pieces whose random check may be right, times 2^-16."""

    fed: int
    sent: int
    accepted: int
    never_sent: int
    broken: int
    most_bytes: int
    by_chance: float
    differing: int


def _remainders() -> list[int]:
    """CRC-16/XMODEM a byte at a time, from its polynomial 0x1021."""
    out = []
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
        out.append(crc)
    return out


_REMAINDERS = _remainders()


def crc(body: bytes) -> int:
    out = 0
    for byte in body:
        out = (out << 8 & 0xFFFF) ^ _REMAINDERS[out >> 8 ^ byte]
    return out


def _whole(text: bytes, most: int) -> bool:
    return text.isdigit() and int(text) <= most


def _decimal(text: bytes) -> float | None:
    whole, point, part = text.removeprefix(b"-").partition(b".")
    return float(text) if whole.isdigit() and (part.isdigit() if point else not part) else None


def _sample(fields: list[bytes]) -> Item | None:
    if len(fields) != 6:
        return None
    _, number, clock, counts, supply, temp = fields
    degrees = _decimal(temp) if temp else None
    good = _whole(number, 65535) and _whole(clock, 2**32 - 1) and _whole(counts, 2**32 - 1)
    good = good and (not supply or (_whole(supply, 2**32 - 1) and int(supply) > 0))
    if not good or (temp and (degrees is None or abs(degrees) > 1e6)):
        return None
    return "S", int(number), int(clock), int(counts), int(supply) if supply else None, degrees


def _announced(fields: list[bytes]) -> Item | None:
    """Of another version only its number is known."""
    if len(fields) > 1 and fields[1].isdigit() and int(fields[1]) != 1:
        return "V", int(fields[1])
    if len(fields) != 6 or not fields[1].isdigit():
        return None
    _, version, name, firmware, full, rate = fields
    rate_hz = _decimal(rate)
    printable = all(0x20 <= byte <= 0x7E and byte != 0x2A for byte in name + firmware)
    good = printable and name.strip(b" ") and _whole(full, 2**32 - 1) and int(full) > 0
    if not good or rate_hz is None or not 0 < rate_hz <= 1e6:
        return None
    return "A", int(version), name.decode(), firmware.decode(), int(full), rate_hz


def _fault(fields: list[bytes]) -> Item | None:
    if len(fields) != 3 or not _whole(fields[1], 2**32 - 1) or fields[2] not in (b"open", b"short", b"supply", b"adc"):
        return None
    return "F", int(fields[1]), fields[2].decode()


_KINDS = {b"S": _sample, b"A": _announced, b"F": _fault}


def reference(data: bytes) -> list[Item]:
    """What ``data`` says as the wire format's text (firmware_notes/wire.md) has it."""
    out = []
    for line in data.split(b"\n")[:-1]:
        if len(line) + 1 > 120:
            continue
        line = line.removesuffix(b"\r")
        body, check = line[:-5], line[-5:]
        if check[:1] != b"*" or any(byte not in b"0123456789ABCDEF" for byte in check[1:]) or len(check) < 5:
            continue
        fields = body.split(b",")
        if fields[0] in _KINDS and crc(body) == int(check[1:], 16):
            said = _KINDS[fields[0]](fields)
            if said is not None:
                out.append(said)
    return out


def items(messages: list[Message]) -> list[Item]:
    """What messages of the decoder say, as ``reference`` has it; plain numbers are left out."""
    out: list[Item] = []
    for m in messages:
        if isinstance(m, SampleBlock):
            numbers = (a.tolist() for a in (m.seq, m.device_us, m.counts, m.supply, m.temp_c))
            out += [("S", *(None if math.isnan(cell) else cell for cell in row))
                    for row in zip(*numbers, strict=True)]
        elif isinstance(m, Announcement):
            out.append(("A", m.wire_version, m.adapter_id, m.firmware, m.full_scale_counts, m.nominal_rate_hz))
        elif isinstance(m, Fault):
            out.append(("F", m.device_us, m.word))
        elif isinstance(m, OtherVersion):
            out.append(("V", m.version))
        elif not isinstance(m, BareBlock):
            raise TypeError(type(m))
    return out


def rows(messages: list[Message]) -> list[Row]:
    blocks = [m for m in messages if isinstance(m, SampleBlock)]
    return list(chain.from_iterable(
        zip(b.seq.tolist(), b.device_us.tolist(), b.counts.tolist(), strict=True) for b in blocks))


def decoded(data: bytes, sizes: list[int], *, bulk: bool = True, bare: str | None = None) -> tuple[list[Item], int]:
    """What the decoder makes of ``data`` in pieces of these sizes (over and over), and the longest rest it kept.
    bare: the unit of plain numbers, where they are allowed."""
    decoder = Decoder(bare, bulk=bulk)
    got: list[Message] = []
    at = i = most = 0
    line = Timeline()
    while at < len(data):
        decoder.feed(data[at : at + sizes[i % len(sizes)]])
        at += sizes[i % len(sizes)]
        i += 1
        most = max(most, len(decoder._rest))
        for message in decoder.take():
            got.append(message)
            if isinstance(message, SampleBlock):
                timed = line.add(message, float(i))
                assert (timed.time_s[1:] > timed.time_s[:-1]).all()
            elif isinstance(message, Announcement):
                line.announce(message)
            elif isinstance(message, Fault):
                assert math.isfinite(line.fault(message, float(i)))
            elif isinstance(message, BareBlock):
                assert (abs(message.value) <= 1e7).all()
    return items(got), most


def agree(data: bytes, sizes: list[int]) -> bool:
    """Whether every way through the decoder accepts what the reference accepts, and keeps less than the longest
    line."""
    expected = reference(data)
    ways = ((sizes, True, None), ([1 << 30], True, None), ([1 << 30], False, None), (sizes, True, "kPa"))
    answers = (decoded(data, how, bulk=bulk, bare=bare) for how, bulk, bare in ways)
    return all(said == expected and kept < 120 for said, kept in answers)


# ---------------------------------------------------------------- pieces at random


def _line(rng: random.Random, i: int) -> tuple[bytes, Item]:
    """A line that an adapter sends, and what it says: of twenty one announcement and one fault."""
    kind = rng.randrange(20)
    if kind == 0:
        said = Announcement(1, rng.choice(["hose-7", "h 8"]), rng.choice(["1.0", ""]), rng.choice([1023, 4095]),
                            float(rng.randrange(1, 500)))
        return encode_announcement(said), items([said])[0]
    if kind == 1:
        fault = Fault(rng.randrange(2**32), rng.choice(["open", "short", "supply", "adc"]))
        return encode_fault(fault), items([fault])[0]
    supply = rng.choice([None, rng.randrange(1, 1024)])
    temp = rng.choice([None, rng.randrange(-400, 1500) / 10])
    made = (i % 65536, rng.randrange(2**32), rng.randrange(1024), supply, temp)
    return encode_sample(*made), ("S", *made)


def _piece(rng: random.Random, i: int) -> tuple[bytes, Item, bool, bool]:
    """What is sent, what it was made from, whether it is whole, and whether its check is random."""
    line, made = _line(rng, i)
    how = rng.randrange(8)
    if how == 0:
        return rng.randbytes(rng.randrange(1, 200)), made, False, False
    if how == 1:  # bytes changed
        raw = bytearray(line)
        for _ in range(rng.randrange(1, 6)):
            raw[rng.randrange(len(raw))] = rng.randrange(256)
        return bytes(raw), made, False, True
    if how == 2:  # bytes missing
        at = rng.randrange(len(line))
        return line[:at] + line[at + rng.randrange(1, 8) :], made, False, True
    if how == 3:  # two lines run together
        return line[: rng.randrange(len(line))] + line[rng.randrange(len(line)) :], made, False, True
    if how == 4:  # a right form with a check at random
        return line[:-5] + b"%04X\n" % rng.randrange(65536), made, False, True
    return line, made, True, False


def fuzz(total: int, seed: int = 1) -> Fuzzed:
    rng = random.Random(seed)
    sent: set[Item] = set()
    fed = accepted = never_sent = good_lines = differing = i = chances = 0
    most = 0
    while fed < total:
        parts = []
        sent.clear()  # a piece broken by its neighbour is only ever lost, so one batch at a time will do
        for _ in range(rng.choice([1, 3, 400])):
            data, made, good, chance = _piece(rng, i)
            i += 1
            parts.append(data)
            sent.add(made)  # also where it was broken: a change may undo itself
            good_lines += good
            chances += chance
        batch = b"".join(parts) + b"\n"
        fed += len(batch)
        got, rest = decoded(batch, [rng.choice([1, 7, 64, 700, 5000, 100_000]) for _ in range(9)])
        most = max(most, rest)
        accepted += len(got)
        never_sent += sum(row not in sent for row in got)
        differing += got != reference(batch)
    return Fuzzed(fed, good_lines, accepted, never_sent, i - good_lines, most, chances / 65536, differing)


# ---------------------------------------------------------------- thought out by hypothesis

_NUMBERS = st.one_of(st.sampled_from([0, 1, 9, 10, 65535, 65536, 2**31, 2**32 - 1, 2**32, 10**9]),
                     st.integers(0, 10**11))
_TEXTS = st.one_of(_NUMBERS.map(lambda n: b"%d" % n), st.sampled_from([b"", b"-1", b"+1", b"1.5", b"-3.25", b"1e3",
                                                                       b"0x1", b" 1", b"1_0", b"nan", b"00001"]))


def checked(body: bytes) -> bytes:
    return body + b"*%04X\n" % crc(body)


_BODIES = st.lists(_TEXTS, min_size=0, max_size=6).flatmap(
    lambda fields: st.sampled_from([b"S", b"S", b"A", b"F", b"s", b"SS", b""]).map(
        lambda kind: b",".join([kind, *fields])))
_SAMPLES = st.builds(encode_sample, st.integers(0, 65535), st.integers(0, 2**32 - 1), st.integers(0, 1023))
_PIECES = st.one_of(_SAMPLES, _SAMPLES, _BODIES.map(checked), st.binary(max_size=150),
                    st.sampled_from([b"\n", b"\r\n", b"\r", b"\0" * 50, encode_announcement(HOSE), b"x" * 119 + b"\n",
                                     b"x" * 120 + b"\n", "±°C\n".encode(), b"\xff\xfe\n"]),
                    st.tuples(_SAMPLES, st.integers(0, 40), st.binary(max_size=3)).map(
                        lambda t: t[0][: t[1]] + t[2] + t[0][t[1] :]))


def thought_out(total: int, start: int) -> int:
    """Bytes that hypothesis made, at least ``total``. It raises where the ways through the decoder disagree."""
    fed, turn = 0, start
    while fed < total:

        @seed(turn)
        @settings(max_examples=400, database=None, deadline=None, suppress_health_check=list(HealthCheck))
        @given(st.lists(_PIECES, max_size=120), st.lists(st.integers(1, 4000), min_size=1, max_size=4))
        def once(pieces: list[bytes], sizes: list[int]) -> None:
            nonlocal fed
            data = b"".join(pieces) + b"\n"
            fed += len(data)
            assert agree(data, sizes)

        once()
        turn += 1
    return fed


def main() -> int:
    from tests.benchmarks import wire_streams
    from tests.benchmarks.wire_fuzz_guided import guided

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--bytes", type=lambda s: int(s.replace("_", "")), default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    given_ = parser.parse_args()
    got = fuzz(given_.bytes // 2, given_.seed)
    bad = bool(got.differing or got.never_sent > 3 + 3 * got.by_chance or got.most_bytes >= 120)
    print(
        f"at random: {got.fed} bytes, {got.sent} good and {got.broken} broken pieces: {got.accepted} accepted, "
        f"{got.never_sent} of them never sent (by chance {got.by_chance:.1f} are expected), {got.differing} batches "
        f"differ from the reference, longest kept rest {got.most_bytes} bytes", flush=True)
    print(f"by hypothesis: {thought_out(given_.bytes // 20, given_.seed)} bytes, none differ", flush=True)
    wrong, said = guided(given_.bytes - got.fed - given_.bytes // 20, given_.seed)
    print(f"by coverage: {said}", flush=True)
    bad = bad or bool(wrong)
    for name, wrong_ in wire_streams.run(given_.seed):
        print(f"{name}: {wrong_ or 'right'}", flush=True)
        bad = bad or bool(wrong_)
    if wrong is None:
        print(f"NOT ALL OF IT: by coverage: {said}", flush=True)
    return 1 if bad else 2 if wrong is None else 0


if __name__ == "__main__":
    sys.exit(main())
