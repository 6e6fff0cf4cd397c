"""What one live test is made of, and what of it the faces see at once."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from recorder.analysis import Analyser, Setup
from recorder.errors import RecorderError, StorageError
from recorder.limits import band_kpa, resolve
from recorder.model import Announcement, Mark, WireCounts
from recorder.recording import Writer
from recorder.session import words
from recorder.session.after_hold import AfterHold
from recorder.session.away import Away
from recorder.session.config import Finished, PortLike, SessionConfig
from recorder.session.heard import Heard
from recorder.session.keeper import Keeper
from recorder.session.patience import Patience
from recorder.session.pressure import Pressure
from recorder.session.told import AdapterFaults
from recorder.session.views import Views
from recorder.session.whose import Whose
from recorder.wire import Decoder, Timeline

__all__ = ["Parts"]


class Parts:
    """Made from what is known before the first sample. Raises SettingError where the marking and the limits do not go
    together."""

    def __init__(
        self,
        config: SessionConfig,
        *,
        port: PortLike,
        folder: str | os.PathLike[str],
        clock: Callable[[], float] = time.monotonic,
        aside: bool = False,
        began: datetime | None = None,
        testers: Path | None = None,
    ) -> None:
        self.config = config
        self.folder = Path(folder)
        self.error: RecorderError | None = None  # the first that came up
        self.broken: RecorderError | None = None  # after which nothing more comes: any but the disk's
        self.note: RecorderError | None = None  # what has to be told and ends nothing
        self.lost = False  # the port is away at the moment
        self._port = port
        self._keeper = Keeper(self.folder, began)
        self._testers = testers or self.folder
        self._clock = clock
        self._procedure = config.procedure or resolve(config.test)
        if config.test == "cap" and config.marked is not None:
            band_kpa(self._procedure, config.marked)  # refused now, not when the cap has opened
        self._pressure = Pressure(config)
        self._calibration = self._pressure.calibration
        self.decoder = Decoder(config.bare_unit)
        if config.bare_unit is not None:
            self.decoder.resync()  # half a number is a number too
        self._heard = Heard(self.decoder)
        self.timeline = Timeline()
        self.analyser = Analyser(Setup(config.test, config.marked, self._procedure, self._calibration))
        self._whose = Whose(config, self._calibration, port.url, self.timeline)
        self._faults = AdapterFaults()
        self._patience = Patience(port.url, clock(), bare=self._whose.bare, reconnect_s=config.reconnect_s)
        self._views = Views(clock, aside=aside)
        self._after_hold = AfterHold()
        self._finished = False
        self._done: Finished | None = None
        self._marks: list[Mark] = []
        self._readings = 0  # also those that the disk refused
        self._cut = False  # a row could not be recorded: what comes behind it would stand behind a hole without a flag

    @property
    def counts(self) -> WireCounts:
        return self.decoder.counts

    @property
    def adapter(self) -> Announcement | None:
        return self._whose.adapter

    @property
    def writer(self) -> Writer | None:
        return self._keeper.writer

    @property
    def storage_error(self) -> StorageError | None:
        """What the disk refused; nothing is stored after it."""
        return self._keeper.error

    @property
    def slow_disk(self) -> StorageError | None:
        """That the disk does not answer at the moment, and for how long; else None."""
        return self._keeper.slow

    @property
    def path(self) -> Path | None:
        return self._keeper.path

    @property
    def finished(self) -> bool:
        """The test is over, there is nothing more to wait for."""
        return self._finished

    @property
    def blind(self) -> RecorderError | None:
        """Why the phases can be looked at no more, so that of a view only the pressure is of this moment; else None."""
        return None if self._views.broke is None else words.look_broke(self._views.broke, self.path)

    @property
    def other_scale(self) -> RecorderError | None:
        """That the adapter announces other counts at full scale than were given; ends nothing. Else None."""
        return self._whose.other_scale

    @property
    def away(self) -> Away | None:
        """Why the latest reading is not of this moment; None while readings come."""
        usual_s = self.analyser.latest_s / max(self._readings - 1, 1)
        return self._patience.away(self._clock(), lost=self.lost, usual_s=usual_s, held=self._whose.held.coming)
