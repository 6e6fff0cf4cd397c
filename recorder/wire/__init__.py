"""The wire: bytes to messages, messages to bytes, and the adapter's time."""

from recorder.wire.decoder import Decoder
from recorder.wire.encode import (
    LONGEST_LINE,
    encode_announcement,
    encode_fault,
    encode_line,
    encode_sample,
)
from recorder.wire.fault_runs import FaultRuns
from recorder.wire.ratio import RATIO_FLAG, RatioWatch, ratio_of
from recorder.wire.timed import TimedBlock, recompute_time
from recorder.wire.timeline import Timeline

__all__ = [
    "LONGEST_LINE",
    "RATIO_FLAG",
    "Decoder",
    "FaultRuns",
    "RatioWatch",
    "TimedBlock",
    "Timeline",
    "encode_announcement",
    "encode_fault",
    "encode_line",
    "encode_sample",
    "ratio_of",
    "recompute_time",
]
