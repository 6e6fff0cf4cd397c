"""When to ask an adapter ``?``, and whether it answered. Fed with times; no clock and no port in it."""

from __future__ import annotations

__all__ = ["Question"]

ASK_AFTER_S = 0.5
ASK_AGAIN_S = 1.7
ANSWER_WITHIN_S = 1.0
SILENCE_S = 0.8  # longer than this between bytes: it starts, its bootloader swallows what is sent
ASK_AT_LAST_S = 5.0


class Question:
    """Asks twice, at times that no rhythm of 5 s can meet both: an announcement that was due anyway counts too.

    Asks while bytes come, for a board whose reset is wired to the port hears nothing for its first two seconds; where
    it falls silent after a question, that one is asked again. One that always pauses is asked after 5 s, or half of
    the time, all the same.

    answers: whether each question was answered in time; times are s since the listening began.
    """

    def __init__(self, seconds: float) -> None:
        self.answers: list[bool] = []
        self._at_last_s = min(ASK_AT_LAST_S, seconds / 2)
        self._since_s: float | None = None  # bytes have come without a pause
        self._heard_s = 0.0
        self._asked: list[float] = []
        self._known = 0  # announcements before the question
        self._sure = False  # it was asked while bytes came

    @property
    def done(self) -> bool:
        """Nothing is asked or waited for any more."""
        return len(self.answers) == 2

    @property
    def _waiting(self) -> bool:
        return len(self.answers) < len(self._asked)

    def heard(self, now_s: float) -> None:
        """Bytes came."""
        if self._since_s is None or now_s - self._heard_s > SILENCE_S:
            self._since_s = now_s
            if self._waiting and self._sure:
                self._asked.pop()
        self._heard_s = now_s

    def due(self, now_s: float, announcements: int) -> bool:
        """Whether to ask now; to be called again and again. announcements: how many have come."""
        quiet = self._since_s is None or now_s - self._heard_s > SILENCE_S
        if self._waiting:
            if announcements > self._known:
                self.answers.append(True)
            elif now_s > self._asked[-1] + ANSWER_WITHIN_S and not (quiet and self._sure):
                self.answers.append(False)
            return False
        even = not quiet and self._since_s is not None and now_s - self._since_s >= ASK_AFTER_S
        if len(self._asked) == 2 or not (even or now_s >= self._at_last_s):
            return False
        if self._asked and now_s < self._asked[0] + ASK_AGAIN_S:
            return False
        self._asked.append(now_s)
        self._known, self._sure = announcements, even and now_s < self._at_last_s
        return True
