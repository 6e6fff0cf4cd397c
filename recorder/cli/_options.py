"""Options that several commands have, each said once."""

from __future__ import annotations

import click

from recorder.cli._common import checked_unit
from recorder.model import HIGHEST_COUNTS, USUAL_BAUD

__all__ = ["baud", "calibration", "full_scale_counts", "port", "shown_unit"]

baud = click.option("--baud", type=click.IntRange(min=1), help=f"Speed of the port (default: {USUAL_BAUD}).")
calibration = click.option("--calibration", metavar="FILE", help="Calibration file of the gauge.")
full_scale_counts = click.option("--full-scale-counts", type=click.IntRange(1, HIGHEST_COUNTS),
                                 help="Counts at full scale, for an adapter that never announces itself.")
port = click.option("--port", metavar="URL", help="Where the adapter is: /dev/ttyUSB0, COM3, socket://host:port.")
shown_unit = click.option("--unit", callback=checked_unit, help="Pressure unit to show, like psi "
                          "(default: the settings file's, else kPa).")
