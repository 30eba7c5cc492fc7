"""How a piece of work uses the machine: one thread for linear algebra on small matrices, which is faster there and gives the
same numbers on any number of cores; and text held as Python's own.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

import pandas as pd
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


def plain_texts(function: Callable[P, R]) -> Callable[P, R]:
    """`function`, during which text columns of tables hold Python's own strings, one for equal cells, instead of Arrow's bytes.

    Names of sensors and sites are compared, numbered and put beside arrays dozens of times, for which Arrow's have to be made
    into Python's each time. The values are the same.
    """

    @wraps(function)
    def plainly(*args: P.args, **kwargs: P.kwargs) -> R:
        with pd.option_context("mode.string_storage", "python"):
            return function(*args, **kwargs)

    return plainly
