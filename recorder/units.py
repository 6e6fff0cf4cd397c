"""Units at the borders: text and JSON to floats in kPa, mL, s and degC, and back. One pint registry, made late.

Factors are pint's, which follow NIST SP 811 (2008) appendix B.8/B.9; checked in tests/outside. The usual ones stand
in a table here, because loading pint takes longer than judging a recording; any other unit loads it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from recorder.digits import rounded_down
from recorder.errors import SettingError, as_written
from recorder.model import Marking
from recorder.numerals import has_tolerance, typed_clock, typed_number

if TYPE_CHECKING:
    import pint

__all__ = [
    "LIKELY_FULL_SCALE_KPA", "both_ways", "convert", "format_pressure", "is_mass", "marking_from_json", "parse_marking",
    "parse_quantity", "pressure_factor_kpa", "registry", "sensor_scale", "typed_unit", "unit_name",
]

# As people write them -> as pint reads them. Gauge is always meant; pint has no gauge units. Capitals, blanks, a full
# stop behind it, "(g)" and how a power is written make no difference. What caps are stamped with in Cyrillic letters is
# spelled as GOST 8.417 spells it (from memory).
_SPELLINGS = {
    "psi": "psi",
    "psig": "psi",
    "p.s.i": "psi",
    "bar": "bar",
    "#": "psi",
    "lb": "psi",
    "lbs": "psi",
    "lb/in2": "psi",
    "lbf/in2": "psi",
    "lb/sq.in": "psi", "lb/sqin": "psi", "lbs/in2": "psi", "lbs/sq.in": "psi", "lbs/sqin": "psi",
    "pound": "psi",
    "pounds": "psi",
    "kpa": "kPa",
    "kpag": "kPa", "kn/m2": "kPa", "кпа": "kPa",
    "mpa": "MPa", "мпа": "MPa",
    "mbar": "mbar",
    "barg": "bar", "бар": "bar",
    "kg": "kgf/cm**2",
    "kgf": "kgf/cm**2",
    "kg/cm2": "kgf/cm**2",
    "kgf/cm2": "kgf/cm**2", "kp/cm2": "kgf/cm**2", "кгс/см2": "kgf/cm**2",
    "n/cm2": "N/cm**2",
    "inhg": "inHg",
    "mmhg": "mmHg",
    "sec": "s",
    "secs": "s",
    "seconds": "s",
    "min": "minute",
    "mins": "minute",
    "ml": "mL",
    "cc": "cm**3",
    "cm3": "cm**3",
    "in3": "inch**3",
    "cuin": "inch**3",
    "cu.in": "inch**3",
    "%": "percent",
    "c": "degC",
    "°c": "degC",
    "f": "degF",
    "°f": "degF",
}

# (unit as pint spells it, unit wanted): the very floats that pint gives, to the last digit (tests/test_units.py).
KNOWN_FACTORS: dict[tuple[str, str], float] = {
    ("psi", "kPa"): 6.894757293168363,
    ("bar", "kPa"): 100.0,
    ("kgf/cm**2", "kPa"): 98.0665,
    ("mbar", "kPa"): 0.1,
    ("hPa", "kPa"): 0.1,
    ("Pa", "kPa"): 0.001,
    ("MPa", "kPa"): 1000.0,
    ("inHg", "kPa"): 3.386388640341,
    ("mmHg", "kPa"): 0.13332238741500002,
    ("atm", "kPa"): 101.325,
    ("kPa", "psi"): 0.1450377377302092,
    ("kPa", "bar"): 0.01,
    ("kPa", "kgf/cm**2"): 0.010197162129779284,
    ("psi/minute", "kPa/minute"): 6.894757293168363,
    ("bar/minute", "kPa/minute"): 100.0,
    ("minute", "s"): 60.0,
    ("hour", "s"): 3600.0,
    ("ms", "s"): 0.001,
    ("L", "mL"): 1000.0,
    ("cm**3", "mL"): 1.0000000000000002,
    ("ft", "m"): 0.30479999999999996,
    ("km", "m"): 1000.0,
}

# What is named to somebody who wrote no unit, by the one that is wanted.
_USUAL = {"kPa": "psi, kPa, bar, kgf/cm2", "kPa/minute": "kPa/min, psi/min", "s": "s, min, hour", "mL": "mL, L, in3",
          "m": "m, ft, km", "percent": "%"}

_LARGEST = 1e300  # of any quantity in any unit; far beyond, and safe to compute with

# Full scales that hobby sensors for this job have, kPa gauge. Common practice, no source.
LIKELY_FULL_SCALE_KPA = (60.0, 2100.0)

# No vehicle cap is marked outside this range: the lowest class of SAE J164 starts at 3 psi (20.7 kPa);
# the upper end is common practice, no source.
LOWEST_MARKING_KPA = 20.0
HIGHEST_MARKING_KPA = 250.0


@lru_cache(maxsize=1)
def registry() -> pint.UnitRegistry[Any]:
    """The one unit registry of the program."""
    import pint

    return pint.UnitRegistry(cache_folder=None, autoconvert_offset_to_baseunit=True)


_POWERS = str.maketrans({"²": "2", "³": "3", "*": "", "^": "", " ": ""})
_OF_A_GAUGE = re.compile(r"(?:\(g\)|gauge|gage)$")
# behind a unit of pressure, as in psia, bar(a), kPa abs.
_ABSOLUTE = re.compile(r"(.*?)[\s(]*(?:a|abs|absolute)\.?\)?", re.I)


def _spelled(unit: str) -> str:
    text = unit.strip().rstrip(".")
    return _SPELLINGS.get(_OF_A_GAUGE.sub("", text.lower().translate(_POWERS)).rstrip("."), text)


# What the unit library passes over: a number one, a sign, a remark behind #, a line that goes on.
_PASSED_OVER = re.compile(r"^\s*[\d(]|[+±;#]|[\x00-\x1f]")
_NO_WORD = re.compile(r"[±\x00-\x08\x0b-\x1f]")  # it stops at these with Python 3.12 and later


def _checked(unit: str, to: str) -> str:
    """A unit that was typed; SettingError where something in it is none, which would stand behind every number.
    Recordings may have such a one, and are read all the same."""
    if _spelled(unit) == unit.strip().rstrip(".") and _PASSED_OVER.search(unit.strip()):
        raise _no_unit(unit, to)
    return unit


def _no_unit(unit: str, to: str) -> SettingError:
    return SettingError(f"'{unit}' is not a unit this program knows",
                        do=f"write for instance {_USUAL[to]}" if to in _USUAL else "")


def _is_absolute(unit: str) -> bool:
    """Whether it is a unit of pressure with a word for absolute behind it."""
    found = _ABSOLUTE.fullmatch(unit.strip())
    return found is not None and any((_spelled(found[1]), "kPa") == known for known in (*KNOWN_FACTORS, ("kPa", "kPa")))


@lru_cache(maxsize=256)
def _factor(unit: str, to: str) -> float:
    """How many ``to`` one ``unit`` is; SettingError where there is no such unit or another dimension."""
    own, to = _spelled(_NO_WORD.sub("", unit)), _spelled(to)
    if own == to and any(to == wanted for _, wanted in KNOWN_FACTORS):
        return 1.0
    known = KNOWN_FACTORS.get((own, to))
    if known is not None:
        return known
    import pint

    try:
        return float(registry().Quantity(1.0, own).to(to).magnitude)
    except pint.DimensionalityError:
        raise SettingError(f"'{unit}' is not a unit that can be turned into {to}", do=f"give it in {to}") from None
    except Exception:  # pint raises many kinds for text that is no unit
        raise _no_unit(unit, to) from None


def convert(value: float, unit: str, to: str) -> float:
    """``value`` of ``unit`` in the unit ``to``. Temperatures are points on the scale, not differences.

    Raises SettingError where the unit is unknown or of another dimension.
    """
    if unit == to:
        return value
    if to in ("degC", "degF", "K") or _spelled(unit) in ("degC", "degF"):
        try:
            return float(registry().Quantity(value, _spelled(unit)).to(to).magnitude)
        except Exception:  # pint raises many kinds for text that is no unit
            raise SettingError(f"'{unit}' cannot be turned into {to}") from None
    return value * _factor(unit, to)


def pressure_factor_kpa(unit: str) -> float:
    """kPa in one ``unit`` of pressure (exactly 1.0 for kPa, without loading pint)."""
    return 1.0 if unit == "kPa" else _factor(unit, "kPa")


# said at the bench, and meant a square cm or inch
_MASSES = ("kg", "kgf", "lb", "lbs", "pound", "pounds", "#")


def unit_name(unit: str) -> str:
    """The unit as this program writes it: psi for psig, kgf/cm2 for kg, kPa for kpa."""
    return {"kgf/cm**2": "kgf/cm2", "N/cm**2": "N/cm2"}.get(_spelled(unit), _spelled(unit))


def typed_unit(text: str) -> str:
    """A unit of pressure that was typed, as this program writes it. SettingError where it is none."""
    pressure_factor_kpa(_checked(text, "kPa"))
    return unit_name(text)


def is_mass(unit: str) -> bool:
    """Whether it is a mass that is taken for a pressure, as in "16 lb"."""
    return unit.strip().lower().rstrip(".") in _MASSES


# How a quantity is written, by the unit it is wanted in.
_WRITTEN = {"kPa": "16 psi", "kPa/minute": "0.35 kPa/min", "s": "60 s", "mL": "24 mL", "percent": "10 %", "m": "500 m"}


def _split(text: str, unit: str = "kPa") -> tuple[float, str]:
    clock_s = typed_clock(text) if unit == "s" else None
    if clock_s is not None:
        return clock_s, unit
    number, own = typed_number(text, _WRITTEN.get(unit, f"16 {unit}"))
    return number, _checked(own, unit)


def parse_quantity(given: str | float | Mapping[str, Any], unit: str) -> float:
    """A setting as a float in ``unit``.

    given: text such as ``"24 mL"``, a JSON quantity ``{"value": 24, "unit": "mL"}``, or a bare number,
    which is taken to be in ``unit``. Raises SettingError.
    """
    if isinstance(given, Mapping):
        value, own = given.get("value"), given.get("unit", unit)
        if isinstance(value, bool) or not isinstance(value, int | float) or not isinstance(own, str):
            example, _, of = _WRITTEN.get(unit, f"16 {unit}").partition(" ")
            of = "percent" if of == "%" else of
            raise SettingError(f"{as_written(given)} is not a quantity",
                               do=f'write {{"value": {example}, "unit": "{of}"}}')
    elif isinstance(given, str):
        value, own = _split(given, unit)
        own = own or unit
    elif isinstance(given, bool) or not isinstance(given, int | float):
        raise SettingError(f"{as_written(given)} is not a quantity",
                           do=f"write a number with its unit, like '{_WRITTEN.get(unit, f'16 {unit}')}'")
    else:
        value, own = given, unit
    if not abs(value) <= _LARGEST:
        raise SettingError(f"{as_written(given)} is not a number that can be used")
    return convert(float(value), own, unit)


def both_ways(kpa: float) -> str:
    """A pressure in the two units that are mistaken for each other, ``"1103 kPa (160 psi)"``."""
    psi = kpa / pressure_factor_kpa("psi")
    return f"{float(f'{kpa:.4g}'):g} kPa ({float(f'{psi:.3g}'):g} psi)"


def sensor_scale(text: str, unit: str) -> float:
    """A sensor's full scale in kPa, as written; a number alone is in ``unit``. SettingError, also where the number
    alone is no usual sensor in ``unit``."""
    try:
        value, own = _split(text)
        kpa = convert(value, own or unit, "kPa")
    except SettingError as err:
        raise SettingError(err.what, do="give it like '207 kPa'") from None
    if kpa <= 0:
        raise SettingError(f"'{text}' is not above zero", do="give it like '207 kPa'")
    low, high = LIKELY_FULL_SCALE_KPA
    if own or low <= kpa <= high:
        return kpa
    meant = [f"'{value:g} {u}'" for u in ("psi", "bar", "kPa", "MPa") if low <= convert(value, u, "kPa") <= high]
    raise SettingError(
        f"'{text}' without a unit is {both_ways(kpa)}, and usual sensors have {low:g} to {high:g} kPa",
        do=f"give its unit: {' or '.join(meant) or 'kPa, psi or bar'}",
    )


def marking_from_json(given: Mapping[str, Any]) -> Marking:
    """The marking of a recording, ``{"value": 16, "unit": "psi"}``. Raises SettingError."""
    kpa = parse_quantity(given, "kPa")
    return Marking(float(given["value"]), str(given.get("unit", "kPa")), kpa)


def _choices(value: float) -> list[tuple[str, float]]:
    found = []
    for unit in ("psi", "kPa", "bar", "kgf/cm2"):
        kpa = convert(value, unit, "kPa")
        if LOWEST_MARKING_KPA <= kpa <= HIGHEST_MARKING_KPA:
            found.append((unit, kpa))
    return found


# two numbers with a sign of a range between them, each with or without its unit
_TWO_ENDS = re.compile(
    r"\s*(\d[\d.,]*?)\s*([^\d\s.–—…-]*)\s*(?:-|–|—|…|\.\.+|/|\bto\b|\bor\b)\s*(\d[\d.,]*)\s*([^\d\s].*?)?\s*", re.I)


# two numbers, each with its unit, as "16 psi / 110 kPa", "1.1 kgf/cm2 (108 kPa)"
_TWO_UNITS = re.compile(r"\s*(\d[\d.,]*\s*[^\d\s(][^\s(]*?)\s*[\s(/=–-]\s*(\d[\d.,]*\s*[^\d\s(][^\s()]*)\s*\)?\s*")
# 20 psi (137.9 kPa) is stamped 1.4 bar, and 15 psi (103.4 kPa) 1 bar. Common practice, no source.
_SAME_STAMP = 0.04


def _one_unit(text: str) -> None:
    """SettingError where one pressure is given in two units, as many caps have it: which digits are meant is not for
    the program to choose."""
    found = _TWO_UNITS.fullmatch(text)
    if found is None:
        return
    try:
        (a, of_a), (b, of_b) = _split(found[1]), _split(found[2])
        a_kpa, b_kpa = convert(a, of_a, "kPa"), convert(b, of_b, "kPa")
    except SettingError:
        return
    if unit_name(of_a) != unit_name(of_b) and abs(a_kpa - b_kpa) <= _SAME_STAMP * max(a_kpa, b_kpa):
        raise SettingError(f"'{text.strip()}' is one pressure in two units", do="give one of them: "
                           f"'{a:g} {unit_name(of_a)}' or '{b:g} {unit_name(of_b)}'")


def _one_end(text: str) -> None:
    """SettingError where two ends of a range are given for the one pressure of a marking."""
    found = _TWO_ENDS.fullmatch(text)
    if found is None or has_tolerance(text):  # which is refused as that
        return
    unit = found[4] or found[2]
    raise SettingError(f"'{text.strip()}' is a range, and a marking is one pressure",
                       do=f"give the one that is stamped, or of two the higher: '{f'{found[3]} {unit}'.strip()}'")


def parse_marking(text: str) -> Marking:
    """A cap's marking as stamped: ``16``, ``16 lb``, ``15 psi``, ``108 kPa``, ``1.4 bar``, ``110``.

    A bare number is accepted where only one unit gives a pressure that a cap can have; else SettingError
    spells out the choices. A unit that gives an absurd pressure is refused with what was likely meant.
    """
    _one_unit(text)
    _one_end(text)
    value, unit = _split(text)
    fits = _choices(value)
    if not unit:
        if len(fits) == 1:
            return Marking(value, fits[0][0], fits[0][1])
        if not fits:
            raise SettingError(f"no cap is marked '{text.strip()}' in any usual unit", do="read the stamp again and "
                               "give it with its unit, like '16 psi', '1.1 bar' or '110 kPa'")
        spelled = " or ".join(f"'{value:g} {u}' ({k:.1f} kPa)" for u, k in fits)
        raise SettingError(f"the marking '{text.strip()}' can be read in two ways", do=f"write {spelled}")
    try:
        kpa = convert(value, unit, "kPa")
    except SettingError as err:
        if _is_absolute(unit):
            raise SettingError(f"'{text.strip()}' is an absolute pressure, and a cap is marked in gauge pressure",
                               do="read the stamp again, and give what it says, like '16 psi'") from None
        raise SettingError(err.what, do="write it like '16 psi', '1.1 bar', '110 kPa' or '1.1 kgf/cm2'") from None
    if not LOWEST_MARKING_KPA <= kpa <= HIGHEST_MARKING_KPA:
        # Both slips are met in print: another unit was meant, or the decimal point moved.
        likely = [f"'{value:g} {u}' ({k:.1f} kPa)" for u, k in fits]
        for moved in (value * 10, value / 10):
            k = convert(moved, unit, "kPa")
            if LOWEST_MARKING_KPA <= k <= HIGHEST_MARKING_KPA:
                likely.append(f"'{moved:g} {unit}' ({convert(k, 'kPa', 'psi'):.1f} psi)")
        hint = " or ".join(likely)
        raise SettingError(
            f"'{text.strip()}' is {both_ways(kpa)}, and caps are marked {LOWEST_MARKING_KPA:g} to "
            f"{HIGHEST_MARKING_KPA:g} kPa", do=f"did you mean {hint}?" if hint else "read the stamp again",
        )
    return Marking(value, unit_name(unit), kpa)


_DECIMALS = {"kPa": 1, "psi": 2, "bar": 3, "kgf/cm2": 3}


def format_pressure(kpa: float, unit: str = "kPa", *, extra: int = 0, down: bool = False) -> str:
    """A pressure for people, ``"103.4 kPa"``; ``extra`` more decimals where a difference is shown. down: of a pressure
    that is not to be gone beyond, never more than it is."""
    value = kpa / pressure_factor_kpa(unit)
    if down:
        return f"{rounded_down(value, _DECIMALS.get(unit, 2) + extra)} {unit}"
    return f"{value:.{_DECIMALS.get(unit, 2) + extra}f} {unit}"
