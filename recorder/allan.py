"""Overlapping Allan deviation: how far means of neighbouring stretches differ.

Definition: W. J. Riley, Handbook of Frequency Stability Analysis, NIST Special Publication 1065 (2008),
section 5.2.4. Here the data are pressures, so the deviation is in kPa.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["overlapping_adev", "overlapping_curve"]


def overlapping_adev(values: FloatArray, m: int) -> float:
    """Overlapping Allan deviation of evenly spaced ``values`` at ``m`` samples; needs 2 m values."""
    y = np.asarray(values, float)
    if m < 1 or len(y) < 2 * m:
        raise ValueError(f"{len(y)} values are too few for stretches of {m}")
    total = np.concatenate(([0.0], np.cumsum(y - y.mean())))
    second = total[2 * m :] - 2.0 * total[m:-m] + total[: -2 * m]
    return float(np.sqrt(np.mean(second**2) / 2.0) / m)


def overlapping_curve(values: FloatArray, step_s: float) -> tuple[FloatArray, FloatArray]:
    """Averaging times (s, octaves up to a third of the record) and deviations, in the values' unit."""
    ms = [1 << k for k in range(32) if 3 * (1 << k) <= len(values)]
    return step_s * np.array(ms, float), np.array([overlapping_adev(values, m) for m in ms])
