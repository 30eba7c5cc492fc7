"""Work in a fork of the process: the same answers as in the process itself, whatever becomes of the fork."""

from __future__ import annotations

import multiprocessing
import os
import signal

import numpy as np
import pytest

from sensorhealth import second_core
from sensorhealth.second_core import alongside


@pytest.fixture(params=[True, False], ids=["forked", "in turn"])
def forks(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Whether a second core is to be had."""
    if request.param and not second_core.FORKS:
        pytest.skip("no safe forks on this system")
    monkeypatch.setattr(second_core, "_cores", lambda: 2 if request.param else 1)
    return bool(request.param)


def test_answers_are_the_same_to_the_last_bit_and_come_from_elsewhere_where_there_is_a_second_core(forks: bool) -> None:
    values = np.random.default_rng(1).standard_normal(1000)
    with alongside(lambda: (os.getpid(), np.cumsum(values))) as answer:
        mine = np.cumsum(values)
        who, found = answer()
    assert found.tobytes() == mine.tobytes()
    assert (who != os.getpid()) == forks


def test_what_goes_wrong_is_raised_where_it_is_asked_for(forks: bool) -> None:
    def work() -> None:
        raise ValueError("no such lot")

    with alongside(work) as answer, pytest.raises(ValueError, match="no such lot"):
        answer()


def test_a_fork_that_is_stopped_costs_time_and_nothing_else(forks: bool) -> None:
    here = os.getpid()

    def work() -> str:
        if os.getpid() != here:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done"

    with alongside(work) as answer:
        assert answer() == "done"


def test_answers_that_cannot_be_handed_over_are_worked_out_again(forks: bool) -> None:
    with alongside(lambda: lambda: 7) as answer:
        assert answer()() == 7


def test_a_fork_begins_no_further_one(forks: bool) -> None:
    def work() -> tuple[int, int]:
        with alongside(os.getpid) as inner:
            return os.getpid(), inner()

    with alongside(work) as answer:
        outer, inner = answer()
    assert outer == inner or not forks


def test_nothing_is_left_running_when_nobody_asks(forks: bool) -> None:
    with alongside(signal.pause):
        running = multiprocessing.active_children()
    assert bool(running) == forks
    assert not multiprocessing.active_children()
