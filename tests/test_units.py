"""Units and markings: what is read, and what is refused with a useful hint."""

import subprocess
import sys
from collections.abc import Callable

import pytest

from recorder import units
from recorder.errors import SettingError


@pytest.mark.parametrize(
    ("text", "value", "unit", "kpa"),
    [
        ("16 lb", 16, "psi", 110.316),
        ("15 psi", 15, "psi", 103.421),
        ("108 kPa", 108, "kPa", 108.0),
        ("1.4 bar", 1.4, "bar", 140.0),
        ("1,4 bar", 1.4, "bar", 140.0),
        ("1.1 kgf/cm2", 1.1, "kgf/cm2", 107.873),
        ("110", 110, "kPa", 110.0),
        ("16", 16, "psi", 110.316),
        ("16 PSI", 16, "psi", 110.316),
        ("16#", 16, "psi", 110.316),
        ("16 lbs.", 16, "psi", 110.316),
        ("16 LB.", 16, "psi", 110.316),
        ("13 P.S.I.", 13, "psi", 89.632),
        ("16 lb/sq.in", 16, "psi", 110.316),
        ("1.1 BAR", 1.1, "bar", 110.0),
        ("108 KPA", 108, "kPa", 108.0),
    ],
)
def test_markings_as_stamped(text: str, value: float, unit: str, kpa: float) -> None:
    got = units.parse_marking(text)
    assert (got.value, got.unit) == (value, unit) and got.kpa == pytest.approx(kpa, abs=1e-3)


@pytest.mark.parametrize(("text", "unit", "kpa"), [
    ("16 psi.", "psi", 110.316), ("1.1 bar.", "bar", 110.0), ("110 kPa.", "kPa", 110.0),
    ("1.1 kg/cm2.", "kgf/cm2", 107.873),
    ("16 psi(g)", "psi", 110.316), ("1.1 bar (g)", "bar", 110.0), ("16 psi gauge", "psi", 110.316),
    ("16 lb/in^2", "psi", 110.316), ("14 N/cm2", "N/cm2", 140.0), ("14 N/cm²", "N/cm2", 140.0),
    ("14 N/cm^2", "N/cm2", 140.0),
])
def test_the_unit_of_a_marking_is_kept_under_its_usual_name(text: str, unit: str, kpa: float) -> None:
    """1 psi = 6.894 757 kPa, 1 kgf/cm2 = 98.0665 kPa (NIST SP 811, appendix B.8); 1 N/cm2 = 10 kPa by definition."""
    got = units.parse_marking(text)
    assert got.unit == unit and got.kpa == pytest.approx(kpa, abs=1e-3)
    again = units.marking_from_json({"value": got.value, "unit": got.unit})  # as a recording has it
    assert again.kpa == pytest.approx(kpa, abs=1e-3)


@pytest.mark.parametrize("text", ["16 bananas", "16 s", "1.1 mL", "16 sia"])
def test_for_the_unit_of_a_marking_pressures_alone_are_named(text: str) -> None:
    with pytest.raises(SettingError) as caught:
        units.parse_marking(text)
    assert caught.value.do == "write it like '16 psi', '1.1 bar', '110 kPa' or '1.1 kgf/cm2'"


@pytest.mark.parametrize("text", ["16 psia", "16 PSI abs.", "2.1 bara", "210 kPa(a)", "210 kPa absolute"])
def test_an_absolute_pressure_is_no_marking(text: str) -> None:
    with pytest.raises(SettingError, match="is an absolute pressure, and a cap is marked in gauge pressure; read the"):
        units.parse_marking(text)


@pytest.mark.parametrize(("unit", "named"), [
    ("s", "s, min, hour"), ("mL", "mL, L, in3"), ("kPa", "psi, kPa, bar, kgf/cm2"), ("m", "m, ft, km"),
    ("kPa/minute", "kPa/min, psi/min"), ("percent", "%"),
])
def test_units_that_are_named_are_of_what_is_wanted(unit: str, named: str) -> None:
    with pytest.raises(SettingError) as caught:
        units.parse_quantity("3 parcels", unit)
    assert caught.value.do == f"write for instance {named}"
    for one in named.split(", "):
        assert units.parse_quantity(f"3 {one}", unit) > 0


