"""What a recording holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from recorder.model.values import JsonObject, Marking, TestKind

if TYPE_CHECKING:
    from recorder.model.values import FloatArray, IntArray

# Of a calibration, and its uncertainty: a million times what a test meets, and safe to compute with.
LARGEST_COEFFICIENT_KPA = 1e9
# Where a 10 to 90 % sensor stands without pressure, with room for a poor one. Common practice, no source.
ZERO_RATIOS = (0.05, 0.15)


@dataclass(frozen=True, slots=True)
class Calibration:
    """Pressure in kPa = sum of coefficient i * ratio**i, ratio = counts / full scale (or / supply).

    bare: the coefficients are of the plain reading of a board that sends no counts, in kPa, instead.
    """

    coefficients_kpa: tuple[float, ...]
    standard_uncertainty_kpa: float | None = None
    date: str | None = None
    reference: str | None = None
    due: str | None = None
    adapter_id: str | None = None
    bare: bool = False

    @property
    def full_scale_kpa(self) -> float | None:
        """What a 10 to 90 % sensor's scale is: 80 % of the supply's ratio; None where it is not known, as of a curve
        that does not rise there (a recording may have any). Whether it is such a sensor, and where another one ends, is
        told by ``ends_with_counts`` and ``reads_to_kpa``."""
        span = self._at(0.9) - self._at(0.1)
        return span if span > 0 and not self.bare else None

    @property
    def ends_with_counts(self) -> bool:
        """Whether its reading without pressure is none of a 10 to 90 % sensor, so that nothing says that its scale ends
        before its counts do. False where plain readings have no counts."""
        offset, slope = (*self.coefficients_kpa, 0.0, 0.0)[:2]
        return not self.bare and slope > 0 and not ZERO_RATIOS[0] <= -offset / slope <= ZERO_RATIOS[1]

    @property
    def reads_to_kpa(self) -> float | None:
        """Where its readings end: a 10 to 90 % sensor's at its scale, those of another one where its counts do. None
        where that is not known."""
        return self._at(1.0) if self.ends_with_counts else self.full_scale_kpa

    @property
    def scale_end_kpa(self) -> float | None:
        """What a 10 to 90 % sensor reads where its scale ends, zero and all; None of others, and where that is not
        known."""
        return None if self.ends_with_counts or self.full_scale_kpa is None else self._at(0.9)

    def _at(self, ratio: float) -> float:
        return float(sum(c * ratio**i for i, c in enumerate(self.coefficients_kpa)))

    def to_json(self) -> JsonObject:
        out: JsonObject = {
            "coefficients_kPa": list(self.coefficients_kpa),
            "standard_uncertainty_kPa": self.standard_uncertainty_kpa,
            "date": self.date,
            "reference": self.reference,
        }
        if self.due is not None:
            out["due"] = self.due
        if self.adapter_id is not None:
            out["adapter"] = self.adapter_id
        if self.bare:
            out["bare"] = True
        return out


@dataclass(frozen=True, slots=True)
class Header:
    """The annotations above the header row. Absent ones are None (or empty)."""

    test: TestKind
    id: str | None = None
    started: str | None = None
    marked: Marking | None = None
    job: str = ""
    adapter: Mapping[str, Any] = field(default_factory=dict)
    calibration: Calibration | None = None
    procedure: Mapping[str, Any] = field(default_factory=dict)
    other: Mapping[str, Any] = field(default_factory=dict)

    @property
    def simulated(self) -> bool:
        """Whether it is of the simulated tester, by its annotation ``simulated``: no real vehicle was tested."""
        return self.other.get("simulated") is True

    @property
    def nominal(self) -> bool:
        """Whether its calibration is only what the sensor's full scale makes of it, by its annotation ``nominal``."""
        return self.other.get("nominal") is True


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Data rows. ``time_s`` and ``pressure_kpa`` are always there; the raw columns are None when absent.

    Within a raw column an empty cell is NaN (floats) or -1 (integers). ``flag`` is None when no row has
    a flag, else one string a row, words joined by ``+``.
    """

    time_s: FloatArray
    pressure_kpa: FloatArray
    seq: IntArray | None = None
    device_us: IntArray | None = None
    host_s: FloatArray | None = None
    counts: IntArray | None = None
    supply: FloatArray | None = None
    temp_c: FloatArray | None = None
    flag: Sequence[str] | None = None

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True)
class Mark:
    """A finding: what was seen, and when on the trace."""

    time_s: float
    text: str


SAME_FAULT_S = 1.5  # an adapter says a fault twice a second: lines that are further apart are of two


@dataclass(frozen=True, slots=True)
class FaultRun:
    """A fault that the adapter reported, of rows or of none: when first (s of the trace), and its word.

    until_s: when last; lines: how often; both None while it lasts, and where the file was cut off before it was over.
    """

    time_s: float
    word: str
    until_s: float | None = None
    lines: int | None = None

    def to_json(self) -> JsonObject:
        out: JsonObject = {"time_s": self.time_s, "word": self.word}
        if self.until_s is not None:
            out |= {"until_s": self.until_s, "lines": self.lines}
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A recording as read. ``judgement`` is the stored one, None when the file was cut off.

    ``intact``: True sealed and unchanged, False altered since it was sealed, None where there is no seal.
    ``notes``: what the salvaging reader left out, in words. ``faults``: what the adapter reported, as the annotations
    tell it; one that is over is told twice, at its beginning and at its end. ``pressure_unit``: of the file's column.
    ``procedure_line``: the line of the file that gives the limits, counted from 1; 0 where none does.
    """

    path: str
    header: Header
    rows: Rows
    marks: tuple[Mark, ...] = ()
    judgement: Mapping[str, Any] | None = None
    intact: bool | None = None
    sha256: str | None = None
    notes: tuple[str, ...] = ()
    faults: tuple[FaultRun, ...] = ()
    pressure_unit: str = "kPa"
    procedure_line: int = 0

    @property
    def seal_missing(self) -> bool:
        """Whether a recorder, which gave it its id, judged it to its end, and only the seal, which is written together
        with the judgement, is gone."""
        return self.header.id is not None and self.judgement is not None and self.intact is None
