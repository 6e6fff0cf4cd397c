from __future__ import annotations

import binascii
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.errors import LineError
from recorder.model import Announcement, Fault, OtherVersion
from recorder.wire import (
    Decoder,
    encode_announcement,
    encode_fault,
    encode_line,
    encode_sample,
)
from recorder.wire.bulk import parse_bulk
from recorder.wire.few import parse_few
from recorder.wire.lines import parse_line
from tests.wire.samples import HOSE, flat, stream

STREAM = stream(400)


def decoded(*parts: bytes, bare: str | None = None, bulk: bool = True) -> tuple[list[object], object]:
    decoder = Decoder(bare, bulk=bulk)
    out: list[object] = []
    for part in parts:
        decoder.feed(part)
        out += flat(decoder.take())
    return out, decoder.counts


def raw(body: bytes) -> bytes:
    return body + b"*%04X\n" % binascii.crc_hqx(body, 0)


def test_the_examples_of_the_contract() -> None:
    """The four lines printed in the wire contract, and the check value of CRC-16/XMODEM."""
    assert binascii.crc_hqx(b"123456789", 0) == 0x31C3
    assert encode_announcement(HOSE) == b"A,1,hose-7,1.0,1023,100*573F\n"
    assert encode_sample(0, 1204, 103) == b"S,0,1204,103,,*E336\n"
    assert encode_sample(65535, 4294967280, 614, 1023, 21.5) == b"S,65535,4294967280,614,1023,21.5*06E9\n"
    assert encode_fault(Fault(500000, "open")) == b"F,500000,open*1D76\n"
    got, counts = decoded(
        b"A,1,hose-7,1.0,1023,100*573F\nS,0,1204,103,,*E336\r\n"
        b"S,65535,4294967280,614,1023,21.5*06E9\nF,500000,open*1D76\n"
    )
    assert got == [
        HOSE, (0, 1204, 103, None, None), (65535, 4294967280, 614, 1023.0, 21.5), Fault(500000, "open"),
    ]
    assert counts.bytes == 29 + 21 + 38 + 19  # type: ignore[attr-defined]
    assert (counts.samples, counts.announcements, counts.faults, counts.dropped) == (2, 1, 1, 0)  # type: ignore[attr-defined]


def test_bulk_and_plain_path_agree_on_a_rough_stream() -> None:
    whole, counts = decoded(STREAM, bulk=True)
    assert (whole, counts) == decoded(STREAM, bulk=False)
    assert len(whole) > 380
    assert counts.bad_check > 5 and counts.too_long > 0  # type: ignore[attr-defined]


def test_one_byte_at_a_time() -> None:
    assert decoded(*(STREAM[i : i + 1] for i in range(len(STREAM)))) == decoded(STREAM)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, len(STREAM)), max_size=30), st.binary(max_size=300))
def test_any_chunking_with_junk_behind(cuts: list[int], junk: bytes) -> None:
    data = STREAM + junk
    places = [0, *sorted(cuts), len(data)]
    parts = [data[a:b] for a, b in pairwise(places)]
    whole, counts = decoded(data)
    assert decoded(*parts) == (whole, counts)
    assert whole[: len(decoded(STREAM)[0])] == decoded(STREAM)[0]


_pieces = st.one_of(
    st.binary(max_size=30),
    st.builds(
        lambda fields: raw(b"S," + b",".join(fields)),
        st.lists(st.text("0123456789.-+ _e", max_size=11).map(str.encode), min_size=4, max_size=6),
    ),
    st.builds(encode_sample, st.integers(0, 65535), st.integers(0, 2**32 - 1), st.integers(0, 4095),
              st.none() | st.integers(0, 4095), st.none() | st.floats(-99, 99)),
    st.sampled_from([b"\n", b"\r\n", b"\r", b"*", b"S,1,2,3,4,", b"7.5\n", b"a" * 119 + b"\n", b"a" * 120]),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(_pieces, min_size=1, max_size=60), st.sampled_from([None, "kPa"]))
