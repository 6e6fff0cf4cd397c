"""The limits that the judgement uses, of one test. What they are, and where each comes from: ``limit_table``.

A procedure is resolved once, before a test, from the defaults, a named procedure, the settings file and the
command line, in that order; the resolved values go into the recording.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from recorder.air import STANDARD_ATMOSPHERE_KPA, pressure_at_altitude_kpa
from recorder.errors import SettingError, as_written
from recorder.limit_table import KEYS, MATTERS_KPA_PER_MIN, NAMED, Key
from recorder.model import TEST_KINDS, JsonObject, Marking, TestKind
from recorder.units import parse_quantity

__all__ = ["KEYS", "NAMED", "Key", "Procedure", "band_kpa", "check", "limit_kpa", "limit_name", "needed_kpa",
           "no_limit", "resolve", "tests_of", "unknown_limits"]

# kPa; below it no radiator cap is marked: SAE J164, class of 3 to 5 psi, from memory
LEAST_MARKED_KPA = 20.7
TESTER_LEAST = 0.75  # of its target: a check at less says nothing; common practice, no source
_ROUNDING_KPA = 1e-6  # of limits in other units
LOWEST_AIR_KPA, HIGHEST_AIR_KPA = 30.0, 115.0  # ISO 2533: 9000 m is 30.8 kPa, -500 m 107.5; weather on top

# The most that a limit can be, by its unit: far beyond any test, so that a slip of the pen or of a file is met here and
# not in what is computed from it. Common practice, no source.
_MOST = {"s": 86_400.0, "kPa": 1000.0, "kPa/minute": 1000.0, "mL": 1e6}

_BY_NAME = {key.name: key for key in KEYS}
_ALTITUDE = "altitude"  # stands for the local air pressure there
_OF_PROCEDURE = "named"  # which named procedure it was: of a procedure, and no limit


@dataclass(frozen=True, slots=True)
class Procedure:
    """Resolved limits. Pressures kPa gauge, times s, volume mL, rate kPa/min; None where not known or not used.

    ``band_below``/``band_above`` are fractions of the marking; ``band_low_kpa``/``band_high_kpa`` win where set.
    ``target_*`` and ``over_limit_kpa`` are above the marking.
    """

    test: TestKind
    judged_pressure: Literal["opening", "peak"] = "opening"
    band_below: float = 0.10
    band_above: float = 0.10
    band_low_kpa: float | None = None
    band_high_kpa: float | None = None
    hold_s: float = 45.0
    shortest_hold_s: float = 10.0
    steady_fall_allowed_kpa_per_min: float = 7.0
    target_low_kpa: float = 7.0
    target_high_kpa: float = 14.0
    over_limit_kpa: float = 14.0
    tester_target_kpa: float = 100.0
    zero_shift_allowed_kpa: float = 1.5
    most_air_ml: float = 1500.0
    stroke_volume_ml: float | None = None
    local_air_pressure_kpa: float = STANDARD_ATMOSPHERE_KPA
    other: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> JsonObject:
        """Every limit in use, as the recording's ``procedure``; reading it back gives the same Procedure."""

        usual = _DEFAULTS[self.test]
        out: JsonObject = {name: self.quantity(name) for name in (*_OF_ALL, *_OF_ONE[self.test])}
        for name in _SELDOM[self.test]:
            if self.quantity(name) != usual.quantity(name):
                out[name] = self.quantity(name)
        out.update(self.other)
        return out

    def quantity(self, name: str) -> JsonObject | str | None:
        """One limit by its name in ``KEYS``, as ``to_json`` has it."""
        if name == "judged_pressure":
            return self.judged_pressure
        share = name in ("band_below", "band_above")
        value = round(getattr(self, name) * 100, 9) if share else getattr(self, _FIELDS[name])
        return None if value is None else {"value": value, "unit": _BY_NAME[name].unit}


