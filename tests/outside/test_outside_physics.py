"""Physics, units, statistics and checks against published figures; each source stands beside its check."""

import math
from dataclasses import replace

import numpy as np
import pytest

from recorder import units
from recorder.adapter import settling_inflation
from recorder.air import pressure_at_altitude_kpa
from recorder.allan import overlapping_adev
from recorder.analysis.boiling import (
    _glycol_vapour_kpa,
    boiling_point_c,
    glycol_estimate_c,
    water_vapour_kpa,
)
from recorder.errors import SettingError
from recorder.wire import encode_line

# NIST SP 811 (2008), appendix B.8/B.9, Pa; digits as printed there.
SP811 = {
    "psi": (6.894757e3, 1e-6), "bar": (1.0e5, 0), "kgf/cm2": (9.80665e4, 1e-12), "atm": (1.01325e5, 1e-12),
    "torr": (1.333224e2, 1e-6), "mmHg": (1.333224e2, 1e-6), "inHg": (3.386389e3, 1e-6),
    "ftH2O": (2.989067e3, 1e-6), "inH2O": (2.490889e2, 1e-6),
}


@pytest.mark.parametrize("unit", SP811)
def test_sp811_pressure_units(unit: str) -> None:
    pascal, rel = SP811[unit]
    assert units.pressure_factor_kpa(unit) * 1000 == pytest.approx(pascal, rel=rel or 1e-15)


def test_psi_by_definition() -> None:
    exact = 0.45359237 * 9.80665 / 0.0254**2 / 1000  # international pound and inch, standard gravity
    assert units.pressure_factor_kpa("psi") == pytest.approx(exact, rel=1e-14)


def test_traps_of_the_unit_library() -> None:
    """inHg is the conventional one (not 60 F, 0.28 % lower), and gauge units are plain units with us."""
    assert units.pressure_factor_kpa("inHg") == pytest.approx(13595.1 * 9.80665 * 0.0254 / 1e3, rel=1e-12)
    ratio = units.pressure_factor_kpa("inch_Hg_60F") / units.pressure_factor_kpa("inHg")
    assert ratio == pytest.approx(0.9972, abs=1e-4)
    for gauge, plain in (("psig", "psi"), ("barg", "bar")):
        assert units.pressure_factor_kpa(gauge) == units.pressure_factor_kpa(plain)
    with pytest.raises(SettingError):
        units.pressure_factor_kpa("psia2")


@pytest.mark.parametrize("text", ["8.9 kPa", "12 kPa", "1.1 MPa", "17.1 bar", "0.9 psi", "30 C"])
def test_printed_unit_traps_are_refused(text: str) -> None:
    """The first two are misprints of published vehicle service manuals for 89.6 and 124 kPa."""
    with pytest.raises(SettingError):
        units.parse_marking(text)


def test_crc_check_value_through_our_wire() -> None:
    """CRC-16/XMODEM of '123456789' is 31C3 (catalogue of parametrised CRC algorithms)."""
    assert encode_line("123456789") == b"123456789*31C3\n"


# IAPWS R7-97(2012): table 36 (equation 31) and table 35 (equation 30).
@pytest.mark.parametrize(
    ("mpa", "kelvin"), [(0.1, 0.372755919e3), (1.0, 0.453035632e3), (10.0, 0.584149488e3)]
)
def test_if97_table_36(mpa: float, kelvin: float) -> None:
    assert boiling_point_c(mpa * 1000) + 273.15 == pytest.approx(kelvin, abs=5e-7)


@pytest.mark.parametrize(
    ("kelvin", "mpa"), [(300.0, 0.353658941e-2), (500.0, 0.263889776e1), (600.0, 0.123443146e2)]
)
def test_if97_table_35(kelvin: float, mpa: float) -> None:
    assert water_vapour_kpa(kelvin - 273.15) / 1000 == pytest.approx(mpa, rel=2e-9)


