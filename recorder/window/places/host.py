"""What the helpers of the Testing place see of it, so that they need not know the place itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from PySide6.QtCore import SignalInstance

from recorder.model import LiveView
from recorder.window.parts.widgets import Key
from recorder.window.places.live import LivePage
from recorder.window.places.setup import SetupPage
from recorder.window.running import Running

__all__ = ["Host"]


class Host(Protocol):
    """The place: its pages, keys and lines, and the test that runs or has run in it."""

    @property
    def live(self) -> LivePage:
        """The page of the running test and of its result."""

    @property
    def setup(self) -> SetupPage:
        """The page before a test."""

    @property
    def next_key(self) -> Key:
        """Begins the next test."""

    @property
    def unit(self) -> str:
        """Of pressures shown."""

    @property
    def running(self) -> Running | None:
        """The test; None before the first one."""

    @property
    def judgement(self) -> Mapping[str, Any] | None:
        """Its answer; None while there is none."""

    @property
    def active(self) -> bool:
        """Whether a test runs."""

    @property
    def view(self) -> LiveView | None:
        """What the running test shows now; None before its first reading."""

    @property
    def away(self) -> bool:
        """Whether its adapter is unplugged."""

    @property
    def note(self) -> SignalInstance:
        """Says a line in the banner."""

    @property
    def problem(self) -> SignalInstance:
        """Says what is wrong in the banner."""

    def setFocus(self) -> None:
        """Keys go to the place itself."""