@pytest.mark.parametrize("text", ["1.5 in3", "1.5 in³", "1.5 cu in", "1.5 cu.in.", "1.5 cu. in.", "1.5 in^3"])
def test_a_stroke_in_cubic_inches(text: str) -> None:
    """1 in3 = 16.387 064 mL: NIST SP 811 (2008), appendix B.8."""
    assert units.parse_quantity(text, "mL") == pytest.approx(1.5 * 16.387064, rel=1e-12)


@pytest.mark.parametrize(("text", "value"), [
    ("0,250 s", 0.25), ("1,25 s", 1.25), ("1,2000 s", 1.2), ("1200,5 s", 1200.5), ("1234,567 s", 1234.567),
    (",125", 0.125), ("1200 s", 1200.0), ("1.200 s", 1.2), ("-0,250 s", -0.25), ("1,5e3 s", 1500.0),
    ("007,125 s", 7.125),
])
def test_a_comma_that_can_only_be_a_decimal_one(text: str, value: float) -> None:
    """ISO 80000-1:2009, 7.3.2: the decimal sign is a comma or a point on the line (from memory)."""
    assert units.parse_quantity(text, "s") == value


@pytest.mark.parametrize(("text", "wanted"), [
    ("1,200 s", "'1,200 s' can be read as 1200 s and as 1.2 s; write '1200 s' or '1.2 s'"),
    ("1,200", "'1,200' can be read as 1200 and as 1.2; write '1200' or '1.2'"),
    ("12,345 s", "'12,345 s' can be read as 12345 s and as 12.345 s; write '12345 s' or '12.345 s'"),
    ("-100,000s", "'-100,000s' can be read as -100000 s and as -100 s; write '-100000 s' or '-100 s'"),
])
def test_a_comma_between_thousands_is_not_taken_for_a_decimal_one(text: str, wanted: str) -> None:
    """To some it groups digits by three, which ISO 80000-1:2009, 7.3.1, leaves to a small space (from memory)."""
    with pytest.raises(SettingError) as caught:
        units.parse_quantity(text, "s")
    assert str(caught.value) == wanted


@pytest.mark.parametrize("text", ["1,234,567 s", "1.234,5 s", "1,234.5 s", "1.234.567 s", "1 200 s", "1'200 s",
                                  "1,5,5 s", "1 1/2 s", "1_200 s", "1200. 5 s"])
def test_a_number_whose_end_cannot_be_told(text: str) -> None:
    with pytest.raises(SettingError) as caught:
        units.parse_quantity(text, "s")
    assert caught.value.what == f"it cannot be told where the number of '{text}' ends"
    assert "nothing between thousands, like '60 s'" in caught.value.do


@pytest.mark.parametrize("read", [
    lambda: units.parse_marking("1,100 bar"), lambda: units.parse_marking("1,100"),
    lambda: units.sensor_scale("1,200 kPa", "kPa"), lambda: units.sensor_scale("1,200", "psi"),
])
def test_nor_is_it_in_a_marking_or_a_full_scale(read: Callable[[], object]) -> None:
    with pytest.raises(SettingError, match=r"^'1,.00.*' can be read as 1.00.* and as 1\.[12]"):
        read()


@pytest.mark.parametrize(("unit", "like"), [("s", "60 s"), ("mL", "24 mL"), ("percent", "10 %"), ("kPa", "16 psi")])
def test_what_to_write_is_of_the_unit_that_is_wanted(unit: str, like: str) -> None:
    with pytest.raises(SettingError) as caught:
        units.parse_quantity("abc", unit)
    assert str(caught.value).endswith(f"write it like '{like}'")
    assert units.parse_quantity(like, unit) > 0  # and that is understood


@pytest.mark.parametrize(
    ("text", "choices"),
    [("1.1", "write '1.1 bar' (110.0 kPa) or '1.1 kgf/cm2' (107.9 kPa)"),
     ("20", "write '20 psi' (137.9 kPa) or '20 kPa' (20.0 kPa)")],
)
def test_ambiguous_bare_number_spells_out_the_choices(text: str, choices: str) -> None:
    with pytest.raises(SettingError) as info:
        units.parse_marking(text)
    assert str(info.value).endswith(choices)


