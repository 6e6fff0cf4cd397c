"""Records: JSON forms, and what is frozen."""

import dataclasses
import json

import numpy as np
import numpy.typing as npt
import pytest

from recorder import model
from recorder.model import Calibration, Hold, Judgement, Marking, Phase, Quantity, Reason, Settling


def test_records_are_frozen() -> None:
    for name, kind in vars(model).items():
        if dataclasses.is_dataclass(kind):
            assert getattr(kind, "__dataclass_params__").frozen, name  # noqa: B009 (no type tells of it)
    with pytest.raises(dataclasses.FrozenInstanceError):
        Marking(1, "psi", 6.9).value = 2  # type: ignore[misc]


def test_every_public_name_can_be_imported() -> None:
    given: dict[str, object] = {}
    exec("from recorder.model import *", given)
    assert set(model.__all__) <= set(given)
    assert given["FloatArray"] == npt.NDArray[np.float64]
    assert not hasattr(model, "NoSuchName")


def test_judgement_has_every_key_of_the_contract_in_order() -> None:
    q = Quantity(1.0, 0.1, "kPa")
    hold = Hold(1, 2, q, q, q, q, Settling(q, Quantity(8, None, "s")), q)
    got = Judgement(
        "cap", Marking(16, "psi", 110.3), "pass", (Reason("opens-in-band", "It does."),), q, None, q, 3,
        Quantity(1, None, "kPa", time_s=4.0), None, hold, None, None, (Phase("vented", 0, 1),), {"notes": []},
    ).to_json()
    assert list(got) == [
        "judgement-format", "test", "marked", "outcome", "reasons", "zero", "zero_shift", "peak", "strokes",
        "opening", "reseat", "hold", "headspace", "leak_flow", "phases", "notes",
    ]
    assert list(got["hold"]) == [
        "start_s", "end_s", "start", "end", "drop", "rate", "settling", "smallest_detectable_rate",
    ]
    assert got["opening"] == {"value": 1, "standard_uncertainty": None, "unit": "kPa", "time_s": 4.0}
    assert got["zero_shift"] is None and got["marked"] == {"value": 16, "unit": "psi"}
    assert json.loads(json.dumps(got, allow_nan=False)) == got


def test_calibration_json_leaves_out_what_is_not_known() -> None:
    assert "due" not in Calibration((0.0, 1.0)).to_json()
    assert Calibration((0.0, 1.0), due="2027-01-01", adapter_id="a").to_json()["adapter"] == "a"


def test_dropped_lines_are_the_sum_of_their_kinds() -> None:
    assert model.WireCounts(bad_check=1, too_long=2, unknown_kind=3, bad_fields=4).dropped == 10
