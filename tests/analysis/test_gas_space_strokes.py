"""Which strokes a gas space is told from, and what is left unknown. Levels are made by hand: Boyle, dp = p_atm V_s / V
a stroke once it has cooled, and 0.4 of it more at first that dies away (air compressed adiabatically, gamma = 1.4)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from recorder.analysis.headspace import Settles, Space, either, headspace, lost_ml, with_uncounted

AIR_KPA, VOLUME_ML, STROKE_ML = 101.325, 400.0, 20.0
FULL_KPA = AIR_KPA * STROKE_ML / VOLUME_ML  # 5.07


def space(shares: list[float], *, tau_s: float = 0.0, **more: float | None) -> Space | None:
    """Of strokes a second apart, each this share of a full one; the heat of each dies away with tau_s."""
    at = np.arange(len(shares) + 1.0)
    gains = FULL_KPA * np.array(shares)
    after = at[:, None] - at[None, :-1]
    heat = 0.4 * np.exp(-np.maximum(after, 0.0) / tau_s) if tau_s else np.zeros_like(after)
    levels = ((after > 0) * (1.0 + heat)) @ gains
    given = {"cooling_s": 0.05, "cooling_kpa": 0.0} | more
    return headspace(at[:-1] - 0.001, at[:-1] + 0.001, levels, at[-1], STROKE_ML, AIR_KPA, at_kpa=float(gains.sum()),
                     settles=Settles(**given))  # type: ignore[arg-type]


@pytest.mark.parametrize("shares", [
    [1.0] * 20, [1.0] * 3,
    [1.0] * 14 + [0.8] * 6,  # eased off towards the target
    [1.0] * 15 + [0.3] * 5,
    [0.2, 0.4] + [1.0] * 15,
    [1.0] * 8 + [0.1] + [1.0] * 8,  # one that slipped
], ids=str)
def test_eased_and_slipped_strokes_do_not_make_the_space_larger(shares: list[float]) -> None:
    got = space(shares)
    assert got is not None and got.volume_ml == pytest.approx(VOLUME_ML, rel=0.02)
    assert abs(got.volume_ml - VOLUME_ML) <= 2.0 * got.u_ml and got.u_ml < 0.1 * VOLUME_ML


@pytest.mark.parametrize("shares", [[1.0] * 2, [1.0, 0.3] * 6, [1.0, 1.0, 0.2] * 4, [0.0] * 8, [-1.0] * 8], ids=str)
def test_three_full_strokes_have_to_follow_each_other(shares: list[float]) -> None:
    assert space(shares) is None


@pytest.mark.parametrize("tau_s", [0.3, 1.5, 3.0])
@pytest.mark.parametrize("seen", [True, False])
def test_warm_strokes(tau_s: float, seen: bool) -> None:
    """Whether the hold shows how they cool or not; where it does not, less is known."""
    left = 0.4 * FULL_KPA * sum(math.exp(-k / tau_s) for k in range(1, 21))
    got = space([1.0] * 20, tau_s=tau_s, cooling_s=tau_s if seen else None, cooling_kpa=left if seen else None)
    assert got is not None and abs(got.volume_ml - VOLUME_ML) <= 2.0 * got.u_ml
    assert got.u_ml < 0.12 * VOLUME_ML
    assert got.volume_ml == pytest.approx(VOLUME_ML, rel=0.03 if seen else 0.12)


def test_what_settles_may_be_heat_or_hoses() -> None:
    """Half of its share of the pressure is in doubt."""
    still, settles = space([1.0] * 20), space([1.0] * 20, cooling_kpa=6.0)
    assert still is not None and settles is not None
    more = math.sqrt((settles.u_ml / settles.volume_ml) ** 2 - (still.u_ml / still.volume_ml) ** 2)
    assert more == pytest.approx(0.5 * 6.0 / (20 * FULL_KPA), rel=0.3)


ONE = Space(400.0, 20.0, 0.1, 0.1, 100.0)


def test_what_left_by_boyles_law() -> None:
    """400 mL at 201.325 kPa that fall by 10 kPa. Of gas at its own pressure 400 ln(201.325 / 191.325) = 20.38 mL have
    gone; of coolant as much as the gas has grown by: 400 (201.325 / 191.325 - 1) = 20.91 mL. Both without hoses."""
    stiff = Space(400.0, 20.0, 0.0, 0.0, 100.0)
    gas, gas_u = lost_ml(stiff, 100.0, 10.0, AIR_KPA, gas=True)
    coolant, coolant_u = lost_ml(stiff, 100.0, 10.0, AIR_KPA, gas=False)
    assert (gas, coolant) == (pytest.approx(20.385, abs=0.01), pytest.approx(20.907, abs=0.01))
    assert gas_u == pytest.approx(gas / 20.0)
    # it may have been air all the same: half of the difference
    assert coolant_u == pytest.approx(math.hypot(coolant / 20.0, (coolant - gas) / 2.0))


def test_a_fall_below_nothing_is_none() -> None:
    for gas in (True, False):
        lost, u = lost_ml(ONE, 100.0, 500.0, AIR_KPA, gas=gas)
        assert 0.0 < lost < 10.0 * ONE.volume_ml and math.isfinite(u)


def test_one_of_two_spaces() -> None:
    """The mean and the spread of a mixture: with shares s and 1 - s it is sqrt(s (1 - s)) times the difference."""
    other = Space(500.0, 10.0, 0.2, 0.1, 90.0)
    got = either(ONE, other, 0.8)
    assert got is not None and got.volume_ml == pytest.approx(420.0) and got.at_kpa == ONE.at_kpa
    assert got.u_ml == pytest.approx(math.hypot(20.0, 40.0))
    got = either(ONE, other, 0.2)
    assert got is not None and got.volume_ml == pytest.approx(480.0) and got.at_kpa == other.at_kpa
    assert got.u_ml == pytest.approx(math.hypot(10.0, 40.0))
    assert either(ONE, None, 0.95) is ONE and either(None, other, 0.05) is other
    assert either(ONE, None, 0.85) is either(None, other, 0.15) is either(None, other, 0.95) is None


def test_strokes_that_were_not_counted() -> None:
    got = with_uncounted(ONE, 0.1)
    assert got is not None and got.volume_ml == 400.0 and got.u_ml == pytest.approx(math.hypot(20.0, 40.0))
    assert with_uncounted(ONE, 0.29) is not None and with_uncounted(ONE, 0.30) is None  # 30 % is no knowledge