def test_if97_against_the_iapws_library() -> None:
    from iapws.iapws97 import _TSat_P

    for gauge in (0, 50, 90, 103.4, 110, 124, 150):
        kpa = 101.325 + gauge
        assert boiling_point_c(kpa) == pytest.approx(_TSat_P(kpa / 1000) - 273.15, abs=1e-9)
    assert boiling_point_c(101.325 + 103.4) == pytest.approx(120.9514, abs=1e-4)
    # the region ends at the triple and the critical point: 611.657 Pa and 22.064 MPa
    assert 0.0 < boiling_point_c(0.62) < 1.0 and boiling_point_c(22064.0) == pytest.approx(373.946, abs=1e-3)
    for bad in (0.0, -1.0, 0.61, 22065.0, 1e6, math.nan):
        with pytest.raises(SettingError):
            boiling_point_c(bad)


def test_glycol_alone_boils_where_handbooks_say() -> None:
    """Ethylene glycol at 101.325 kPa: 197.3 degC (CRC Handbook of Chemistry and Physics; from memory)."""
    assert _glycol_vapour_kpa(197.3) == pytest.approx(101.325, rel=0.015)


@pytest.mark.parametrize("gauge_kpa", [0.0, 103.4])
def test_half_glycol_boils_where_raoult_says(gauge_kpa: float) -> None:
    """Half by volume is 52.7 % by mass, so of 100 g 47.3 / 18.015 = 2.624 mol are water and 52.7 / 62.07 = 0.849 mol
    glycol: mole fractions 0.7555 and 0.2445. Water by the iapws library, glycol by Antoine's equation (lg p/bar =
    4.970 - 1915 / (T - 85), T in K, Jones & Tamplin 1952; from memory)."""
    from iapws.iapws97 import _PSat_T

    kelvin = glycol_estimate_c(101.325 + gauge_kpa) + 273.15
    glycol_kpa = 100.0 * 10.0 ** (4.970 - 1915.0 / (kelvin - 85.0))
    total = 0.7555 * _PSat_T(kelvin) * 1000.0 + 0.2445 * glycol_kpa
    assert total == pytest.approx(101.325 + gauge_kpa, rel=0.002)  # a fifteenth of a kelvin


def test_altitude_and_the_glycol_estimate() -> None:
    # ISO 2533 at 1500 m: 84.556 kPa (from memory)
    assert pressure_at_altitude_kpa(1500) == pytest.approx(84.556, abs=5e-4)
    assert pressure_at_altitude_kpa(0) == 101.325
    # its ends, by geopotential altitude: 30.742 and 107.478 kPa (ISO 2533, from memory)
    assert pressure_at_altitude_kpa(9000.0) == pytest.approx(30.742, abs=1e-3)
    assert pressure_at_altitude_kpa(-500.0) == pytest.approx(107.478, abs=1e-3)
    assert boiling_point_c(pressure_at_altitude_kpa(1500) + 103.4) == pytest.approx(118.259, abs=1e-3)
    # ASTM D3306 asks 107.8 degC or more at 1 atm (from memory); a published vehicle service manual says
    # about 129 degC under a 103 kPa cap: two points, no validation
    assert glycol_estimate_c(101.325) == pytest.approx(107.8, abs=1.0)
    assert glycol_estimate_c(101.325 + 103.4) == pytest.approx(129.0, abs=1.0)
    for low_or_high in (-501.0, 9001.0, math.nan):
        with pytest.raises(SettingError):
            pressure_at_altitude_kpa(low_or_high)


def sp1065() -> np.ndarray:
    """The 1000-point set of NIST SP 1065 (Riley 2008), section 12.4: a multiplicative generator."""
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(out)


@pytest.mark.parametrize(("m", "wanted"), [(1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)])
def test_sp1065_overlapping_allan(m: int, wanted: float) -> None:
    assert overlapping_adev(sp1065(), m) == pytest.approx(wanted, abs=5e-8 if m < 10 else 5e-9)


