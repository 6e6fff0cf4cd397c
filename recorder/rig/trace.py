"""A scene played through: the samples and the truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.model import Calibration
from recorder.rig.physics import run
from recorder.rig.scene import Scene
from recorder.rig.sensor import LOW, SPAN, Sampled, sample
from recorder.rig.truth import Truth, truth_of

if TYPE_CHECKING:
    from recorder.model import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Trace(Sampled):
    """All samples of one test, with the scene and its truth."""

    scene: Scene
    truth: Truth

    @property
    def calibration(self) -> Calibration:
        """The nominal calibration of the sensor: 10 to 90 % of the supply over the full scale.

        Its standard uncertainty is what the span error of the population comes to at the marking.
        """
        full = self.scene.sensor.full_scale_kpa
        return Calibration((-LOW / SPAN * full, full / SPAN), round(0.002 * self.scene.marked_kpa, 3))

    @property
    def adapter_time_s(self) -> FloatArray:
        """Seconds since the first sample on the adapter's own clock, unwrapped."""
        return np.asarray(((self.device_us - self.device_us[0]) % 2**32) / 1e6, dtype=np.float64)

    @property
    def reading_kpa(self) -> FloatArray:
        """What a host with the nominal calibration reads, before any zero correction."""
        full = np.where(np.isnan(self.supply), self.scene.sensor.full_counts, self.supply)
        ratio = self.counts / full
        return np.asarray((ratio - LOW) / SPAN * self.scene.sensor.full_scale_kpa)

    @property
    def flags(self) -> list[str]:
        """One string a sample that arrived: ``gap`` after a loss, ``fault-open`` while the wire is off."""
        kept = np.flatnonzero(~self.lost)
        gap = np.diff(kept, prepend=kept[0] - 1) > 1
        out = ["gap" if g else "" for g in gap]
        if self.faults:
            first = int(np.flatnonzero(self.device_us == self.faults[0][0])[0])
            for i, k in enumerate(kept):
                if k >= first:
                    out[i] = "+".join(filter(None, (out[i], f"fault-{self.faults[0][1]}")))
        return out


def simulate(scene: Scene) -> Trace:
    """Play the scene. The same scene gives the same trace."""
    played = run(scene)
    got = sample(scene, played.time_s, played.pressure_kpa, played.hold_start_s, played.end_s)
    top = int(np.argmax(played.pressure_kpa))
    peak = (float(played.pressure_kpa[top]), float(played.time_s[top]))
    if scene.pulse_kpa:
        top = int(np.argmax(got.pressure_kpa))
        peak = (float(got.pressure_kpa[top]), float(got.time_s[top]))
    sampled = {name: getattr(got, name) for name in Sampled.__slots__}
    return Trace(**sampled, scene=scene, truth=truth_of(scene, played, peak))
