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


@pytest.mark.parametrize(("given", "said"), [
    ({"value": "long", "unit": "s"}, 'limit \'hold\': {"value": "long", "unit": "s"} is not a quantity; write '
                                     '{"value": 60, "unit": "s"}'),
    ({"value": None}, 'limit \'hold\': {"value": null} is not a quantity'), ([1, 2], "limit 'hold': [1, 2] is not"),
    (True, "limit 'hold': true is not a quantity; write a number with its unit, like '60 s'"),
    ({"value": -5, "unit": "s"}, 'limit \'hold\': it is {"value": -5, "unit": "s"}; it has to be above zero'),
    ({"value": 10**400}, "…"), (["x" * 500], "…"),
])
def test_a_limit_is_shown_as_it_was_written(given: object, said: str) -> None:
    """What a recording or a settings file has there is JSON or TOML; nobody wrote it in Python."""
    with pytest.raises(SettingError) as info:
        resolve("cap", {"hold": given})
    assert said in str(info.value) and len(str(info.value)) < 200


def test_unknown_limit_is_kept_or_refused() -> None:
    assert resolve("cap", {"colour": "red"}).other == {"colour": "red"}
    with pytest.raises(SettingError, match="no limit called 'colour'"):
        resolve("cap", {"colour": "red"}, strict=True)


@pytest.mark.parametrize(("test", "layer", "said"), [
    ("cap", {"band_low": "150 kPa", "band_high": "50 kPa"}, "limit 'band_low': it is 150 kPa, which is above"),
    ("system", {"target_low": 20, "target_high": 10}, "limit 'target_low': it is 20 kPa, which is above 'target_high'"),
    ("system", {"over_limit": -50}, "which is above 'over_limit', -50 kPa; lower"),
    ("system", {"target_high": "3 psi"}, "limit 'target_high': it is 20.6843 kPa, which is above 'over_limit', 14 kPa"),
])
def test_limits_that_contradict_each_other_are_refused(test: str, layer: dict[str, object], said: str) -> None:
    with pytest.raises(SettingError) as info:
        resolve(test, layer, strict=True)  # type: ignore[arg-type]
    assert said in str(info.value)


def test_a_recording_is_refused_only_where_nothing_is_left_to_judge_by() -> None:
    """A target that is cut off by the limit was accepted once; what is left of it can be judged by."""
    assert resolve("system", {"target_low": 7, "target_high": 50, "over_limit": 15}).target_high_kpa == 50
    for layer in ({"over_limit": -50}, {"target_low": 20, "target_high": 10}):
        with pytest.raises(SettingError, match="which is above"):
            resolve("system", layer)
    with pytest.raises(SettingError, match="which is above"):
        resolve("cap", {"band_low": 150, "band_high": 50})
    resolve("cap", {"over_limit": -50})  # no limit of a cap test


@pytest.mark.parametrize("layer", [{"band_low": 150}, {"band_high": "50 kPa"}])
def test_one_end_of_a_band_against_the_marking(layer: dict[str, object]) -> None:
    with pytest.raises(SettingError, match=r"limit 'band_(low|high)': the cap would have to open between .* 100 kPa"):
        band_kpa(resolve("cap", layer), parse_marking("100 kPa"))


@pytest.mark.parametrize("layer", [
    {"hold": "1e300 s"}, {"shortest_hold": {"value": 1e300, "unit": "s"}}, {"hold": "25 hours"}, {"band_high": 1e6},
    {"over_limit": "-1e5 kPa"}, {"steady_fall_allowed": 1e9}, {"most_air": 1e300}, {"stroke_volume": "1e9 mL"},
])
def test_absurd_limits_are_refused(layer: dict[str, object]) -> None:
    with pytest.raises(SettingError, match="give at most") as info:
        resolve("system", layer)
    assert len(str(info.value)) < 120


def test_each_limit_of_a_file_is_tried_alone() -> None:
    """A settings file may raise both ends of the target, in any order."""
    limits.check("system", "target_low", "20 kPa")
    with pytest.raises(SettingError):
        limits.check("system", "hold", "0 s")
