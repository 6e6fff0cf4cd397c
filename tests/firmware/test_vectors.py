"""The published test vectors (firmware_notes/wire_vectors.json) against decoder and conformance."""

from __future__ import annotations

import json
import math
from binascii import crc_hqx
from typing import Any

import pytest

from recorder.model import Announcement, Fault, Message, SampleBlock
from recorder.wire import Decoder
from recorder.wire.conformance import check_bytes
from tests.firmware.firmware_board import NOTES

VECTORS = json.loads((NOTES / "wire_vectors.json").read_text())
LINES = VECTORS["lines"]
# the four example lines of the format's description
EXAMPLES = {
    "A,1,hose-7,1.0,1023,100*573F",
    "S,0,1204,103,,*E336",
    "S,65535,4294967280,614,1023,21.5*06E9",
    "F,500000,open*1D76",
}


def as_vector(message: Message) -> dict[str, Any]:
    if isinstance(message, SampleBlock):
        assert len(message) == 1

        def empty(value: float) -> float | None:
            return None if math.isnan(value) else value

        return {
            "kind": "S",
            "seq": message.seq[0],
            "device_us": message.device_us[0],
            "counts": message.counts[0],
            "supply": empty(message.supply[0]),
            "temp_c": empty(message.temp_c[0]),
        }
    assert isinstance(message, Announcement | Fault)
    fields = {name: getattr(message, name) for name in message.__dataclass_fields__}
    return {"kind": "A" if isinstance(message, Announcement) else "F", **fields}


def test_the_check_value() -> None:
    """CRC-16/XMODEM of "123456789", from the catalogue of CRC algorithms: 0x31C3."""
    assert f"{crc_hqx(b'123456789', 0):04X}" == "31C3"
    assert VECTORS["check_of_123456789"] == "31C3"


def test_the_examples_are_among_the_vectors() -> None:
    assert {bytes.fromhex(v["hex"]).decode("latin-1").strip() for v in LINES} >= EXAMPLES


@pytest.mark.parametrize("vector", LINES, ids=[v["why"] for v in LINES])
def test_the_decoder_agrees(vector: dict[str, Any]) -> None:
    decoder = Decoder()
    decoder.feed(bytes.fromhex(vector["hex"]))
    messages = decoder.take()
    if vector["accepted"] is None:
        assert messages == [] and decoder.counts.dropped == 1
    else:
        assert [as_vector(m) for m in messages] == [vector["accepted"]]
        assert decoder.counts.dropped == 0


@pytest.mark.parametrize("vector", LINES, ids=[v["why"] for v in LINES])
def test_the_conformance_check_agrees(vector: dict[str, Any]) -> None:
    good = bytes.fromhex(LINES[3]["hex"])  # first, as the first line may be the tail of one
    results = check_bytes(good + bytes.fromhex(vector["hex"]))
    format_rules = {r.rule for r in results if r.state == "failed"} - {"boot", "full-scale"}
    assert bool(format_rules) == (vector["accepted"] is None)


@pytest.mark.parametrize("vector", LINES, ids=[v["why"] for v in LINES])
def test_shown_is_the_hex(vector: dict[str, Any]) -> None:
    raw = bytes.fromhex(vector["hex"])
    assert vector["shown"] == raw.decode("latin-1").encode("unicode_escape").decode()
