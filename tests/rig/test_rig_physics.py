"""The rig against physics from outside the project."""

from dataclasses import replace

import numpy as np
import pytest

from recorder import rig
from recorder.rig.physics import run
from recorder.rig.truth import rate_bound

BARE = rig.Scene(
    "system", 100.0, 3, volume_ml=500.0, compliance_ml_per_kpa=0.0, creep=(), cooling_s=0.05,
    target_kpa=1000.0, hold_s=70.0,
    pump=rig.Pump(stroke_ml=30.0, jitter=0.0, ease=False, strokes_at_most=10),
)


def hold(played, seconds):
    """Pressure at these seconds into the hold."""
    return np.interp(played.hold_start_s + np.asarray(seconds), played.time_s, played.pressure_kpa)


def test_ten_strokes_isothermal():
    # Boyle: p = n p_atm V_s / V_h; 500 mL, 30 mL, 101.325 kPa: 60.795 kPa after ten strokes
    assert hold(run(BARE), 5.0) == pytest.approx(60.795, abs=0.002)


def test_ten_strokes_without_any_cooling_is_the_adiabatic_bound():
    # filling a rigid insulated tank from outside air: gamma times the isothermal rise (1.4 for air)
    assert hold(run(replace(BARE, cooling_s=1e9)), 5.0) == pytest.approx(1.4 * 60.795, rel=1e-4)


def test_between_the_two_bounds_and_falls_to_the_lower():
    played = run(replace(BARE, cooling_s=2.0))
    assert 60.795 < hold(played, 0.0) < 1.4 * 60.795
    assert hold(played, 30.0) == pytest.approx(60.795, abs=0.01)


def test_hose_give_takes_its_share():
    # (p_atm + p)(V + C p) = p_atm (V + n V_s), solved apart from the integrator
    p = hold(run(replace(BARE, compliance_ml_per_kpa=0.5)), 5.0)
    assert (101.325 + p) * (500 + 0.5 * p) == pytest.approx(101.325 * 800, rel=1e-4)


# Outside air so dense that the gas space is a spring of constant stiffness: the liquid laws are then plain.
STIFF = replace(BARE, atmosphere_kpa=1e5, pump=replace(BARE.pump, stroke_ml=0.05))


def test_laminar_leak_decays_exponentially():
    leak = rig.Leak(30.0, 100.0, "liquid-laminar")  # 30 kPa/min at 100 kPa: time constant 200 s
    played = run(replace(STIFF, leaks=(leak,)))
    t = np.array([10.0, 30.0, 60.0])
    assert hold(played, t) == pytest.approx(hold(played, 0.0) * np.exp(-t / 200.0), rel=3e-3)


def test_turbulent_leak_is_torricellis_parabola():
    # dp/dt = -c sqrt(p): sqrt(p) falls on a straight line (Torricelli)
    leak = rig.Leak(30.0, 100.0, "liquid-turbulent")
    played = run(replace(STIFF, leaks=(leak,)))
    t = np.array([10.0, 30.0, 60.0])
    root = np.sqrt(hold(played, 0.0)) - 0.5 * (30.0 / 60.0 / 10.0) * t
    assert hold(played, t) == pytest.approx(root**2, rel=3e-3)


def test_gas_leak_follows_the_laminar_compressible_law():
    # flow ~ P^2 - p_atm^2 out of a rigid space: ln(p / (p + 2 p_atm)) falls on a straight line
    played = run(replace(BARE, leaks=(rig.Leak(20.0, 60.0, "gas"),)))
    t = np.array([5.0, 25.0, 45.0, 65.0])
    p = hold(played, t)
    slope = np.diff(np.log(p / (p + 2 * 101.325)))
    assert slope == pytest.approx(np.full(3, slope[0]), rel=2e-3)


def leak_mol_per_s(volume_m3, p1_pa, p2_pa, kelvin, seconds):
    """40 CFR 1065.644: n = (V/R)(p2/T - p1/T)/t."""
    return volume_m3 / 8.314472 * (p2_pa - p1_pa) / kelvin / seconds


