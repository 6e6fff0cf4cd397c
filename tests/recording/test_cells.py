"""Numbers of a column read at once are what Python's own ``float`` gives for each text (IEEE 754, rounded right)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from recorder.recording.cells import BadRow, Grid

PAD = b"0" * 16 + b"\n"
_number = st.from_regex(r"-?[0-9]{1,7}(\.[0-9]{1,8})?", fullmatch=True)
_other = st.from_regex(r"[-+.0-9e]{1,9}", fullmatch=True)


def column(cells: list[str]) -> Grid:
    body = PAD + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)).encode()
    return Grid.of(body, len(PAD), len(body), 2, 0)


def by_python(cell: str) -> float | None:
    """None where it is no number that can be used."""
    try:
        value = float(cell) if cell else math.nan
    except ValueError:
        return None
    return value if not cell or abs(value) < 2**62 else None


@settings(max_examples=300, deadline=None)
@given(st.lists(_number | _number | st.just(""), min_size=1, max_size=20),
       st.lists(st.tuples(st.integers(0, 19), _other), max_size=1))
@example(["21.5", "21.5625", "-0.0625", "7", ""], [])
@example(["21.5", "21.5625"], [(0, "2.1.5")])
@example(["21.5", "-1.5"], [(1, "-.5")])
def test_numbers_with_some_more_decimals_than_others(cells: list[str], odd: list[tuple[int, str]]) -> None:
    for at, cell in odd:
        cells.insert(at, cell)
    expected = [by_python(cell) for cell in cells]
    if None in expected:
        with pytest.raises(BadRow) as caught:
            column(cells).numbers(1, "temp_C", False, required=False)
        assert caught.value.index == expected.index(None)
    else:
        np.testing.assert_array_equal(column(cells).numbers(1, "temp_C", False, required=False),
                                      np.array(expected, float))


def test_sixteenths_of_a_degree_are_not_walked_row_by_row(monkeypatch: pytest.MonkeyPatch) -> None:
    def walked(*given: object) -> None:
        raise AssertionError("row by row")

    monkeypatch.setattr(Grid, "_one_by_one", walked)
    steps = np.arange(-400, 2000) / 16.0
    read = column([repr(float(value)) for value in steps]).numbers(1, "temp_C", False, required=True)
    np.testing.assert_array_equal(read, steps)
    with pytest.raises(AssertionError, match="row by row"):
        column(["1e1", "2.5"]).numbers(1, "temp_C", False, required=True)
