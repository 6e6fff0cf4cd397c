"""Work on many files, spread over the cores of this machine; what comes of it, in order."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from multiprocessing.context import BaseContext
from types import FrameType
from typing import Any, TypeVar

from recorder.errors import RunError

__all__ = ["WORTH_WORKERS", "cores", "one_beside", "spread"]

WORTH_WORKERS = 32  # with fewer files, starting workers takes longer than the work
_MOST_ON_WINDOWS = 61  # processes of one pool (Python's documentation of ProcessPoolExecutor)
_CHUNK = 8  # files handed to a worker at a time
_Result = TypeVar("_Result")


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _end_with_parent() -> None:
    """A worker whose parent was killed would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _start(begin: Callable[..., None] | None, given: tuple[object, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one process that shows something
    threading.Thread(target=_end_with_parent, name="parent-watch", daemon=True).start()
    if begin is not None:
        begin(*given)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Workers started within take one thread each for linear algebra: there is a worker for every core."""
    names = [n for n in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS") if n not in os.environ]
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name in names:
            os.environ.pop(name, None)


@contextmanager
def _heard_later() -> Iterator[None]:
    """What is started within never hears Ctrl-C, not even while it starts; this process hears it afterwards, and as
    late whoever asks it to end: a worker that has half started would miss what it is to share."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard: list[int] = []
    asked = [number for number in _asks_to_end() if signal.getsignal(number) not in (signal.SIG_IGN, None)]
    before = [(number, signal.signal(number, lambda number, frame: heard.append(number))) for number in asked]
    mask = None
    if hasattr(signal, "pthread_sigmask"):  # not on Windows; a new process takes the mask over
        mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if mask is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for number, handler in before:
            signal.signal(number, handler)
        if heard:
            signal.raise_signal(heard[0])


def _asks_to_end() -> list[signal.Signals]:
    """The signals by which a process is asked to end, as far as this system has them."""
    return [signal.Signals[name] for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]


def _as_ctrl_c(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


@contextmanager
def _tidy_end() -> Iterator[None]:
    """Whoever asks this process to end within is heard like Ctrl-C: the workers are ended first, and what they share
    is given back to the system."""
    before: list[tuple[int, Any]] = []
    if threading.current_thread() is threading.main_thread():
        before = [(number, signal.signal(number, _as_ctrl_c)) for number in _asks_to_end()
                  if signal.getsignal(number) == signal.SIG_DFL]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)


def _context(load: Sequence[str]) -> BaseContext:
    """How workers are started; safe beside the threads of a progress bar. Where the system allows, one process loads
    the program and the workers are its copies: each would take a second to load it itself."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")  # Windows
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(load))
    return context


def _nothing() -> None:
    pass


def one_beside() -> ProcessPoolExecutor:
    """One process for work beside a program with a window, which only loads what it is given; it is started now. As
    those of ``spread`` it hears no Ctrl-C, which a terminal sends to all of them, and ends with its parent."""
    pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), _start, (None, ()))
    with _heard_later():
        pool.submit(_nothing)
    return pool


def spread(
    work: Callable[[Sequence[str]], list[_Result]],
    files: Iterator[str],
    *,
    jobs: int,
    load: Sequence[str] = (),
    begin: Callable[..., None] | None = None,
    given: tuple[object, ...] = (),
) -> Generator[_Result, None, None]:
    """What ``work``, a function of a module, gives for some files at a time, in ``jobs`` processes.

    load: modules that it will need. begin: called with ``given`` in each process first. Never more waits than a few
    chunks for each process, however many files there are. RunError where a process dies.
    """
    if os.name == "nt":
        jobs = min(jobs, _MOST_ON_WINDOWS)
    with _tidy_end(), _one_thread_each(), ProcessPoolExecutor(jobs, _context(load), _start, (begin, given)) as pool:
        waiting: deque[Future[list[_Result]]] = deque()
        try:
            while True:
                while len(waiting) < 4 * jobs and (chunk := list(islice(files, _CHUNK))):
                    with _heard_later():  # the first one starts the workers
                        waiting.append(pool.submit(work, chunk))
                if not waiting:
                    return
                yield from waiting.popleft().result()
        except BrokenProcessPool:
            raise RunError("a worker ended unexpectedly", do="free some memory, or run it with --jobs 1") from None
        finally:  # by the pool's own thread: it breaks at what was cancelled behind its back where a worker died;
            # waited for, as Python's end, which wakes that thread, breaks where it is just letting go of its pipe
            pool.shutdown(wait=True, cancel_futures=True)