def test_leak_flow_is_the_amount_lost():
    # the rule's worked example: 2.0000 L, 50.600 to 25.300 kPa, 293.15 K, 70 s
    assert leak_mol_per_s(2e-3, 25_300, 50_600, 293.15, 70) == pytest.approx(2.96570e-4, rel=1e-5)
    trace = rig.simulate(replace(BARE, volume_ml=2000.0, leaks=(rig.Leak(1.0, 15.0, "gas"),)))
    t = trace.truth
    by_rule = leak_mol_per_s(2e-3, 1e3 * t.hold_end_kpa, 1e3 * t.hold_start_kpa, 293.15, 70)
    mean_absolute = 101.325 + (t.hold_start_kpa + t.hold_end_kpa) / 2
    ours = t.leak_flow_ml_per_min / 60 * mean_absolute * 1e-3 / (8.314472 * 293.15)
    assert ours == pytest.approx(by_rule, rel=0.02)


def test_rate_of_truth_is_the_leak_without_the_settling():
    creep = ((0.02, 20.0),)
    leaking = replace(BARE, creep=creep, cooling_s=2.0, leaks=(rig.Leak(3.0, 60.0),))
    t = rig.simulate(leaking).truth
    whole = (t.hold_start_kpa - t.hold_end_kpa) / 70.0 * 60.0
    assert t.rate_kpa_per_min == pytest.approx(3.0, rel=0.1)
    assert whole > t.rate_kpa_per_min + 0.5
    tight = rig.simulate(replace(leaking, leaks=())).truth
    assert tight.rate_kpa_per_min == pytest.approx(0.0, abs=1e-6)
    assert tight.settling_kpa > 0.5


def test_headspace_is_what_a_stroke_sees():
    scene = replace(BARE, compliance_ml_per_kpa=0.3)
    more = replace(scene, pump=replace(scene.pump, strokes_at_most=11))
    step = hold(run(more), 20.0) - hold(run(scene), 20.0)
    seen = 30.0 * 101.325 / step
    first, second = rig.simulate(scene).truth.headspace_ml, rig.simulate(more).truth.headspace_ml
    assert min(first, second) - 1 < seen < max(first, second) + 1


def test_cap_opens_at_its_cracking_pressure_and_closes_lower():
    cap = rig.Cap(100.0, 95.0, 30.0)
    scene = replace(BARE, test="cap", volume_ml=150.0, cap=cap,
                    pump=rig.Pump(stroke_ml=20.0, extra_strokes=3))
    played = run(scene)
    at = np.interp(played.opened_s, played.time_s, played.pressure_kpa)
    assert at == pytest.approx(100.0, abs=0.7)
    t = rig.simulate(scene).truth
    assert t.opening_kpa == 100.0
    assert t.peak_kpa > 100.0
    assert 94.0 < t.hold_start_kpa < 96.0


def test_chattering_cap_swings_between_its_two_pressures():
    scene = replace(BARE, test="cap", volume_ml=150.0, cap=rig.Cap(100.0, 94.0, 40.0, chatter=True),
                    pump=rig.Pump(stroke_ml=25.0, stroke_s=0.5, extra_strokes=1))
    played = run(scene)
    after = played.pressure_kpa[(played.time_s > played.opened_s) & (played.time_s < played.pump_end_s)]
    turns = np.sum(np.diff(np.sign(np.diff(after))) != 0)
    assert turns >= 3


def test_bound_of_the_rate_is_kays_for_a_plain_line():
    # Kay, Fundamentals of Statistical Signal Processing I, ex. 3.7: var >= 12 s^2/(N(N^2-1) dt^2)
    sensor = rig.Transducer(rate_hz=10.0, full_counts=10**7, white_kpa=0.1, correlated_kpa=0.0)
    scene = replace(BARE, sensor=sensor)
    n = 1200
    kay = 60 * np.sqrt(12 * 0.1**2 / (n * (n**2 - 1) * 0.1**2))
    assert rate_bound(scene, 120.0, ()) == pytest.approx(kay, rel=0.03)
    assert rate_bound(scene, 120.0, ((2.0, 20.0),)) > 2 * kay
    noisy = replace(scene, sensor=replace(sensor, correlated_kpa=0.05, correlated_s=2.0))
    assert rate_bound(noisy, 120.0, ()) > 2 * kay


def test_the_hand_gives_up_when_the_pressure_does_not_build():
    leak = rig.Leak(500.0, 60.0, "gas")
    scene = replace(BARE, leaks=(leak,), pump=replace(BARE.pump, strokes_at_most=160))
    t = rig.simulate(scene).truth
    assert 13 <= t.strokes < 60
    assert t.outcome == "undecided"  # never at its target


def test_vented_again_is_zero_again():
    for part in rig.demo():
        assert abs(run(part.scene).pressure_kpa[-1]) < 0.1