def test_sp1065_nine_points_and_the_allantools_library() -> None:
    import allantools

    nine = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677.0])
    assert overlapping_adev(nine, 1) == pytest.approx(91.22945, abs=5e-6)
    assert overlapping_adev(nine, 2) == pytest.approx(85.95287, abs=5e-6)
    data = sp1065()
    _, theirs, _, _ = allantools.oadev(data, rate=1.0, data_type="freq", taus=[1, 7, 64, 300])
    assert [overlapping_adev(data, m) for m in (1, 7, 64, 300)] == pytest.approx(list(theirs), rel=1e-9)
    with pytest.raises(ValueError, match="too few"):
        overlapping_adev(nine, 5)


@pytest.mark.parametrize(("s", "n", "sd"), [(0.1, 100, 3.4642748e-3), (0.2, 600, 4.7140518e-4)])
def test_slope_bound_is_what_our_line_states(s: float, n: int, sd: float) -> None:
    """Kay, Fundamentals of Statistical Signal Processing I, example 3.7 (from memory): 12 s2/(N(N2-1)dt2)."""
    from recorder.calibration import fit_polynomial

    assert math.sqrt(12 * s * s / (n * (n * n - 1) * 0.01)) == pytest.approx(sd, rel=1e-7)
    x = np.arange(n, dtype=float) * 0.1
    got = fit_polynomial(x, np.random.default_rng(1).normal(0, s, n), 1)
    assert math.sqrt(got.covariance[1, 1]) * s / got.residual_sd == pytest.approx(sd, rel=1e-7)
    if n == 100:
        assert math.sqrt(got.covariance[0, 0]) * s / got.residual_sd == pytest.approx(0.0198509, rel=1e-5)


def test_settling_inflation_by_simulation() -> None:
    """What fitting exp(-t/30 s) beside a 120 s line costs, against the scatter of simulated fits."""
    rng = np.random.default_rng(9)
    t = np.linspace(0, 120, 601)
    line = np.column_stack([np.ones_like(t), t])
    both = np.column_stack([line, np.exp(-t / 30)])
    y = rng.normal(0, 1, (len(t), 2000))
    scatter = [float(np.std(np.linalg.lstsq(d, y, rcond=None)[0][1])) for d in (line, both)]
    assert scatter[1] / scatter[0] == pytest.approx(settling_inflation(), rel=0.08)


def test_isothermal_strokes_give_the_gas_space() -> None:
    """Boyle: 500 mL and strokes of 30 mL at 101.325 kPa rise 6.0795 kPa each."""
    from recorder.analysis.headspace import Settles, headspace

    bases = [n * 101.325 * 30 / 500 for n in range(11)]
    assert bases[1] == pytest.approx(6.0795) and bases[10] == pytest.approx(60.795)
    starts = np.arange(10.0) * 20.0  # cold again before the next one
    got = headspace(starts, starts + 0.3, np.array(bases), 200.0, 30.0, 101.325,
                    at_kpa=60.0, settles=Settles(0.5), kept=0.0)
    assert got is not None and got.volume_ml == pytest.approx(500.0, rel=1e-4)


@pytest.mark.parametrize("kept", [0.0, 0.015, 0.05])
def test_what_the_pump_keeps_before_its_valve_is_not_delivered(kept: float) -> None:
    """Boyle in the cylinder: p_atm (V_s + V_d) is in it, p_abs V_d stays behind, so V_s - V_d p / p_atm of outside air
    goes over; p is what there is after the stroke."""
    from recorder.analysis.headspace import Settles, headspace

    air, space, stroke = 101.325, 500.0, 30.0
    left = kept * stroke
    bases = [0.0]
    for _ in range(14):  # p V rises by p_atm (V_s - V_d p / p_atm)
        bases.append((bases[-1] * space + air * stroke) / (space + left))
    starts = np.arange(14.0) * 20.0
    got = headspace(starts, starts + 0.3, np.array(bases), 280.0, stroke, air, at_kpa=bases[-1], settles=Settles(0.5),
                    kept=kept)
    assert got is not None and got.volume_ml == pytest.approx(space, rel=0.006)


