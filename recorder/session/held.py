"""Messages held back until it is known whose they are: at the start, and after the port was away, for another adapter
may be on it by then."""

from __future__ import annotations

from recorder.model import Message
from recorder.session.patience import ANNOUNCEMENT_S

__all__ = ["Held"]


class Held:
    """Messages with the time of their arrival (s, the host's clock). holds: whether what comes is held back."""

    def __init__(self, *, holds: bool) -> None:
        self.holds = holds
        self._first_s: float | None = None  # when the port gave something again
        self._messages: list[tuple[float, Message]] = []

    def __len__(self) -> int:
        return len(self._messages)

    def drop(self) -> None:
        """What is held: whose it was nobody will say any more, or it is none of this test."""
        self._first_s = None
        self._messages = []

    def heard(self, host_s: float) -> None:
        """Bytes came."""
        if self._first_s is None:
            self._first_s = host_s

    def add(self, message: Message, host_s: float) -> None:
        self._messages.append((host_s, message))

    @property
    def coming(self) -> bool:
        """Whether something came since, of which it is not known whose it is."""
        return self.holds and self._first_s is not None

    def waited(self, now_s: float) -> bool:
        """Whether an adapter that came back, and sends, had the time to announce itself."""
        return self.holds and self._first_s is not None and now_s - self._first_s > ANNOUNCEMENT_S

    def release(self) -> list[tuple[float, Message]]:
        """What was held, in order; nothing is held from now on."""
        self.holds = False
        out, self._messages = self._messages, []
        return out