@pytest.mark.parametrize(
    ("text", "psi", "tenfold"),
    [
        # as printed in published vehicle service manuals, really 89.6 and 124 kPa
        ("8.9 kPa", "'8.9 psi' (61.4 kPa)", "'89 kPa' (12.9 psi)"),
        ("12 kPa", "'12 psi' (82.7 kPa)", "'120 kPa' (17.4 psi)"),
    ],
)
def test_absurd_marking_offers_both_slips(text: str, psi: str, tenfold: str) -> None:
    with pytest.raises(SettingError) as info:
        units.parse_marking(text)
    assert psi in str(info.value) and tenfold in str(info.value)


@pytest.mark.parametrize("text", ["160 psi", "16 bar", "0 psi", "-16 psi", "1e999 psi", "psi", "", "16 s"])
def test_absurd_markings_are_refused(text: str) -> None:
    with pytest.raises(SettingError):
        units.parse_marking(text)


def test_quantities() -> None:
    assert units.parse_quantity("24 mL", "mL") == 24
    assert units.parse_quantity({"value": 2, "unit": "minute"}, "s") == 120
    assert units.parse_quantity(7, "kPa") == 7
    assert units.parse_quantity("68 F", "degC") == pytest.approx(20.0)
    for bad in (True, None, {"value": "x"}, "nan s", float("inf"), "3 furlong"):
        with pytest.raises(SettingError):
            units.parse_quantity(bad, "s")  # type: ignore[arg-type]
    with pytest.raises(SettingError) as info:
        units.parse_quantity("3 s", "kPa")
    assert str(info.value).endswith("give it in kPa")


def test_format_pressure() -> None:
    assert units.format_pressure(103.42135939752544, "psi") == "15.00 psi"
    assert units.format_pressure(103.42) == "103.4 kPa"


