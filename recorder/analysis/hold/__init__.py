"""The hold: a steady fall told from settling, with its uncertainty."""

from recorder.analysis.hold.cases import WARMS_S, Before
from recorder.analysis.hold.fit import Beginning, HoldFit, fit_hold
from recorder.analysis.hold.summary import CALM_S

__all__ = ["CALM_S", "WARMS_S", "Before", "Beginning", "HoldFit", "fit_hold"]
