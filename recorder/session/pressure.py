"""From what arrived to rows with a pressure."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder import calibration as calibrations
from recorder.errors import SettingError
from recorder.model import Calibration, Rows
from recorder.recording import LARGEST_KPA
from recorder.session import words
from recorder.session.config import SessionConfig
from recorder.units import pressure_factor_kpa
from recorder.wire import RATIO_FLAG, RatioWatch, TimedBlock

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Pressure", "halves"]

_MOST_WILD = 2  # in a row; of more the unit is wrong, or the board, and that is said. Common practice, no source


class Pressure:
    """The calibration of one test, and what it makes of every block. SettingError where none is known.

    left_out: plain readings that no recording can hold, one or two between others: two that lost the line end between
    them (101 and 102 kPa), and no check to tell."""

    def __init__(self, config: SessionConfig) -> None:
        self.calibration: Calibration | None = config.calibration
        words.check_kind(self.calibration, config.bare_unit is not None)
        self._factor_kpa = 1.0 if config.bare_unit is None else pressure_factor_kpa(config.bare_unit)
        self._ratio_watch = RatioWatch()
        self.left_out = 0
        self._wild = 0  # such readings in a row, to the latest
        self._flag = ""  # of what was left out: the next row's
        if config.bare_unit is None and self.calibration is None:
            if config.full_scale_kpa is None:
                raise SettingError(
                    "neither a calibration nor the gauge's full scale is given",
                    do="give --calibration FILE or --full-scale '207 kPa'",
                )
            self.calibration = calibrations.nominal(config.full_scale_kpa)

    def of_plain(self, block: TimedBlock, value: FloatArray) -> Rows:
        """Of plain readings, in the unit they are sent in."""
        read_kpa = value * self._factor_kpa
        rows = _rows(block, read_kpa if self.calibration is None else calibrations.apply(self.calibration, read_kpa))
        wild = np.abs(rows.pressure_kpa) > LARGEST_KPA
        if not wild.any() and not self._flag:
            self._wild = 0
            return rows
        return self._without(rows, wild.tolist())

    def _without(self, rows: Rows, wild: list[bool]) -> Rows:
        """The rows but for wild ones that stand alone. What such a row is flagged with the next one is."""
        flags, kept = list(rows.flag or [""] * len(rows)), []
        for i, is_wild in enumerate(wild):
            self._wild = self._wild + 1 if is_wild else 0
            flags[i], self._flag = "+".join(filter(None, (self._flag, flags[i]))), ""
            if 0 < self._wild <= _MOST_WILD:
                self._flag = flags[i]
            else:
                kept.append(i)
        self.left_out += len(rows) - len(kept)
        return _picked(replace(rows, flag=flags if any(flags) else None), kept)

    def of_counts(self, block: TimedBlock, full_scale_counts: int) -> tuple[Rows, bool]:
        """Of samples; and whether the latest has none. Rows whose ratio no sensor gives are flagged, and stay
        recordable."""
        if self.calibration is None or block.counts is None or block.supply is None:
            raise SettingError("plain readings are not samples")
        pressure_kpa = calibrations.apply(self.calibration, block.ratio(full_scale_counts))
        odd = self._ratio_watch.odd(block.counts, block.supply, full_scale_counts)
        if not odd.any():
            return _rows(block, pressure_kpa), False
        within = np.where(odd, np.clip(pressure_kpa, -LARGEST_KPA, LARGEST_KPA), pressure_kpa)
        return _rows(block.flagged(odd, RATIO_FLAG), within), bool(odd[-1])


def _rows(block: TimedBlock, pressure_kpa: FloatArray) -> Rows:
    return Rows(
        block.time_s, pressure_kpa, block.seq, block.device_us, block.host_s, block.counts, block.supply,
        block.temp_c, block.flags,
    )


def _picked(rows: Rows, kept: list[int]) -> Rows:
    whole: list[Any] = [getattr(rows, f.name) for f in fields(rows)]
    some: list[Any] = [[c[i] for i in kept] if isinstance(c, list) else None if c is None else c[kept] for c in whole]
    return Rows(*some)


def halves(rows: Rows) -> tuple[Rows, Rows]:
    """The first half of the rows, and the rest."""
    whole: list[Any] = [getattr(rows, f.name) for f in fields(rows)]
    at = len(rows) // 2
    first: list[Any] = [None if c is None else c[:at] for c in whole]
    rest: list[Any] = [None if c is None else c[at:] for c in whole]
    return Rows(*first), Rows(*rest)
