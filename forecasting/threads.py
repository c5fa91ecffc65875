"""Array work on several threads, or on this one alone where other processes keep the other cores busy."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar

Item = TypeVar("Item")
Answer = TypeVar("Answer")

_alone: ContextVar[bool] = ContextVar("alone", default=False)


@contextmanager
def steady_algebra() -> Iterator[None]:
    """Until left, the linear algebra library keeps to the thread that calls it.

    Shared out among threads its sums differ in their last bits, so that a fit would depend on how many cores a machine has;
    and its threads, waiting for one another, took half as much processor again and gained a fit no time (measured on the
    record of 40,000 heaters).
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        yield


@contextmanager
def one_thread() -> Iterator[None]:
    """Until left, array work stays on this thread, that of the linear algebra library too.

    For one of several workers on the same task: threads that wait for one another took a quarter more of the processor and
    gained no time (measured on blocks of 4,000 heaters and 200 paths).  Order and bits are the same as on many.
    """
    before = _alone.set(True)
    try:
        with steady_algebra():
            yield
    finally:
        _alone.reset(before)


def in_threads(work: Callable[[Item], Answer], items: Iterator[Item] | list[Item]) -> list[Answer]:
    """Run independent array chunks on all cores (NumPy lets go of the lock); order and bits are kept."""
    listed = list(items)
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    workers = 1 if _alone.get() else min(len(listed), cores)
    if workers <= 1:
        return [work(item) for item in listed]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, listed))
