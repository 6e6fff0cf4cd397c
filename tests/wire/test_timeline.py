from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.model import Announcement, BareBlock, Fault, SampleBlock
from recorder.wire import TimedBlock, Timeline, recompute_time
from tests.wire.samples import HOSE


def block(*rows: tuple[int, int]) -> SampleBlock:
    """Samples of (sequence, clock µs), wrapped here."""
    seq = np.array([r[0] % 65536 for r in rows])
    us = np.array([r[1] % 2**32 for r in rows])
    none = np.full(len(rows), np.nan)
    return SampleBlock(seq, us, seq * 0 + 100, none, none)


def again(blocks: list[TimedBlock]) -> bool:
    """Whether the raw columns give the same times, to the last digit; and time always grows."""
    blocks = [b for b in blocks if len(b)]
    flags = [f for b in blocks for f in (b.flags or [""] * len(b))]
    host = np.array([float(f"{x:.6f}") for b in blocks for x in b.host_s])
    time_s = np.concatenate([b.time_s for b in blocks])
    computed = recompute_time(np.concatenate([b.device_us for b in blocks if b.device_us is not None]), host, flags)
    return bool(np.array_equal(computed, time_s) and np.all(np.diff(time_s) > 0))


def test_clock_and_sequence_wrap() -> None:
    line = Timeline()
    base = 2**32 - 25_000
    got = line.add(block(*((65530 + i, base + 10_000 * i) for i in range(10))), 5.0)
    assert got.time_s.tolist() == [i / 100 for i in range(10)]
    assert got.flags is None and line.lost_samples == 0
    assert again([got])


def test_missing_samples_are_a_gap() -> None:
    line = Timeline()
    got = line.add(block((0, 0), (1, 10_000), (5, 50_000), (6, 60_000)), 1.0)
    assert got.flags == ("", "", "gap", "")
    assert line.lost_samples == 3 and line.gaps == 1
    assert got.time_s.tolist() == [0.0, 0.01, 0.05, 0.06]


def test_replayed_lines_are_left_out() -> None:
    line = Timeline()
    one = line.add(block((7, 70_000), (8, 80_000), (8, 80_000), (6, 60_000), (9, 90_000)), 1.0)
    two = line.add(block((7, 70_000), (8, 80_000)), 1.1)
    three = line.add(block((9, 90_000), (10, 100_000)), 1.2)
    assert one.time_s.tolist() == [0.0, 0.01, 0.02] and len(two) == 0
    assert three.time_s.tolist() == [0.03] and three.flags is None
    assert line.replayed == 5
    assert again([one, two, three])


def test_restart_goes_on_with_the_hosts_time() -> None:
    line = Timeline()
    line.announce(HOSE)
    one = line.add(block((500, 5_000_000), (501, 5_010_000)), 100.0)
    line.announce(HOSE)
    two = line.add(block((0, 1_000), (1, 11_000)), 102.5)
    assert two.flags == ("restart", "")
    assert two.time_s.tolist() == [2.51, 2.52]
    assert line.restarts == 1
    assert again([one, two])


def test_restart_whose_clock_got_further_than_the_old_one() -> None:
    line = Timeline()
    one = line.add(block((3, 500_000), (4, 510_000)), 0.0)
    line.lost()
    line.announce(HOSE)
    two = line.add(block((60, 700_000), (61, 710_000)), 20.0)
    assert two.flags == ("gap+restart", "")
    assert two.time_s[0] == 20.01
    assert again([one, two])


def test_restart_behind_a_lost_port_needs_no_announcement() -> None:
    """Bytes that an adapter sent before the port was open again are gone, its announcement among them."""
    line = Timeline()
    line.announce(HOSE)
    one = line.add(block((500, 5_000_000), (501, 5_010_000)), 100.0)
    line.lost()
    two = line.add(block((7, 81_000), (8, 91_000)), 102.5)
    line.announce(HOSE)
    three = line.add(block((9, 101_000), (500, 5_000_000)), 102.6)
    assert two.flags == ("gap+restart", "") and two.time_s.tolist() == [2.51, 2.52]
    assert three.flags == ("", "gap")
    assert line.restarts == 1 and line.replayed == 0
    assert again([one, two, three])


