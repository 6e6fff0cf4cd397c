"""The hold: a steady fall told from settling, with its uncertainty."""

from recorder.analysis.hold.cases import WARMS_S, Before
from recorder.analysis.hold.fit import Beginning, HoldFit, fit_hold

__all__ = ["WARMS_S", "Before", "Beginning", "HoldFit", "fit_hold"]
