"""The whole way for fleets that no memory holds: shard by shard, from Parquet to the tables.

What is common to all is learnt once, from some sensors of every kind: curves, variances, hazards, how forecasts err. Then every
shard (whole regions, `records.shards`) is read, searched for faults, forecast and planned as a fleet of its own with what was
learnt, its rows are laid aside, and what it adds to budget, orders and lots is put together at the end. Shards do not know of one
another, so that several processes work at once; the files are the same for any number of them.
"""

from __future__ import annotations

import multiprocessing
import shutil
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from . import compare, decide, health
from .analysis import all_findings, compared_lots, forecast_of, money_of, planned, zeros_and_responses
from .decide import Policy
from .degradation import AgeingModel
from .errors import RecordsError
from .outlook import Learnt, Progress, learn, look_ahead, shared_draws_of_shard, with_new_sensors
from .present.cautions import SHORT
from .records.fleet import end_of
from .records.mapping import RecordsMapping
from .records.outputs import csv_content, csv_piece, whole_days, with_hours, workspace, write_folder
from .records.shards import Shards, cut_in_shards, sensors_in_parquet
from .threads import one_thread, plain_texts

LARGEST = 200_000  # sensors above which a fleet in Parquet is read in shards unasked
SENSORS = 25_000  # of a shard
LEARN_FROM = 4_000  # sensors of a kind: as many as the part that tells its curve is drawn from
LEARN_SEED = 20260301
BY_SHARD = ("forecast", "plan", "cylinders", "retest", "zero_drift", "response_times", "findings")


@dataclass(frozen=True)
class _Work:
    """What every process needs: the fleet, what was learnt, the day, the policy, where rows are laid aside, and how many
    sensors the possible worlds are walked through with."""

    shards: Shards
    learnt: Learnt
    day: pd.Timestamp
    policy: Policy
    place: Path
    walked: int

    def piece(self, name: str, number: int) -> Path:
        """Where a shard's rows of a table are laid aside."""
        return self.place / f"{name}.{number}.csv"


@dataclass(frozen=True)
class _Told:
    """What a shard tells beside its rows. whole: which columns of its tables hold whole days alone."""

    money: decide.ShardMoney
    visits: pd.DataFrame
    running: pd.DataFrame
    account: pd.DataFrame
    whole: dict[str, dict[str, bool]]
    sites: tuple[str, ...]
    kinds: tuple[str, ...]
    notes: tuple[str, ...]


def too_large(path: Path | str, mapping: RecordsMapping | Mapping[str, Any] | Path | str | None = None) -> bool:
    """Whether a fleet is better read in shards than at once."""
    return sensors_in_parquet(path, mapping) > LARGEST


def report_in_shards(
    path: Path | str,
    out: Path | str,
    *,
    as_of: pd.Timestamp | str | None = None,
    policy: Policy | Path | str | None = None,
    mapping: RecordsMapping | Mapping[str, Any] | Path | str | None = None,
    corrections: bool = True,
    sensors: int = SENSORS,
    processes: int = 2,
    progress: Progress | None = None,
) -> tuple[str, ...]:
    """Read a fleet in a folder of Parquet shard by shard and write its tables as CSV into folder `out`; gives the notes.

    as_of, policy, mapping, corrections: as for `analyse` and `read_fleet`. sensors: of a shard, some; a region that has more is a
    shard of its own. processes: that work at once; each holds one shard. Written are the tables that `report` writes, those
    with a row for each sensor shard after shard, and notes.txt; no page, workbook or calendar. Raises RecordsError where the
    records are not in Parquet or cannot be used.
    """
    step = progress or (lambda name: None)
    policy = policy if isinstance(policy, Policy) else Policy() if policy is None else Policy.load(policy)
    step("looking for regions")
    with workspace(out, protect=[path]) as place:
        shards = cut_in_shards(path, sensors, mapping=mapping, corrections=corrections)
        day = _as_of_day(shards, as_of)
        learnt, lots, count = _learn(shards, day, policy, step)
        work = _Work(shards, learnt, day, policy, place, decide.WALKED)
        step("working through the shards")
        told = _walked(work, processes, step)
        notes = _notes(shards, learnt, told, policy, count)
        files = _tables(work, told, lots)
        files |= {f"{name}.csv": partial(_joined, work, name) for name in BY_SHARD}
        files["notes.txt"] = ("\n".join((SHORT, *notes)) + "\n").encode()
        write_folder(files, out, protect=[path], part="report")
    return notes


