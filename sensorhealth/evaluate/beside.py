"""The track record in a process of its own, beside the analysis of the present: on two cores it costs no time."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING

import pandas as pd

from ..errors import RecordsError
from ..second_core import begun
from .past import past_dates
from .track_record import TrackRecord, compared, walk_back

if TYPE_CHECKING:
    from ..decide import Policy
    from ..records import Fleet

BACK = 2  # steps of half a year from the end of the records to the usual date: a year of ends judges it, and it costs one refit
LARGEST = 500_000  # calibrations above which nobody waits for refits unasked


class Beside:
    """Forecasts of past dates that are being made elsewhere."""

    def __init__(self, line: Connection, worker: BaseProcess) -> None:
        self._line, self._worker = line, worker

    def ask(self, lives: pd.DataFrame, gas: pd.Series | None = None) -> None:
        """Tell the other process the lives, and the gas in the readings, as judged with all the records, to compare with."""
        with suppress(BrokenPipeError, ConnectionResetError):  # `record` says what became of it
            self._line.send((lives, gas))

    def record(self) -> TrackRecord | None:
        """The track record that was asked for, once it is there; None where the records leave none.

        Raises RecordsError where the other process was stopped, and what it raised itself.
        """
        try:
            found: TrackRecord | Exception = self._line.recv()
        except (EOFError, ConnectionResetError):
            raise RecordsError(
                "the process that tried the forecasts on the past was stopped (out of memory?); "
                "`sensorhealth report --no-track-record` does without it"
            ) from None
        if isinstance(found, RecordsError):
            return None
        if isinstance(found, Exception):
            raise found
        return found


@contextmanager
def beside(fleet: Fleet, policy: Policy, dates: Sequence[pd.Timestamp] | None = None) -> Iterator[Beside]:
    """Walk back to past dates in another process while the block runs, and end that process with it.

    dates: None for the one a year back.
    """
    chosen = past_dates(fleet, BACK)[:1] if dates is None else list(dates)
    here, there = multiprocessing.Pipe()
    worker = begun(_work, here, there, fleet, policy, chosen)
    there.close()
    try:
        yield Beside(here, worker)
    finally:
        here.close()
        worker.terminate()
        worker.join()


def _work(asker: Connection, line: Connection, fleet: Fleet, policy: Policy, dates: Sequence[pd.Timestamp]) -> None:
    """What the other process does: walk back, wait for the lives as judged with all the records, compare.

    asker: this process's copy of the other end of the line, without which it would not be seen that nobody waits any more.
    """
    asker.close()
    try:
        with ThreadPoolExecutor(1) as listening:  # who sends much waits until it is taken
            hindsight = listening.submit(line.recv)
            found = list(walk_back(fleet, policy, dates))
            line.send(compared(fleet, policy, found, *hindsight.result()))
    except EOFError:
        return  # nobody waits any more
    except Exception as error:  # told to the one who asked, who raises it
        line.send(error)