def test_strokes_too_quick_to_cool_give_the_same_gas_space() -> None:
    """Each stroke starts at 1.4 times Boyle's rise (adiabatic bound) and cools to Boyle's: the same 500 mL."""
    from recorder.analysis.headspace import Settles, headspace

    starts, tau, rise = np.arange(8.0) * 0.9, 2.0, 101.325 * 30 / 500
    at = np.append(starts, 7.2)
    levels = [rise * (i + 0.4 * np.exp(-(at[i] - starts[:i] - 0.15) / tau).sum()) for i in range(9)]
    got = headspace(starts, starts + 0.3, np.array(levels), 7.2, 30.0, 101.325,
                    at_kpa=50.0, settles=Settles(tau), kept=0.0)
    assert got is not None and got.volume_ml == pytest.approx(500.0, rel=1e-4)
    assert abs(101.325 * 30 / (levels[-1] / 8) / 500 - 1) > 0.05  # which a plain mean rise would miss


def test_hoses_that_give_count_as_gas_space() -> None:
    """Boyle with walls that give C: p (V0 + C (p - p0)) = p0 (V0 + n Vs), solved for p after n strokes. The space
    that a stroke sees is the derivative V0 + C (2 p - p0); a leak of coolant takes what gas and walls change by."""
    from recorder.analysis.headspace import Settles, headspace, lost_ml

    air, space, give, stroke, n = 101.325, 300.0, 0.5, 25.0, np.arange(21.0)
    b, c = space - give * air, -air * (space + n * stroke)
    absolute = (-b + np.sqrt(b * b - 4.0 * give * c)) / (2.0 * give)
    starts = n[:-1] * 20.0
    end = float(absolute[-1])
    got = headspace(starts, starts + 0.3, absolute - air, 500.0, stroke, air, at_kpa=end - air, settles=Settles(0.5),
                    kept=0.0)
    seen = space + give * (2.0 * end - air)
    assert got is not None and got.volume_ml == pytest.approx(seen, rel=0.003)
    assert got.give == pytest.approx(give * end / seen, abs=0.02)
    gas_end, later = space + give * (end - air), end - 20.0
    taken = gas_end * end / later - gas_end + give * 20.0
    assert lost_ml(got, end - air, 20.0, air, gas=False)[0] == pytest.approx(taken, rel=0.01)


def test_hoses_that_shrink_late_hide_a_part_of_what_leaks() -> None:
    """Boyle with a wall that follows the pressure late (a Kelvin-Voigt element, from memory of Tschoegl, The
    Phenomenological Theory of Linear Viscoelastic Behavior), integrated by scipy's solve_ivp: coolant leaves at a
    constant rate, and once the wall follows steadily, what left is more than gas that grows by Boyle's law tells."""
    from scipy.integrate import solve_ivp

    from recorder.analysis.headspace import Space, lost_ml

    air, gas, start, give, tau, leak, pumped, hold = 101.325, 400.0, 120.0, 0.1, 12.0, 0.02, 60.0, 120.0
    product = (start + air) * gas

    def pressure(left: np.ndarray | float, wall: np.ndarray) -> np.ndarray:
        return np.asarray(product / (gas + left + wall - give * start) - air)

    ran = solve_ivp(lambda t, wall: (give * pressure(leak * t, wall) - wall) / tau, (0.0, pumped + hold),
                    [give * start], rtol=1e-9, atol=1e-9, t_eval=[0.0, pumped, pumped + hold])  # fmt: skip
    _, first, last = pressure(leak * ran.t, ran.y[0])
    here = first + air
    at_once, in_the_end = product / here**2, product / here**2 + give  # mL that a kPa takes
    seen = Space(product / here, 5.0, 0.0, 0.0, first)
    late = replace(seen, late=1.0 - at_once / in_the_end)
    fall = float(first - last)
    assert lost_ml(seen, first, fall, air, gas=False)[0] < 0.96 * leak * hold
    lost, u = lost_ml(late, first, fall, air, gas=False)
    assert lost == pytest.approx(leak * hold, rel=0.003)
    assert u > lost_ml(seen, first, fall, air, gas=False)[1]


