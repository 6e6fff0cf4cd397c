"""The reference firmware, built with warnings as errors and run on a simulated ATmega328P.

What it sends goes through a real pseudo-terminal and pyserial. The simulator scales its converter
by 1023 at the reference, so V volts must read V / 5 * 1023 and the counts four times that.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from recorder.model import Announcement, SampleBlock
from recorder.wire import Decoder, Timeline
from recorder.wire.conformance import check_bytes
from tests.firmware.firmware_board import Build, Sample, Start, parse

BOTH = pytest.mark.parametrize("which", ["c", "sketch"])
NAMES = {"c": "A,1,hose-c,1.0,4092,100", "sketch": "A,1,hose-ino,1.0,4092,100"}


def assert_gapless(samples: list[Sample], first_seq: int = 0) -> None:
    assert samples[0].seq == first_seq
    for a, b in itertools.pairwise(samples):
        assert b.seq == (a.seq + 1) % 65536
        assert (b.us - a.us) % 2**32 == 10_000  # 100 a second, exactly, no jitter


@BOTH
def test_a_ramp_is_sent_exactly(which: str, build: Build, start: Start) -> None:
    """0.5 to 4.5 V in 10 s: every line whole, 100 samples a second, counts follow the volts."""
    points = [(0.0, 0.5, 5.0), (10.0, 4.5, 5.0)]
    data = start(build(which), points, 10.6).read_all()
    samples, faults, announcements = parse(data)
    assert data.startswith(NAMES[which].encode())  # announced at boot, before any sample
    assert announcements == [NAMES[which]] * 3  # at boot, at 5 s, at 10 s
    assert not faults
    assert len(samples) in (1058, 1059, 1060)
    assert_gapless(samples)
    for s in samples:
        if s.us < 9_990_000:
            middle_s = s.us / 1e6 - 0.005
            expected = (0.5 + 0.4 * middle_s) / 5 * 4092
            # floor of 32 conversions: at most one 10-bit step (4 counts) low; the clock of the
            # firmware starts a little after the simulator's: less than 1 ms, 0.33 counts
            assert -4.5 <= s.counts - expected <= 1.0, s
        assert s.supply == 4092
    failed = [r for r in check_bytes(data) if r.state == "failed"]
    assert failed == []


@BOTH
@pytest.mark.parametrize(
    ("volts", "supply", "word"),
    [(0.0, 5.0, "open"), (5.0, 5.0, "short"), (2.0, 4.0, "supply"), (0.0, 0.0, "supply")],
)
def test_faults_have_their_word_and_at_most_two_a_second(
    which: str, volts: float, supply: float, word: str, build: Build, start: Start
) -> None:
    data = start(build(which), [(0.0, volts, supply)], 2.1).read_all()
    samples, faults, _ = parse(data)
    assert [w for _, w in faults] == [word] * 5  # 0, 0.5, 1, 1.5, 2 s
    assert all(b - a == 500_000 for (a, _), (b, _) in itertools.pairwise(faults))
    assert_gapless(samples)  # the samples go on
    assert [r for r in check_bytes(data) if r.state == "failed"] == []


@BOTH
def test_a_supply_that_steps_makes_no_pressure(which: str, build: Build, start: Start) -> None:
    """80 kPa on a 206.84 kPa sensor, while its supply steps between 5 and 4.7 V at any moment of a sample: the ratio
    of every sample stands, to one of its 64 conversions that may fall on the other side of the step."""
    ratio, v = 0.1 + 0.8 * 80.0 / 206.84, 5.0
    points = [(0.0, v * ratio, v)]
    for n in range(1, 12):
        at_s = 0.25 * n + 0.00137 * n
        points.append((at_s, v * ratio, v))
        v = 9.7 - v
        points.append((at_s + 1e-5, v * ratio, v))
    data = start(build(which), points, 3.2, noise_mv=2.4, seed=3).read_all()
    samples, faults, _ = parse(data)
    assert not faults and len(samples) > 310
    assert {s.supply for s in samples} >= {4092, 3844}  # 4.7 V are 961 of 1023
    kpa = [206.84 * (s.counts / (s.supply or 0) - 0.1) / 0.8 for s in samples]
    assert max(abs(p - 80.0) for p in kpa) < 1.0
    assert abs(sum(kpa) / len(kpa) - 80.0) < 0.2


@BOTH
@pytest.mark.parametrize(("volts", "sent"), [(4.0, 3272), (2.6, 2124), (2.4, None), (0.0, None)])
def test_a_low_supply_is_sent_as_measured_and_none_as_none(
    which: str, volts: float, sent: int | None, build: Build, start: Start
) -> None:
    """Below 90 % there is the fault, and what was measured; where no supply can be that low, an empty field: what is
    divided by a sense wire's rest would be a thousand times the pressure."""
    data = start(build(which), [(0.0, 0.4 * volts, volts)], 0.6).read_all()
    samples, faults, _ = parse(data)
    assert {s.supply for s in samples} == {sent}
    assert {w for _, w in faults} == {"supply"}
    assert [r for r in check_bytes(data) if r.state == "failed"] == []


