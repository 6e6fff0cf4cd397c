"""Two workers of a local cluster give the rows that one machine gives, from a folder and from a store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import distributed
import pytest

from recorder.audit import Totals, audit_folder
from recorder.audit.cluster import audit_store
from recorder.errors import FileError, SettingError
from tests.benchmarks.made import make

pytestmark = pytest.mark.filterwarnings("ignore")  # of the engine's own parts


@contextmanager
def two_workers(*, processes: bool) -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=processes, dashboard_address=None
    ) as cluster, distributed.Client(cluster) as client:
        assert len(client.scheduler_info()["workers"]) == 2
        yield client


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop")
    for seed in range(4):
        make(folder, seed, seconds=8)
    make(folder / "a" / "older", 4, seconds=8)
    (folder / "a" / "bad.csv").write_text("a,b\n", "utf-8")
    (folder / "z.csv").write_bytes((folder / "20260301T000000Z-system-0000.csv").read_bytes()[:4000])
    (folder / "._z.csv").write_bytes(b"\x00\x05\x16\x07" + bytes(4000))  # as macOS puts there
    return folder


def totals(rows: list[Any]) -> dict[str, Any]:
    out = Totals()
    for row in rows:
        out.add(row)
    return out.to_json()


def test_two_processes_and_a_folder(shop: Path) -> None:
    with two_workers(processes=True) as client:
        there = list(audit_store(shop.as_uri(), client))
    here = list(audit_folder(shop, jobs=1))
    assert there == here and len(there) == 7
    assert totals(there) == totals(here)


def test_an_object_store(shop: Path) -> None:
    """fsspec's store in memory: no folders, no files of the system; its workers share this process."""
    import fsspec

    store = fsspec.filesystem("memory")
    for path in shop.rglob("*.csv"):
        store.pipe_file(f"/shop/{path.relative_to(shop).as_posix()}", path.read_bytes())
    with two_workers(processes=False) as client:
        there = list(audit_store("memory://shop", client))
    here = []
    for row in audit_folder(shop, jobs=1):
        name = f"/shop/{Path(row.file).relative_to(shop).as_posix()}"
        other = row.same_id and f"/shop/{Path(row.same_id).relative_to(shop).as_posix()}"
        counts = row.counts_as and f"/shop/{Path(row.counts_as).relative_to(shop).as_posix()}"
        here.append(replace(row, file=name, error=row.error and row.error.replace(row.file, name), same_id=other,
                            counts_as=counts))
    assert there == here


def test_a_store_that_is_none() -> None:
    with pytest.raises(SettingError):
        list(audit_store("nostore://x", None))


class AtOnce:
    """Runs here, when it is asked to."""

    def submit(self, work: Any, *given: Any, pure: bool) -> Any:
        return SimpleNamespace(result=lambda: work(*given))


def test_a_folder_that_is_not_there_is_no_empty_one(tmp_path: Path) -> None:
    """A slip in the address looked like a shop that has no recordings."""
    for url in ((tmp_path / "none").as_uri(), "memory://none"):
        with pytest.raises(FileError, match=r"none: there is no such folder; check the address"):
            list(audit_store(url, AtOnce()))
    assert list(audit_store(tmp_path.as_uri(), AtOnce())) == []


def test_a_ledger_that_cannot_be_read_is_a_row_as_on_one_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fsspec

    (tmp_path / "ledger.csv").touch()

    def refused(*_: Any, **__: Any) -> bytes:
        raise PermissionError(13, "not for you")

    monkeypatch.setattr(fsspec.get_filesystem_class("file"), "cat_file", refused)
    [row] = audit_store(tmp_path.as_uri(), AtOnce())
    assert row.file.endswith("ledger.csv") and "not for you" in (row.error or "")