@pytest.mark.parametrize("coolant", [True, False])
@pytest.mark.parametrize("power", [0.5, 1.0])
def test_strokes_while_it_leaks_give_the_gas_space_that_is_left(coolant: bool, power: float) -> None:
    """Boyle, stepped through: P V grows by p_atm V_s a stroke; coolant that leaks leaves its room to the gas, gas that
    leaks takes its own P V with it. A leak that takes a third of what the strokes bring."""
    from recorder.analysis.headspace import Leak, Settles, headspace

    air, space, stroke, dt, pace, n = 101.325, 400.0, 20.0, 1e-3, 1.0, 30
    amount, levels, leak = air * space, [], 8.0 if coolant else 1200.0  # mL/s, kPa mL/s at 100 kPa
    for _ in range(n):
        levels.append(amount / space - air)
        amount += air * stroke
        for _ in range(round(pace / dt)):
            p = amount / space - air
            flow = leak * (p / 100.0) ** power * dt
            space, amount = (space + flow, amount) if coolant else (space, amount - flow)
    p = amount / space - air
    levels.append(p)
    flow = leak * (p / 100.0) ** power
    fall = flow * (p + air) / space if coolant else flow / space
    starts = np.arange(n, dtype=float) * pace
    got = headspace(starts, starts + 0.001, np.array(levels), n * pace, stroke, air,
                    at_kpa=p, settles=Settles(0.05, 0.0), leak=Leak(fall, power, 2.0 if coolant else 0.0))
    assert fall > 0.25 * air * stroke / space
    assert got is not None and got.volume_ml == pytest.approx(space, rel=0.02)
    plain = air * stroke / (levels[-1] - levels[-2])
    assert abs(plain / space - 1.0) > 0.2  # which the last stroke's rise alone would miss


def test_40_cfr_1065_644_leak_by_pressure_change() -> None:
    """The worked example: V 2.0000 L, 25.300 to 50.600 kPa at 293.15 K in 70 s; printed 0.00030 mol/s
    (from memory), 2.96570e-4 recomputed. mL/min at a pressure turns into mol/s by the ideal gas law."""
    rate_kpa_per_min = (50.600 - 25.300) / 70 * 60
    leak_ml_per_min = 2000.0 * rate_kpa_per_min / 101.325  # at 101.325 kPa
    mol_per_s = leak_ml_per_min / 60 * 1e-6 * 101325 / (8.314472 * 293.15)
    assert mol_per_s == pytest.approx(2.96570e-4, rel=2e-6)
    assert round(mol_per_s, 5) == 0.00030


# Okabe & Ito (Color Universal Design): contrast on white and on black by WCAG 2.2, recomputed.
@pytest.mark.parametrize(
    ("colour", "white", "black"),
    [
        ("#000000", 21.0, 1.0), ("#E69F00", 2.252, 9.324), ("#56B4E9", 2.307, 9.101), ("#009E73", 3.421, 6.138),
        ("#F0E442", 1.322, 15.881), ("#0072B2", 5.185, 4.050), ("#D55E00", 3.867, 5.430), ("#CC79A7", 3.061, 6.860),
        ("#767676", 4.54222, 4.6233), ("#777777", 4.47809, 4.6895),
    ],
)
def test_wcag_contrast(colour: str, white: float, black: float) -> None:
    from recorder.window.state.colours import contrast

    assert contrast(colour, "#FFFFFF") == pytest.approx(white, abs=6e-4)
    assert contrast(colour, "#000000") == pytest.approx(black, abs=6e-4)