@BOTH
def test_an_id_has_its_limit(which: str, build: Build, start: Start) -> None:
    """The longest is announced whole; one more is refused when it is built, before it could overrun a line."""
    data = start(build(which, f'ADAPTER_ID="{"h" * 40}"'), [(0.0, 1.0, 5.0)], 0.5).read_all()
    assert parse(data)[2] == [f"A,1,{'h' * 40},1.0,4092,100"]
    decoder = Decoder()
    decoder.feed(data)
    assert [m.adapter_id for m in decoder.take() if isinstance(m, Announcement)] == ["h" * 40]
    for length in (0, 41, 60):
        with pytest.raises(AssertionError, match="ADAPTER_ID has 1 to 40 characters"):
            build(which, f'ADAPTER_ID="{"h" * length}"')


@BOTH
def test_a_fault_begins_and_ends(which: str, build: Build, start: Start) -> None:
    points = [(0.0, 1.0, 5.0), (1.0, 1.0, 5.0), (1.0001, 0.0, 5.0), (2.0, 0.0, 5.0)]
    points += [(2.0001, 1.0, 5.0), (3.0, 1.0, 5.0)]
    _, faults, _ = parse(start(build(which), points, 3.0).read_all())
    assert [w for _, w in faults] == ["open", "open"]
    assert 1.0e6 < faults[0][0] < 1.03e6


@BOTH
@pytest.mark.parametrize("question", [b"?\n", b"?\r\n", b"x?\n?\n"])
def test_a_question_is_answered(which: str, question: bytes, build: Build, start: Start) -> None:
    data = start(build(which), [(0.0, 1.0, 5.0)], 1.0).read_all(ask=question)
    samples, _, announcements = parse(data)
    assert announcements == [NAMES[which]] * (1 + question.count(b"?"))
    assert_gapless(samples)


@BOTH
def test_other_bytes_are_not_answered(which: str, build: Build, start: Start) -> None:
    data = start(build(which), [(0.0, 1.0, 5.0)], 0.5).read_all(ask=b"? \n\nA\n\xff\x00?x\n")
    assert parse(data)[2] == [NAMES[which]]


@BOTH
def test_sequence_and_clock_wrap(which: str, build: Build, start: Start) -> None:
    elf = build(which, "START_SEQ=65500", "START_US=4294500000UL")
    data = start(elf, [(0.0, 1.0, 5.0)], 1.0).read_all()
    samples, _, _ = parse(data)
    assert_gapless(samples, first_seq=65500)
    assert samples[-1].seq < 100
    assert samples[-1].us < 1_000_000 < samples[0].us
    assert [r for r in check_bytes(data) if r.state == "failed"] == []


@BOTH
def test_the_watchdog_restarts_a_hung_board(which: str, build: Build, start: Start) -> None:
    """The board hangs at sample 50, half a second later it is announced and counts from 0 again."""
    data = start(build(which, "HANG_AT_SEQ=50"), [(0.0, 1.0, 5.0)], 1.9).read_all()
    samples, _, announcements = parse(data)
    assert announcements == [NAMES[which]] * 2
    seqs = [s.seq for s in samples]
    assert seqs[:100] == [*range(50), *range(50)]
    assert [r.rule for r in check_bytes(data) if r.state == "failed"] == []


