"""What a session says when something is not as it should be. ``where``: the port's URL."""

from __future__ import annotations

from pathlib import Path

from recorder.errors import (
    RecorderError,
    RunError,
    SettingError,
    SilentAdapter,
    StorageError,
    WrongSpeed,
)
from recorder.model import Announcement, Calibration, WireCounts
from recorder.port import check_port, ports_there_are
from recorder.recording import Writer
from recorder.wire.conformance_rules import escaped
from recorder.wire.likeness import looks_like


def never_spoke(where: str, waited_s: float) -> SilentAdapter:
    return SilentAdapter(
        f"the port is open and nothing has arrived for {waited_s:g} s",
        where=where,
        do=check_port(where),
    )


def gone_silent(where: str, silent_s: float, fault: str | None = None) -> SilentAdapter:
    """fault: what the adapter reports meanwhile."""
    if fault is not None:
        return SilentAdapter(
            f"no sample has arrived for {silent_s:.0f} s; the adapter reports '{fault}'",
            where=where,
            do="check the sensor's plug, wires and supply",
        )
    return SilentAdapter(
        f"no sample has arrived for {silent_s:.0f} s",
        where=where,
        do="check the adapter's power and cable",
    )


def other_version(where: str, notice: str) -> RunError:
    """notice: the decoder's."""
    return RunError(notice, where=where, do="update the recorder, or set the adapter's firmware to wire version 1")


def another_adapter(where: str, first: Announcement | None, counts: int, now: Announcement) -> RunError:
    """counts: at full scale, by which the test is read; first: None where the adapter had not said who it is."""
    name = f"'{first.adapter_id}'" if first is not None else "an adapter without a name"
    do = "test again, with one adapter"
    if first is None:  # it may be the test's own, that spoke late
        do += f"; where it is the only one, take away the {counts} that were given"
    return RunError(
        f"another adapter announced itself: '{now.adapter_id}' of {now.full_scale_counts} counts, and the test is of "
        f"{name} of {counts}: nothing is recorded from there on", where=where, do=do,
    )


def back_without_a_name(where: str) -> RunError:
    return RunError(
        "the port was away, and who is on it since did not say so: it is read as the same adapter", where=where,
        do="make sure that it is, or test again",
    )


def undecided(where: str, rows: int) -> RunError:
    many = f"the last {rows} samples went" if rows > 1 else "the last sample went"
    return RunError(
        f"{many} back in sequence and clock, too few to tell an adapter that started again from lines that came late: "
        f"{'they are' if rows > 1 else 'it is'} not recorded", where=where, do="check the adapter's supply and plug",
    )


def no_row(
    where: str, waited_s: float, counts: WireCounts, unusable: bytes, *, bare: bool, fault: str | None
) -> RecorderError:
    """Where the adapter is known and nothing to record came. unusable: a line that was dropped; fault: what the
    adapter reports."""
    shown = escaped(unusable)
    if bare and (counts.samples or counts.announcements):
        return RunError(
            "the adapter speaks the wire format, and it is read as one that prints plain numbers", where=where,
            do="leave out --bare",
        )
    if fault is not None:
        return gone_silent(where, waited_s, fault)
    if bare:
        return not_plain(where, unusable)
    if counts.dropped:
        return RunError(
            f"the adapter announces itself, and not one of its samples can be used: '{shown}'", where=where,
            do=f"'recorder conform --port {where}' says what is wrong with them",
        )
    return SilentAdapter(
        f"the adapter announces itself, and no sample has arrived for {waited_s:g} s", where=where,
        do="look after its converter and its program",
    )


def nothing_recorded(where: str, counts: WireCounts, unusable: bytes, *, bare: bool) -> RunError:
    """Where a test was ended before its first row: what had come until then, and what was missing. unusable: the latest
    line that was dropped."""
    what, do = "no sample had arrived", "wait for the first reading before you end the test"
    if counts.samples and bare:
        what = "the adapter speaks the wire format, and is read as one that prints plain numbers"
        do = "leave out --bare"
    elif counts.samples:
        came = "one sample" if counts.samples == 1 else f"{counts.samples} samples"
        what = f"{came} came, and not the announcement of wire version 1 that says how many counts are full scale"
        do = "wait 6 s for it, restart the adapter, or give its full scale in counts (--full-scale-counts)"
    elif counts.dropped:
        said = "plain number" if bare else "valid line"
        what = f"{counts.bytes} bytes came and not one {said}: '{escaped(unusable)}'"
        do = "wait for some seconds: what they may be is said then"
    elif counts.announcements:
        what = "the adapter announced itself, and no sample had arrived"
    return RunError(f"nothing was recorded: {what}", where=where, do=do)


