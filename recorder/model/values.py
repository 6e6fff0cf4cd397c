"""Words of all rooms: kinds of test, outcomes, phases, quantities, markings, arrays."""

from __future__ import annotations

from dataclasses import dataclass
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