def test_restart_whose_sequence_alone_went_back() -> None:
    """Its announcement came, and its clock, which the last start had not reached, happens to follow the old one."""
    line = Timeline()
    one = line.add(block((500, 5_000_000), (501, 5_010_000)), 100.0)
    line.announce(HOSE)
    two = line.add(block((3, 5_500_000), (4, 5_510_000)), 100.5)
    assert two.flags == ("restart", "") and line.restarts == 1 and line.lost_samples == 0
    assert again([one, two])


def test_restart_that_was_announced_and_counts_on() -> None:
    """Its sequence happens to be the next one; its clock is back."""
    line = Timeline()
    one = line.add(block((0, 5_000_000), (1, 5_010_000)), 100.0)
    line.announce(HOSE)
    two = line.add(block((2, 1_000), (3, 11_000)), 102.0)
    assert two.flags == ("restart", "") and line.restarts == 1 and line.replayed == 0
    assert again([one, two])


def test_samples_that_are_missing_behind_an_announcement_are_no_restart() -> None:
    """It comes every 5 s, and says nothing by itself."""
    line = Timeline()
    line.announce(HOSE)
    one = line.add(block((0, 0), (1, 10_000)), 0.0)
    line.announce(HOSE)
    two = line.add(block((4, 40_000), (5, 50_000)), 0.03)
    assert two.flags == ("gap", "") and (line.restarts, line.lost_samples) == (0, 2)
    assert again([one, two])


@pytest.mark.parametrize("n", [1, 100])
def test_an_announcement_that_samples_followed_explains_no_later_step_back(n: int) -> None:
    line = Timeline()
    line.add(block((0, 0), (1, 10_000)), 0.0)
    line.announce(HOSE)
    line.add(block(*((2 + k, 20_000 + 10_000 * k) for k in range(n))), 0.1)
    got = line.add(block((1, 10_000), (2 + n, 20_000 + 10_000 * n)), 0.2)  # one that came again
    assert len(got) == 1 and got.flags is None
    assert (line.restarts, line.replayed) == (0, 1)


def test_the_same_number_again_within_a_minute_is_the_same_line() -> None:
    line = Timeline()
    assert line.replayed == 0
    line.add(block((7, 0)), 0.0)
    got = line.add(block((7, 5_000), (8, 10_000)), 0.1)
    assert got.seq is not None and got.seq.tolist() == [8] and line.replayed == 1
    later = line.add(block((8, 70_000_000)), 70.0)  # 65536 samples on, at a thousand a second
    assert len(later) == 1


def test_silence_of_an_hour_is_a_gap_also_where_the_count_goes_on() -> None:
    line = Timeline()
    one = line.add(block((3, 500_000)), 0.0)
    two = line.add(block((4, 600_000), (5, 610_000)), 3600.0)
    assert two.time_s.tolist() == [3600.0, 3600.01] and two.flags == ("gap", "")
    assert again([one, two])


def test_plain_readings_are_timed_again_by_the_computers_clock() -> None:
    none = np.full(3, -1)
    assert recompute_time(none, np.array([0.0, 0.25, 1.5])).tolist() == [0.0, 0.25, 1.5]


def test_a_fault_before_any_sample_is_at_the_beginning() -> None:
    line = Timeline()
    assert line.fault(Fault(7_000_000, "open"), 50.0) == 0.0
    line.lost()  # of what was not there yet nothing is missing
    assert line.add(block((0, 8_000_000)), 51.0).flags == ("fault-open",)