def not_plain(where: str, unusable: bytes) -> RunError:
    """unusable: a line that is no plain number, or one that no gauge gives."""
    if unusable.strip().lstrip(b"+-").replace(b".", b"", 1).isdigit():
        return RunError(
            f"what arrives is larger than any pressure of a hose: '{escaped(unusable)}'", where=where,
            do="let the adapter print the pressure alone, in the unit of --bare: no counts of long sums, no clock",
        )
    return RunError(
        f"what arrives is not one plain number a line: '{escaped(unusable)}'", where=where,
        do="let the adapter print the number alone, with a point and no unit, or speak the wire format; where it looks "
        "like noise, check the port's speed (--baud)",
    )


def wrong_speed(where: str, counts: WireCounts, unusable: bytes = b"") -> RecorderError:
    """unusable: the latest line that was dropped, which shows what came instead."""
    what = f"{counts.bytes} bytes arrived and not one valid line"
    alike = looks_like(unusable + b"\n")
    if alike is not None:
        what += f": {alike.what}, for instance '{alike.shown}'"
        if not alike.other_port:
            return WrongSpeed(what, where=where, do=f"{alike.do}; {ports_there_are(where)}")
    return WrongSpeed(
        what,
        where=where,
        do="check the port's speed (--baud); an adapter that prints plain numbers needs --bare UNIT; "
        + ports_there_are(where),
    )


def other_scale(where: str, given: int, announced: int) -> RunError:
    """Where the counts at full scale that were given are not those that the adapter announces."""
    return RunError(
        f"the adapter announces {announced} counts at full scale, and {given} were given: the {announced} that it "
        "announces are used", where=where, do=f"take the {given} away, or correct the adapter's firmware",
    )


def nameless(where: str) -> RunError:
    return RunError(
        "samples arrive, and the adapter does not say how many counts are full scale",
        where=where,
        do="restart the adapter, or give its full scale in counts (--full-scale-counts)",
    )


def slow_disk(writer: Writer) -> StorageError:
    """Of a disk that may answer yet."""
    return StorageError(
        f"the disk has not answered for {writer.waits_s:.0f} s; the test goes on, and what has come since is not safe "
        "yet", where=str(writer.path), do="check it, and the network where it is on one",
    )


def full(writer: Writer) -> RunError:
    return RunError(
        f"the recording is full ({writer.rows_written} samples) and was sealed",
        where=str(writer.path),
        do="begin a new one",
    )


def analysis_broke(err: Exception, path: Path | None) -> RunError:
    return RunError(
        f"the analysis broke ({type(err).__name__}: {err})",
        where=str(path or ""),
        do="the raw rows are kept in the file; judge it again with a mended program",
    )


def look_broke(err: Exception, path: Path | None) -> RunError:
    return RunError(
        f"the live view broke ({type(err).__name__}: {err}): only the pressure is still shown as it is",
        where=str(path or ""),
        do="the test is still recorded; end it by hand, and relieve by the pump's own gauge",
    )


def check_kind(calibration: Calibration | None, bare: bool) -> None:
    """SettingError where a calibration of counts meets plain readings, or the other way round."""
    if calibration is not None and calibration.bare != bare:
        kinds = ("counts", "plain readings")
        raise SettingError(
            f"the calibration is of {kinds[calibration.bare]}, and this adapter is read by its {kinds[bare]}",
            do="calibrate it the way it is read ('recorder calibrate', with --bare for plain readings)",
        )


def check_adapter(calibration: Calibration | None, announced: Announcement, where: str) -> None:
    """SettingError where the calibration is of another adapter than the one that announced itself."""
    own = calibration.adapter_id if calibration is not None else None
    if own is not None and own != announced.adapter_id:
        raise SettingError(
            f"the calibration is of adapter '{own}', and this is '{announced.adapter_id}'",
            where=where,
            do="use the calibration of this adapter",
        )
