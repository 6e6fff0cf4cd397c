"""The records that rooms hand to each other. Frozen; every field says its unit and when it is absent.

Inside the program pressure is kPa gauge, volume mL, time s, temperature degC. Arrays are one-dimensional,
in time order, all of one length within a record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

TestKind = Literal["cap", "system", "tester"]
Outcome = Literal["pass", "fail", "undecided", "void"]
PhaseName = Literal["vented", "pump-up", "relief", "hold", "release"]
TEST_KINDS: tuple[TestKind, ...] = ("cap", "system", "tester")

JsonObject = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its standard uncertainty (None: not known) and its unit.

    ``time_s`` is set where the quantity belongs to one moment of the trace.
    """

    value: float
    standard_uncertainty: float | None
    unit: str
    time_s: float | None = None

    def to_json(self) -> JsonObject:
        out: JsonObject = {
            "value": self.value,
            "standard_uncertainty": self.standard_uncertainty,
            "unit": self.unit,
        }
        if self.time_s is not None:
            out["time_s"] = self.time_s
        return out


@dataclass(frozen=True, slots=True)
class Marking:
    """The pressure stamped on a cap, as stamped, and in kPa gauge."""

    value: float
    unit: str
    kpa: float

    def to_json(self) -> JsonObject:
        return {"value": self.value, "unit": self.unit}


# ---------------------------------------------------------------- wire


@dataclass(frozen=True, slots=True)
class Announcement:
    """An adapter saying who it is (wire kind ``A``)."""

    wire_version: int
    adapter_id: str
    firmware: str
    full_scale_counts: int
    nominal_rate_hz: float


@dataclass(frozen=True, slots=True)
class Fault:
    """An adapter saying what is wrong (wire kind ``F``): open, short, supply or adc."""

    device_us: int
    word: str


@dataclass(frozen=True, slots=True, eq=False)
class SampleBlock:
    """Consecutive samples of the wire, not yet unwrapped. n >= 1.

    seq 0..65535; device_us 0..4294967295; counts; supply counts, NaN where empty;
    temp_c NaN where empty.
    """

    seq: IntArray
    device_us: IntArray
    counts: IntArray
    supply: FloatArray
    temp_c: FloatArray

    def __len__(self) -> int:
        return len(self.seq)


@dataclass(frozen=True, slots=True, eq=False)
class BareBlock:
    """Consecutive bare readings, one decimal number a line, in the unit the user named."""

    value: FloatArray

    def __len__(self) -> int:
        return len(self.value)


Message = Announcement | Fault | SampleBlock | BareBlock


@dataclass(frozen=True, slots=True)
class WireCounts:
    """What the decoder has seen since it was made."""

    bytes: int = 0
    samples: int = 0
    announcements: int = 0
    faults: int = 0
    bad_check: int = 0
    too_long: int = 0
    unknown_kind: int = 0
    bad_fields: int = 0

    @property
    def dropped(self) -> int:
        return self.bad_check + self.too_long + self.unknown_kind + self.bad_fields


# ---------------------------------------------------------------- recording


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
        """What the gauge's scale is: 80 % of the supply's ratio; None where it is not known."""
        if self.bare:
            return None
        ends = [sum(c * ratio**i for i, c in enumerate(self.coefficients_kpa)) for ratio in (0.1, 0.9)]
        return float(ends[1] - ends[0])

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

    ``intact``: True sealed and unchanged, False altered since it was sealed, None never sealed.
    ``notes``: what the salvaging reader left out, in words. ``faults``: what the adapter reported, as the annotations
    tell it; one that is over is told twice, at its beginning and at its end.
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


# ---------------------------------------------------------------- judgement


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the outcome is what it is: a code of the judgement's list, and a sentence."""

    code: str
    text: str

    def to_json(self) -> JsonObject:
        return {"code": self.code, "text": self.text}


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of the trace, in seconds on the trace's own clock."""

    name: PhaseName
    start_s: float
    end_s: float

    def to_json(self) -> JsonObject:
        return {"name": self.name, "start_s": self.start_s, "end_s": self.end_s}