_DEFAULTS: dict[TestKind, Procedure] = {
    "cap": Procedure("cap"),
    "system": Procedure(
        "system", hold_s=120.0, shortest_hold_s=60.0, steady_fall_allowed_kpa_per_min=MATTERS_KPA_PER_MIN),
    # A blanked hose is held like a system: the baseline has to be known at least as well as a system's fall.
    "tester": Procedure(
        "tester", hold_s=120.0, shortest_hold_s=60.0, steady_fall_allowed_kpa_per_min=MATTERS_KPA_PER_MIN),
}

# Which limits are of which test, in the order in which a recording has them. The seldom ones it has where they are not
# the usual: nothing of a cap is judged by its over-limit, which is said while it is pumped; the others are of the
# tester where a marking is given.
_OF_ALL = ("hold", "shortest_hold", "steady_fall_allowed", "stroke_volume", "local_air_pressure", "zero_shift_allowed")
_OF_ONE: dict[TestKind, tuple[str, ...]] = {
    "cap": ("judged_pressure", "band_below", "band_above", "band_low", "band_high"),
    "system": ("target_low", "target_high", "over_limit", "most_air"),
    "tester": ("tester_target",),
}
_SELDOM: dict[TestKind, tuple[str, ...]] = {"cap": ("over_limit",), "system": (), "tester": _OF_ONE["system"]}

_FIELDS = {
    "band_low": "band_low_kpa",
    "band_high": "band_high_kpa",
    "hold": "hold_s",
    "shortest_hold": "shortest_hold_s",
    "steady_fall_allowed": "steady_fall_allowed_kpa_per_min",
    "target_low": "target_low_kpa",
    "target_high": "target_high_kpa",
    "over_limit": "over_limit_kpa",
    "tester_target": "tester_target_kpa",
    "zero_shift_allowed": "zero_shift_allowed_kpa",
    "most_air": "most_air_ml",
    "stroke_volume": "stroke_volume_ml",
    "local_air_pressure": "local_air_pressure_kpa",
}
_SHOULD_BE_POSITIVE = {"hold", "shortest_hold", "steady_fall_allowed", "stroke_volume", "tester_target",
                       "zero_shift_allowed", "most_air", "band_high"}


_RANGE = re.compile(  # a number and its unit, then another number; the minus of 1e-3 begins none
    r"(?![-+]?[\d.,]+e[-+]?\d)[-+]?\d[\d.,]*?\s*([a-z][^\s…–—]*?|%)?\s*(\.\.+|…|[-–—]|\bto\b)\s*[-+]?\d", re.I)
_OF_A_BAND = "write how far either side of the marking, like '10 %', or give its ends as band_low and band_high, " \
             "each like '99 kPa'"


def _parsed(key: Key, given: Any) -> float:
    """A limit in its key's unit. SettingError, also where two ends were written for one value."""
    of_band = key.name in ("band_below", "band_above")
    try:
        return parse_quantity(given, key.unit)
    except SettingError as err:
        if isinstance(given, str) and _RANGE.match(given.strip()):
            raise SettingError(f"{as_written(given)} is a range",
                               do=_OF_A_BAND if of_band else "give one number with its unit") from None
        raise SettingError(err.what, do=_OF_A_BAND if of_band else err.do) from None


def limit_name(written: str) -> str:
    """The name of a limit as somebody may write it: ``Steady fall allowed`` is ``steady_fall_allowed``. What is no
    limit stays as it is; ``altitude``, which stands for the air pressure there, is a name too."""
    name = re.sub(r"[\s_-]+", "_", written.strip().lower())
    return name if name in _BY_NAME or name in ("band", _ALTITUDE) else written


def tests_of(name: str) -> tuple[TestKind, ...]:
    """The tests in which the limit of this name, as ``limit_name`` gives it, does something."""
    one = "band_below" if name == "band" else name
    return tuple(test for test in TEST_KINDS
                 if name == _ALTITUDE or one in (*_OF_ALL, *_OF_ONE[test], *_SELDOM[test]))


