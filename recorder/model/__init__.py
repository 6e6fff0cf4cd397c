"""The records that rooms hand to each other. Frozen; every field says its unit and when it is absent.

Inside the program pressure is kPa gauge, volume mL, time s, temperature degC. Arrays are one-dimensional,
in time order, all of one length within a record.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.model.judgement import Hold, Judgement, Phase, Reason, Settling
from recorder.model.live import LiveView
from recorder.model.recording import (
    LARGEST_COEFFICIENT_KPA,
    SAME_FAULT_S,
    ZERO_RATIOS,
    Calibration,
    FaultRun,
    Header,
    Mark,
    Recording,
    Rows,
)
from recorder.model.values import (
    TEST_KINDS,
    JsonObject,
    Marking,
    Outcome,
    PhaseName,
    Quantity,
    TestKind,
)
from recorder.model.wire import (
    HIGHEST_COUNTS,
    USUAL_BAUD,
    Announcement,
    BareBlock,
    Fault,
    Message,
    OtherVersion,
    SampleBlock,
    WireCounts,
)

if TYPE_CHECKING:
    from recorder.model.values import BoolArray, FloatArray, IntArray
else:
    _ARRAYS = {"BoolArray": "bool_", "FloatArray": "float64", "IntArray": "int64"}

    def __getattr__(name):
        """The array types are made when they are asked for: numpy takes long to load, and no record needs it."""
        if name not in _ARRAYS:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        import numpy as np
        from numpy.typing import NDArray

        return NDArray[getattr(np, _ARRAYS[name])]

__all__ = [
    "HIGHEST_COUNTS", "LARGEST_COEFFICIENT_KPA", "SAME_FAULT_S", "TEST_KINDS", "USUAL_BAUD", "ZERO_RATIOS",
    "Announcement", "BareBlock", "BoolArray", "Calibration", "Fault", "FaultRun", "FloatArray", "Header", "Hold",
    "IntArray", "JsonObject", "Judgement", "LiveView", "Mark", "Marking", "Message", "OtherVersion", "Outcome", "Phase",
    "PhaseName", "Quantity", "Reason", "Recording", "Rows", "SampleBlock", "Settling", "TestKind", "WireCounts",
]  # fmt: skip