@dataclass(frozen=True, slots=True)
class Settling:
    """The part of the fall that dies away: p(t) = steady part + amplitude * exp(-t / time constant)."""

    amplitude: Quantity
    time_constant_s: Quantity

    def to_json(self) -> JsonObject:
        return {
            "amplitude": self.amplitude.to_json(),
            "time_constant_s": self.time_constant_s.to_json(),
        }


@dataclass(frozen=True, slots=True)
class Hold:
    """The hold. Pressures kPa gauge, zero-corrected; ``rate`` kPa/min, falling is positive,
    beyond what settling alone would have done."""

    start_s: float
    end_s: float
    start: Quantity
    end: Quantity
    drop: Quantity
    rate: Quantity
    settling: Settling | None
    smallest_detectable_rate: Quantity

    def to_json(self) -> JsonObject:
        return {
            "start_s": self.start_s,
            "end_s": self.end_s,
            "start": self.start.to_json(),
            "end": self.end.to_json(),
            "drop": self.drop.to_json(),
            "rate": self.rate.to_json(),
            "settling": self.settling.to_json() if self.settling else None,
            "smallest_detectable_rate": self.smallest_detectable_rate.to_json(),
        }


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a recording says. Pure function of the recording; pressures are zero-corrected gauge.

    ``extra`` holds keys beyond the contract's (names with underscores, JSON values; docs/judgement.md lists them);
    readers that do not know them ignore them.
    """

    test: TestKind
    marked: Marking | None
    outcome: Outcome
    reasons: tuple[Reason, ...]
    zero: Quantity | None
    zero_shift: Quantity | None
    peak: Quantity | None
    strokes: int
    opening: Quantity | None
    reseat: Quantity | None
    hold: Hold | None
    headspace: Quantity | None
    leak_flow: Quantity | None
    phases: tuple[Phase, ...]
    extra: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> JsonObject:
        """The judgement of format 1 as a JSON-ready dict."""

        def maybe(q: Quantity | Hold | Marking | None) -> JsonObject | None:
            return None if q is None else q.to_json()

        return {
            "judgement-format": 1,
            "test": self.test,
            "marked": maybe(self.marked),
            "outcome": self.outcome,
            "reasons": [r.to_json() for r in self.reasons],
            "zero": maybe(self.zero),
            "zero_shift": maybe(self.zero_shift),
            "peak": maybe(self.peak),
            "strokes": self.strokes,
            "opening": maybe(self.opening),
            "reseat": maybe(self.reseat),
            "hold": maybe(self.hold),
            "headspace": maybe(self.headspace),
            "leak_flow": maybe(self.leak_flow),
            "phases": [p.to_json() for p in self.phases],
            **dict(self.extra),
        }


# ---------------------------------------------------------------- live view


@dataclass(frozen=True, slots=True)
class LiveView:
    """What a face needs to show while a test runs. Pressures kPa gauge, zero-corrected.

    next_step: ``wait`` (too little trace), ``vent`` (not at zero yet), ``pump``, ``pump-gently`` (close to the
    target), ``stop-pumping`` (in the target), ``over-limit`` (relieve now), ``hold``, ``release``,
    ``vent-again`` (released, waiting for zero), ``done``.
    target_low_kpa, target_high_kpa: what has to be held, or between which a cap has to open; to_go_kpa: up to there.
    fall_at_s: of when the fall is, where that is not ``time_s``. silent_s: how long no reading has arrived, where that
    is longer than usual; then there is no pressure, and before_kpa is the latest one.
    """

    time_s: float
    pressure_kpa: float | None
    phase: PhaseName | None
    phase_since_s: float
    zero_kpa: float | None
    strokes: int
    peak_kpa: float | None
    opening_kpa: float | None
    target_low_kpa: float | None
    target_high_kpa: float | None
    limit_kpa: float | None
    to_go_kpa: float | None
    hold_start_s: float | None
    hold_elapsed_s: float
    hold_left_s: float | None
    fall_kpa: float | None
    fall_u_kpa: float | None
    rate_kpa_per_min: float | None
    rate_u_kpa_per_min: float | None
    early: Literal["leak", "tight"] | None
    early_at_s: float | None
    fault: str | None
    next_step: str
    finished: bool
    fall_at_s: float | None = None
    silent_s: float | None = None
    before_kpa: float | None = None
