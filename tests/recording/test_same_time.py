"""Rows that have the time of the row above: a clock that is read too coarsely now and then."""

from pathlib import Path

import numpy as np
import pytest

from recorder import rig
from recorder.analysis import judge
from recorder.errors import FileError
from recorder.recording import read

HEAD = '# recording-format: 1\n# test: "system"\n# marked: {"value": 14, "unit": "psi"}\ntime_s,pressure_kPa\n'


def rows() -> list[str]:
    trace = rig.simulate(next(test.scene for test in rig.demo() if test.name == "system-repaired"))
    kept = ~trace.lost
    pairs = zip(trace.adapter_time_s[kept], trace.reading_kpa[kept], strict=True)
    return [f"{t:.6f},{p:.4f}\n" for t, p in pairs]


def written(path: Path, lines: list[str]) -> Path:
    path.write_text(HEAD + "".join(lines))
    return path


def test_a_few_are_kept_and_not_judged(tmp_path: Path) -> None:
    lines = rows()
    doubled = list(lines)
    for k in sorted(np.random.default_rng(5).choice(len(lines), 40, replace=False), reverse=True):
        doubled.insert(k + 1, lines[k].split(",")[0] + ",55.0\n")  # whatever it reads
    recording = read(written(tmp_path / "doubled.csv", doubled))
    assert len(recording.rows.time_s) == len(lines) + 40
    found, plain = judge(recording).to_json(), judge(read(written(tmp_path / "plain.csv", lines))).to_json()
    said = {note["code"]: note["text"] for note in found.pop("notes")}
    assert said.pop("same-time") == "40 readings with the time of the one before were left out."
    assert list(said) == [note["code"] for note in plain.pop("notes")]
    assert found == plain


def test_many_are_refused(tmp_path: Path) -> None:
    """Whole seconds at many readings a second say too little."""
    lines = [f"{float(line.split(',')[0]):.0f},{line.split(',')[1]}" for line in rows()]
    with pytest.raises(FileError, match=r"line 6: time_s is 0.000000, the same as the row above.*more decimals"):
        read(written(tmp_path / "seconds.csv", lines))


def test_going_back_is_refused(tmp_path: Path) -> None:
    lines = rows()
    lines[100], lines[101] = lines[101], lines[100]
    with pytest.raises(FileError, match=r"line 106: .*before the row above"):
        read(written(tmp_path / "back.csv", lines))