def test_noise_gives_oversampling_its_extra_bits(build: Build, start: Start) -> None:
    """With half a 10-bit step of noise (2.4 mV) the mean is found between the 10-bit steps."""
    for volts in (2.0, 2.00122, 2.00244, 2.00367):
        data = start(build("c"), [(0.0, volts, 5.0)], 2.0, noise_mv=2.4, seed=7).read_all()
        counts = [s.counts for s in parse(data)[0]]
        mean = sum(counts) / len(counts)
        # the converter of the simulator and the sum both round down: 2 counts and 7/16 on average
        assert abs(mean - (volts / 5 * 4092 - 2.0 - 0.4375)) < 0.5, volts


@BOTH
def test_the_clock_does_not_drift(which: str, build: Build, start: Start, tmp_path: Path) -> None:
    """The clock in the lines against the processor's own cycles, over 40 s, while faults are
    reported and many questions answered: 16 cycles a microsecond, and every sample 10 ms after
    the last one."""
    log = tmp_path / "lines.txt"
    board = start(build(which), [(0.0, 0.0, 5.0)], 40.0, lines=log)
    data = board.read_all(ask=b"?\n" * 100)
    samples, faults, announcements = parse(data)
    assert_gapless(samples)
    assert samples[-1].seq >= 3_990
    assert len(announcements) > 15 and len(faults) > 65  # 9 of them by the clock
    sent = [int(row.split()[1]) for row in log.read_text().splitlines() if row[0] == "S"]
    offset = [sent[i] - 16 * s.us for i, s in enumerate(samples)]
    # A line waits for the lines before it, and longer numbers take longer to write. The earliest of
    # each second waited for nothing: within 300 us over 40 s, 8 ppm. (One tick more or less
    # in the timer's 10000 would be 4 ms.)
    early = [min(offset[i : i + 100]) for i in range(0, len(offset) - 100, 100)]
    assert max(early) - min(early) < 16 * 300
    assert max(offset) - min(offset) < 16 * 30_000


@BOTH
def test_a_converter_that_stops_is_said(which: str, build: Build, start: Start) -> None:
    """``adc``: a sample that does not hold its readings is never sent, its number is used up,
    and all is well again when the converter is."""
    data = start(build(which), [(0.0, 1.0, 5.0)], 4.0, adc_off=1.0, adc_on=2.2).read_all()
    samples, faults, announcements = parse(data)
    assert [w for _, w in faults] == ["adc"] * 3  # 1, 1.5, 2 s
    assert all(b - a == 500_000 for (a, _), (b, _) in itertools.pairwise(faults))
    assert announcements == [NAMES[which]]  # it did not restart
    steps = [(b.seq - a.seq, b.us - a.us) for a, b in itertools.pairwise(samples)]
    [hole] = [s for s in steps if s != (1, 10_000)]
    assert 119 <= hole[0] - 1 <= 122 and hole[1] == 10_000 * hole[0]
    assert {s.counts for s in samples} == {816}  # 1 V: 204 of 1023, and no half-filled sum
    assert {s.supply for s in samples} == {4092}  # nor in the average of the supply
    failed = [r.rule for r in check_bytes(data) if r.state == "failed"]
    assert failed == ["sequence"]


@BOTH
def test_a_reader_that_stalls_loses_samples_and_knows_how_many(
    which: str, build: Build, start: Start, tmp_path: Path
) -> None:
    """Real bytes with a hole in them: decoder and timeline account for every sample."""
    more = {"pace": 25, "drop": 1, "lines": tmp_path / "lines.txt"}
    board = start(build(which), [(0.0, 1.0, 5.0)], 32.0, **more)
    data = board.read_all(stall=(6000, 28.0))
    assert board.dropped_bytes > 3000
    decoder, timeline = Decoder(), Timeline()
    flags: list[str] = []
    for at in range(0, len(data), 4096):
        decoder.feed(data[at : at + 4096])
        for message in decoder.take():
            if isinstance(message, Announcement):
                timeline.announce(message)
            elif isinstance(message, SampleBlock):
                block = timeline.add(message, at / 3000)
                flags += block.flags or [""] * len(block)
    assert timeline.lost_samples > 100
    assert decoder.counts.samples + timeline.lost_samples in (3198, 3199, 3200)
    assert flags.count("gap") >= 1 and set(flags) == {"", "gap"}
    assert decoder.counts.dropped <= 2 * flags.count("gap")  # the line cut at each side of a hole