def test_late_arrival_is_no_restart() -> None:
    line = Timeline()
    line.add(block((3, 500_000)), 0.0)
    line.announce(HOSE)
    two = line.add(block((4, 510_000), (5, 520_000)), 30.0)
    assert two.flags is None and two.time_s.tolist() == [0.01, 0.02]


def test_silence_longer_than_the_clock_follows_the_host() -> None:
    line = Timeline()
    one = line.add(block((3, 500_000)), 0.0)
    line.lost()
    two = line.add(block((4, 600_000), (5, 610_000)), 5000.0)
    assert two.time_s.tolist() == [5000.0, 5000.01]
    assert two.flags == ("gap", "")
    assert again([one, two])


def test_a_silence_of_more_than_half_a_turn_of_the_clock_is_no_step_back() -> None:
    """A turn of 32 bits of microseconds takes 71.6 min. After 40 min the clock is nearer to where it was by going
    back."""
    line = Timeline()
    one = line.add(block((0, 0), (1, 10_000)), 0.0)
    late_us = 2_400_000_000
    two = line.add(block((240_001, late_us), (240_002, late_us + 10_000)), 2400.0)
    assert two.flags == ("gap", "") and (line.restarts, line.replayed) == (0, 0)
    assert np.diff(two.time_s).tolist() == pytest.approx([0.01]) and two.time_s[0] == pytest.approx(2400.0, abs=0.1)
    assert again([one, two])


def test_announcements_that_disagree_and_faults_flag_the_next_row() -> None:
    line = Timeline()
    line.announce(HOSE)
    line.add(block((0, 0)), 0.0)
    other = Announcement(1, "hose-8", "1.0", 4095, 100.0)
    line.announce(other)
    assert line.fault(Fault(5_000, "open"), 0.0) == 0.005
    assert line.fault(Fault(6_000, "open"), 0.1) == 0.006
    assert line.fault(Fault(2**32 - 5_000, "open"), 0.25) == 0.25  # of another start: the host's time
    got = line.add(block((1, 10_000), (2, 20_000)), 0.1)
    assert got.flags == ("announcement-differs+fault-open", "")
    assert line.announcements == [HOSE, other]


def test_each_change_of_the_announcement_is_flagged() -> None:
    line = Timeline()
    other = Announcement(1, "hose-7", "1.1", 1023, 100.0)
    flags = []
    for n, said in enumerate([HOSE, other, HOSE, HOSE, other]):
        line.announce(said)
        flags.append(line.add(block((n, 10_000 * n)), 0.01 * n).flags)
    differs = ("announcement-differs",)
    assert flags == [None, differs, differs, None, differs]
    assert line.announcements == [HOSE, other]


def test_bare_readings_take_the_hosts_time() -> None:
    line = Timeline()
    one = line.add_bare(BareBlock(np.array([1.0, 2.0])), 10.0)
    two = line.add_bare(BareBlock(np.array([3.0, 4.0])), 10.2)
    three = line.add_bare(BareBlock(np.array([5.0])), 10.2)
    assert one.flags is two.flags is three.flags is None
    times = np.concatenate([one.time_s, two.time_s, three.time_s])
    assert np.all(np.diff(times) > 0)
    assert two.time_s[1] == 0.2


def test_bare_readings_after_the_port_was_away_are_of_the_time_they_came() -> None:
    line = Timeline()
    for k in range(11):
        line.add_bare(BareBlock(np.array([float(k)])), 10.0 + 0.1 * k)
    line.lost()
    got = line.add_bare(BareBlock(np.array([1.0, 2.0, 3.0])), 41.0)
    np.testing.assert_allclose(got.time_s, [30.8, 30.9, 31.0], atol=1e-5)
    assert got.flags == ("gap", "", "")
    assert line.add_bare(BareBlock(np.array([4.0, 5.0])), 41.2).time_s.tolist() == pytest.approx([31.1, 31.2])


