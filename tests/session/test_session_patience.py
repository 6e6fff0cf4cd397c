"""How long what is waited for: an adapter announces itself at boot, every 5 s and when it is asked (section 1 of the
contracts); how long silence is borne is common practice, no source."""

from __future__ import annotations

import pytest

from recorder.errors import RunError, SettingError, SilentAdapter, WrongSpeed
from recorder.model import Announcement, Calibration, FaultRun, WireCounts
from recorder.session import words
from recorder.session.away import Away
from recorder.session.patience import Patience
from recorder.session.told import AdapterFaults

NOTHING = WireCounts(**dict.fromkeys(WireCounts.__dataclass_fields__, 0))


def counts(**more: int) -> WireCounts:
    return WireCounts(**{**dict.fromkeys(WireCounts.__dataclass_fields__, 0), **more})


def patience(*, bare: bool = False, reconnect_s: float = 2.0) -> Patience:
    return Patience("/dev/x", 100.0, bare=bare, reconnect_s=reconnect_s)


def test_it_asks_three_times_within_the_time_of_an_announcement() -> None:
    asked = patience()
    times = [100.0 + k / 10 for k in range(80)]
    assert [round(t - 100.0, 1) for t in times if asked.asks(t)] == [0.4, 1.6, 3.1]
    asked.anew(110.0)
    assert [round(t - 100.0, 1) for t in times if asked.asks(t + 10.0)] == [0.4, 1.6, 3.1]
    assert not any(patience(bare=True).asks(t) for t in times)
    assert not asked.nameless(115.9) and asked.nameless(116.1)


def test_an_adapter_in_doubt_is_asked_once_a_second() -> None:
    doubted = patience()
    assert [t for t in (100.0, 100.5, 101.0, 101.5, 102.0, 102.6) if doubted.doubts(t)] == [100.0, 101.5, 102.6]


def test_nothing_arrives_at_all() -> None:
    waits = patience()
    assert waits.at_start(105.0, NOTHING, b"") is None
    got = waits.at_start(105.1, NOTHING, b"")
    assert isinstance(got, SilentAdapter) and "nothing has arrived for 5 s" in str(got)


def test_bytes_arrive_and_no_line() -> None:
    waits = patience()
    waits.byte(104.0)
    waits.byte(108.0)  # the first one counts
    assert waits.at_start(109.0, counts(bytes=99), b"\xff\x00") is None
    assert isinstance(waits.at_start(109.1, counts(bytes=99), b"\xff\x00"), WrongSpeed)
    for known in ("samples", "announcements", "faults"):
        assert waits.at_start(120.0, counts(bytes=99, **{known: 1}), b"") is None
    waits.back(130.0, counts(bytes=99, samples=3))  # those were of who was on it before
    waits.byte(130.5)
    got = waits.at_start(136.0, counts(bytes=130, samples=3), b"")
    assert isinstance(got, WrongSpeed) and "31 bytes arrived" in str(got)
    assert waits.at_start(136.0, counts(bytes=130, samples=4), b"") is None


@pytest.mark.parametrize(("bare", "seen", "fault", "kind", "said"), [
    (False, {"announcements": 1}, None, SilentAdapter, "announces itself, and no sample has arrived for 5 s"),
    (False, {"announcements": 1, "bad_fields": 3}, None, RunError, "not one of its samples can be used: 'S,x'"),
    (False, {"announcements": 1}, "open", SilentAdapter, "reports 'open'"),
    (True, {"samples": 3}, None, RunError, "leave out --bare"),
    (True, {"announcements": 3}, "open", RunError, "leave out --bare"),
    (True, {"bad_fields": 3}, None, RunError, "not one plain number a line: 'S,x'"),
])
def test_an_adapter_that_is_known_and_gives_nothing(
    bare: bool, seen: dict[str, int], fault: str | None, kind: type, said: str
) -> None:
    waits = patience(bare=bare)
    assert waits.at_first_row(200.0, counts(**seen), b"S,x", fault) is None  # from here on
    assert waits.at_first_row(205.0, counts(**seen), b"S,x", fault) is None
    got = waits.at_first_row(205.1, counts(**seen), b"S,x", fault)
    assert isinstance(got, kind) and said in str(got)
    waits.back(206.0, NOTHING)  # the port was away: anew
    assert waits.at_first_row(207.0, counts(**seen), b"S,x", fault) is None


