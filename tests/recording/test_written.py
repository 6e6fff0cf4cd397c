"""Rows as written and read back: the short way for a few of them gives what the reader gives."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.model import Rows, SampleBlock
from recorder.recording import rows as module
from recorder.recording.rows import BadRow, columns_line, parse_rows, rows_text, written
from recorder.wire import Decoder, encode_line

_number = st.floats(-1e4, 1e4) | st.sampled_from([0.0, -0.0, -0.00004, 1e300, math.inf, -math.inf, math.nan, 2e5])
_usual = st.floats(-500, 500)
_whole = st.integers(-2, 2**32) | st.sampled_from([10**15, 2**62, 2**62 - 1])
_flag = st.sampled_from(["", "", "", "gap", "restart+gap", "a,b", 'say "x"', "two\nlines", "é"])
_row = st.tuples(
    st.integers(0, 3_000_000), _usual | _usual | _number, _whole, _whole, _number, _whole, _number, _number, _flag
)


def reader(rows: Rows) -> Rows | str:
    try:
        return parse_rows(rows_text(rows).encode(), columns_line().split(","), "kPa")
    except BadRow as bad:
        return bad.what


def made(cells: list[tuple[float, ...]], drop: int, flags: bool) -> Rows:
    columns = list(zip(*cells, strict=True))
    times = np.cumsum(columns[0]) / 1e6
    whole = [np.array(columns[i], np.int64) for i in (2, 3, 5)]
    rest = [np.array(columns[i], float) for i in (1, 4, 6, 7)]
    if drop == 1:
        return Rows(times, rest[0], None, None, rest[1], None, None, None, None)
    return Rows(times, rest[0], whole[0], whole[1], rest[1], whole[2], rest[2], rest[3],
                list(columns[8]) if flags else None)


@settings(max_examples=300, deadline=None)
@given(st.lists(_row, min_size=1, max_size=8), st.integers(0, 2), st.booleans())
def test_the_short_way_is_the_readers_way(cells: list[tuple[float, ...]], drop: int, flags: bool) -> None:
    rows = made(cells, drop, flags)
    expected = reader(rows)
    try:
        text, back = written(rows)
    except BadRow as bad:
        assert bad.what == expected
        return
    assert text == rows_text(rows).encode()
    assert isinstance(expected, Rows)
    for name in Rows.__dataclass_fields__:
        one, two = getattr(back, name), getattr(expected, name)
        if name == "flag":
            assert one == two
        else:
            assert one.dtype == two.dtype
            assert np.array_equal(one, two, equal_nan=one.dtype.kind == "f"), name
            assert np.array_equal(np.signbit(one), np.signbit(two))


def test_usual_rows_do_take_the_short_way() -> None:
    n = 3
    rows = Rows(np.arange(n) / 100, np.full(n, 101.25), np.arange(n), np.arange(n) * 10_000, np.arange(n) / 100,
                np.full(n, 500), np.full(n, np.nan), np.full(n, 21.5), ["", "gap", ""])
    assert module._few_rows(rows_text(rows)) is not None


def test_a_temperature_is_kept_as_it_was_sent() -> None:
    """Steps of 1/16 degree, as a common digital sensor has them (its data sheet, from memory), were cut to 1/100."""
    sent = ["21.5625", "-0.0625", "85", "21.5", "-12.34", "0.1", "0.00001", "-1000000", "21.537512345678", "99.995", ""]
    decoder = Decoder()
    decoder.feed(b"".join(encode_line(f"S,{i},{i * 10_000},409,,{text}") for i, text in enumerate(sent)))
    [block] = decoder.take()
    assert isinstance(block, SampleBlock) and len(block) == len(sent)
    n = len(sent)
    rows = Rows(np.arange(n) / 100, np.full(n, 101.25), block.seq, block.device_us, np.arange(n) / 100, block.counts,
                block.supply, block.temp_c, None)
    text, back = written(rows)
    assert back.temp_c is not None and np.array_equal(back.temp_c, block.temp_c, equal_nan=True)
    kept = [row.split(b",")[7].decode() for row in text.splitlines()]
    assert kept == ["21.5625", "-0.0625", "85.00", "21.50", "-12.34", "0.10", "0.00001", "-1000000.00",
                    "21.537512345678", "99.995", ""]
    assert rows_text(back).encode() == text  # and so for a file that is read and compared, as an old one is
    again = parse_rows(text, columns_line().split(","), "kPa")
    assert again.temp_c is not None and np.array_equal(again.temp_c, block.temp_c, equal_nan=True)
