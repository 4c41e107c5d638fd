"""Small matrices want one thread: handing them to several costs more than it gains."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


def single_threaded(function: Callable[P, R]) -> Callable[P, R]:
    """Run a function with one thread for linear algebra, and give back the others afterwards."""

    @wraps(function)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return alone
