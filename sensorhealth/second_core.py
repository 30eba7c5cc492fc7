"""Work handed to a fork of this process, which meanwhile goes on: two cores do beside each other what one does in turn."""

from __future__ import annotations

import multiprocessing
import os
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

R = TypeVar("R")
FORKS = sys.platform == "linux"  # elsewhere there are none, or libraries of the system do not survive them
MANY = 5_000  # sensors from which it is not worth it: a second process costs memory, and what it hands back as much again


@contextmanager
def alongside(work: Callable[[], R], *, worth: bool = True) -> Iterator[Callable[[], R]]:
    """Begin `work` in a fork of this process; the callable that the block is given waits for what it returns.

    The same comes of it as if `work` had been called in the block: where no fork is to be had (another system, one core, a
    process that is a helper itself), where it is not `worth` one, and where the fork failed or was stopped, it is called
    then, and raises what it raises. What it changes in memory stays in the fork.
    """
    if not worth or not _may_fork():
        yield work
        return
    here, there = multiprocessing.Pipe(duplex=False)
    helper = begun(_work, work, here, there)
    there.close()

    def result() -> R:
        try:
            done: tuple[R] = here.recv()
        except EOFError:
            return work()
        return done[0]

    try:
        yield result
    finally:
        here.close()
        helper.terminate()
        helper.join()


def begun(target: Callable[..., None], *args: Any) -> BaseProcess:
    """A process that works on `target` and ends with this one: a fork where forks are safe, else begun from nothing."""
    context = multiprocessing.get_context("fork" if FORKS else "spawn")
    helper: BaseProcess = context.Process(target=target, args=args, daemon=True)  # type: ignore[attr-defined]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # newer Pythons warn of other libraries' threads: none holds a lock
        helper.start()
    return helper


def _may_fork() -> bool:
    """Whether a second core and a fork are to be had, and this is no helper itself."""
    return _cores() > 1 and FORKS and not multiprocessing.current_process().daemon


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1


def _work(work: Callable[[], R], asker: Connection, line: Connection) -> None:
    """What the fork does; what goes wrong is left to the other process, which does the work again and then tells.

    asker: the fork's copy of the other end of the line, with which it would wait for ever for one that was killed.
    """
    asker.close()
    try:
        line.send((work(),))
    except Exception:
        line.close()
