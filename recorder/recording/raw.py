"""The derived columns against the raw ones: is time and pressure what clock and counts say?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.errors import RecorderError
from recorder.recording.cells import LARGEST_NUMBER
from recorder.recording.rows import LARGEST_KPA
from recorder.units import pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.model import FloatArray, Recording

__all__ = ["RawDifference", "verify_raw"]

_PRESSURE_PLACES = 4  # as the recorder writes them; other programs may write fewer
_TIME_STEP_S = 0.000001
_FEWEST_PLACES = 2  # coarser than that says less than the raw columns do: a difference
_FULL_SCALE = ("full_scale_counts", "full-scale-counts", "full-scale counts", "full_scale")


@dataclass(frozen=True, slots=True)
class RawDifference:
    """Rows where a column is not what the raw columns give. ``first_row`` counts data rows from 1."""

    column: str
    rows: int
    first_row: int
    stored: float
    recomputed: float

    def __str__(self) -> str:
        if self.column == "seq":
            return (f"rows are missing or moved before row {self.first_row}: its sequence number is "
                    f"{self.stored:.0f} where {self.recomputed:.0f} follows, and no gap is noted "
                    f"({self.rows} {'place' if self.rows == 1 else 'places'})")
        if self.column == "device_us":
            return (f"a clock is missing from row {self.first_row} and not from others, so that no time can be "
                    f"computed again ({self.rows} {'row' if self.rows == 1 else 'rows'})")
        stored, recomputed = _digits_that_differ(self.stored, self.recomputed)
        return (f"{self.column} of row {self.first_row} is {stored}, its raw columns give "
                f"{recomputed} ({self.rows} {'row differs' if self.rows == 1 else 'rows differ'})")


def _digits_that_differ(a: float, b: float) -> tuple[str, str]:
    """Two numbers in six digits, or in as many as show by how much they differ."""
    digits = next((n for n in range(6, 16) if f"{a:.{n}g}" != f"{b:.{n}g}"), 6)
    digits += digits > 6
    return f"{a:.{digits}g}", f"{b:.{digits}g}"


def _last_place(values: FloatArray) -> float:
    """The step of the fewest decimals that hold all these pressures, at most those that the recorder writes."""
    for places in range(_FEWEST_PLACES, _PRESSURE_PLACES):
        scaled = values * 10.0**places
        if (np.abs(scaled - np.rint(scaled)) < 1e-6 * (1 + np.abs(values))).all():
            return float(10.0**-places)
    return float(10.0**-_PRESSURE_PLACES)


def _difference(column: str, stored: FloatArray, own: FloatArray, step: float) -> list[RawDifference]:
    bad = np.flatnonzero(np.abs(stored - own) > step * 1.01)  # NaN: no raw value, nothing to compare
    if not len(bad):
        return []
    i = int(bad[0])
    return [RawDifference(column, len(bad), i + 1, float(stored[i]), float(own[i]))]


def _pressure(recording: Recording) -> list[RawDifference]:
    from recorder import calibration

    rows, cal = recording.rows, recording.header.calibration
    adapter = recording.header.adapter
    full = next((adapter[k] for k in _FULL_SCALE if k in adapter), None)
    if rows.counts is None or cal is None:
        return []
    if isinstance(full, bool) or not isinstance(full, int | float) or full <= 0:
        full = np.nan
    scale = np.full(len(rows), float(min(full, LARGEST_NUMBER)))  # of a number without end no float can be made
    if rows.supply is not None:
        scale = np.where(rows.supply > 0, rows.supply, scale)
    ratio = np.where(rows.counts >= 0, rows.counts, np.nan) / scale
    own = np.full(len(rows), np.nan)
    known = np.isfinite(ratio)
    own[known] = calibration.apply(cal, ratio[known])
    own = np.clip(own, -LARGEST_KPA, LARGEST_KPA)  # as far as a recording goes
    unit = pressure_factor_kpa(recording.pressure_unit)
    return _difference("pressure", rows.pressure_kpa, own, _last_place(rows.pressure_kpa / unit) * unit)


def _time(recording: Recording) -> list[RawDifference]:
    from recorder.wire import recompute_time

    rows = recording.rows
    if rows.device_us is None or rows.host_s is None:
        return []
    known = (rows.device_us >= 0) & np.isfinite(rows.host_s)
    if not known.any():
        return []
    if not known.all():  # the recorder writes both clocks in every row, or in none; unwrapping needs all of them
        first = int(np.flatnonzero(~known)[0])
        return [RawDifference("device_us", int((~known).sum()), first + 1, np.nan, np.nan)]
    own = np.asarray(recompute_time(rows.device_us, rows.host_s, rows.flag), float)
    return _difference("time_s", rows.time_s, own, _TIME_STEP_S)


def _sequence(recording: Recording) -> list[RawDifference]:
    """Sequence numbers that do not follow each other, where the recorder noted neither gap nor restart."""
    rows = recording.rows
    if rows.seq is None or len(rows) < 2 or (rows.seq < 0).any():
        return []
    follows = (rows.seq[:-1] + 1) % 65536
    jump = rows.seq[1:] != follows
    if rows.flag is not None:
        jump &= np.array([not f for f in rows.flag[1:]])
    bad = np.flatnonzero(jump)
    if not len(bad):
        return []
    i = int(bad[0])
    return [RawDifference("seq", len(bad), i + 2, float(rows.seq[i + 1]), float(follows[i]))]


def verify_raw(recording: Recording) -> list[RawDifference]:
    """Time and pressure computed again from sequence, clocks and counts, against the stored ones; and whether
    the sequence is whole but for the gaps that were noted.

    Differences beyond the last written place; an empty list where they agree, or where there is no raw
    record to hold them against (bare readings, a file of two columns).
    """
    if not len(recording.rows):
        return []
    out = []
    for check in (_sequence, _time, _pressure):
        try:
            out += check(recording)
        except RecorderError as err:
            out.append(RawDifference(f"({err.what})", len(recording.rows), 1, np.nan, np.nan))
    return out
