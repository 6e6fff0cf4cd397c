"""What an adapter says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from recorder.model.values import FloatArray, IntArray


HIGHEST_COUNTS = 0xFFFFFFFF  # counts, supply counts (at least 1) and counts at full scale (at least 1)
USUAL_BAUD = 115200  # what the wire format says, where no other speed is given


@dataclass(frozen=True, slots=True)
class Announcement:
    """An adapter saying who it is (wire kind ``A``)."""

    wire_version: int
    adapter_id: str
    firmware: str
    full_scale_counts: int
    nominal_rate_hz: float


@dataclass(frozen=True, slots=True)
class OtherVersion:
    """An announcement of a wire version that this program does not know: what comes after it may mean anything."""

    version: int


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


Message = Announcement | OtherVersion | Fault | SampleBlock | BareBlock


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
