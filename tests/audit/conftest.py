"""A shop's folder of recordings that were made for the test."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.made import make


@pytest.fixture
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Three recordings of a van. A file of tests that needs others says so in its own ``SHOP``."""
    given = {"count": 3, "seconds": 8, "job": "van", **getattr(request.module, "SHOP", {})}
    for seed in range(given.pop("count")):
        make(tmp_path / "shop", seed, **given)
    return tmp_path / "shop"
