"""Limits: defaults, layers, round trip, refusals."""

import pytest

from recorder import limits
from recorder.errors import SettingError
from recorder.limits import NAMED, Procedure, band_kpa, resolve
from recorder.units import parse_marking


def test_every_limit_has_a_source_and_a_field() -> None:
    for key in limits.KEYS:
        assert key.source and key.meaning, key.name
    assert len({k.name for k in limits.KEYS}) == len(limits.KEYS)


def test_defaults_of_the_contract() -> None:
    cap, system = resolve("cap"), resolve("system")
    assert (cap.judged_pressure, cap.hold_s, cap.shortest_hold_s) == ("opening", 45, 10)
    assert cap.steady_fall_allowed_kpa_per_min == 7.0
    assert (system.hold_s, system.shortest_hold_s) == (120, 60)
    assert (system.target_low_kpa, system.target_high_kpa, system.over_limit_kpa) == (7, 14, 14)
    assert system.steady_fall_allowed_kpa_per_min == 0.35
    assert (cap.zero_shift_allowed_kpa, system.most_air_ml) == (1.5, 1500)
    assert cap.stroke_volume_ml is None and cap.local_air_pressure_kpa == 101.325


@pytest.mark.parametrize("test", ["cap", "system", "tester"])
@pytest.mark.parametrize("name", [None, *NAMED])
def test_resolved_procedure_reads_back_the_same(test: str, name: str | None) -> None:
    got = resolve(test, NAMED[name] if name else {}, {"stroke_volume": "24 mL", "mine": 3})  # type: ignore[arg-type]
    again = resolve(test, got.to_json())  # type: ignore[arg-type]
    for field in Procedure.__dataclass_fields__:
        if test == "cap" or not (field.startswith("band") or field == "judged_pressure"):
            assert getattr(again, field) == getattr(got, field), field


def test_later_layers_win_and_null_keeps() -> None:
    got = resolve("cap", {"hold": "60 s"}, {"hold": "1.5 min", "band": "5 %"}, {"hold": None})
    assert got.hold_s == 90 and (got.band_below, got.band_above) == (0.05, 0.05)
    assert band_kpa(got, parse_marking("100 kPa")) == pytest.approx((95, 105))


def test_a_short_hold_shortens_what_says_anything() -> None:
    assert resolve("system", {"hold": "20 s"}).shortest_hold_s == 20


@pytest.mark.parametrize(
    "layer",
    [
        {"hold": "0 s"}, {"hold": "-1 s"}, {"hold": "3 kPa"}, {"hold": True}, {"band": "100 %"},
        {"band_above": "0.1"}, {"band_below": 0.08},
        {"judged_pressure": "mean"}, {"stroke_volume": {"value": "x"}}, {"local_air_pressure": float("nan")},
    ],
)
def test_bad_limits_are_refused_by_name(layer: dict[str, object]) -> None:
    with pytest.raises(SettingError) as info:
        resolve("cap", layer)
    assert str(info.value).startswith(f"limit '{next(iter(layer))}': ")


def test_unknown_limit_is_kept_or_refused() -> None:
    assert resolve("cap", {"colour": "red"}).other == {"colour": "red"}
    with pytest.raises(SettingError, match="no limit called 'colour'"):
        resolve("cap", {"colour": "red"}, strict=True)
