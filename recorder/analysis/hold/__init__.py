"""The hold: a steady fall told from settling, with its uncertainty."""

from recorder.analysis.hold.fit import Beginning, HoldFit, fit_hold

__all__ = ["Beginning", "HoldFit", "fit_hold"]
