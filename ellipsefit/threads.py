"""Threads: one for linear algebra of small matrices, several for work that falls into blocks."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import wraps
from itertools import islice
from typing import Final, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")
R = TypeVar("R")

#: Threads at work on blocks, at most: beyond these, the interpreter's own share is what takes the time.
MOST_THREADS: Final = 4


def single_threaded(function: Callable[P, R]) -> Callable[P, R]:
    """Run a function with one thread for linear algebra, and give back the others afterwards."""

    @wraps(function)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return alone


def in_threads(function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
    """Results for the items in their order; only a few are worked on ahead of the one that is asked for."""
    workers = min(os.cpu_count() or 1, MOST_THREADS)
    rest = iter(items)
    first = list(islice(rest, 2))
    if workers == 1 or len(first) < 2:
        yield from map(function, first)
        yield from map(function, rest)
        return
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[Future[R]] = deque(pool.submit(function, item) for item in first)
        waiting.extend(pool.submit(function, item) for item in islice(rest, 2 * workers - 2))
        try:
            while waiting:
                done = waiting.popleft().result()
                waiting.extend(pool.submit(function, item) for item in islice(rest, 1))
                yield done
        finally:
            for future in waiting:
                future.cancel()
