"""One live test, from the port to a sealed file."""

from recorder.session.away import Away
from recorder.session.config import Finished, PortLike, SessionConfig
from recorder.session.live import Session

__all__ = ["Away", "Finished", "PortLike", "Session", "SessionConfig"]
