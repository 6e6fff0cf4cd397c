"""Folders that cannot be looked into are said to be so with any Python: from 3.14 on ``exists``, ``is_dir`` and
``is_file`` of pathlib raise no OSError ("Changed in version 3.14" in its documentation)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from recorder.cli import main
from recorder.errors import FileError
from recorder.recording.folders import find_recordings
from recorder.settings import find_settings

LONG = "x" * 300  # no file system here has names of more than 255 bytes; nor may root open it, as what has no rights


@pytest.fixture(params=["before 3.14", "since 3.14"])
def _of_python(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "before 3.14":
        return

    def quiet(real: Any) -> Any:
        def asked(self: Path, *given: Any, **more: Any) -> bool:
            try:
                return bool(real(self, *given, **more))
            except OSError:
                return False
        return asked

    for name in ("exists", "is_dir", "is_file"):
        monkeypatch.setattr(Path, name, quiet(getattr(Path, name)))


@pytest.mark.usefixtures("_of_python")
def test_a_folder_of_recordings(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="it cannot be opened"):
        list(find_recordings(tmp_path / LONG))
    with pytest.raises(FileError, match="there is no such folder"):
        list(find_recordings(tmp_path / "none"))
    (tmp_path / "file").touch()
    with pytest.raises(FileError, match="this is no folder"):
        list(find_recordings(tmp_path / "file"))
    with pytest.raises(FileError, match="there is no such folder"):
        list(find_recordings(tmp_path / "file" / "below"))


@pytest.mark.usefixtures("_of_python")
def test_the_folder_of_the_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a shop's own limits would be left aside without a word."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("recorder.settings._own_folder", lambda: tmp_path / LONG)
    with pytest.raises(FileError, match="settings cannot be looked for here"):
        find_settings()
    monkeypatch.setattr("recorder.settings._own_folder", lambda: tmp_path / "none")
    assert find_settings() is None


@pytest.mark.usefixtures("_of_python")
def test_the_folder_of_exports(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for name, said in ((LONG, "it cannot be opened"), ("file/below", "it cannot be opened"), ("file", "is no folder")):
        got = CliRunner().invoke(main, ["export", "a.csv", "--to", "sheet", "--folder", str(tmp_path / name)])
        assert got.exit_code == 2 and said in got.stderr
