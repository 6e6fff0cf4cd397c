"""Limits: defaults, layers, round trip, refusals."""

import pytest

from recorder import limits
from recorder.errors import SettingError
from recorder.limits import NAMED, Procedure, band_kpa, limit_kpa, needed_kpa, resolve
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
    assert band_kpa(cap, parse_marking("100 kPa")) == pytest.approx((90, 110))
    tester = resolve("tester")
    assert (tester.hold_s, tester.shortest_hold_s, tester.steady_fall_allowed_kpa_per_min) == (120, 60, 0.35)
    assert tester.tester_target_kpa == 100


@pytest.mark.parametrize("test", ["cap", "system"])
def test_the_table_of_limits_says_what_is_used(test: str) -> None:
    """The docs and the settings page print its defaults."""
    told = {key.name: getattr(key, test) for key in limits.KEYS}
    assert resolve(test, told) == resolve(test)  # type: ignore[arg-type]


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


@pytest.mark.parametrize(("given", "kpa"), [
    ("20 kPa", None), ("120 kPa", None), (1013, None), ("1013 hPa", 101.3), ("31 kPa", 31.0), ("29.92 inHg", 101.32),
])
def test_air_pressure_is_that_of_a_place_people_work_at(given: str, kpa: float | None) -> None:
    """ISO 2533: 30.8 kPa at 9000 m, 107.5 kPa at -500 m. 1013 without its unit would be ten times too much."""
    if kpa is None:
        with pytest.raises(SettingError, match=r"outside air is 30 to 115 kPa"):
            resolve("cap", {"local_air_pressure": given})
    else:
        assert resolve("cap", {"local_air_pressure": given}).local_air_pressure_kpa == pytest.approx(kpa, abs=0.01)


def test_a_band_needs_both_its_ends() -> None:
    for layer in ({}, {"band_low": 90}, {"band_high": 110}):
        assert band_kpa(resolve("cap", layer), None) is None
    assert band_kpa(resolve("cap", {"band_low": 90, "band_high": 110}), None) == (90, 110)


@pytest.mark.parametrize(("test", "marked", "layer", "limit", "needed"), [
    ("system", "100 kPa", {}, 114.0, 114.0), ("system", None, {}, None, None),
    ("system", "100 kPa", {"target_high": 10}, 114.0, 110.0),
    ("cap", "100 kPa", {}, 114.0, 110.0), ("cap", "100 kPa", {"band_above": "20 %"}, 120.0, 120.0),
    ("cap", None, {}, None, None), ("cap", None, {"band_low": 90, "band_high": 105}, 105.0, 105.0),
    ("tester", None, {}, None, 75.0), ("tester", None, {"tester_target": 80}, None, 60.0),
    ("tester", "100 kPa", {}, 114.0, 114.0),
])
def test_how_far_the_pressure_may_and_has_to_go(
    test: str, marked: str | None, layer: dict[str, object], limit: float | None, needed: float | None
) -> None:
    """A system's target is 7 to 14 kPa above its marking, over the limit from there on; a cap's band is +- 10 %; a
    check of the tester says something from three quarters of its 100 kPa."""
    procedure, stamp = resolve(test, layer), None if marked is None else parse_marking(marked)  # type: ignore[arg-type]
    assert limit_kpa(procedure, stamp) == (None if limit is None else pytest.approx(limit))
    assert needed_kpa(procedure, stamp) == (None if needed is None else pytest.approx(needed))


def test_unknown_limit_is_kept_or_refused() -> None:
    assert resolve("cap", {"colour": "red"}).other == {"colour": "red"}
    with pytest.raises(SettingError, match="no limit called 'colour'"):
        resolve("cap", {"colour": "red"}, strict=True)


@pytest.mark.parametrize(("test", "layer", "said"), [
    ("cap", {"band_low": "150 kPa", "band_high": "50 kPa"}, "limit 'band_low': it is 150 kPa, which is above"),
    ("system", {"target_low": 20, "target_high": 10}, "limit 'target_low': it is 20 kPa, which is above 'target_high'"),
    ("system", {"over_limit": "5 kPa"}, "limit 'over_limit': it is 5 kPa, and 'target_high', which is not given, is "
     "14 kPa and so above it; raise 'over_limit', or give 'target_low' and 'target_high' too"),
    ("system", {"target_high": 10, "target_low": 8, "over_limit": 9}, "limit 'target_high': it is 10 kPa, which is "
     "above 'over_limit', 9 kPa; lower 'target_high' or raise 'over_limit'"),
    ("system", {"target_high": 20}, "limit 'target_high': it is 20 kPa, which is above 'over_limit', 14 kPa unless it "
     "is given; lower 'target_high', or give 'target_low' and 'over_limit' too"),
    ("system", {"target_high": "3 psi"}, "limit 'target_high': it is 20.6843 kPa, which is above 'over_limit', 14 kPa"),
])
def test_limits_that_contradict_each_other_are_refused(test: str, layer: dict[str, object], said: str) -> None:
    with pytest.raises(SettingError) as info:
        resolve(test, layer, strict=True)  # type: ignore[arg-type]
    assert said in str(info.value)


