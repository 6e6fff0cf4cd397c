"""One live test, from the port to a sealed file."""

from recorder.session.away import Away, away_of
from recorder.session.config import Finished, PortLike, SessionConfig
from recorder.session.ending import AskTwice
from recorder.session.live import Session

__all__ = ["AskTwice", "Away", "Finished", "PortLike", "Session", "SessionConfig", "away_of"]