def test_a_fault_flags_the_next_bare_reading_alone() -> None:
    line = Timeline()
    line.add_bare(BareBlock(np.array([1.0])), 10.0)
    assert line.fault(Fault(7, "open"), 10.5) == 0.5  # by the computer's clock, as there is no other
    line.lost()
    got = line.add_bare(BareBlock(np.array([2.0, 3.0, 4.0])), 12.0)
    assert got.flags == ("fault-open+gap", "", "") and line.gaps == 1
    assert line.add_bare(BareBlock(np.array([5.0])), 12.1).flags is None


_events = st.lists(
    st.tuples(st.sampled_from(["next", "next", "next", "skip", "old", "boot", "lost", "announce", "far"]),
              st.integers(1, 50)), max_size=40)


@settings(max_examples=150, deadline=None)
@given(_events, st.integers(0, 2**32 - 1))
def test_time_grows_and_can_be_computed_again(events: list[tuple[str, int]], base: int) -> None:
    line = Timeline()
    seq, us, host = 65_500, base, 0.0
    blocks = []
    for kind, n in events:
        host += n * 0.01
        if kind == "skip":
            seq, us = seq + n, us + n * 10_000
        elif kind == "boot":
            line.announce(HOSE)
            seq, us, host = 0, 1000, host + 1.0
        elif kind == "lost":
            line.lost()
        elif kind == "announce":
            line.announce(HOSE)
        elif kind == "far":
            us, host = us + 40 * 60_000_000, host + 40 * 60
        rows = [(seq + i, us + i * 10_000) for i in range(n)]
        if kind == "old":
            rows = [(seq - 5, us - 50_000), *rows]
        seq, us = seq + n, us + n * 10_000
        blocks.append(line.add(block(*rows), host))
    if any(len(b) for b in blocks):
        assert again(blocks)


def test_blocks_of_any_size_give_the_same_rows() -> None:
    rows = [(0, 0), (1, 10_000), (4, 40_000), (4, 40_000), (3, 30_000), (5, 50_000), (6, 60_000)]
    whole = Timeline().add(block(*rows), 1.0)
    line = Timeline()
    parts = [line.add(block(r), 1.0) for r in rows]
    assert np.concatenate([p.time_s for p in parts]).tolist() == whole.time_s.tolist()
    flags = [f for p in parts for f in (p.flags or [""] * len(p))]
    assert tuple(flags) == whole.flags


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([1, 1, 1, 1, 1, 0, 3, -2, 40_000]),
                  st.sampled_from([10_000, 10_000, 10_000, 1, 0, -10_000, 2**31 + 5, 900_000_000]),
                  st.sampled_from([0.01, 0.01, 0.0, 2.5, 1900.0])),
        min_size=1, max_size=90),
    st.lists(st.integers(1, 89), max_size=6), st.booleans(), st.integers(0, 89),
)
def test_rows_that_arrive_together_are_timed_as_one_by_one(
    steps: list[tuple[int, int, float]], cuts: list[int], announced: bool, event: int
) -> None:
    seq, us, host = np.cumsum(np.array(steps), axis=0).T + np.array([[65_500], [4_294_000_000], [7.0]])
    rows = list(zip(seq.astype(int).tolist(), us.astype(int).tolist(), strict=True))

    def told(line: Timeline, at: int) -> None:
        if at == event:
            line.announce(HOSE) if announced else line.lost()

    single, together = Timeline(), Timeline()
    one, many = [], []
    for i, row in enumerate(rows):
        told(single, i)
        one.append(single.add(block(row), float(host[i])))
    edges = sorted({0, len(rows), *(c for c in (*cuts, event) if c < len(rows))})
    for a, b in pairwise(edges):
        told(together, a)
        many.append(together.add(block(*rows[a:b]), host[a:b]))
    for name in ("time_s", "host_s", "seq", "device_us"):
        by_row, by_block = (np.concatenate([getattr(x, name) for x in blocks if len(x)]) for blocks in (one, many))
        assert np.array_equal(by_row, by_block)
    flags = [[f for x in blocks for f in (x.flags or [""] * len(x))] for blocks in (one, many)]
    assert flags[0] == flags[1]
    for name in ("lost_samples", "replayed", "restarts", "gaps"):
        assert getattr(single, name) == getattr(together, name)
    assert again(one)