def test_both_paths_agree_on_anything(pieces: list[bytes], bare: str | None) -> None:
    data = b"".join(pieces)
    data += encode_sample(1, 2, 3) * 80  # enough for the bulk path
    assert decoded(data, bare=bare, bulk=True) == decoded(data, bare=bare, bulk=False)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.one_of(_pieces, st.builds(encode_sample, st.integers(0, 65535), st.integers(0, 2**32 - 1),
                                             st.integers(0, 99999))), min_size=1, max_size=4),
       st.sampled_from([b"", b"\r"]))
def test_a_few_lines_at_once_agree_with_one_by_one(pieces: list[bytes], cr: bytes) -> None:
    data = b"".join(pieces).replace(b"\n", cr + b"\n")
    data += b"" if data.endswith(b"\n") else b"\n"
    few = parse_few(data)
    single = [parse_line(line.removesuffix(b"\r"), False) for line in data[:-1].split(b"\n")]
    if few is None:
        assert not all(isinstance(one, tuple) for one in single)
    else:
        assert repr(few) == repr(single)  # repr: NaN is NaN there


def test_good_samples_take_the_quick_ways() -> None:
    """What they leave to the plain path comes out the same, only later: no other test would see it."""
    lines = [encode_sample(i % 65536, i * 10_000 % 2**32, i % 1024, supply, temp)
             for i in (0, 9, 1023, 65_535, 429_496_729) for supply in (None, 1, 1023, 4095)
             for temp in (None, -3.0, 0.0, 21.5)]
    for data in (b"".join(lines), b"".join(lines).replace(b"\n", b"\r\n")):
        assert parse_few(data) is not None
        assert parse_bulk(data).ok.all()
        torn = parse_bulk(data + b"S,1,2\n" + data)  # one that is torn leaves the others alone
        assert torn.ok.tolist() == [True] * len(lines) + [False] + [True] * len(lines)


@pytest.mark.parametrize(
    "body",
    [b"S,65536,1,1,,", b"S,1,4294967296,1,,", b"S,-1,1,1,,", b"S,+1,1,1,,", b"S, 1,1,1,,", b"S,1_0,1,1,,",
     b"S,1,1,,,", b"S,,1,1,,", b"S,1,1,1,", b"S,1,1,1,,,", b"S,1,1,1,0,", b"S,1,1,1,,1e3", b"S,1,1,1,,nan",
     b"S,1,1,1,,.", b"S,1,1,1.0,,", b"S,1,1,12345678901,,", b"S,1,1a34567890,1,,",
     b"S,1,a234567890,1,,", b"S,1,123456789a,1,,",
     b"S,1,1:34567890,1,,", b"S,1,2:,1,,", b"S,1,,1,,", "S,1,1,٣,,".encode(), b"F,1,broken",
     b"A,1,,1.0,1023,100", b"A,1,x,1.0,0,100", b"A,1,x,1.0,1023,0", b"A,1,a\x1bb,1.0,1023,100", b"A,x"],
)
@pytest.mark.parametrize("copies", [1, 200])
def test_fields_are_strict(body: bytes, copies: int) -> None:
    got, counts = decoded(raw(body) * copies)
    assert got == []
    assert counts.bad_fields == copies  # type: ignore[attr-defined]


def test_every_single_byte_change_is_caught() -> None:
    """A 16-bit check finds every burst of up to 16 bits, so every changed byte of a body."""
    line = encode_sample(12, 34567, 89, 1023, 21.5)
    lines = [line[:i] + bytes([b]) + line[i + 1 :] for i in range(len(line) - 6) for b in range(256)
             if b not in (line[i], 10)]
    got, _ = decoded(b"".join(lines))
    assert got == []


def test_kinds_of_bad_lines_are_counted() -> None:
    _, counts = decoded(raw(b"Z,1") + b"S,1,1,1,,*0000\n" + b"x" * 500 + b"\n" + raw(b"S,x") + b"S,1,1,1,,*abcd\n")
    assert (counts.unknown_kind, counts.bad_check, counts.too_long, counts.bad_fields) == (1, 2, 1, 1)  # type: ignore[attr-defined]
    assert counts.dropped == 5  # type: ignore[attr-defined]


