"""Readings that are no ratio of a supply. A ratiometric sensor gives 10 to 90 % of its supply, one in short circuit all
of it (common practice, no source)."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.wire import RatioWatch, ratio_of

NOT_SENT = float("nan")


def odd(counts: list[int], supply: list[float], *, cut: int | None = None) -> list[bool]:
    """Of a converter that ends at 1023 counts; fed at once, or ``cut`` rows at a time."""
    watch, out = RatioWatch(), []
    step = cut or len(counts)
    for k in range(0, len(counts), step):
        block = np.array(counts[k : k + step]), np.array(supply[k : k + step])
        out += watch.odd(*block, 1023).tolist()
    return out


def test_counts_are_divided_by_the_supply_where_it_was_sent_and_by_full_scale_where_not() -> None:
    """Ratiometric: the share of the supply of the same sample (interfaces, section 2). Nothing tells a pressure where
    there is no supply, and full scale does not stand for it."""
    got = ratio_of(np.array([512, 512, 512, 512, 0]), np.array([1024.0, NOT_SENT, 0.0, -5.0, 1000.0]), 2048)
    np.testing.assert_array_equal(got, [0.5, 0.25, np.nan, np.nan, 0.0])
    assert np.isnan(ratio_of(np.array([5]), np.array([NOT_SENT]), 0)).all()
    assert ratio_of(np.empty(0, int), np.empty(0), 1023).shape == (0,)


def test_more_than_its_supply_is_no_reading() -> None:
    assert odd([800, 840, 841], [800.0] * 3) == [False, False, True]  # 1.05 of it is 840
    assert odd([1023, 1074, 1075], [NOT_SENT] * 3) == [False, False, True]


@pytest.mark.parametrize("cut", [None, 1, 2, 3])
def test_a_supply_that_goes_away(cut: int | None) -> None:
    """By a third of what it was."""
    supply = [900.0, 900.0, 900.0, 880.0, 601.0, 599.0, 300.0, 900.0]
    assert odd([100] * 8, supply, cut=cut) == [False] * 5 + [True, True, False]


@pytest.mark.parametrize("cut", [None, 1, 2, 3])
def test_one_or_two_wild_rows_say_nothing_of_the_supply(cut: int | None) -> None:
    wild = [500.0, 5000.0, 5000.0, 500.0, 500.0, 500.0, 500.0]
    assert not any(odd([100] * 7, wild, cut=cut))
    # three are the supply, from then on
    assert odd([100] * 5, [500.0, 900.0, 900.0, 900.0, 500.0], cut=cut) == [False] * 4 + [True]


@pytest.mark.parametrize("cut", [None, 1, 2])
def test_a_supply_that_is_sent_now_and_then(cut: int | None) -> None:
    supply = [900.0, NOT_SENT, 900.0, NOT_SENT, 900.0, NOT_SENT, 500.0, NOT_SENT]
    assert odd([100] * 8, supply, cut=cut) == [False] * 6 + [True, False]
