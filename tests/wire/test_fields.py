"""What the conformance check passes the decoder takes, on every path; what the decoder drops the check names."""

from __future__ import annotations

from binascii import crc_hqx

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from recorder.model import Announcement, SampleBlock
from recorder.wire import Decoder
from recorder.wire.conformance import check_bytes

# The rules that one line can break by itself.
OF_A_LINE = {"line-end", "length", "characters", "check-form", "check", "kind", "fields", "numbers", "version",
             "fault-word"}
GOOD = b"S,7,8,9,,"

A41 = "A,1," + "x" * 41 + ",1.0,1023,100"
ONCE_DROPPED = [
    A41,
    "A,1,hose-7,v1.0.3-14-gabcdef0-dirty,1023,100",
    "A,1,hose-7,,1023,100",
    "A,1,hose-7,1.0,1023,100.0000000",
    "A,1,hose-7,1.0,2147483647,100",
    "S,0,0,4294967295,4294967295,",
    "S,0,0,1503238553,,",
    "S,0,0,103,,21.5000000",
    "S,000000,0000000000000,000103,000001,",
    "S,0,0,103,,-99999.0",
]


def line(body: bytes) -> bytes:
    return body + b"*%04X\n" % crc_hqx(body, 0)


def names(data: bytes) -> set[str]:
    """The rules of a line that the check finds broken. A good line before it, for the first may be cut."""
    return {r.rule for r in check_bytes(line(GOOD) + data) if r.state == "failed"} & OF_A_LINE


def taken(data: bytes) -> bool:
    """Whether the decoder takes the line; the same by every path."""
    out = []
    for repeat, bulk in ((1, False), (1, True), (400, True)):
        decoder = Decoder(bulk=bulk)
        decoder.feed(data * repeat)
        decoder.take()
        n = decoder.counts
        got = n.samples + n.announcements + n.faults
        assert got in (0, repeat)
        out.append(got > 0)
    assert len(set(out)) == 1
    return out[0]


@pytest.mark.parametrize("body", ONCE_DROPPED)
def test_a_line_that_the_format_allows_is_taken(body: str) -> None:
    assert names(line(body.encode())) == set() and taken(line(body.encode()))


@pytest.mark.parametrize("body", ["S,65536,0,1,,", "S,0,4294967296,1,,", "S,0,0,4294967296,,", "S,0,0,1,0,",
                                  "S,0,0,1,4294967296,", "S,0,0,1,,1000001", "A,1, ,1.0,1023,100", "A,1,a,1,0,100",
                                  "A,1,a,1,1023,0.0", "A,1,a,1,1023,100.", "S,0,0,1,,+2", "S,0,0,1,,.5"])
def test_a_line_beyond_its_bounds_is_dropped_and_named(body: str) -> None:
    assert names(line(body.encode())) == {"numbers"} and not taken(line(body.encode()))


def test_the_values_are_whole() -> None:
    decoder = Decoder()
    decoder.feed(line(A41.encode()) + line(b"S,000007,00000000000009,4294967295,0004092,21.5000000"))
    announced, block = decoder.take()
    assert isinstance(announced, Announcement) and announced.adapter_id == "x" * 41
    assert isinstance(block, SampleBlock)
    row = block.seq[0], block.device_us[0], block.counts[0], block.supply[0], block.temp_c[0]
    assert row == (7, 9, 4_294_967_295, 4092.0, 21.5)


_NUMBER = st.one_of(
    st.integers(0, 2**33).map(str), st.sampled_from(["0", "1", "65535", "65536", "4294967295", "4294967296", ""]),
    st.tuples(st.integers(1, 30), st.integers(0, 70_000)).map(lambda z: "0" * z[0] + str(z[1])),
    st.from_regex(r"[-+]?[0-9]{0,20}(\.[0-9]{0,8})?", fullmatch=True),
)
_TEXT = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters=","), max_size=60)
_FIELD = st.one_of(_NUMBER, _NUMBER, _TEXT)
_BODY = st.one_of(
    st.tuples(st.just("S"), _NUMBER, _NUMBER, _NUMBER, _NUMBER, _NUMBER),
    st.tuples(st.just("A"), st.sampled_from(["1", "01", "1", "x"]), _TEXT, _TEXT, _NUMBER, _NUMBER),
    st.tuples(st.just("F"), _NUMBER, st.sampled_from(["open", "short", "supply", "adc", "OPEN", ""])),
    st.tuples(st.sampled_from(["S", "A", "F", "T", ""]), _FIELD, _FIELD, _FIELD, _FIELD, _FIELD),
).map(",".join)


@settings(max_examples=600, deadline=None)
@given(_BODY)
@example("S," + "0" * 100 + "1,2,3,,")
@example("S,1,2,3,," + "0" * 108)
@example("A,1,a*b,1.0,1023,100")
def test_the_check_and_the_decoder_agree(body: str) -> None:
    data = line(body.encode("ascii"))
    assert taken(data) is (names(data) == set())