def test_a_restart_whose_announcement_was_lost_keeps_its_samples() -> None:
    """Sequence and clock begin anew and run on: held back until that is sure, then all of them."""
    line = Timeline()
    line.announce(HOSE)
    one = line.add(block(*((i, 10_000 * i) for i in range(1000))), np.arange(1000) / 100)
    parts = []
    for i in range(20):
        now = np.arange(3) / 100 + 10.0 + 0.03 * i
        seq, us, counts = np.arange(3) + 3 * i, 10_000 * (np.arange(3) + 3 * i) + 400, np.full(3, 100 + i)
        none = np.full(3, np.nan)
        parts.append(line.add(SampleBlock(seq, us, counts, none, none), now))
        assert line.doubtful is (i == 0)
    two = [p for p in parts if len(p)]
    assert sum(map(len, two)) == 60 and two[0].flags == ("restart", "", "", "", "", "")
    assert two[0].time_s[0] == 10.0
    assert line.restarts == 1 and line.replayed == 0 and line.lost_samples == 0
    assert again([one, *two])


def test_a_restart_with_the_very_same_clock_is_known_by_its_pace() -> None:
    """The same numbers, clocks and counts again: lines sent again come at once, samples take their time."""
    for pace_s, restarts in ((0.01, 1), (0.0, 0)):
        line = Timeline()
        line.add(block(*((i, 10_000 * i) for i in range(1000))), np.arange(1000) / 100)
        tens = [block(*((i, 10_000 * i) for i in range(k, k + 10))) for k in range(0, 400, 10)]
        got = [line.add(ten, 10.0 + 10 * k * pace_s) for k, ten in enumerate(tens)]
        assert line.restarts == restarts
        assert sum(map(len, got)) == 400 * restarts and line.replayed == 400 * (1 - restarts)


def test_an_announcement_between_replayed_lines_and_the_next_is_no_restart() -> None:
    line = Timeline()
    line.add(block(*((i, 10_000 * i) for i in range(100))), 1.0)
    assert len(line.add(block((90, 900_000), (91, 910_000)), 1.0)) == 0 and line.doubtful
    line.announce(HOSE)
    got = line.add(block((100, 1_000_000), (101, 1_010_000)), 1.0)
    assert got.flags is None and line.replayed == 2 and line.restarts == 0 and not line.doubtful


def test_an_announcement_tells_that_held_rows_are_of_a_restart() -> None:
    line = Timeline()
    line.add(block(*((i, 10_000 * i) for i in range(100))), 1.0)
    assert len(line.add(block((0, 0), (1, 10_000)), 2.0)) == 0
    line.announce(HOSE)
    got = line.add(block((2, 20_000)), 2.02)
    assert got.flags == ("restart", "", "") and line.restarts == 1 and line.replayed == 0


def test_rows_at_the_end_that_may_be_of_a_restart_are_no_replayed_lines() -> None:
    for new, rows in ((0, 2), (0, 4), (7, 3)):
        line = Timeline()
        line.add(block(*((i, 10_000 * i) for i in range(100))), 1.0)
        assert len(line.add(block(*((i, 10_000 * i + new) for i in range(rows))), 2.0)) == 0
        assert (line.undecided, line.replayed) == ((rows, 0) if new else (0, rows))
    assert len(line.add(block(*((i, 10_000 * i + new) for i in range(rows, 5))), 2.1)) == 5
    assert (line.undecided, line.replayed, line.restarts) == (0, 0, 1)
    line.add(block((2, 20_000), (3, 30_001)), 2.2)
    line.add(block((5, 50_000 + new)), 2.3)  # it goes on: they came late
    assert (line.undecided, line.replayed) == (0, 2)
