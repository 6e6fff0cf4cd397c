"""How the gauge is read: checked lines or plain numbers, its full scale, its calibration. No Qt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from recorder.errors import FileError, RecorderError, SettingError, as_written
from recorder.model import HIGHEST_COUNTS, Calibration
from recorder.settings import ASSUMED_FULL_SCALE, Settings
from recorder.units import format_pressure, parse_quantity, pressure_factor_kpa, sensor_scale
from recorder.window.state.words import in_window

__all__ = ["Gauge", "due_words", "gauge_of", "gauge_words", "parse_gauge", "remembered"]

_KEPT = ("bare_unit", "full_scale_kpa", "full_scale_counts", "calibration")


@dataclass(frozen=True, slots=True)
class Gauge:
    """bare_unit: the adapter prints plain numbers in this unit; None: checked lines. full_scale_kpa: of a gauge that
    is not calibrated. full_scale_counts: of an adapter that never says them. calibration: the file's path."""

    bare_unit: str | None = None
    full_scale_kpa: float | None = None
    full_scale_counts: int | None = None
    calibration: str | None = None

    def resolved(self) -> tuple[Calibration | None, float | None]:
        """The calibration, or the full scale in kPa; both None for plain numbers that are not calibrated. FileError
        where the calibration's file is unusable, SettingError where it is of the other kind of adapter."""
        cal = self._calibration()
        if cal is not None:
            if cal.bare != (self.bare_unit is not None):
                kinds = ("checked lines", "plain numbers")
                raise SettingError(
                    f"the calibration is for an adapter that sends {kinds[cal.bare]}, and this one sends "
                    f"{kinds[not cal.bare]}", where=str(self.calibration),
                    do="choose another file, or none: F3, then G",
                )
            return cal, None
        if self.bare_unit is not None:
            return None, None
        if self.full_scale_kpa is not None:
            return None, self.full_scale_kpa
        return None, parse_quantity(ASSUMED_FULL_SCALE, "kPa")

    def reads_to_kpa(self) -> float | None:
        """Where its scale ends; None where that is not known."""
        try:
            cal, full_scale_kpa = self.resolved()
        except RecorderError:
            return None  # said elsewhere
        return full_scale_kpa if cal is None else cal.reads_to_kpa

    def _calibration(self) -> Calibration | None:
        if not self.calibration:
            return None
        from recorder.calibration import from_file_text

        try:
            text = Path(self.calibration).read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as err:
            raise FileError(f"cannot be read ({getattr(err, 'strerror', None) or err})", path=self.calibration,
                            do="choose another calibration, or none: F3, then G") from None
        return from_file_text(text, self.calibration)


def _is_scale(kpa: float) -> bool:
    """Whether a gauge for this job may have such a full scale."""
    return 1.0 <= kpa <= 10_000.0


def _is_counts(counts: int) -> bool:
    return 2 <= counts <= HIGHEST_COUNTS


def gauge_of(settings: Settings, memory: Mapping[str, str] | None = None) -> Gauge:
    """What the settings file says goes before what is remembered from the last time; what makes no sense is left."""
    kept = {name: value for name in _KEPT if (value := (memory or {}).get(name, ""))}
    try:
        gauge = Gauge(
            kept.get("bare_unit"),
            float(kept["full_scale_kpa"]) if "full_scale_kpa" in kept else None,
            int(kept["full_scale_counts"]) if "full_scale_counts" in kept else None,
            kept.get("calibration"),
        )
        if gauge.bare_unit is not None:
            pressure_factor_kpa(gauge.bare_unit)
        kpa, counts = gauge.full_scale_kpa, gauge.full_scale_counts
        if (kpa is not None and not _is_scale(kpa)) or (counts is not None and not _is_counts(counts)):
            gauge = Gauge()
    except (ValueError, RecorderError):
        gauge = Gauge()
    if settings.full_scale_kpa is not None:
        gauge = replace(gauge, full_scale_kpa=settings.full_scale_kpa)
    return replace(gauge, calibration=settings.calibration) if settings.calibration is not None else gauge


def remembered(gauge: Gauge) -> dict[str, str]:
    """What ``gauge_of`` reads."""
    return {name: "" if (value := getattr(gauge, name)) is None else str(value) for name in _KEPT}


def parse_gauge(*, plain: bool, unit: str, full_scale: str, counts: str, calibration: str, shown_unit: str) -> Gauge:
    """The gauge as it was written on the form. Raises SettingError with what to write instead."""
    bare_unit = None
    if plain:
        if not unit.strip():
            raise SettingError("the unit of the plain numbers is missing", do="write it: kPa, psi, bar, kgf/cm2, mbar")
        pressure_factor_kpa(unit.strip())
        bare_unit = unit.strip()
    full_scale_kpa, full_counts = None, None
    if full_scale.strip():
        kpa = sensor_scale(full_scale.strip(), shown_unit)
        if not _is_scale(kpa):
            raise SettingError(f"a full scale of {kpa:g} kPa is no gauge's for this job",
                               do="write what is printed on the gauge, like 30 psi")
        full_scale_kpa = kpa
    if counts.strip():
        try:
            full_counts = int(counts)
        except ValueError:
            full_counts = 0
        if not _is_counts(full_counts):
            raise SettingError(f"{as_written(counts)} is no number of counts", do="write it like 1023 or 4095")
    return Gauge(bare_unit, full_scale_kpa, full_counts, calibration.strip() or None)


def gauge_words(gauge: Gauge, unit: str, today: date) -> str:
    """One line on what the readings rest on; with ▲ where something was guessed, or is overdue, or unusable."""
    sends = "" if gauge.bare_unit is None else f"plain numbers in {gauge.bare_unit}: no check, losses are not seen; "
    try:
        cal, full_scale_kpa = gauge.resolved()
    except RecorderError as err:
        return f"▲ {in_window(str(err))}"
    if cal is not None:
        return sends + due_words(cal, today)
    if full_scale_kpa is None:
        return sends + "not calibrated: taken as they come, the gauge's error is in no ±"
    if gauge.full_scale_kpa is None:
        return f"▲ not calibrated, nor is its full scale known: taken for a {ASSUMED_FULL_SCALE} gauge"
    return sends + f"not calibrated: taken by its full scale of {format_pressure(full_scale_kpa, unit)}"


def due_words(cal: Calibration | None, today: date) -> str:
    """Whether the calibration is in date."""
    if cal is None:
        return "not calibrated: the gauge is taken by its nominal full scale"
    from recorder.calibration import due_of

    due = due_of(cal)
    if due is None:
        return "calibrated on a day not noted, no date due"
    left = (due - today).days
    said = cal.due or f"{due}, twelve months on"
    if left < 0:
        return f"▲ calibration OVERDUE by {-left} days (due {said})"
    return f"calibrated {cal.date or 'on a day not noted'}, due {said} (in {left} days)"
