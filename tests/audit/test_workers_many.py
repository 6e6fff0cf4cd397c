"""Workers of a computer with more cores than one pool may have processes."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

import pytest

from recorder import workers


class Pool:
    """As on Windows: "max_workers must be less than or equal to 61. If it is not then ValueError will be raised"
    (Python's documentation of concurrent.futures)."""

    def __init__(self, most: int, *_: Any) -> None:
        if most > 61:
            raise ValueError("max_workers must be <= 61")

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def submit(self, work: Callable[[list[str]], list[str]], files: list[str]) -> Future[list[str]]:
        done: Future[list[str]] = Future()
        done.set_result(work(files))
        return done

    def shutdown(self, **_: bool) -> None:
        pass


def test_windows_has_at_most_61_in_a_pool(monkeypatch: pytest.MonkeyPatch) -> None:
    names = [f"{n}.csv" for n in range(100)]
    with monkeypatch.context() as there:
        there.setattr(workers, "ProcessPoolExecutor", Pool)
        there.setattr(os, "name", "nt")
        got = list(workers.spread(list, iter(names), jobs=64))
    assert got == names


def test_no_thread_is_left_where_the_rest_is_not_wanted() -> None:
    """Python's end wakes a pool's thread without its lock, and printed a traceback ("Bad file descriptor") where the
    thread had just let go of its pipe."""
    before = set(threading.enumerate())
    found = workers.spread(list, iter([f"{n}.csv" for n in range(1000)]), jobs=2)
    assert next(found) == "0.csv"
    found.close()
    assert set(threading.enumerate()) <= before
