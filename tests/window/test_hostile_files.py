"""Short form of ``python -m tests.benchmarks.faults_window``: a folder of files made to harm, some of them opened."""

from __future__ import annotations

from pathlib import Path

from pytestqt.qtbot import QtBot

from tests.benchmarks.faults_window import look
from tests.benchmarks.hostile_files import cases

OPENED = {"nan", "deep-json-judgement", "pipe", "5-GB-line", "html-job", "escapes-job"}


def test_hostile_files_are_listed_and_refused_in_one_line(qtbot: QtBot, tmp_path: Path) -> None:
    every = cases()
    seen = look(every, tmp_path, [case for case in every if case.name in OPENED])
    assert seen.wrong == []
    assert seen.rows > 80
    assert len(seen.said) == len(OPENED) and not seen.said["html-job"]
    assert all(said for name, said in seen.said.items() if "job" not in name)
