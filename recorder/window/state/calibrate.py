"""What the calibration says: the next step, the fit, the file. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from recorder import report
from recorder.digits import decimals
from recorder.errors import SettingError
from recorder.units import convert, parse_quantity, pressure_factor_kpa
from recorder.window.state.words import in_window

if TYPE_CHECKING:
    from recorder.calibration import CalibrationFit, Pair

__all__ = [
    "curve_words", "examples", "fit_words", "next_level", "parse_pair", "reference_u", "residual_words",
]

# Steps of the references, in the unit that people see: up, and the same down again. Common practice, no source.
_STEP = {"kPa": 40.0, "psi": 6.0, "bar": 0.4, "kgf/cm2": 0.4}
_LEVELS = (0, 1, 2, 3, 4, 3, 2, 1, 0)


def parse_pair(reference: str, ratio: str, unit: str, bare_unit: str | None = None) -> Pair:
    """One reference pressure and the reading beside it: 0 to 1, or percent; of an adapter that prints plain numbers
    the number. Raises SettingError."""
    from recorder.calibration import Pair

    kpa = convert(parse_quantity(reference, unit), unit, "kPa")
    if bare_unit is not None:
        return Pair(kpa, convert(parse_quantity(ratio, bare_unit), bare_unit, "kPa"))
    text = ratio.strip().replace(",", ".")
    try:
        value = float(text.rstrip("%")) / (100.0 if text.endswith("%") else 1.0)
    except ValueError:
        raise SettingError(
            f"'{ratio}' is not a reading", do="give it as part of full scale, like 0.512 or 51.2%"
        ) from None
    if not 0.0 <= value <= 1.0:
        raise SettingError(f"a reading of {value:g} is outside 0 to 1", do="divide the counts by those at full scale")
    return Pair(kpa, value)


def reference_u(text: str, unit: str, *, needed: bool = False) -> float:
    """The reference's standard uncertainty in kPa, from half of the ± that was written; 0 where none was, unless it is
    needed. Raises SettingError."""
    if not text.strip():
        if needed:
            raise SettingError("how good the reference gauge is was not said",
                               do=f"write its ± beside its name, {examples(unit)[1]}, or 0 to take it as perfect")
        return 0.0
    try:
        value = parse_quantity(text, unit)
    except SettingError as err:
        raise SettingError(err.what, where="the reference gauge's ±", do=f"write it {examples(unit)[1]}") from None
    if value < 0:
        raise SettingError(f"'{text.strip()}' is below zero", where="the reference gauge's ±", do="leave the sign away")
    return convert(value, unit, "kPa") / 2.0


def examples(unit: str) -> tuple[str, str]:
    """A reference pressure and its ±, to show how they are written."""
    step = _STEP.get(unit, 40.0 / pressure_factor_kpa(unit))
    return f"like {step:g}", f"like {step / 80:.1g} {unit}"


def next_level(pairs: Sequence[Pair], unit: str) -> str:
    """The one thing to do next."""
    step = _STEP.get(unit, 40.0 / pressure_factor_kpa(unit))
    if not pairs:
        return "Open the hose to the air: the reference is 0. Press Enter when the reading stands still"
    if len(pairs) < len(_LEVELS):
        level = _LEVELS[len(pairs)] * step
        rising = _LEVELS[len(pairs)] > _LEVELS[len(pairs) - 1]
        do = "Pump up to" if rising else "Let off to"
        return f"{do} about {level:g} {unit}, wait half a minute, type what the reference shows, Enter"
    return "Enough pairs: look at the residuals, then save"


def fit_words(pairs: Sequence[Pair], unit: str, reference_u_kpa: float = 0.0,
              resolution: float = 0.0, *, bare: bool = False) -> tuple[CalibrationFit | None, str]:
    """The fit and what to say of it; None and why not, where it cannot be made."""
    from recorder.calibration import StrayPair
    from recorder.calibration import fit as fit_pairs

    if len(pairs) < 3:
        return None, f"{len(pairs)} of at least 3 pairs; 9, up and down again, are good"
    try:
        found = fit_pairs(pairs, reference_u_kpa=reference_u_kpa, resolution=resolution, bare=bare)
    except StrayPair as err:
        return None, in_window(report.in_unit(str(err), unit))
    except SettingError as err:
        return None, in_window(str(err))

    factor = pressure_factor_kpa(unit)
    doubt = 2 * found.standard_uncertainty_kpa / factor
    shape = "a straight line" if len(found.coefficients_kpa) == 2 else "a slightly bent line"
    also = "" if found.hysteresis_kpa is None else f"; up and down differ by {_fine(found.hysteresis_kpa, found, unit)}"
    notes = [in_window(note) for note in found.notes]
    lines = [f"A pressure read as these were is good to ± {doubt:.{decimals(doubt)}f} {unit} (two standard "
             f"uncertainties: 95 in 100){also}",
             f"{len(pairs)} pairs, {shape}: {curve_words(found, unit, bare=bare)}", *notes[:2]]
    return found, "\n".join(lines)


def _fine(kpa: float, found: CalibrationFit, unit: str) -> str:
    """A difference between pairs in ``unit``, with the digits that their scatter leaves; the reference's own ± is in
    all of them alike."""
    factor = pressure_factor_kpa(unit)
    most = decimals(2 * found.standard_uncertainty_kpa / factor) + 2
    places = min(decimals(2 * found.curve.residual_sd / factor), most)
    return f"{round(kpa / factor, places) + 0.0:.{places}f} {unit}"


def residual_words(found: CalibrationFit, unit: str) -> list[str]:
    """The residuals in ``unit``, one a pair, with the digits that their scatter leaves."""
    return [_fine(residual, found, unit) for residual in found.residuals_kpa]


def curve_words(found: CalibrationFit, unit: str, *, bare: bool = False) -> str:
    """The curve in ``unit``, ``"-25.87 + 258.49 · reading, kPa"``: each term with one digit more than the ± leaves
    at the largest reading. The file keeps all of them. bare: the reading is a pressure, here in ``unit`` as well."""
    factor = pressure_factor_kpa(unit)
    doubt = 2.0 * found.standard_uncertainty_kpa / factor
    largest = max(abs(pair.ratio) for pair in found.pairs) / (factor if bare else 1.0)
    terms = []
    for power, coefficient in enumerate(found.coefficients_kpa):
        value = coefficient / factor * (factor**power if bare else 1.0)
        sign = ("- " if value < 0 else "+ ") if power else ("-" if value < 0 else "")
        number = f"{abs(value):.{decimals(doubt / max(largest, 1.0) ** power) + 1}f}"
        terms.append(sign + number + ("", " · reading", " · reading²")[power])
    return f"{' '.join(terms)}, {unit}"