def test_kpa_needs_no_unit_library() -> None:
    code = (
        "import sys; from recorder import units; units.format_pressure(1.0); "
        "units.parse_quantity('3 kPa', 'kPa'); sys.exit('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_table_of_usual_factors_is_pints_to_the_last_digit() -> None:
    registry = units.registry()
    for (unit, to), factor in units.KNOWN_FACTORS.items():
        assert float(registry.Quantity(1.0, unit).to(to).magnitude) == factor, (unit, to)
        assert units.convert(1.0, unit, to) == factor


def test_usual_units_do_not_load_pint() -> None:
    code = (
        "import sys; from recorder import units; units.parse_marking('16 psi'); units.parse_marking('1.1 bar');"
        "units.parse_quantity('2 min', 's'); units.format_pressure(100.0, 'psi');"
        "units.parse_quantity('1 psi/minute', 'kPa/minute'); sys.exit('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_unit_is_turned_into_another_however_that_is_written() -> None:
    """1 kgf/cm2 is 98.0665 kPa exactly (conventional; NIST SP 811, appendix B)."""
    for name in ("kgf/cm2", "kg", "kg/cm²"):
        assert units.convert(98.0665, "kPa", name) == pytest.approx(1.0, rel=1e-9)
    assert units.convert(100.0, "kPa", "psig") == pytest.approx(14.5037738)


@pytest.mark.parametrize(("text", "unit", "kpa"), [
    ("30 psi", "kPa", 206.843), ("207", "kPa", 207.0), ("30", "psi", 206.843), ("2,5 bar", "kPa", 250.0),
    ("30 kPa", "kPa", 30.0),  # with its unit it is as it was meant
])
def test_a_sensors_full_scale(text: str, unit: str, kpa: float) -> None:
    assert units.sensor_scale(text, unit) == pytest.approx(kpa, rel=1e-5)


@pytest.mark.parametrize(("text", "unit", "do"), [
    ("30", "kPa", "'30 psi'"), ("2.5", "kPa", "'2.5 bar'"), ("207", "bar", "'207 kPa'"), ("-5 psi", "kPa", "207"),
    ("wide", "kPa", "207 kPa"), ("207 s", "kPa", "207 kPa"),
])
def test_a_full_scale_that_would_be_guessed_is_refused(text: str, unit: str, do: str) -> None:
    with pytest.raises(SettingError) as caught:
        units.sensor_scale(text, unit)
    assert do in caught.value.do


def test_a_full_scale_is_guessed_at_from_usual_sensors_alone() -> None:
    """30 psi is 206.8 kPa; 30 kPa is far below, 30 bar and 30 MPa far above what such sensors have."""
    with pytest.raises(SettingError) as caught:
        units.sensor_scale("30", "kPa")
    assert caught.value.do == "give its unit: '30 psi'"
    with pytest.raises(SettingError, match="above zero"):
        units.sensor_scale("0 psi", "kPa")


@pytest.mark.parametrize("text", ["5000", "0.01", "-16"])
def test_a_number_that_no_cap_is_stamped_with(text: str) -> None:
    with pytest.raises(SettingError, match="no cap is marked"):
        units.parse_marking(text)


def test_a_slip_is_offered_only_where_it_makes_a_cap() -> None:
    """160 psi: a tenth of it is a cap's, ten times it is none, nor is 160 bar; 160 kPa is."""
    with pytest.raises(SettingError) as caught:
        units.parse_marking("160 psi")
    assert caught.value.do == "did you mean '160 kPa' (160.0 kPa) or '16 psi' (16.0 psi)?"
    with pytest.raises(SettingError) as caught:
        units.parse_marking("9000 psi")
    assert caught.value.do == "read the stamp again"


@pytest.mark.parametrize(("value", "unit", "to", "wanted"), [
    (68.0, "F", "degC", 20.0), (20.0, "degC", "degF", 68.0), (300.0, "K", "degC", 26.85), (0.0, "c", "K", 273.15),
])
def test_temperatures_are_points_on_their_scales(value: float, unit: str, to: str, wanted: float) -> None:
    """NIST SP 811, appendix B: t/degC = (t/degF - 32)/1.8 = T/K - 273.15."""
    assert units.convert(value, unit, to) == pytest.approx(wanted)
    with pytest.raises(SettingError, match="cannot be turned into"):
        units.convert(value, "kPa", to)


@pytest.mark.parametrize("unit", ["]", ":", "(", "1/", "m**"])
def test_what_is_no_unit_is_no_temperature_either(unit: str) -> None:
    """The unit library's parser lets out errors of several kinds, an AssertionError among them."""
    with pytest.raises(SettingError, match="cannot be turned into degC"):
        units.convert(1.0, unit, "degC")


@pytest.mark.parametrize(("text", "higher"), [
    ("13-16 psi", "16 psi"), ("13 - 16", "16"), ("13 psi to 16 psi", "16 psi"), ("0.9..1.1 bar", "1.1 bar"),
    ("0.9–1,1 bar", "1,1 bar"), ("88 … 108 kPa", "108 kPa"), ("13/16 psi", "16 psi"), ("13 or 16 lb", "16 lb"),
    ("13psi-16psi", "16psi"),
])
def test_a_range_for_a_marking_is_told_to_be_one(text: str, higher: str) -> None:
    with pytest.raises(SettingError) as info:
        units.parse_marking(text)
    what, _, do = str(info.value).partition("; ")
    assert what == f"'{text}' is a range, and a marking is one pressure"
    assert do == f"give the one that is stamped, or of two the higher: '{higher.replace('16psi', '16 psi')}'"
    for one in ("16 lb/in2", "1.1 kgf/cm2", "16 lb/sq.in.", "1,1 bar", "16 p.s.i."):
        units.parse_marking(one)


@pytest.mark.parametrize("text", ["1 psi", "± psi", "+psi", "psi;", "psi # of steel", "(psi)", "psi\x00", "1*psi"])
def test_what_the_unit_library_passes_over_is_no_unit(text: str) -> None:
    """It would stand behind every number: 14.4 to 17.6 1 psi allowed. Recordings that have such a one are read."""
    with pytest.raises(SettingError, match="is not a unit this program knows"):
        units.typed_unit(text)
    if not text[0].isdigit():
        with pytest.raises(SettingError, match=r"is not a unit|has a tolerance|where the number"):
            units.parse_marking(f"16 {text}")
    assert units.marking_from_json({"value": 16, "unit": text}).kpa == pytest.approx(16 * 6.894757)


def test_a_unit_that_is_typed_has_one_spelling() -> None:
    for text in ("PSI", "psig", "lb/in²", "#", "p.s.i.", " psi "):
        assert units.typed_unit(text) == "psi"
    assert [units.typed_unit(text) for text in ("kg/cm²", "N/cm2", "inH2O")] == ["kgf/cm2", "N/cm2", "inH2O"]


@pytest.mark.parametrize("text", ["16 ± 1 psi", "16 psi ± 1", "16±2 psi", "16 +/- 1 psi", "16+-1 psi", "16 psi +−10 %"])
def test_a_tolerance_is_no_unit_and_no_range(text: str) -> None:
    """The unit library takes "± 1 psi" for a psi, so that a recording had "16 ± 1 psi" for its marking; and of 16 +/- 1
    psi the higher end is not 1 psi."""
    for parse in (units.parse_marking, lambda given: units.parse_quantity(given, "kPa")):
        with pytest.raises(SettingError) as info:
            parse(text)
        assert str(info.value) == f"'{text}' has a tolerance; write the number and its unit alone, like '16 psi'"


@pytest.mark.parametrize(("text", "first", "second"), [
    ("16 psi / 110 kPa", "16 psi", "110 kPa"), ("110kPa/16psi", "110 kPa", "16 psi"),
    ("1.1 kgf/cm2 (108 kPa)", "1.1 kgf/cm2", "108 kPa"), ("110 kPa (16 lb)", "110 kPa", "16 psi"),
    ("108kPa 1,1kgf/cm²", "108 kPa", "1.1 kgf/cm2"), ("20 psi - 1.4 bar", "20 psi", "1.4 bar"),
])
def test_one_pressure_stamped_in_two_units_is_no_range(text: str, first: str, second: str) -> None:
    """Many caps are stamped in two units, each rounded in its own way."""
    with pytest.raises(SettingError) as info:
        units.parse_marking(text)
    assert str(info.value) == f"'{text}' is one pressure in two units; give one of them: '{first}' or '{second}'"
    for one in (first, second):  # and what is to be given can be
        units.parse_marking(one)
    with pytest.raises(SettingError, match="is a range"):
        units.parse_marking("13 psi / 110 kPa")  # they do not agree


@pytest.mark.parametrize(("text", "unit", "kpa"), [
    ("1.1 kp/cm²", "kgf/cm2", 107.873), ("110 KN/m²", "kPa", 110.0), ("16 lb/sq in", "psi", 110.316),
    ("16 lbs/in²", "psi", 110.316), ("1,1 кгс/см²", "kgf/cm2", 107.873), ("110 кПа", "kPa", 110.0),
    ("1,1 бар", "bar", 110.0), ("0,11 МПа", "MPa", 110.0),
])
def test_units_as_old_and_foreign_caps_spell_them(text: str, unit: str, kpa: float) -> None:
    """1 kp is 1 kgf, 9.80665 N (NIST SP 811, B.8)."""
    marking = units.parse_marking(text)
    assert (marking.unit, marking.kpa) == (unit, pytest.approx(kpa, abs=0.001))


@pytest.mark.parametrize(("text", "seconds"), [
    ("4:30", 270.0), (" 2:00 ", 120.0), ("1:05 min", 65.0), ("90:00", 5400.0),
])
def test_a_time_is_read_as_the_program_shows_it(text: str, seconds: float) -> None:
    """"hold for 4:30 in all" is its own advice."""
    assert units.parse_quantity(text, "s") == seconds
    for not_one in ("4:3", "4:60", "1:02:03", "4:30 s", "4:30 h"):
        with pytest.raises(SettingError):
            units.parse_quantity(not_one, "s")
    with pytest.raises(SettingError):
        units.parse_quantity(text, "kPa")
