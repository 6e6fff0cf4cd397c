"""A fault in the analysis must not cost the raw rows."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from recorder.errors import RunError
from recorder.session import Session


def test_rows_are_closed_onto_disk_before_the_fault_is_told(tmp_path: Path) -> None:
    closed: list[bool] = []
    session = SimpleNamespace(
        writer=SimpleNamespace(close=lambda: closed.append(True)), path=tmp_path / "a.csv"
    )

    def broken() -> None:
        raise TypeError("made up")

    with pytest.raises(RunError, match="raw rows are kept"):
        Session._kept(session, broken)  # type: ignore[arg-type]
    assert closed == [True]