def test_a_recording_is_refused_only_where_nothing_is_left_to_judge_by() -> None:
    """A target that is cut off by the limit was accepted once; what is left of it can be judged by."""
    assert resolve("system", {"target_low": 7, "target_high": 50, "over_limit": 15}).target_high_kpa == 50
    with pytest.raises(SettingError, match="which is above"):
        resolve("system", {"target_low": 20, "target_high": 10})
    with pytest.raises(SettingError, match=r"limit 'over_limit': it is 5 kPa, and 'target_low', which is not given, is "
                                           r"7 kPa .*, or give 'target_low' and 'target_high' too"):
        resolve("system", {"Over limit": 5})
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


@pytest.mark.parametrize("text", ["100..110", "100-110", "99.3 to 121.3 kPa", "14 psi - 18 psi", "100 … 110", "93–123",
                                  "1 kgf/cm2-2"])
def test_two_ends_of_a_band_are_told_how_they_are_given(text: str) -> None:
    with pytest.raises(SettingError) as caught:
        resolve("cap", {"band": text})
    said = str(caught.value)
    assert said.startswith(f"limit 'band': '{text}' is a range") and "\n" not in said
    assert "'10 %'" in said and "band_low" in said and "band_high" in said and "not a unit" not in said
    with pytest.raises(SettingError, match=r"^limit 'hold': '.*' is a range.*one number with its unit"):
        resolve("cap", {"hold": text})


def test_a_pressure_for_a_band_is_told_how_it_is_given() -> None:
    with pytest.raises(SettingError, match=r"limit 'band': .*'psi'.*'10 %'.* band_low and band_high"):
        resolve("cap", {"band": "14 psi"})
    assert resolve("cap", {"band_below": "1e-0 %"}).band_below == 0.01  # a minus is no range by itself
    with pytest.raises(SettingError, match="not a unit"):
        resolve("cap", {"hold": "1e-3 parcels"})


@pytest.mark.parametrize(("layer", "both"), [
    ({"hold": "1,200 s"}, "1200 s and as 1.2 s"), ({"most_air": "1,500 mL"}, "1500 mL and as 1.5 mL"),
    ({"band": "1,125 %"}, "1125 % and as 1.125 %"),
])
def test_a_comma_between_thousands_is_not_taken_for_a_decimal_one(layer: dict[str, object], both: str) -> None:
    with pytest.raises(SettingError, match=f"^limit '{next(iter(layer))}': .* can be read as {both}; "):
        resolve("system", layer)


@pytest.mark.parametrize(("test", "marked"), [("cap", "100 kPa"), ("system", "100 kPa"), ("tester", "100 kPa"),
                                              ("tester", None)])
@pytest.mark.parametrize("name", [key.name for key in limits.KEYS])
def test_a_limit_that_does_something_is_in_the_recording_and_one_that_is_not_there_does_nothing(
    test: str, marked: str | None, name: str
) -> None:
    """Read back from its recording the procedure says the same of everything that a test looks at."""
    given = {"judged_pressure": "peak", "band_low": 93, "band_high": 130, "target_high": 12.5, "over_limit": 40,
             "band_below": 3, "band_above": 23, "shortest_hold": 3}
    made = resolve(test, {name: given.get(name, 5 if name != "local_air_pressure" else 95)})  # type: ignore[arg-type]
    stored = made.to_json()
    again, stamp = resolve(test, stored), parse_marking(marked) if marked else None  # type: ignore[arg-type]
    assert limit_kpa(again, stamp) == limit_kpa(made, stamp) and needed_kpa(again, stamp) == needed_kpa(made, stamp)
    assert (name in stored) == (test in limits.tests_of(name))
    if name in stored:
        assert again == made and made != resolve(test)  # type: ignore[arg-type]


def test_what_is_usual_is_stored_as_before() -> None:
    """Recordings of a cap and of the tester have no over-limit unless another than the usual was given."""
    assert "over_limit" not in resolve("cap", {"over_limit": "14 kPa"}).to_json()
    assert not {"over_limit", "target_low", "target_high", "most_air"} & set(resolve("tester").to_json())
    high = resolve("cap", {"over_limit": "40 kPa"})
    assert high.to_json()["over_limit"] == {"value": 40.0, "unit": "kPa"}
    assert limit_kpa(high, parse_marking("100 kPa")) == 140.0
    low = resolve("cap", {"over_limit": "2 kPa"})  # a cap has to be pumped until it opens
    assert limit_kpa(low, parse_marking("100 kPa")) == pytest.approx(110.0)


def test_an_altitude_stands_for_the_air_pressure_there() -> None:
    """ISO 2533:1975, table 1: 95.461 kPa at 500 m."""
    got = resolve("cap", {"local_air_pressure": 90}, {"altitude": "500 m"}, strict=True)
    assert got.local_air_pressure_kpa == pytest.approx(95.461, abs=5e-4) and not got.other
    assert resolve("cap", {"altitude": 500}, {"local_air_pressure": 90}).local_air_pressure_kpa == 90
    with pytest.raises(SettingError, match=r"^limit 'Altitude': it is of the same limit as 'local_air_pressure', and"):
        resolve("cap", {"local_air_pressure": 90, "Altitude": "500 m"})
    with pytest.raises(SettingError, match=r"^limit 'altitude': an altitude of 20000 m"):
        resolve("cap", {"altitude": "20 km"})