def no_limit(written: str, where: str = "") -> SettingError:
    """That there is none of this name."""
    return SettingError(f"there is no limit called '{written}'", where=where,
                        do="use one of: " + ", ".join((*_BY_NAME, _ALTITUDE)))


def _counts(name: str, given: Any) -> bool:
    """Whether it is a limit: its name, and for both sides of a band a quantity."""
    return name in (*_BY_NAME, _ALTITUDE) or (
        name == "band" and not (isinstance(given, Mapping) and "value" not in given))


def unknown_limits(procedure: Mapping[str, Any]) -> tuple[str, ...]:
    """Names in a recording's procedure that nothing is judged by, as they are written there."""
    return tuple(name for name, given in procedure.items() if given is not None and name != _OF_PROCEDURE
                 and not name.startswith("_") and not _counts(limit_name(name), given))


def _one(key: Key, given: Any) -> dict[str, Any]:
    if key.name == "judged_pressure":
        if given not in ("opening", "peak"):
            raise SettingError(f"it is {as_written(given)}", do="write 'opening' or 'peak'")
        return {"judged_pressure": given}
    value = _parsed(key, given)
    if key.name == "local_air_pressure" and not LOWEST_AIR_KPA <= value <= HIGHEST_AIR_KPA:
        raise SettingError(
            f"it is {as_written(given)}, which is {value:g} kPa",
            do=f"outside air is {LOWEST_AIR_KPA:g} to {HIGHEST_AIR_KPA:g} kPa; write it like '95 kPa' or '1013 hPa'",
        )
    if key.name in _SHOULD_BE_POSITIVE and value <= 0:
        raise SettingError(f"it is {as_written(given)}", do="it has to be above zero")
    if abs(value) > _MOST.get(key.unit, abs(value)):
        raise SettingError(f"it is {value:g} {key.unit}", do=f"give at most {_MOST[key.unit]:g} {key.unit}")
    if key.name in ("band_below", "band_above"):
        if not 0 <= value < 100:
            raise SettingError(f"it is {as_written(given)}", do="give 0 to 100 percent")
        # 0.1 for a tenth is a slip: no gauge of this kind tells a tenth of a percent
        if 0 < value < 1 and not isinstance(given, Mapping):
            raise SettingError(
                f"it is {as_written(given)}, which is {value:g} percent", do="write a tenth as '10 %'"
            )
        return {key.name: value / 100.0}
    return {_FIELDS[key.name]: value}


def check(test: TestKind, name: str, given: Any) -> None:
    """Refuses a limit that cannot be used, whatever the others are. Raises SettingError."""
    _layered(test, ({name: given},), strict=True)


def resolve(test: TestKind, *layers: Mapping[str, Any], strict: bool = False) -> Procedure:
    """The procedure for ``test``: defaults, then each layer over the ones before it.

    A layer maps key names to quantities (text, number in the key's unit, or JSON); null means the default. Capitals,
    blanks and hyphens in a name do not matter.
    ``band`` sets both sides at once. Unknown keys are kept in ``other``, or refused when ``strict``.
    Raises SettingError, also where limits contradict each other.
    """
    out = _layered(test, layers, strict=strict)
    given = {limit_name(name) for layer in layers for name, value in layer.items() if value is not None}
    if test == "cap":
        _in_order(out, "band_low", "band_high", given)
    elif test == "system":
        _in_order(out, "target_low", "target_high", given)
        # recordings were made with a target that the limit cuts off; what is left of it can be judged by
        _in_order(out, "target_high" if strict else "target_low", "over_limit", given)
    return out