def test_silence_after_rows() -> None:
    waits = patience()
    assert waits.silent_s(500.0) is None and waits.over(500.0)
    waits.row_s = 300.0
    assert waits.silent_s(305.0) is None and not waits.over(305.0)
    assert waits.silent_s(306.0) == 6.0 and waits.over(305.1)
    waits.back(310.0, NOTHING)
    assert waits.silent_s(314.0) is None
    slow = patience(reconnect_s=20.0)  # a port may take so long to come back
    slow.back(299.0, NOTHING)
    assert slow.row_s is None
    slow.row_s = 300.0
    assert slow.silent_s(320.0) is None and slow.silent_s(321.0) == 21.0


def test_a_port_that_is_back_is_away_until_a_row_comes() -> None:
    """What was read before is no reading of this moment; after two seconds it is silent, like any other."""
    waits = patience()
    waits.row(300.0)
    assert waits.away(301.0, lost=False, usual_s=0.01) is None
    waits.back(310.0, NOTHING)
    assert waits.away(311.0, lost=False, usual_s=0.01) == Away("back", 11.0)
    waits.back(312.0, NOTHING)  # a plug that sits loose
    assert waits.away(313.0, lost=False, usual_s=0.01) == Away("back", 13.0)
    assert waits.away(314.5, lost=False, usual_s=0.01, held=True) == Away("back", 14.5)
    silent = waits.away(314.5, lost=False, usual_s=0.01)
    assert silent == Away("silent", 2.5)
    waits.row(315.0)
    assert waits.away(315.1, lost=False, usual_s=0.01) is None


def test_faults_are_shown_at_once_and_kept_until_there_is_a_file() -> None:
    told = AdapterFaults()
    told.add("open", 1.0, 50.0)
    told.add("open", 1.5, 50.5)
    assert told.word(52.4) == "open" and told.word(52.5) is None and told.word(52.5, within_s=3.0) == "open"
    assert told.take(9.0) == []
    told.open = True
    assert told.take(2.0) == [FaultRun(1.0, "open")]
    assert told.take(9.0) == [FaultRun(1.0, "open", 1.5, 2)] and told.take() == []
    told.seen("ratio", 60.0)
    assert told.word(60.1) == "ratio" and told.take() == []


def test_a_calibration_is_of_one_adapter_and_one_way_to_read_it() -> None:
    own = Calibration((-25.0, 250.0), adapter_id="hose-7")
    plain = Calibration((0.0, 1.0), bare=True)
    for good in ((None, True), (None, False), (own, False), (plain, True)):
        words.check_kind(*good)
    with pytest.raises(SettingError, match="is of counts, and this adapter is read by its plain readings"):
        words.check_kind(own, True)
    with pytest.raises(SettingError, match="is of plain readings, and this adapter is read by its counts"):
        words.check_kind(plain, False)
    announced = Announcement(1, "hose-8", "1.0", 1023, 100.0)
    with pytest.raises(SettingError, match="of adapter 'hose-7', and this is 'hose-8'"):
        words.check_adapter(own, announced, "/dev/x")
    for calibration in (None, Calibration((-25.0, 250.0)), Calibration((-25.0, 250.0), adapter_id="hose-8")):
        words.check_adapter(calibration, announced, "/dev/x")


@pytest.mark.parametrize(("line", "said"), [
    (b"99999999", "what arrives is larger than any pressure of a hose: '99999999'; let the adapter print the pressure"),
    (b" -12345678.5", "larger than any pressure of a hose: ' -12345678.5'"),
    (b"0,51", "not one plain number a line: '0,51'; let the adapter print the number alone, with a point"),
    (b"nan", "not one plain number a line: 'nan'"), (b"1.2.3", "not one plain number a line: '1.2.3'"),
])
def test_a_number_that_is_too_large_is_not_called_no_number(line: bytes, said: str) -> None:
    assert said in str(words.not_plain("x", line))
