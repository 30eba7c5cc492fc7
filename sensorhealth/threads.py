"""One thread for linear algebra on small matrices: faster there, and the same numbers on any number of cores."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

P = ParamSpec("P")
R = TypeVar("R")


def one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """`function`, during which the linear algebra libraries use a single thread.

    Blocks of a few hundred columns are solved thousands of times: handing them to several threads takes longer than the
    work, and sums in another order end in other last digits.
    """

    @wraps(function)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        with threadpool_limits(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return alone