def test_longest_line() -> None:
    body = "A,1," + "i" * 40 + "," + "f" * 20 + ",1023," + "1" * 6
    assert decoded(encode_line(body))[0]
    assert decoded(b"z" * 119 + b"\n")[1].too_long == 0  # type: ignore[attr-defined]
    assert decoded(b"z" * 120 + b"\n")[1].too_long == 1  # type: ignore[attr-defined]
    with pytest.raises(LineError, match="120"):
        encode_line("x" * 115)
    with pytest.raises(LineError):
        encode_line("a*b")


def test_endless_line_keeps_no_memory() -> None:
    decoder = Decoder()
    for _ in range(200):
        decoder.feed(b"q" * 10_000)
        assert len(decoder._rest) < 120
    decoder.feed(b"\n" + encode_sample(1, 2, 3))
    assert flat(decoder.take()) == [(1, 2, 3, None, None)]
    assert decoder.counts.too_long == 1


@pytest.mark.parametrize("piece", [1, 7, 119, 120, 121, 10_000])
@pytest.mark.parametrize("copies", [1, 40])
def test_the_beginning_of_a_line_that_is_too_long_is_kept(piece: int, copies: int) -> None:
    """Whoever is told that nothing could be used is shown what came; however it was cut, and also by the quick way."""
    data = (encode_sample(1, 2, 3) * 8 + b"0123456789" * 40 + b"\n") * copies
    decoder = Decoder()
    for at in range(0, len(data), piece):
        decoder.feed(data[at : at + piece])
    assert decoder.unusable == b"0123456789" * 12
    assert decoder.counts.too_long == copies
    decoder.feed(raw(b"Z,1"))
    assert decoder.unusable == raw(b"Z,1")[:-1]
    decoder.feed(raw(b"A,2,hose-7,1.0,1023,100"))
    assert decoder.unusable == raw(b"A,2,hose-7,1.0,1023,100")[:-1]


def test_other_wire_version_is_said_and_not_guessed() -> None:
    decoder = Decoder()
    decoder.feed(encode_line("A,2,hose-7,1.0,1023,100,new") * 3)
    assert decoder.take() == [OtherVersion(2)] * 3
    assert decoder.notices == ["the adapter speaks wire version 2; this program knows version 1"]


def test_bare_readings() -> None:
    got, counts = decoded(b"12.5\r\n  -0.3\n+7\n.5\n1e3\nnan\ninf\n12,5\nkPa 3\n99999999999\n\n"
                          + encode_sample(1, 2, 3), bare="kPa")
    assert got == [12.5, -0.3, 7.0, 0.5, (1, 2, 3, None, None)]
    assert counts.bad_fields == 7 and counts.samples == 5  # type: ignore[attr-defined]
    assert decoded(b"12.5\n")[0] == []


@pytest.mark.parametrize("value", [1.0 / 3.0, 103.42123456789012, -0.00012345678901234567, 1e6 / 7.0])
def test_a_bare_reading_may_have_all_digits_of_a_double(value: float) -> None:
    """As Python's ``print`` writes it, with leading zeros, and with more digits than a double has."""
    line = repr(value)
    longer = f"{line}{'5' * (118 - len(line))}"
    for text in (line, f"{'-' * (value < 0)}000{line.lstrip('-')}", longer):
        got, counts = decoded(text.encode() + b"\n", bare="kPa")
        assert got == [pytest.approx(value, rel=1e-15)], text
        assert counts.dropped == 0  # type: ignore[attr-defined]


def test_plain_numbers_and_samples_keep_their_order() -> None:
    decoder = Decoder("kPa")
    for part in (b"12.5\n", encode_sample(1, 2, 3), encode_sample(2, 12, 3), b"13.5\n"):
        decoder.feed(part)
    assert flat(decoder.take()) == [12.5, (1, 2, 3, None, None), (2, 12, 3, None, None), 13.5]


def test_resync_drops_a_begun_line() -> None:
    decoder = Decoder("kPa")
    decoder.feed(b"10")
    decoder.resync()
    decoder.feed(b"3.5\n4.5\n")
    assert flat(decoder.take()) == [4.5]


def test_announcement_round_trip() -> None:
    a = Announcement(1, "bench adapter 2", "2.1-rc", 4095, 12.5)
    assert decoded(encode_announcement(a))[0] == [a]
