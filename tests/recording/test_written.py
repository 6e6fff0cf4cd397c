"""Rows as written and read back: the short way for a few of them gives what the reader gives."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.model import Rows
from recorder.recording import rows as module
from recorder.recording.rows import BadRow, columns_line, parse_rows, rows_text, written

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