def _walked(work: _Work, processes: int, step: Progress) -> list[_Told]:
    """What all shards tell, their rows being laid aside as CSV."""
    count, told = work.shards.count, []
    try:
        with _pool(work, processes) as spread:
            for number, one in enumerate(spread(_shard, range(count))):
                told.append(one)
                step(f"shard {number + 1} of {count}")
            step("writing")
            list(spread(_with_hours, _too_short([one.whole for one in told])))
    except BrokenProcessPool:
        raise RecordsError(
            "a process that worked on a shard was stopped (out of memory?); take smaller shards (`--shards 10000`)"
        ) from None
    return told


@plain_texts
@one_thread
def _learn(shards: Shards, day: pd.Timestamp, policy: Policy, step: Progress) -> tuple[Learnt, pd.DataFrame, int]:
    """What some sensors of every kind teach, the comparison of their lots, and how many they are."""
    some = shards.some(LEARN_FROM, LEARN_SEED).known_at(end_of(day))
    if some.calibrations.empty:
        raise RecordsError(f"as-of date {day.date()}: nothing was known then of {shards.path}")

    def lots_of(seen: health.Examined, ageing: AgeingModel) -> pd.DataFrame:
        return compared_lots(seen.readings, seen.lives, ageing, some, policy)

    learnt, lots = learn(some, day, policy, lots_of, progress=step)
    return learnt, lots, len(some.sensors)


def _as_of_day(shards: Shards, as_of: pd.Timestamp | str | None) -> pd.Timestamp:
    moment = shards.last if as_of is None else as_of
    if moment is None:
        raise RecordsError(f"{shards.path}: its dates are written as text; say with --as-of on which day to stand")
    return pd.Timestamp(moment).tz_localize(None).normalize()


@plain_texts
@one_thread
def _of_shard(work: _Work, number: int) -> _Told:
    """Everything about one shard: its rows are laid aside, the rest is told."""
    known = work.shards.read(number).known_at(end_of(work.day))
    policy = work.policy
    ahead = look_ahead(known, work.day, policy, learnt=work.learnt)
    forecast = forecast_of(ahead, known, policy)
    zeros, responses = zeros_and_responses(ahead, known, policy)
    plan = planned(ahead, known, work.day, policy, forecast, zeros)
    walked = max(round(work.walked * len(known.sensors) / work.shards.shard.size), 1)
    draws = shared_draws_of_shard(ahead, work.learnt, work.day, policy, number, walked)
    money = decide.money_of_shard(plan, draws, number, walked)
    tables = {
        "forecast": forecast, "plan": plan.actions, "cylinders": ahead.cylinders,
        "retest": health.retest_list(known, ahead.cylinders), "zero_drift": zeros, "response_times": responses,
        "findings": all_findings(ahead, known, zeros, responses),
        "warranty": decide.warranty_part(plan.facts, plan.ahead.leaves),
    }  # fmt: skip
    whole = {name: whole_days(tables[name]) for name in BY_SHARD}
    for name in BY_SHARD:
        work.piece(name, number).write_bytes(csv_piece(tables[name], whole[name], header=number == 0))
    tables["warranty"].to_parquet(work.place / f"warranty.{number}.parquet", index=False, compression="lz4")
    return _Told(
        money, decide.visits(plan), compare.running_by_lot(with_new_sensors(ahead.lives), known.sensors, forecast),
        known.reconciliation, whole,
        tuple(sorted(set(plan.facts.site))), tuple(sorted(set(plan.facts.kind))), known.notes,
    )  # fmt: skip


