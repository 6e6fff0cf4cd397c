"""The annotated trace as a picture."""

from recorder.picture.draw import KINDS, draw, picture_svg, plain_svg, save

__all__ = ["KINDS", "draw", "picture_svg", "plain_svg", "save"]
