"""Whose the readings are: the adapter of a test, by which what comes is read."""

from __future__ import annotations

from recorder.errors import RecorderError
from recorder.model import Announcement, Calibration, Message
from recorder.session import words
from recorder.session.config import SessionConfig
from recorder.session.held import Held
from recorder.wire import Timeline

__all__ = ["Whose"]


class Whose:
    """begun: the adapter is known, or will not say who it is. another: one spoke that is not the test's, and nothing of
    it is recorded. held: what came from nobody knows whom. What is released of it is to be taken in order. other_scale:
    it announces other counts at full scale than were given."""

    def __init__(self, config: SessionConfig, calibration: Calibration | None, where: str, timeline: Timeline) -> None:
        self.begun, self.another = False, False
        self.other_scale: RecorderError | None = None
        self.bare = config.bare_unit is not None
        self.full_scale_counts = config.full_scale_counts or 0
        self.held = Held(holds=not self.bare)  # plain readings need no announcement
        self._calibration, self._where, self._timeline = calibration, where, timeline

    @property
    def adapter(self) -> Announcement | None:
        """The first that said who it is."""
        return self._timeline.announcements[0] if self._timeline.announcements else None

    @property
    def sure(self) -> bool:
        """Whether what comes is the test's adapter's."""
        return self.begun and not self.held.holds

    def begin(self, announcement: Announcement | None) -> list[tuple[float, Message]]:
        """None: it will not say who it is. What was held is released. SettingError, RunError."""
        if announcement is not None:
            try:
                words.check_adapter(self._calibration, announcement, self._where)
            except RecorderError:
                self.another = True
                self.held.drop()  # no calibration of it is known
                raise
            given, announced = self.full_scale_counts, announcement.full_scale_counts
            if not self.bare and given not in (0, announced):
                self.other_scale = words.other_scale(self._where, given, announced)
            self.full_scale_counts = announced
            self._timeline.announce(announcement)
        elif not self.bare and not self.full_scale_counts:
            raise words.nameless(self._where)
        self.begun, self.another = True, False
        return self.held.release()

    def came_back(self, announcement: Announcement, host_s: float) -> list[tuple[float, Message]]:
        """The port was away, and now it is known who is on it: what was held is released. RunError."""
        held = self.held.release()
        self.check(announcement)
        return [*held, (host_s, announcement)]

    def unannounced(self) -> list[tuple[float, Message]]:
        """The port was away, and who is on it did not say in time: it is taken for the same adapter, and its first row
        says so."""
        self._timeline.unannounced()
        return self.held.release()

    def check(self, announcement: Announcement) -> None:
        """RunError where it is not the test's adapter, or has another full scale."""
        first = self.adapter
        if not self.bare and (
            announcement.full_scale_counts != self.full_scale_counts
            or (first is not None and announcement.adapter_id != first.adapter_id)
        ):
            self.another = True
            self._timeline.announce(announcement)  # the recording's ending names it
            raise words.another_adapter(self._where, first, self.full_scale_counts, announcement)