def _too_short(whole: list[dict[str, dict[str, bool]]]) -> Iterator[tuple[str, int, list[int]]]:
    """Pieces in which times were written as whole days where other shards have times of day: table, shard, places of columns."""
    for name in BY_SHARD:
        everywhere = {column: all(one[name][column] for one in whole) for column in whole[0][name]}
        for number, one in enumerate(whole):
            places = [k for k, (column, days) in enumerate(one[name].items()) if days and not everywhere[column]]
            if places:
                yield name, number, places


def _notes(shards: Shards, learnt: Learnt, told: list[_Told], policy: Policy, count: int) -> tuple[str, ...]:
    """What could not be done or told apart, and how many rows were used, in words."""
    account = pd.concat([one.account for one in told]).groupby("table", sort=False).sum()
    rows = [
        f"{name}: {row.rows_in} rows, {row.rows_used} used, {row.rows_set_aside} set aside" for name, row in account.iterrows()
    ]
    cut = (
        f"Read in {shards.count} shards of whole regions; what all have in common was learnt from {count} of "
        f"{shards.shard.size} sensors, of every kind those of regions drawn at random. The next lines are of these."
    )
    sites, kinds = ({name for one in told for name in getattr(one, what)} for what in ("sites", "kinds"))
    own = dict.fromkeys(note for one in told for note in one.notes)
    return (*rows, cut, *learnt.notes, *own, *decide.names_unknown(policy, sites, kinds))


def _tables(work: _Work, told: list[_Told], lots: pd.DataFrame) -> dict[str, bytes | Callable[[Path], None]]:
    """The tables of the whole fleet that are more than rows of shards one after the other."""
    money = decide.money_together([one.money for one in told], work.policy, work.day.to_datetime64().astype("datetime64[D]"))
    visits = pd.concat([one.visits for one in told], ignore_index=True)
    warranty = [pd.read_parquet(work.place / f"warranty.{number}.parquet") for number in range(len(told))]
    running = pd.concat([one.running for one in told], ignore_index=True)
    return {
        "budget.csv": csv_content(money.budget),
        "schemes.csv": csv_content(money.schemes),
        "orders.csv": csv_content(money.orders),
        "visits.csv": csv_content(visits.sort_values(["visit", "site"], kind="stable", ignore_index=True)),
        "warranty.csv": csv_content(decide.warranty_together(warranty)),
        "lots.csv": csv_content(compare.with_running(lots, running, money_of(work.policy)) if len(lots) else lots),
    }


def _joined(work: _Work, name: str, path: Path) -> None:
    """Write the pieces of one table into one file."""
    with path.open("wb") as whole:
        for number in range(work.shards.count):
            with work.piece(name, number).open("rb") as piece:
                shutil.copyfileobj(piece, whole)


class _Here:
    """What the process at hand works on."""

    work: _Work


def _begin(work: _Work) -> None:
    _Here.work = work


def _shard(number: int) -> _Told:
    return _of_shard(_Here.work, number)


def _with_hours(task: tuple[str, int, list[int]]) -> None:
    name, number, places = task
    path = _Here.work.piece(name, number)
    path.write_bytes(with_hours(path.read_bytes(), places, header=number == 0))


@contextmanager
def _pool(work: _Work, processes: int) -> Iterator[Callable[..., Iterator[Any]]]:
    """A `map` over shards, by several processes or here; their order does not matter, for each shard is done by itself."""
    if processes <= 1:
        _begin(work)
        yield map
        return
    context = multiprocessing.get_context("spawn")  # a fork would copy other libraries' threads halfway
    with ProcessPoolExecutor(processes, mp_context=context, initializer=_begin, initargs=(work,)) as pool:
        yield pool.map