def _in_order(procedure: Procedure, low: str, high: str, given: Collection[str]) -> None:
    """given: names that were given. Of the others nobody knows where their values come from."""
    low_kpa, high_kpa = getattr(procedure, _FIELDS[low]), getattr(procedure, _FIELDS[high])
    if low_kpa is None or high_kpa is None or low_kpa <= high_kpa + _ROUNDING_KPA:
        return
    what, where, do = f"it is {low_kpa:g} kPa, which is above '{high}', {high_kpa:g} kPa", low, f"lower '{low}'"
    if low not in given:
        where, do = high, f"raise '{high}'"
        what = f"it is {high_kpa:g} kPa, and '{low}', which is not given, is {low_kpa:g} kPa and so above it"
    elif high not in given:
        what += " unless it is given"
    absent = [f"'{name}'" for name in ("target_low", "target_high", "over_limit") if name not in given]
    do += f" or raise '{high}'" if {low, high} <= {*given} else f", or give {' and '.join(absent)} too"
    raise SettingError(what, where=f"limit '{where}'", do=do)


def _layered(test: TestKind, layers: Sequence[Mapping[str, Any]], *, strict: bool) -> Procedure:
    out = _DEFAULTS[test]
    other: dict[str, Any] = {}
    for layer in layers:
        changes: dict[str, Any] = {}
        written: dict[str, str] = {}
        for own, given in layer.items():
            if given is None or own.startswith("_"):
                continue
            name = limit_name(own)
            if _counts(name, given):
                stands_for = "local_air_pressure" if name == _ALTITUDE else name
                if written.setdefault(stands_for, own) != own:
                    other_name = written[stands_for]
                    same = "the same as" if limit_name(other_name) == name else "of the same limit as"
                    raise SettingError(f"it is {same} '{other_name}', and both are given",
                                       where=f"limit '{own}'", do="leave one of them away")
                try:
                    if name == _ALTITUDE:
                        changes["local_air_pressure_kpa"] = pressure_at_altitude_kpa(parse_quantity(given, "m"))
                        continue
                    for one in ("band_below", "band_above") if name == "band" else (name,):
                        changes.update(_one(_BY_NAME[one], given))
                except SettingError as err:
                    raise SettingError(err.what, where=f"limit '{own}'", do=err.do) from None
            elif strict:
                raise no_limit(own)
            else:
                other[own] = given
        out = replace(out, **changes)
    if out.shortest_hold_s > out.hold_s:
        out = replace(out, shortest_hold_s=out.hold_s)
    return replace(out, other=other) if other else out


def band_kpa(procedure: Procedure, marked: Marking | None) -> tuple[float, float] | None:
    """Lowest and highest opening allowed, kPa gauge; None where neither marking nor limits tell both. Raises
    SettingError where the one is above the other."""
    low, high = procedure.band_low_kpa, procedure.band_high_kpa
    if marked is not None:
        low = marked.kpa * (1 - procedure.band_below) if low is None else low
        high = marked.kpa * (1 + procedure.band_above) if high is None else high
    if low is None or high is None:
        return None
    if marked is not None and low > high + _ROUNDING_KPA:
        one = "band_high" if procedure.band_low_kpa is None else "band_low"
        raise SettingError(
            f"the cap would have to open between {low:.1f} and {high:.1f} kPa, as it is marked "
            f"{marked.value:g} {marked.unit}", where=f"limit '{one}'", do="check the marking, or give both ends",
        )
    return low, high


def limit_kpa(procedure: Procedure, marked: Marking | None) -> float | None:
    """Above it the pressure is over the limit, kPa gauge; None where nothing tells. For a cap the upper end of its
    band, or the over-limit above the marking where that is higher."""
    over = marked.kpa + procedure.over_limit_kpa if marked is not None else None
    band = band_kpa(procedure, marked) if procedure.test == "cap" else None
    if band is None:
        return over
    return band[1] if over is None else max(band[1], over)


def needed_kpa(procedure: Procedure, marked: Marking | None) -> float | None:
    """What a gauge has to read for this test, kPa gauge: all of the band of a cap, or of a system's target up
    to the limit, and where a check of the tester begins to say something."""
    if procedure.test == "cap":
        band = band_kpa(procedure, marked)
        return None if band is None else band[1]
    if marked is None:
        return TESTER_LEAST * procedure.tester_target_kpa if procedure.test == "tester" else None
    return marked.kpa + min(procedure.target_high_kpa, procedure.over_limit_kpa)
