"""One live test, from the port to a sealed file."""

from recorder.session.config import Finished, PortLike, SessionConfig
from recorder.session.live import Session

__all__ = ["Finished", "PortLike", "Session", "SessionConfig"]
