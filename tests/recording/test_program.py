"""Which program judged a recording, as its head says it."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import numpy as np
import pytest
import scipy

from recorder import __version__
from recorder.recording import program_of, program_versions

OWN = {"version": __version__, "numpy": np.__version__, "scipy": scipy.__version__}


def test_it_is_what_is_installed_and_no_library_is_loaded_for_it() -> None:
    assert program_versions() == OWN
    code = ("import sys; from recorder.recording import program_versions as own; assert 'scipy' not in sys.modules; "
            f"assert own() == {OWN!r}, own(); sys.exit('scipy' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], timeout=60, check=False).returncode == 0


@pytest.mark.parametrize(("other", "words", "another"), [
    ({"recorder": OWN}, f"{__version__}, numpy {np.__version__}, scipy {scipy.__version__}", False),
    ({"recorder": {**OWN, "version": "0.0.9"}}, f"0.0.9, numpy {np.__version__}, scipy {scipy.__version__}", True),
    ({"recorder": {**OWN, "scipy": "1.0"}}, f"{__version__}, numpy {np.__version__}, scipy 1.0", True),
    ({"recorder": {"version": __version__}}, __version__, True),
    ({"recorder": {**OWN, "version": 3}}, f"3, numpy {np.__version__}, scipy {scipy.__version__}", True),
    ({}, None, None), ({"recorder": "1.0"}, None, None), ({"recorder": {"numpy": "1"}}, None, None),
])  # fmt: skip
def test_another_version_of_it_or_of_a_library_is_another_program(
    other: dict[str, Any], words: str | None, another: bool | None
) -> None:
    assert program_of(other) == (words, another)
