"""One live test: port, wire, time, calibration, file, analyser. Rows are on disk before they are judged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any, TypeVar

from recorder.analysis import Analyser, Setup
from recorder.errors import RecorderError, RunError, StorageError
from recorder.model import (
    Announcement,
    Fault,
    LiveView,
    Mark,
    Message,
    OtherVersion,
    Rows,
    SampleBlock,
)
from recorder.port import Back, Chunk, Lost
from recorder.recording import Writer
from recorder.session import words
from recorder.session.config import Finished
from recorder.session.header import ending, header
from recorder.session.heard import Told
from recorder.session.parts import Parts
from recorder.session.patience import NO_ROW_S, SILENT_S

_T = TypeVar("_T")


class Session(Parts):
    """Call ``step`` often (it never blocks); ``stop`` seals the file. Not for several threads.

    aside: looks at the phases are made in a thread of the session's own, so that ``step`` and ``view`` never wait
    for one, and what arrives is on its way to the disk at once. began, testers: of a test that is stored again, when it
    did, and the folder where the tester's baseline is looked up; None: with its first row, and ``folder``.
    """

    # ------------------------------------------------------------ what the faces see

    def view(self) -> LiveView:
        """The analyser's view of the latest reading; an adapter's fault shows at once."""
        view = self._taken()
        fault = self._faults.word(self._clock())
        if fault is not None:
            view = replace(view, fault=fault)
        away = self.away
        # what was read before is not what there is now; that the port is away the faces say by themselves
        if away is not None and away.why == "silent" and self._patience.row_s is not None and self._done is None:
            view = replace(view, before_kpa=view.pressure_kpa, pressure_kpa=None, silent_s=away.seconds)
        return view

    def mark(self, text: str, time_s: float | None = None) -> Mark | None:
        """A finding, now or at that time of the trace. None before the first sample."""
        if self._patience.row_s is None or self._done is not None:
            return None
        mark = Mark(self.analyser.latest_s if time_s is None else time_s, text)
        self._marks.append(mark)
        self._store(lambda w: w.mark(mark))
        return mark

    # ------------------------------------------------------------ the loop

    def step(self) -> None:
        """Take what the port has, and carry it through to the analyser. Never raises RecorderError."""
        if self._done is not None:
            return
        self._heard.add(self._port.take())
        try:
            self._carry()
            self._watch()
        except RecorderError as err:  # what is left by now is for the next step
            self._wrong(err)

    def _carry(self) -> None:
        """What was heard, to its end."""
        while (one := self._heard.next(joined=self._whose.sure and not self._whose.bare)) is not None:
            if not isinstance(one, Told):
                self._item(one)
            elif self._whose.held.holds:
                self._hold(one.message, one.host_s)
            else:
                self._message(one.message, one.host_s)

    def _item(self, item: Chunk | Lost | Back) -> None:
        if isinstance(item, Lost):
            self.lost = True
            self._whose.held.drop()
            self.timeline.lost()
            self.decoder.resync()
            return
        if isinstance(item, Back):
            self.lost = False
            self._whose.held.holds = not self._whose.bare
            self._patience.back(self._clock(), self.counts)
            if not self._whose.bare:
                self._port.write(b"?\n")
            return
        if self._whose.begun and self._whose.held.waited(item.host_s):
            self._read_on_unannounced()
        self._whose.held.heard(item.host_s)
        self._patience.byte(self._clock())
        if self._whose.bare:
            self._whose.begun = True
        self._heard.decode([item])

    def _hold(self, message: Message, host_s: float) -> None:
        """Held back until the adapter says who it is, which this message may do."""
        whose = self._whose
        if isinstance(message, Announcement) and whose.begun:
            self._messages(whose.came_back(message, host_s))
        elif isinstance(message, Announcement):
            self._begin(message)
        elif isinstance(message, OtherVersion):
            self._other_version()
        elif not whose.another:  # else the right one is waited for
            whose.held.add(message, host_s)
            if whose.begun and isinstance(message, Fault):
                self._faults.seen(message.word, self._clock())  # shown at once

    def _read_on_unannounced(self) -> None:
        self.note = words.back_without_a_name(self._port.url)
        self._messages(self._whose.unannounced())

    def _other_version(self) -> None:
        """Of what comes from now on nothing is known."""
        self._whose.another = True
        if self.broken is None:
            raise words.other_version(self._port.url, self.decoder.notices[0])

    def _messages(self, held: list[tuple[float, Message]]) -> None:
        """What was held back is to be carried on, before all else that was heard."""
        self._heard.first(held)

    def _message(self, message: Message, host_s: Any) -> None:
        """``host_s``: when it arrived; of samples also an array, one item a row."""
        if isinstance(message, Announcement):
            self._whose.check(message)
            self.timeline.announce(message)
        elif isinstance(message, OtherVersion):
            self._other_version()
        elif self._whose.another or self._cut:
            return
        elif isinstance(message, Fault):
            self._faults.add(message.word, self.timeline.fault(message, host_s), self._clock())
            self._tell(self.analyser.latest_s)
        elif isinstance(message, SampleBlock):
            if not self._whose.bare:
                block = self.timeline.add(message, host_s)
                if self.timeline.doubtful and self._patience.doubts(self._clock()):
                    self._port.write(b"?\n")
                if len(block):
                    rows, odd = self._pressure.of_counts(block, self._whose.full_scale_counts)
                    if odd:
                        self._faults.seen("supply", self._clock())
                    self._rows(rows)
        else:
            rows = self._pressure.of_plain(self.timeline.add_bare(message, host_s), message.value)
            if len(rows):
                self._rows(rows)

    def _tell(self, until_s: float | None) -> None:
        """The adapter's faults, into the file and to the analyser."""
        for run in self._faults.take(until_s):
            self._store(partial(Writer.fault, run=run))
            self.analyser.fault(run)

    def _watch(self) -> None:
        """What is decided by the clock alone."""
        now = self._clock()
        if self._whose.held.holds and self._patience.asks(now):
            self._port.write(b"?\n")
        if not self._whose.begun:
            self._watch_start(now)
        elif len(self._whose.held):
            if self._whose.held.waited(now):
                self._read_on_unannounced()
                self._carry()
        elif not self.lost and self._patience.row_s is None:
            self._watch_first_row(now)
        elif not self.lost and (silent_s := self._patience.silent_s(now)) is not None:
            word = self._faults.word(now, SILENT_S)
            self._wrong(words.gone_silent(self._port.url, silent_s, word))
        self._tell(self.analyser.latest_s)
        self._wrong(self._port.failure)
        self._store(lambda w: w.flush())
        self._wrong(self._keeper.full())
        if self._views.due():
            self._taken()
        self._finished = self._finished or self._over(now)

    def _watch_start(self, now: float) -> None:
        if self.lost or self.error is not None:
            return
        wrong = self._patience.at_start(now, self.counts, self.decoder.unusable)
        if wrong is not None:
            raise wrong
        if self._patience.heard(self.counts).samples and self._patience.nameless(now):
            self._begin(None)
            self._carry()

    def _watch_first_row(self, now: float) -> None:
        fault = self._faults.word(now, NO_ROW_S)
        wrong = self._patience.at_first_row(now, self.counts, self.decoder.unusable, fault)
        self._wrong(wrong)

    def _over(self, now: float) -> bool:
        view = self._views.latest
        if view is None or not self._whose.begun:
            return False
        silent = self._patience.over(now) and not len(self._whose.held)
        return self._after_hold.over(view, silent=silent, judge=lambda: self._kept(self.analyser.judgement))

    # ------------------------------------------------------------ the file

    def _begin(self, announcement: Announcement | None) -> None:
        """The adapter is known, or will not say who it is. Raises SettingError, RunError."""
        if announcement is None:
            self._patience.anew(self._clock())  # it is asked again, should someone go on
        self._messages(self._whose.begin(announcement))

    def _rows(self, rows: Rows) -> None:
        if self.writer is None and self.storage_error is None:
            facts = header(
                self.config, self.adapter, url=self._port.url, folder=self._testers,
                full_scale_counts=self._whose.full_scale_counts, other_scale=self.other_scale,
                calibration=self._calibration, procedure=self._procedure,
            )  # fmt: skip
            # The judgement is made from the same facts as when the file is judged again.
            self.analyser = Analyser(Setup.from_header(facts))
            self.analyser.view()  # of nothing, at no cost: else the first look would be made here, not aside
            self._keeper.open(facts)
            self._wrong(self._keeper.error)
        self._patience.row(self._clock())
        self._faults.open = True
        try:
            for kept in self._keeper.rows(rows):  # on disk, then to the analyser
                self._wrong(self._keeper.error)
                self.analyser.feed(kept.time_s, kept.pressure_kpa, kept.flag, kept.counts)
                self._readings += len(kept)
                self._views.stale = True
        except RunError:
            self._cut = True
            raise

    def _store(self, what: Callable[[Writer], object]) -> None:
        self._keeper.store(what)
        self._wrong(self._keeper.error)

    def _taken(self) -> LiveView:
        view = self._kept(lambda: self._views.take(self.analyser))
        self.error = self.error or self.blind  # said, and no reason to stop
        return view

    def _kept(self, ask: Callable[[], _T]) -> _T:
        """What the analyser answers. Where it breaks, the raw rows are put on disk before anything else."""
        try:
            return ask()
        except RecorderError:
            raise
        except Exception as err:
            if self.writer is not None:
                self.writer.close()
            raise words.analysis_broke(err, self.path) from err

    def _wrong(self, err: RecorderError | None) -> None:
        self.error = self.error or err
        if not isinstance(err, StorageError):
            self.broken = self.broken or err

    def settle(self) -> None:
        """Take what has come, also from an adapter that has not said who it is: no more is waited for."""
        self.step()
        self._rest()
        if not len(self._whose.held) or self.decoder.notices:
            return
        try:
            if self._whose.begun:
                self._read_on_unannounced()
            else:
                self._begin(None)
        except RecorderError as err:
            self._wrong(err)
        self._rest()

    def _rest(self) -> None:
        while self._heard.waiting and self._done is None:  # after an error
            self.step()

    def stop(self, why: str) -> Finished:
        """Take what has come, judge it, seal the file. Again: the same answer."""
        if self._done is not None:
            return self._done
        self.settle()
        self._tell(None)
        self._store(lambda w: w.flush(now=True))  # on disk before it is judged
        judgement = self._kept(self.analyser.judgement).to_json()
        if self.timeline.undecided:
            self.note = self.note or words.undecided(self._port.url, self.timeline.undecided)
        ended = ending(why, self.error or self.note, self.decoder, self.timeline, self._pressure.left_out)
        digest = self._keeper.seal(ended, judgement)
        self._wrong(self._keeper.error)
        self._done = Finished(self.path, judgement, digest, why, tuple(self._marks))
        return self._done
